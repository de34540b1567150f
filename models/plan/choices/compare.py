"""Which of several outcomes is better by more than is known of the difference; the rest are equal.

In this order: whether the finished piece comes out and stays, the chance of a bad check, the weeks. A
difference is held against its own doubt, member by member, since the members of both are the same timber.
Among equals what costs less work stands first, and is not called better.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.plan.humidity.judgement import LEAST_CHANCE, LEAST_WEEKS
from baulk.models.reason import Reason
from baulk.models.verdict.rule import BAND

LEAST_HOLDS: Final = BAND  # by which a chance must differ, as a verdict's must to change
Z: Final = 1.645  # 5 to 95 %


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outcome:
    """What comes of one thing, member by member.

    Parameters
    ----------
    holds : ndarray of bool, shape (m,)
        Whether the piece comes out and stays.
    over : ndarray of bool, shape (k,), or None
        Whether a surface is asked for more than it stands; None where that can't be said.
    weeks : ndarray, shape (m,)
        Until it is ready. [weeks]
    work_h : float
        Hours of work. [h]
    """

    holds: NDArray[np.bool_]
    over: NDArray[np.bool_] | None
    weeks: Floats
    work_h: float


def beside(one: Outcome, other: Outcome) -> Reason:
    """Say how one outcome compares with another.

    Parameters
    ----------
    one, other : Outcome
        Of the same members.

    Returns
    -------
    Reason
        `choice.surer`, `choice.less_sure`, `choice.fewer_checks`, `choice.more_checks`, `choice.sooner`,
        `choice.later` or `choice.equal`, with the difference that decides.

    References
    ----------
    Doubt of a difference of two shares of the same members: normal, 5 to 95 %. The least differences that
    count: our own judgement, no source.
    """
    more = _share(one.holds) - _share(other.holds)
    if abs(more) > _doubt(one.holds, other.holds, LEAST_HOLDS):
        code = "choice.surer" if more > 0 else "choice.less_sure"
        return Reason(code=code, values={"chance": _share(one.holds), "other_chance": _share(other.holds)})
    if one.over is not None and other.over is not None:
        worse = _share(one.over) - _share(other.over)
        if abs(worse) > _doubt(one.over, other.over, LEAST_CHANCE):
            code = "choice.more_checks" if worse > 0 else "choice.fewer_checks"
            return Reason(code=code, values={"chance": _share(one.over), "other_chance": _share(other.over)})
    low, middle, high = (float(each) for each in np.quantile(one.weeks - other.weeks, (0.05, 0.5, 0.95)))
    code = "choice.equal"
    if abs(middle) >= LEAST_WEEKS and (low > 0 or high < 0):
        code = "choice.later" if middle > 0 else "choice.sooner"
    return Reason(code=code, values={"weeks": middle, "low_weeks": low, "high_weeks": high})


def beats(one: Outcome, other: Outcome) -> bool:
    """Whether one outcome is better than another by more than is known."""
    return beside(one, other).code in {"choice.surer", "choice.fewer_checks", "choice.sooner"}


def ranks(found: Sequence[Outcome]) -> list[int]:
    """Give every outcome its rank.

    Parameters
    ----------
    found : sequence of Outcome
        All of the same members.

    Returns
    -------
    list of int
        1 for those that none of the others beats, and so on. What is beaten by one that it beats through a
        third is its equal: of such a ring none is the best.
    """
    count = len(found)
    over = np.array([[i != j and beats(found[i], found[j]) for j in range(count)] for i in range(count)])
    over = over.reshape(count, count)
    for k in range(count):  # through a third
        over |= over[:, k, None] & over[None, k, :]
    rank, left, now = [0] * count, set(range(count)), 1
    while left:
        best = {i for i in left if all(over[i, j] or not over[j, i] for j in left)}
        for i in best:
            rank[i] = now
        left -= best
        now += 1
    return rank


def order(found: Sequence[Outcome]) -> list[int]:
    """Return the outcomes' numbers, the best first and of equals the one with the least work."""
    rank = ranks(found)
    return sorted(range(len(found)), key=lambda i: (rank[i], found[i].work_h, i))


def _share(flags: NDArray[np.bool_]) -> float:
    return float(flags.mean())


def _doubt(one: NDArray[np.bool_], other: NDArray[np.bool_], least: float) -> float:
    differ = one.astype(float) - other.astype(float)
    return max(least, Z * float(differ.std()) / math.sqrt(differ.size))
