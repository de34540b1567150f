"""What a plan of a room's air comes to: the schedule, the window, what it gains, and the water it moves."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from baulk.models.plan.humidity.air_plan import AirPlan, Gain
from baulk.models.plan.humidity.outcome import COUNTED
from baulk.models.plan.humidity.water import Machine
from baulk.models.reason import Reason, Value, Values

TURN_RH: Final = 2.0  # of the schedule that is worth naming
NAMED_WEEKS: Final = 104
NAMED_STEPS: Final = 6
OUTSIDE_RH: Final = 0.5  # beyond a limit by which the expected air counts as outside it


def summary(made: AirPlan) -> tuple[Reason, ...]:
    """Return what a plan comes to, the most needed first: what to do, then on which air that rests.

    Parameters
    ----------
    made : AirPlan
        The plan.

    Returns
    -------
    tuple of Reason
        Headline, air assumed, schedule where one is to be held, window, gain of each timber,
        the season if nothing is done, surfaces at risk, remedies,
        water, caution.
    """
    gains = tuple(_gain(each, made) for each in made.gains)
    return (
        made.headline,
        *made.air_assumed,
        *((_schedule(made),) if made.is_held else ()),
        _window(made),
        *(gains or (Reason(code="humidity.nothing_to_dry"),)),
        _nothing_done(made),
        *made.surface_risks,
        *_closed(made),
        *_water(made),
        Reason(code="caution.machine"),
    )


def ways(made: AirPlan) -> tuple[Reason, ...]:
    """Return how each alternative is modelled, and what can't be answered.

    Parameters
    ----------
    made : AirPlan
        The plan.

    Returns
    -------
    tuple of Reason
        One for each alternative in their order, then what is left out.
    """
    told = (Reason(code=f"humidity.way_{each.what}", values=each.values) for each in made.alternatives)
    return (*told, *made.unanswered)


def turns(values: Sequence[float], tolerance: float) -> list[int]:
    """Find the fewest points of a line that straight lines between them follow within a tolerance.

    Parameters
    ----------
    values : sequence of float
        Evenly spaced.
    tolerance : float
        Largest distance.

    Returns
    -------
    list of int
        Places, the first and the last among them.

    References
    ----------
    Ramer, U., 1972. Computer Graphics and Image Processing 1, 244-256.
    """
    line = np.asarray(values, dtype=float)

    def between(first: int, last: int) -> list[int]:
        if last - first < 2:
            return []
        straight = np.interp(np.arange(first, last + 1), [first, last], line[[first, last]])
        off = np.abs(line[first : last + 1] - straight)
        worst = first + int(np.argmax(off))
        if off.max() <= tolerance:
            return []
        return [*between(first, worst), worst, *between(worst, last)]

    return [0, *between(0, line.size - 1), line.size - 1]


def _schedule(made: AirPlan) -> Reason:
    values: dict[str, Value] = {"place": made.place, "set_pct": made.set_pct, "held_c": made.held_c}
    if made.what_if:
        return Reason(code="humidity.what_if", values=values)
    weeks = made.weeks[:NAMED_WEEKS]
    marks = turns([each.set_pct for each in weeks], TURN_RH)
    if all(abs(weeks[i].set_pct - made.set_pct) < TURN_RH for i in marks):
        return Reason(code="humidity.hold_on", values={**values, "weeks": len(weeks)})
    named = [i for last, i in pairwise(marks) if abs(weeks[i].set_pct - weeks[last].set_pct) >= 1]
    steps: tuple[Values, ...] = tuple(
        {"set_pct": weeks[i].set_pct, "by_utc": weeks[i].starts_utc} for i in named[:NAMED_STEPS]
    )
    return Reason(code="humidity.hold", values={**values, "steps": steps})


def _window(made: AirPlan) -> Reason:
    week = made.weeks[0]
    return Reason(
        code="humidity.window" if week.low_pct <= week.high_pct else "humidity.no_window",
        values={
            "temp_c": week.temp_c,
            "low_pct": week.low_pct,
            "low_by": week.low_by,
            "high_pct": week.high_pct,
            "high_by": week.high_by,
            "finished": tuple(each.name for each in made.bands),
        },
    )


def _gain(gain: Gain, made: AirPlan) -> Reason:
    gained = gain.gained_weeks
    return Reason(
        code="humidity.gain",
        values={
            "tag": gain.tag,
            "probability": made.sure,
            "horizon_weeks": len(made.weeks),
            "plan_utc": gain.plan_utc,
            "plan_spread_days": gain.plan_spread_days,
            "nothing_utc": gain.nothing_utc,
            "nothing_spread_days": gain.nothing_spread_days,
            "sooner_weeks": gain.date_gain_weeks,
            "gained_weeks": gained.median,
            "gained_low_weeks": gained.low,
            "gained_high_weeks": gained.high,
            "unready_share": gain.unready,
        },
    )


def _nothing_done(made: AirPlan) -> Reason:
    year = made.weeks[:COUNTED]
    rh = [each.expected_pct for each in year]
    return Reason(
        code="humidity.nothing_done",
        values={
            "least_pct": min(rh),
            "most_pct": max(rh),
            "weeks": len(year),
            "dry_weeks": sum(
                each.checking_pct is not None and each.expected_pct < each.checking_pct - OUTSIDE_RH
                for each in year
            ),
            "damp_weeks": sum(each.expected_pct > each.high_pct + OUTSIDE_RH for each in year),
        },
    )


def closed(made: AirPlan) -> Reason | None:
    """Return what meets in most of the weeks without a window; None when there are none."""
    if not made.closed:
        return None
    low, tag, high, weeks = made.closed[0]
    return Reason(
        code="humidity.closed",
        values={
            "weeks": sum(each[3] for each in made.closed),
            "of_weeks": len(made.weeks),
            "low_by": low,
            "tag": tag,
            "high_by": high,
            "met_weeks": weeks,
        },
    )


def _closed(made: AirPlan) -> tuple[Reason, ...]:
    found = closed(made)
    return () if found is None else (found, *(each.words for each in made.remedies))


def _water(made: AirPlan) -> tuple[Reason, ...]:
    year = made.weeks[:COUNTED]
    gives = np.array([each.timbers_l_day for each in year])
    timbers = Reason(
        code="humidity.timbers_give",
        values={
            "now_l_day": gives[0].item(),
            "mean_l_day": gives.mean().item(),
            "most_l_day": gives.max().item(),
        },
    )
    if made.water_unknown or made.exchange is None:
        return (timbers, Reason(code="humidity.water_unknown"), *made.water_unknown)
    need = np.array([each.need_l_day for each in year], dtype=float)
    rate = made.exchange
    balance: Values = {
        "per_h": rate.per_h,
        "learned_days": rate.days if rate.how == "learned" else None,
        "draught_l_day": year[0].draught_l_day or 0.0,
        "people_h_day": made.people_h_day,
        "now_l_day": need[0].item(),
        "least_l_day": need.min().item(),
        "most_l_day": need.max().item(),
    }
    return (
        timbers,
        Reason(code="humidity.balance", values=balance),
        *(_machine(each) for each in made.machines),
    )


def _machine(each: Machine) -> Reason:
    return Reason(
        code="humidity.machine",
        values={
            "kind": each.kind,
            "l_day": each.l_day,
            "rated_l_day": each.rated_l_day,
            "kwh_l": each.kwh_l,
            "kwh": each.kwh,
            "cost": each.cost,
        },
    )
