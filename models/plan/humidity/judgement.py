"""Whether any way of treating a room beats leaving its doors as they are, by more than its own doubt."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from baulk.models.plan.humidity import mould
from baulk.models.plan.humidity.outcome import Alternative
from baulk.models.reason import Reason, Value

LEAST_WEEKS: Final = 2.0  # dates are looked at every two weeks
AT_RISK: Final = 0.5  # chance from which checks are a risk, as in the verdict; our own judgement, no source
LEAST_CHANCE: Final = 0.25  # by which a chance of checks must differ; our own judgement, no source
LEAST_OUTSIDE: Final = 4  # weeks beyond what finished work tolerates; our own judgement, no source
LEAST_DECAY_H: Final = 168.0  # a week of decay's warm hours; our own judgement, no source
NEARLY_WEEKS: Final = 0.5  # that no one would notice


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """What is to be done, and why.

    Parameters
    ----------
    chosen : int
        Which of the alternatives, 0 for doing nothing.
    headline : Reason
        In one sentence.
    """

    chosen: int
    headline: Reason


def judge(place: str, found: Sequence[Alternative], members: int) -> Judged:
    """Choose what to do.

    What risks more checks, visible mould, decay or finished work than doing nothing is not offered, and
    nothing is for its weeks while a green surface is at risk already. What is left is offered if it takes a
    risk away that doing nothing runs, or if even the low end of the weeks that it gains lies above none and
    their middle is two weeks or more. A risk taken away comes before weeks, and of two that do the same the
    one with less work.

    Parameters
    ----------
    place : str
        The room.
    found : sequence of Alternative
        Doing nothing first.
    members : int
        Of the ensembles, for the doubt of a chance.

    Returns
    -------
    Judged
        Doing nothing, unless something truly beats it.

    References
    ----------
    Our own judgement, no source; the doubt of a share: binomial, 5 to 95 %.
    """
    nothing = found[0]
    offered: list[tuple[tuple[float, ...], int, str]] = []
    for i, each in enumerate(found[1:], start=1):
        if harms(each, nothing, members):
            continue
        saved = protects(each, nothing, members)
        if saved is not None:
            offered.append(((0.0, each.work_h, -each.gained.median), i, saved))
        elif gains(each) and nothing.check_chance < AT_RISK:  # a chance near one can't tell harder from hard
            offered.append(((1.0, -each.gained.low, each.work_h), i, "weeks"))
    if not offered:
        return Judged(chosen=0, headline=_leave(place, found, members))
    _, which, why = min(offered)
    best = found[which]
    values: dict[str, Value] = {
        **best.values,
        "place": place,
        "why": why,
        "gained_weeks": best.gained.median,
        "gained_low_weeks": best.gained.low,
        "gained_high_weeks": best.gained.high,
        "chance": best.check_chance,
        "nothing_chance": nothing.check_chance,
    }
    return Judged(chosen=which, headline=Reason(code=f"humidity.offer_{best.what}", values=values))


def gains(each: Alternative) -> bool:
    """Whether a way gains more weeks than it is unsure of."""
    return each.gained.low > 0 and each.gained.median >= LEAST_WEEKS


def harms(each: Alternative, nothing: Alternative, members: int) -> bool:
    """Whether a way risks what doing nothing does not."""
    return (
        each.check_chance - nothing.check_chance > _doubt(each, nothing, members)
        or (each.mould_index >= mould.VISIBLE > nothing.mould_index)
        or each.decay_h > nothing.decay_h + LEAST_DECAY_H
        or each.outside_weeks >= nothing.outside_weeks + LEAST_OUTSIDE
    )


def protects(each: Alternative, nothing: Alternative, members: int) -> str | None:
    """Return which risk of doing nothing a way takes away: "checks", "finished" or "mould"; None for none."""
    less = nothing.check_chance - each.check_chance
    if nothing.check_chance >= AT_RISK > each.check_chance and less > _doubt(each, nothing, members):
        return "checks"
    if nothing.outside_weeks - each.outside_weeks >= LEAST_OUTSIDE and 2 * each.outside_weeks <= (
        nothing.outside_weeks
    ):
        return "finished"
    return "mould" if nothing.mould_index >= mould.VISIBLE > each.mould_index else None


def _doubt(one: Alternative, other: Alternative, members: int) -> float:
    variance = sum(each.check_chance * (1 - each.check_chance) for each in (one, other)) / members
    return max(LEAST_CHANCE, 1.645 * math.sqrt(variance))


def _leave(place: str, found: Sequence[Alternative], members: int) -> Reason:
    """Say what came nearest, and that it is not worth it."""
    near = [each for each in found[1:] if not harms(each, found[0], members)]
    best = max(near, key=lambda each: each.gained.median, default=None)
    values: dict[str, Value] = {"place": place}
    if found[0].check_chance >= AT_RISK:
        return Reason(code="humidity.leave_at_risk", values={**values, "chance": found[0].check_chance})
    if best is None or best.gained.median < NEARLY_WEEKS:
        return Reason(code="humidity.leave", values={**values, "tried": len(found) - 1})
    return Reason(
        code="humidity.leave_near",
        values={
            **values,
            "what": best.what,
            "gained_weeks": best.gained.median,
            "gained_low_weeks": best.gained.low,
            "gained_high_weeks": best.gained.high,
        },
    )
