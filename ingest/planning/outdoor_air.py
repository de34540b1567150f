"""The air outdoors: where it is measured, and the weather ahead laid upon a room's season."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from baulk.ingest import known_places, weather_ahead
from baulk.ingest.evaluation import climate
from baulk.ingest.evaluation.climate import Season
from baulk.ingest.evaluation.inputs import up_to
from baulk.ingest.shop import Shop
from baulk.models.air import AirSeries
from baulk.models.plan.humidity import weather
from baulk.models.plan.humidity.air_plan import Water
from baulk.models.plan.humidity.room import Room
from baulk.models.reason import Reason, Value, utc


def with_weather(
    shop: Shop, room: Room, water: Water, own: AirSeries | None, now_utc: datetime
) -> tuple[Room, Water, tuple[Reason, ...]]:
    """Put the weather that the shop was given into the days that it speaks of.

    Parameters
    ----------
    shop : Shop
        The open shop.
    room : Room
        With its season.
    water : Water
        With the season outside.
    own : AirSeries or None
        The room's record. [degC, %]
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    tuple
        Room and water with these days, and which come from the weather given.
    """
    issue = weather_ahead.newest(shop, now_utc)
    if issue is None:
        return room, water, ()
    values: dict[str, Value] = {
        "place": room.place,
        "issued_utc": issue.issued_utc,
        "last_utc": utc(float(issue.air.posix_s[-1])),
    }
    found = measured(shop, room.place, now_utc)
    if found is None:
        return room, water, (Reason(code="humidity.weather_no_outside", values=values),)
    record, usual = found
    season = usual.between(float(room.year.posix_s[0]), float(room.year.posix_s[-1]))
    outdoors = not under_roof(shop, (room.place,))
    learned = None if own is None or record is None else weather.shares(own, record)
    share = (1.0, 1.0) if outdoors else learned
    water = replace(water, outside=weather.with_weather(season, season, issue.air, (1.0, 1.0)))
    if share is None:
        return room, water, (Reason(code="humidity.weather_outside_only", values=values),)
    year = weather.with_weather(room.year, season, issue.air, share)
    follows: dict[str, Value] = {**values, "temp_share": share[0], "water_share": share[1]}
    return replace(room, year=year), water, (Reason(code="humidity.weather_used", values=follows),)


def under_roof(shop: Shop, names: tuple[str, ...]) -> tuple[str, ...]:
    """Give those of some places whose air is not the weather's own.

    Parameters
    ----------
    shop : Shop
        The open shop.
    names : tuple of str
        Places.

    Returns
    -------
    tuple of str
        In the same order, without yards and what is called outside.
    """
    outdoors = known_places.outdoors(shop)
    return tuple(each for each in names if each not in outdoors)


def measured(shop: Shop, place: str, now_utc: datetime) -> tuple[AirSeries | None, Season] | None:
    """Give the weather's own record, from a place that is called so or entered as a yard.

    Parameters
    ----------
    shop : Shop
        The open shop.
    place : str
        The room, which is not outside of itself.
    now_utc : datetime
        Now, with a time zone; nothing later counts.

    Returns
    -------
    tuple or None
        The record, if it has any, and the season made of it; None where nothing outside is measured.
    """
    yards = [each.name for each in shop.register.places() if each.kind == "yard"]
    known = set(shop.store.places())
    for name in (*yards, *known_places.OUTSIDE):
        if name in known and name != place:
            own = up_to(shop.store.air(name), now_utc.timestamp())
            return None if own is None else (own, climate.season(own, shop.config))
    return None
