"""A plan of a room's air worked out: held against doing nothing and against all else that can be done."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from baulk.models.checking import DECIDED_ABOVE_PCT
from baulk.models.constants import Floats
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity import judgement, outcome, schedule, surfaces, trajectories, ways
from baulk.models.plan.humidity.air_plan import AirPlan, Gain, Water, Week
from baulk.models.plan.humidity.outcome import COUNTED, Alternative, Counted
from baulk.models.plan.humidity.remedies import changes, closers, remedies
from baulk.models.plan.humidity.room import Room
from baulk.models.plan.humidity.schedule import Need
from baulk.models.plan.humidity.timbers import WEEK_S
from baulk.models.plan.humidity.trajectories import Trajectories
from baulk.models.plan.humidity.water import (
    AT_WORK_KG_H,
    DESICCANT_KWH_L,
    RATED_KWH_L,
    machines,
    vapour_g_m3,
)
from baulk.models.plan.humidity.ways import Way
from baulk.models.plan.humidity.window import Window
from baulk.models.reason import Reason


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
    beside = trajectories.follow(need, ways.nothing(room))
    held = trajectories.follow(need, ways.hold(room, rh))
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


def _tried(  # noqa: PLR0913, PLR0917 - both trajectories worked out before, and what the rest is held against
    need: Need,
    water: Water,
    rh: Floats,
    beside: Trajectories,
    held: Trajectories,
    counted: Counted,
    *,
    only_held: bool,
) -> tuple[tuple[Alternative, ...], tuple[Reason, ...]]:
    """Work out every way: doing nothing, holding the plan, and, unless it was asked what if, all else."""
    room = need.room
    mean = {tag: path.days() / 7 for tag, path in beside.paths.items()}
    years = {each.tag: outcome.doubtful_weeks(need, each, beside.paths[each.tag]) for each in need.targets}

    def worked(way: Way, made: Trajectories) -> Alternative:
        # held air knows no weather: doing nothing is then a year that nobody knows yet
        without = years if way.what in {"hold", "dry"} else mean
        return outcome.of(need, way, made, beside, without=without, room=counted)

    found = [worked(ways.nothing(room), beside), worked(ways.hold(room, rh), held)]
    if only_held:
        return tuple(found), ()
    outside = water.outside if water.outside_measured else None
    others, unanswered = ways.others(need, need.window(room.expected_rh), outside)
    rest = [worked(each, trajectories.follow(need, each, beside)) for each in others]
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
