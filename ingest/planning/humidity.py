"""From a shop to a plan of one room's air: its timbers, its season, its water, and the answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from baulk.ingest.evaluation import gather as evaluation_gather
from baulk.ingest.evaluation.climate import Season
from baulk.ingest.evaluation.gather import Airs
from baulk.ingest.planning import crowded_room, outdoor_air, timber_ensembles, verdict_chances
from baulk.ingest.shop import Shop
from baulk.models import text
from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S, Floats
from baulk.models.errors import BaulkError, NotFound, OutOfRange
from baulk.models.plan.humidity import plan as humidity_plan
from baulk.models.plan.humidity import room as humidity_room
from baulk.models.plan.humidity import window
from baulk.models.plan.humidity.air_plan import AirPlan, Water
from baulk.models.plan.humidity.finished import is_finished
from baulk.models.plan.humidity.room import STEP_RH, WEEKS, Exchange, Room
from baulk.models.plan.humidity.schedule import Need
from baulk.models.plan.humidity.timbers import WEEK_S, Part, Stock
from baulk.models.plan.humidity.window import DRIEST_RH, Band
from baulk.models.reason import Reason, Values
from baulk.models.timber import Place, Timber

RECENT_S: Final = 3 * DAY_S
COLDEST_HOURS: Final = 0.95  # dew in one hour of twenty dries again; our own judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a person wants planned; None leaves it to the shop's own knowledge.

    Parameters
    ----------
    place : str
        The room.
    pieces : tuple of str
        Tags to be brought to their square; none for all that wait for it.
    hold_rh, held_c : float or None
        Humidity to try, and temperature held. [%, degC]
    finished_pct : (float, float) or None
        Moisture that finished or glued work tolerates, beside what stands in the register. [%]
    volume_m3, air_changes_per_h : float or None
        Of the room. [m3, 1/h]
    people_h_day : float
        Hours of work in it a day. [h]
    price_kwh : float or None
        In any money.
    coldest_c : float or None
        Of timber or steel that is brought in. [degC]
    step_pct, driest_rh : float or None
        Largest change in a week, and driest air to plan for. [%RH]
    strict : bool
        Hold to the published stages to their end.
    leaving : bool
        Squared pieces leave the room.
    """

    place: str
    pieces: tuple[str, ...] = ()
    hold_rh: float | None = None
    held_c: float | None = None
    finished_pct: tuple[float, float] | None = None
    volume_m3: float | None = None
    air_changes_per_h: float | None = None
    people_h_day: float = 0.0
    price_kwh: float | None = None
    coldest_c: float | None = None
    step_pct: float | None = None
    driest_rh: float | None = None
    strict: bool = False
    leaving: bool = False

    def __post_init__(self) -> None:
        low_high = self.finished_pct
        if low_high is not None and not 2 <= low_high[0] < low_high[1] <= 40:
            raise OutOfRange(
                "the band of finished work",
                f"goes from a lower to a higher moisture content between 2 and 40 %, not {low_high[0]:g} to "
                f"{low_high[1]:g}",
            )
        for name, value, most in (
            ("the room's volume", self.volume_m3, 1e6),
            ("the air changes", self.air_changes_per_h, 1000.0),
        ):
            if value is not None and not 0 < value < most:  # also refuses NaN
                raise OutOfRange(name, f"lies above 0 and below {most:g}, not {value:g}")


def places(shop: Shop) -> tuple[str, ...]:
    """Give the places that hold timber, the one with the most first."""
    count: dict[str, int] = {}
    for timber in shop.register.list():
        count[timber.place] = count.get(timber.place, 0) + 1
    return tuple(sorted(count, key=lambda each: (-count[each], each)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gathered:
    """Everything that a plan is worked out from; nothing of the shop is needed any more.

    Parameters
    ----------
    need : Need
        The room and its timbers.
    water : Water
        What its water is counted with.
    hold_rh : float or None
        Humidity to try. [%]
    notes : tuple of Reason
        What was assumed.
    air : tuple of Reason
        Which air was measured, and what stands in for the rest.
    """

    need: Need
    water: Water
    hold_rh: float | None
    notes: tuple[Reason, ...]
    air: tuple[Reason, ...]

    def plan(self) -> AirPlan:
        """Work the plan out."""
        return humidity_plan.plan(self.need, self.water, hold_rh=self.hold_rh, notes=self.notes, air=self.air)


def plan(shop: Shop, asked: Asked, now_utc: datetime) -> AirPlan:
    """Plan the air of a room.

    Parameters
    ----------
    shop : Shop
        The open shop; only notes are written.
    asked : Asked
        What is wanted.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    AirPlan
        The plan.

    Raises
    ------
    BaulkError
        If the place is not known or empty, a tag lies elsewhere, or something asked can't be.
    """
    return gather(shop, asked, now_utc).plan()


def gather(shop: Shop, asked: Asked, now_utc: datetime) -> Gathered:
    """Gather what a plan needs, so that the shop is free while it is worked out.

    Parameters
    ----------
    shop : Shop
        The open shop; only notes are written.
    asked : Asked
        What is wanted.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    Gathered
        For `Gathered.plan`.

    Raises
    ------
    BaulkError
        If the place is not known or empty, a tag lies elsewhere, or something asked can't be.
    """
    known = _known(shop)
    if asked.place not in known:
        raise NotFound("place", asked.place, known)
    here = [each for each in shop.register.list() if each.place == asked.place]
    if not here:
        raise OutOfRange(f"the place {asked.place}", "holds no timber; move one there first")
    _refuse_absent(shop, asked, here)
    airs: Airs = {}
    factors = crowded_room.representatives(shop, here, {each.lower() for each in asked.pieces})
    stocks, notes = _stocks(shop, asked, factors, now_utc, airs)
    if not stocks:
        why = " ".join(text.sentences(notes, shop.config.shop.units, zone=shop.config.zone)).removesuffix(".")
        raise OutOfRange(f"the place {asked.place}", f"has no timber that can be worked out: {why}")
    if len(factors) < len(here):
        counts: Values = {"place": asked.place, "sampled": len(stocks), "count": len(here)}
        notes.append(Reason(code="humidity.representatives", values=counts))
    own, year = airs[asked.place]
    room = _room(asked, own, year, stocks, now_utc)
    water, more = _water(shop, asked, own, year, room, now_utc)
    room, water, told = outdoor_air.with_weather(shop, room, water, own, now_utc)
    bands = [window.band_of(each) for each in stocks if each.part == "keep"]
    if asked.finished_pct is not None:
        bands.append(
            Band(name="the band given", low_pct=asked.finished_pct[0], high_pct=asked.finished_pct[1])
        )
    need = Need(
        room=room,
        stocks=tuple(stocks),
        targets=tuple(each for each in stocks if each.part == "dry"),
        bands=tuple(bands),
        strict=asked.strict,
        elsewhere=_elsewhere(shop, asked.place, airs, room),
        years=year.years(float(room.year.posix_s[0]), float(room.year.posix_s[-1])),
    )
    return Gathered(
        need=need,
        water=water,
        hold_rh=asked.hold_rh,
        notes=(*notes, *more),
        air=(_assumed(asked.place, year), *told),
    )


def _assumed(place: str, year: Season) -> Reason:
    """Say which months of the air ahead were measured there, and what stands in for the others."""
    months, missing = year.months, tuple(each for each in range(12) if each not in year.months)
    if not missing:
        return Reason(code="humidity.air_own", values={"place": place})
    if not months:
        code = "humidity.air_settings" if year.filled == "settings" else "humidity.air_mean"
        return Reason(code=code, values={"place": place})
    code = "humidity.air_partly" if year.filled == "settings" else "humidity.air_nearest"
    return Reason(code=code, values={"place": place, "months": months, "missing": missing})


def _elsewhere(shop: Shop, place: str, airs: Airs, room: Room) -> dict[str, AirSeries]:
    """Give the air ahead of other places under a roof of which at least a month is on record."""
    first, last = float(room.year.posix_s[0]), float(room.year.posix_s[-1])
    return {
        name: year.between(first, last)
        for name in outdoor_air.under_roof(shop, tuple(sorted(airs)))
        if airs[name][0] is not None and name != place and (year := airs[name][1]).own_months
    }


def _known(shop: Shop) -> list[str]:
    names = {each.place for each in shop.register.list()} | set(shop.store.places())
    return sorted(names | {each.name for each in shop.register.places()})


def _refuse_absent(shop: Shop, asked: Asked, here: list[Timber]) -> None:
    inside = {each.tag.lower() for each in here}
    for tag in asked.pieces:
        found = shop.register.get(tag)
        if found.tag.lower() not in inside:
            raise OutOfRange(
                f"the timber {found.tag}",
                f"lies in {found.place}, not in {asked.place}; leave it out or move it",
            )


def _stocks(
    shop: Shop, asked: Asked, factors: Mapping[str, float], now_utc: datetime, airs: Airs
) -> tuple[list[Stock], list[Reason]]:
    """Everything that can be worked out, with what it stands for, and why the rest can't."""
    wanted = {each.lower() for each in asked.pieces}
    stocks, notes = [], []
    for tag in factors:
        timber = shop.register.get(tag)
        try:
            inputs = evaluation_gather.gather(timber.tag, shop, now_utc, airs=airs, resume=True)
            one, enough = timber_ensembles.of(shop, inputs)
        except BaulkError as err:
            notes.append(Reason(code="humidity.left_out", values={"tag": timber.tag, "error": str(err)}))
            continue
        part: Part
        if one.use.may_stay_wet and timber.tag.lower() not in wanted:
            part = "wet"
        elif wanted:
            part = "dry" if timber.tag.lower() in wanted else "beside"
        else:
            part = "dry"
        if timber.tag.lower() not in wanted:
            if is_finished(inputs.timber, inputs.events):
                part = "keep"
            elif part == "dry" and inputs.previous == "square":  # it only waits for the saw
                part = "beside"
        if not enough:
            notes.append(Reason(code="humidity.few_readings", values={"tag": timber.tag}))
        same = not asked.leaving or not one.build_days  # a verdict builds where the timber lies
        stocks.append(
            replace(
                one,
                part=part,
                build_days=0.0 if asked.leaving else one.build_days,
                expansion_factor=factors[timber.tag],
                told=verdict_chances.of(shop, timber.tag, now_utc) if part == "dry" and same else None,
            )
        )
    return stocks, notes


def _room(asked: Asked, own: AirSeries | None, year: Season, stocks: list[Stock], now_utc: datetime) -> Room:
    now_s = now_utc.timestamp()
    build_s = max(each.build_days for each in stocks) * DAY_S
    ahead = year.between(now_s, now_s + (WEEKS + 2) * WEEK_S + build_s)
    recent = None if own is None else own.rh_pct[own.posix_s >= now_s - RECENT_S]
    rh_now = float(np.mean(recent if recent is not None and recent.size else ahead.rh_pct[:28]))
    starts = now_s + WEEK_S * np.arange(WEEKS)
    month = np.array([datetime.fromtimestamp(each, UTC).month - 1 for each in starts])
    slowest = max(window.lag_s(each) for each in stocks)
    return Room(
        place=asked.place,
        year=ahead,
        rh_now_pct=rh_now,
        held_c=asked.held_c,
        lag_k=_lags(own, ahead, slowest)[month],
        coldest_c=asked.coldest_c,
        step_pct=STEP_RH if asked.step_pct is None else asked.step_pct,
        driest_rh=DRIEST_RH if asked.driest_rh is None else asked.driest_rh,
    )


def _lags(own: AirSeries | None, ahead: AirSeries, slowest_s: float) -> Floats:
    """How far below the air the slowest timber is in nineteen of twenty hours of each month, shape (12,)."""
    measured = own is not None and np.ptp(own.posix_s) > 30 * DAY_S
    record = own if measured and own is not None else ahead
    colder = window.colder_by_k(record.posix_s, record.temp_c, slowest_s)
    month = np.array(record.posix_s, dtype="datetime64[s]").astype("datetime64[M]").astype(int) % 12
    whole = float(np.quantile(colder, COLDEST_HOURS))
    return np.array(
        [
            float(np.quantile(colder[month == each], COLDEST_HOURS)) if np.any(month == each) else whole
            for each in range(12)
        ]
    )


def _water(  # noqa: PLR0913, PLR0917 - all that is known of a room
    shop: Shop, asked: Asked, own: AirSeries | None, year: Season, room: Room, now_utc: datetime
) -> tuple[Water, list[Reason]]:
    place = next(
        (each for each in shop.register.places() if each.name == asked.place), Place(name=asked.place)
    )
    volume = asked.volume_m3 or place.volume_m3
    outside = outdoor_air.measured(shop, asked.place, now_utc)
    rate, why = _exchange(asked, place, own, None if outside is None else outside[0])
    if volume is None:
        why = (Reason(code="humidity.volume_unknown"), *why)
    notes = []
    season = year if outside is None else outside[1]
    if outside is None and volume is not None and rate is not None:
        notes.append(Reason(code="humidity.outside_not_measured"))
    water = Water(
        volume_m3=volume,
        exchange=rate,
        outside=season.between(float(room.year.posix_s[0]), float(room.year.posix_s[-1])),
        people_h_day=asked.people_h_day,
        price_kwh=asked.price_kwh,
        unknown=why,
        outside_measured=outside is not None,
    )
    return water, notes


def _exchange(
    asked: Asked, place: Place, own: AirSeries | None, outside: AirSeries | None
) -> tuple[Exchange | None, tuple[Reason, ...]]:
    given = asked.air_changes_per_h or place.air_changes_per_h
    if given is not None:
        return (
            Exchange(per_h=given, low=given, high=given, source_g_m3_h=None, days=0.0, how="given"),
            (),
        )
    if own is None or outside is None:
        return None, (Reason(code="humidity.air_changes_unknown"),)
    try:
        return humidity_room.learn(own, outside), ()
    except OutOfRange as err:
        return None, (Reason(code="humidity.air_changes_not_learned", values={"error": str(err)}),)


def save_place(shop: Shop, name: str, *, volume_m3: float | None, air_changes_per_h: float | None) -> None:
    """Keep what a person says of a room in the register.

    Parameters
    ----------
    shop : Shop
        The open shop.
    name : str
        The room.
    volume_m3, air_changes_per_h : float or None
        What to change; None leaves it. [m3, 1/h]
    """
    old = next((each for each in shop.register.places() if each.name == name), Place(name=name))
    shop.register.save_place(
        replace(
            old,
            volume_m3=old.volume_m3 if volume_m3 is None else volume_m3,
            air_changes_per_h=old.air_changes_per_h if air_changes_per_h is None else air_changes_per_h,
        )
    )
