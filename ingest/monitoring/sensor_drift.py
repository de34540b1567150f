"""Thermometers and lone air sensors: what each is held against, whether it has moved, and how to check it.

Eight weeks of readings are gone through four times a day, and what was found is kept as a note; what stands
beside a sensor is told by the series that are heard now.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any, Final

from baulk.ingest import known_places, weather_ahead
from baulk.ingest.shop import Shop
from baulk.models import air_neighbours, neighbours, temperature_neighbours
from baulk.models.air import AirSeries
from baulk.models.constants import Floats
from baulk.models.errors import BaulkError
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series
from baulk.models.reason import Reason, Values
from baulk.models.timber import EventKind

KEY: Final = "sensor-drift"  # of the note
EVERY: Final = timedelta(hours=6)
LOOKED_AT: Final = timedelta(days=neighbours.RECENT_DAYS + neighbours.BEFORE_DAYS)
HEARD: Final = timedelta(days=neighbours.RECENT_DAYS)  # since which a sensor stands beside another
THERMOMETERS: Final = frozenset({Quantity.TEMP, Quantity.WOOD_TEMP})


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """What was found by the text form of a series.

    Parameters
    ----------
    departed : mapping of str to Reason
        Thermometers that have moved against at least two others in their place; a person hears of these.
    moved : mapping of str to Reason
        Those of which it can't be said whether they drift or something else has changed.
    feed : bool
        Whether the shop was given the weather outside lately.
    """

    departed: Mapping[str, Reason] = field(default_factory=dict)
    moved: Mapping[str, Reason] = field(default_factory=dict)
    feed: bool = False


def look(shop: Shop, now_utc: datetime) -> Found:
    """Hold each against what stands beside it, and keep what was found; not again within six hours.

    Parameters
    ----------
    shop : Shop
        An open shop.
    now_utc : datetime
        Now, with a time zone.
    """
    at_utc, found = _noted(shop)
    if at_utc is not None and timedelta(0) <= now_utc - at_utc < EVERY:
        return found
    found = _worked_out(shop, now_utc)
    body = {
        "at_utc": now_utc.isoformat(),
        "departed": {name: each.to_json() for name, each in found.departed.items()},
        "feed": found.feed,
        "moved": {name: each.to_json() for name, each in found.moved.items()},
    }
    shop.store.note(KEY, json.dumps(body).encode())
    return found


def kept(shop: Shop) -> Found:
    """Return what was found when it was last looked."""
    return _noted(shop)[1]


def beside(shop: Shop, heard: Iterable[Series], *, feed: bool) -> dict[str, Reason]:
    """Return by series what a thermometer or a humidity sensor is held against, or how to check a lone one.

    Parameters
    ----------
    shop : Shop
        An open shop, only read.
    heard : iterable of Series
        Those that sensors feed now.
    feed : bool
        Whether the shop is given the weather outside.
    """
    those = list(heard)
    outdoors = known_places.outdoors(shop)
    rooms = _by_place(shop, those)
    found: dict[str, Reason] = {}
    for place, mine in rooms.items():
        others = [] if place in outdoors else mine
        for one in mine:
            found[str(one)] = _stands(one.quantity, [each for each in others if each != one], feed=feed)
    humid = [each for each in those if each.owner is Owner.AIR and each.quantity is Quantity.HUMIDITY]
    for one in humid:
        found[str(one)] = _stands(one.quantity, [each for each in humid if each != one], feed=feed)
    return found


def _stands(quantity: Quantity, others: list[Series], *, feed: bool) -> Reason:
    what = "humidity" if quantity is Quantity.HUMIDITY else "temperature"
    if len(others) + 1 >= neighbours.FEWEST:
        return Reason(code="sensor.beside", values={"what": what, "count": len(others)})
    if others:
        return Reason(code="sensor.beside_one", values={"what": what, "other": str(others[0])})
    if feed:
        return Reason(code="sensor.beside_weather", values={"what": what})
    return Reason(code="sensor.alone", values={"what": what})


def _by_place(shop: Shop, those: Iterable[Series]) -> dict[str, list[Series]]:
    """Gather the thermometers of each place: of its air, and of the timbers that lie there."""
    lying = {timber.tag: timber.place for timber in shop.register.list()}
    rooms: dict[str, list[Series]] = defaultdict(list)
    for one in those:
        if one.quantity in THERMOMETERS:
            place = one.name if one.owner is Owner.AIR else lying.get(one.name)
            if place is not None:
                rooms[place].append(one)
    return rooms


# --- worked out


def _worked_out(shop: Shop, now_utc: datetime) -> Found:
    since, now_s = now_utc - LOOKED_AT, now_utc.timestamp()
    moved_away = {each.tag for each in shop.register.events(kind=EventKind.MOVED) if each.at_utc > since}
    heard = [
        one.series
        for owner in Owner
        for one in shop.store.latest(owner)
        if one.source == "mqtt"
        and now_utc - one.taken_utc < HEARD
        and not (owner is Owner.TIMBER and one.series.name in moved_away)
    ]
    weather = weather_ahead.told(shop.store, since, now_utc)
    departed: dict[str, Reason] = {}
    moved: dict[str, Reason] = _vapour(shop, heard, weather, since, now_s)
    outside = None if weather is None else neighbours.daily(weather.posix_s, weather.temp_c, now_s)
    outdoors = known_places.outdoors(shop)
    for place, mine in _by_place(shop, heard).items():
        if len(mine) == 1 and outside is None:
            continue
        days = {str(one): _daily(shop, one, since, now_utc) for one in mine}
        if len(mine) == 1:
            moved |= _from_weather(days, outside)
        elif place not in outdoors:  # where the sun moves thermometers apart
            departed |= _departed(days)
            moved |= _apart(days)
    return Found(departed=departed, moved=moved, feed=weather is not None)


def _daily(shop: Shop, one: Series, since: datetime, now_utc: datetime) -> Floats:
    return neighbours.daily(*shop.store.values(one, since, now_utc), now_utc.timestamp())


def _departed(days: Mapping[str, Floats]) -> dict[str, Reason]:
    return {
        name: Reason(
            code="notice.temp_departed",
            values={"series": name, "warmer_k": round(by, 1), "count": len(days) - 1},
        )
        for name, by in temperature_neighbours.departed(days).items()
    }


def _apart(days: Mapping[str, Floats]) -> dict[str, Reason]:
    """Return that the two of a place have moved apart, for the rows of both."""
    if len(days) != 2:
        return {}
    (one, mine), (other, its) = days.items()
    by = temperature_neighbours.apart(mine, its)
    if by is None:
        return {}
    values: dict[str, Values] = {
        one: {"other": other, "warmer_k": round(by, 1)},
        other: {"other": one, "warmer_k": round(-by, 1)},
    }
    return {name: Reason(code="sensor.temp_apart", values=each) for name, each in values.items()}


def _from_weather(days: Mapping[str, Floats], outside: Floats | None) -> dict[str, Reason]:
    found = {}
    for name, mine in days.items():
        by = None if outside is None else temperature_neighbours.from_weather(mine, outside)
        if by is not None:
            found[name] = Reason(code="sensor.temp_from_weather", values={"warmer_k": round(by, 1)})
    return found


def _vapour(
    shop: Shop, heard: Iterable[Series], weather: AirSeries | None, since: datetime, now_s: float
) -> dict[str, Reason]:
    """Return how the vapour of one or two places has moved; three and more tell by themselves which."""
    places = [each.name for each in heard if each.quantity is Quantity.HUMIDITY and each.owner is Owner.AIR]
    airs: dict[str, AirSeries] = {}
    for place in places if len(places) < neighbours.FEWEST else ():
        with suppress(BaulkError, ValueError):  # no air in that time
            airs[place] = shop.store.air(place, since)
    found: dict[str, Reason] = {}
    for place, air in airs.items():
        other = next((each for each in airs if each != place), None)
        against = weather if other is None else airs[other]
        by = None if against is None else air_neighbours.apart(air, against, now_s)
        if by is not None:
            values: Values = {"other": other, "change_pct": round(by)}
            found[f"{Owner.AIR.value}/{place}/{Quantity.HUMIDITY.value}"] = Reason(
                code="sensor.vapour_apart", values=values
            )
    return found


# --- kept


def _noted(shop: Shop) -> tuple[datetime | None, Found]:
    try:
        body = json.loads(shop.store.noted(KEY) or b"{}")
        return datetime.fromisoformat(body["at_utc"]), Found(
            departed=_reasons(body["departed"]), moved=_reasons(body["moved"]), feed=bool(body["feed"])
        )
    except (AttributeError, KeyError, TypeError, ValueError):  # none, or another version's
        return None, Found()


def _reasons(body: Mapping[str, Any]) -> dict[str, Reason]:
    return {name: Reason.from_json(each) for name, each in body.items()}
