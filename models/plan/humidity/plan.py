"""The plan of a room's air: the window by week, the schedule in it, what it gains, and the water it moves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.checking import DECIDED_ABOVE_PCT
from baulk.models.constants import Floats
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity import courses, judgement, outcome, schedule, surfaces, ways
from baulk.models.plan.humidity.courses import Courses
from baulk.models.plan.humidity.outcome import COUNTED, Alternative, Counted, Span
from baulk.models.plan.humidity.remedies import Remedy, changes, closers, remedies
from baulk.models.plan.humidity.room import Exchange, Room
from baulk.models.plan.humidity.schedule import Need
from baulk.models.plan.humidity.timbers import WEEK_S
from baulk.models.plan.humidity.water import (
    AT_WORK_KG_H,
    DESICCANT_KWH_L,
    RATED_KWH_L,
    Machine,
    machines,
    vapour_g_m3,
)
from baulk.models.plan.humidity.ways import Way
from baulk.models.plan.humidity.window import Band, Window
from baulk.models.reason import Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """One week of the plan; humidities in %RH, water in litres a day, None where there is no such limit.

    Parameters
    ----------
    starts_utc : datetime
        Its first moment.
    temp_c, expected_pct : float
        Temperature held or expected, and humidity if nothing is done. [degC, %]
    set_pct, low_pct, high_pct : float
        What to hold, and the window. [%]
    low_by, high_by : str
        What sets each side.
    checking_pct, mould_pct, finished_low_pct, finished_high_pct : float or None
        Limits. [%]
    condensation_pct : float
        Limit. [%]
    timbers_l_day : float
        Water that the timbers give off. [l/day]
    draught_l_day, need_l_day : float or None
        Water that comes in with the air, and what must be taken out in all; below 0 to add. [l/day]
    """

    starts_utc: datetime
    temp_c: float
    expected_pct: float
    set_pct: float
    low_pct: float
    high_pct: float
    low_by: str
    high_by: str
    checking_pct: float | None
    mould_pct: float | None
    finished_low_pct: float | None
    finished_high_pct: float | None
    condensation_pct: float
    timbers_l_day: float
    draught_l_day: float | None
    need_l_day: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """When one timber may be squared with the plan and without.

    Parameters
    ----------
    tag : str
        Which.
    nothing_utc, plan_utc : datetime or None
        First date that is sure enough, by the verdict's rule; None beyond the horizon.
    nothing_spread_days, plan_spread_days : float
        Standard deviations of the two. [d]
    nothing_weeks, plan_weeks : Span
        Weeks until it is ready, over the members.
    gained_weeks : Span
        The same member with and without; below 0 when the plan takes longer.
    unready : float
        Share of the members that are not ready within the horizon even with the plan.
    """

    tag: str
    nothing_utc: datetime | None
    plan_utc: datetime | None
    nothing_spread_days: float
    plan_spread_days: float
    nothing_weeks: Span
    plan_weeks: Span
    gained_weeks: Span
    unready: float

    @property
    def date_gain_weeks(self) -> float | None:
        """Weeks by which its date comes sooner with the plan; None where one lies beyond the horizon."""
        if self.plan_utc is None or self.nothing_utc is None:
            return None
        return (self.nothing_utc - self.plan_utc).days / 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """What a room's water is counted with.

    Parameters
    ----------
    volume_m3 : float or None
        Air in the room. [m3]
    exchange : Exchange or None
        Air changes, given or learned.
    outside : AirSeries or None
        Air outside, expected from now on, at the room's own moments. [degC, %]
    people_h_day : float
        Hours of work in it a day, over all people. [h]
    price_kwh : float or None
        Of a kilowatt-hour, in any money.
    unknown : tuple of Reason
        Why the draught is not known; none when it is.
    outside_measured : bool
        Whether `outside` is the weather's own, not the room's in its place.
    """

    volume_m3: float | None = None
    exchange: Exchange | None = None
    outside: AirSeries | None = None
    people_h_day: float = 0.0
    price_kwh: float | None = None
    unknown: tuple[Reason, ...] = ()
    outside_measured: bool = False

    def __post_init__(self) -> None:
        if not 0 <= self.people_h_day <= 1000:
            raise OutOfRange("the hours of work", f"lie between 0 and 1000 a day, not {self.people_h_day:g}")
        if self.price_kwh is not None and not 0 <= self.price_kwh <= 1000:
            raise OutOfRange(
                "the price", f"of a kilowatt-hour lies between 0 and 1000, not {self.price_kwh:g}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class AirPlan:
    """A plan of one room's air, complete in itself.

    Parameters
    ----------
    place : str
        The room.
    made_utc : datetime
        When.
    held_c : float or None
        Temperature held; None for the season's. [degC]
    what_if : bool
        Whether the schedule was asked for, not searched.
    sure : float
        How sure a date has to be.
    pieces : dict of str to str
        What the room is to do for each tag: "dry", "beside", "keep" or "wet".
    bands : tuple of Band
        What finished work tolerates.
    weeks : tuple of Week
        The plan.
    gains : tuple of Gain
        For each timber to be dried.
    closed : tuple of (str, str, str, int)
        What meets in the weeks without a window, see `remedies.closers`; empty when there are none.
    remedies : tuple of Remedy
        What opens them.
    machines : tuple of Machine
        For the first year.
    volume_m3 : float or None
        Air in the room. [m3]
    exchange : Exchange or None
        Air changes, given or learned.
    people_h_day : float
        Hours of work in it a day. [h]
    price_kwh : float or None
        In any money.
    water_unknown : tuple of Reason
        Why the water of the room could not be counted; none when it was.
    assumptions, changes : tuple of Reason
        What it rests on, and what would change it.
    headline : Reason
        What is to be done, in one sentence.
    offered : int
        Which of the alternatives that is; 0 for leaving the doors as they are.
    alternatives : tuple of Alternative
        Doing nothing first, then holding the plan's humidity, then what else can be done.
    unanswered : tuple of Reason
        What this model can't answer, and why.
    air_assumed : tuple of Reason
        Which air was measured, and what stands in for the rest.
    surface_risks : tuple of Reason
        Timbers whose surface is asked for more than boards of their wood stand, with the plan or without.
    """

    place: str
    made_utc: datetime
    held_c: float | None
    what_if: bool
    sure: float
    pieces: dict[str, str]
    bands: tuple[Band, ...]
    weeks: tuple[Week, ...]
    gains: tuple[Gain, ...]
    closed: tuple[tuple[str, str, str, int], ...]
    remedies: tuple[Remedy, ...]
    machines: tuple[Machine, ...]
    volume_m3: float | None
    exchange: Exchange | None
    people_h_day: float
    price_kwh: float | None
    water_unknown: tuple[Reason, ...]
    assumptions: tuple[Reason, ...]
    changes: tuple[Reason, ...]
    headline: Reason
    offered: int
    alternatives: tuple[Alternative, ...]
    unanswered: tuple[Reason, ...] = ()
    air_assumed: tuple[Reason, ...] = ()
    surface_risks: tuple[Reason, ...] = ()

    @property
    def is_held(self) -> bool:
        """Whether a humidity is to be held: the plan is offered, or it was asked what if."""
        return self.what_if or self.alternatives[self.offered].what == "hold"

    @property
    def set_pct(self) -> float:
        """Humidity to hold this week, [%]."""
        return self.weeks[0].set_pct


def plan(
    need: Need,
    water: Water,
    *,
    hold_rh: float | None = None,
    notes: Sequence[Reason] = (),
    air: Sequence[Reason] = (),
) -> AirPlan:
    """Plan the air of a room, and hold the plan against doing nothing and against all else that can be done.

    Parameters
    ----------
    need : Need
        The room, its timbers, and what finished work tolerates.
    water : Water
        What its water is counted with.
    hold_rh : float, optional
        Say what happens if this humidity is held, instead of searching. [%RH]
    notes : sequence of Reason
        What was assumed where the room was gathered.
    air : sequence of Reason
        Which air was measured, and what stands in for the rest.

    Returns
    -------
    AirPlan
        By week. [%RH, l/day]

    Raises
    ------
    OutOfRange
        If the room holds no timber, or the humidity can't be.

    References
    ----------
    The parts: `window`, `schedule`, `water`, `remedies`, `ways`, `outcome`, `judgement`; readiness by the
    rule of the verdict.
    """
    room = need.room
    if not need.stocks:
        raise OutOfRange(
            f"the place {room.place}",
            "has no timber whose moisture is known, so there is nothing to plan for",
        )
    if hold_rh is None:
        rh, found = schedule.best(need)
    else:
        if not 0 < hold_rh <= 100:  # also refuses NaN
            raise OutOfRange("the humidity to hold", f"lies between 0 and 100 %, not {hold_rh:g} %")
        rh = np.full(room.weeks, float(hold_rh))
        found = need.window(rh)
    counted = _counted(room, water)
    beside, held = courses.follow(need, ways.nothing(room)), courses.follow(need, ways.hold(room, rh))
    tried, unanswered = _tried(need, water, rh, beside, held, counted, only_held=hold_rh is not None)
    judged = judgement.judge(room.place, tried, need.stocks[0].members.size // surfaces.SHARE)
    given = held.given_l_day(need.stocks)
    need_l = counted.need(room, rh, given)
    year = slice(0, COUNTED)
    return AirPlan(
        place=room.place,
        made_utc=datetime.fromtimestamp(room.start_s, UTC),
        held_c=room.held_c,
        what_if=hold_rh is not None,
        sure=need.stocks[0].rule.needed,
        pieces={each.tag: each.part for each in need.stocks},
        bands=need.bands,
        weeks=_weeks(room, rh, found, given, counted.draught(room, rh), need_l),
        gains=_gains(tried[0], tried[1]),
        closed=closers(found),
        remedies=remedies(need, rh, found),
        machines=()
        if need_l is None
        else machines(
            need_l[year],
            room.temp_c[year],
            rh[year],
            heated=room.held_c is not None,
            price_kwh=water.price_kwh,
        ),
        volume_m3=water.volume_m3,
        exchange=water.exchange,
        people_h_day=water.people_h_day,
        price_kwh=water.price_kwh,
        water_unknown=water.unknown,
        assumptions=(*notes, *_assumptions(need)),
        changes=changes(need, rh),
        headline=judged.headline,
        offered=judged.chosen,
        alternatives=tried,
        unanswered=unanswered,
        air_assumed=tuple(air),
        surface_risks=surfaces.risks(need, rh),
    )


def _counted(room: Room, water: Water) -> Counted:
    outside = water.outside
    return Counted(
        volume_m3=water.volume_m3,
        exchange=water.exchange,
        outside_g_m3=None if outside is None else room.weekly(vapour_g_m3(outside.temp_c, outside.rh_pct)),
        people_h_day=water.people_h_day,
        price_kwh=water.price_kwh,
    )


def _tried(  # noqa: PLR0913, PLR0917 - both courses that stand already, and what the rest is held against
    need: Need, water: Water, rh: Floats, beside: Courses, held: Courses, counted: Counted, *, only_held: bool
) -> tuple[tuple[Alternative, ...], tuple[Reason, ...]]:
    """Work out every way: doing nothing, holding the plan, and, unless it was asked what if, all else."""
    room = need.room
    mean = {tag: path.days() / 7 for tag, path in beside.paths.items()}
    years = {each.tag: outcome.doubtful_weeks(need, each, beside.paths[each.tag]) for each in need.targets}

    def worked(way: Way, made: Courses) -> Alternative:
        # held air knows no weather: doing nothing is then a year that nobody knows yet
        without = years if way.what in {"hold", "dry"} else mean
        return outcome.of(need, way, made, beside, without=without, room=counted)

    found = [worked(ways.nothing(room), beside), worked(ways.hold(room, rh), held)]
    if only_held:
        return tuple(found), ()
    outside = water.outside if water.outside_measured else None
    others, unanswered = ways.others(need, need.window(room.expected_rh), outside)
    rest = [worked(each, courses.follow(need, each, beside)) for each in others]
    moves = [each for each in rest if each.what == "move"]
    best = min(moves, key=lambda one: (round(one.check_chance, 1), -one.gained.median), default=None)
    found += [each for each in rest if each.what != "move" or each is best]
    return tuple(found), unanswered


def _gains(nothing: Alternative, held: Alternative) -> tuple[Gain, ...]:
    return tuple(
        Gain(
            tag=with_it.tag,
            nothing_utc=without.ready_utc,
            plan_utc=with_it.ready_utc,
            nothing_spread_days=without.spread_days,
            plan_spread_days=with_it.spread_days,
            nothing_weeks=without.weeks,
            plan_weeks=with_it.weeks,
            gained_weeks=with_it.gained,
            unready=with_it.unready,
        )
        for without, with_it in zip(nothing.timbers, held.timbers, strict=True)
    )


def _dates(need: Need) -> Reason:
    """Say where the dates come from."""
    alone = sorted(each.tag for each in need.targets if each.told is None)
    if not alone:
        return Reason(code="humidity.dates_told")
    return Reason(code="humidity.dates_compare", values={"tags": tuple(alone)})


def _assumptions(need: Need) -> tuple[Reason, ...]:
    """Return what a plan rests on."""
    building = any(each.build_days for each in need.targets)
    without = sorted({each.species.name for each in need.stocks if not each.stages()})
    found = [
        Reason(code="humidity.held_at_every_hour", values={"held_c": need.room.held_c}),
        _dates(need),
        Reason(code="humidity.built_in_this_room" if building else "humidity.built_elsewhere"),
        Reason(code="humidity.checking_limits"),
        Reason(code="humidity.stages_as_printed")
        if need.strict
        else Reason(code="humidity.surface_may_dry_again", values={"below_pct": DECIDED_ABOVE_PCT}),
        Reason(
            code="humidity.machine_figures",
            values={
                "refrigerant_kwh_l": RATED_KWH_L,
                "desiccant_kwh_l": DESICCANT_KWH_L,
                "person_l_h": AT_WORK_KG_H,
            },
        ),
    ]
    if without:
        found.append(Reason(code="humidity.no_safe_start", values={"species": tuple(without)}))
    return tuple(found)


def _weeks(  # noqa: PLR0913, PLR0917 - the columns of a table
    room: Room, rh: Floats, found: Window, given: Floats, draught: Floats | None, need_l: Floats | None
) -> tuple[Week, ...]:
    expected, temp = room.expected_rh, room.temp_c

    def known(values: Floats | None, i: int) -> float | None:
        return None if values is None or not np.isfinite(values[i]) else float(values[i])

    return tuple(
        Week(
            starts_utc=datetime.fromtimestamp(room.start_s + WEEK_S * i, UTC),
            temp_c=float(temp[i]),
            expected_pct=float(expected[i]),
            set_pct=float(rh[i]),
            low_pct=float(found.low_pct[i]),
            high_pct=float(found.high_pct[i]),
            low_by=found.low_by[i],
            high_by=found.high_by[i],
            checking_pct=known(found.checking_pct, i),
            mould_pct=known(found.mould_pct, i),
            finished_low_pct=known(found.finished_low_pct, i),
            finished_high_pct=known(found.finished_high_pct, i),
            condensation_pct=float(found.condensation_pct[i]),
            timbers_l_day=float(given[i]),
            draught_l_day=known(draught, i),
            need_l_day=known(need_l, i),
        )
        for i in range(room.weeks)
    )
