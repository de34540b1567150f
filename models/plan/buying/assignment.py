"""Which parts come out of which timbers: a cutting problem along the grain, solved exactly.

Whole numbers of each part are laid end to end in each timber where it fits, a saw cut between two. As few
parts as can be stay short; among those plans the cheapest is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from baulk.models.constants import Floats
from baulk.models.errors import BaulkError, OutOfRange


class NoAnswer(BaulkError, RuntimeError):
    """The search for an assignment ended without one."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Amounts:
    """How many of each part come out of each timber.

    Parameters
    ----------
    taken : ndarray of int, shape (parts, timbers)
        Numbers of pieces.
    short : ndarray of int, shape (parts,)
        Pieces that no timber gives.
    gap : float
        How far the plan may at most be from the best, as a share of its cost; 0 when it is proved best.
    """

    taken: NDArray[np.int64]
    short: NDArray[np.int64]
    gap: float


def assign(  # noqa: PLR0913 - a cutting problem
    count: Sequence[int],
    length_mm: Sequence[float],
    room_mm: Sequence[float],
    cost: Floats,
    *,
    kerf_mm: float = 0.0,
    opening: float = 0.0,
    time_limit_s: float = 2.0,
) -> Amounts:
    """Assign parts to timbers.

    Parameters
    ----------
    count : sequence of int
        How many of each part are wanted.
    length_mm : sequence of float
        Length of each part, above 0. [mm]
    room_mm : sequence of float
        Usable length of each timber, 0 or more. [mm]
    cost : ndarray, shape (parts, timbers)
        Cost of one piece of the part out of that timber, 0 or more; infinite where it does not fit. [-]
    kerf_mm : float
        Saw cut between two pieces. [mm]
    opening : float
        Cost of cutting a timber at all, 0 or more. [-]
    time_limit_s : float
        Longest time for the search. [s]

    Returns
    -------
    Amounts
        The plan, and how sure it is that there is no better one.

    Raises
    ------
    NoAnswer
        If there is no plan within the time.
    OutOfRange
        If the shapes differ or a number cannot be.

    References
    ----------
    Mixed-integer program by HiGHS through `scipy.optimize.milp`.
    """
    parts, timbers = len(count), len(room_mm)
    if cost.shape != (parts, timbers) or len(length_mm) != parts:
        raise OutOfRange("the costs", f"need one row for each of {parts} parts and {timbers} columns")
    if parts == 0:
        raise OutOfRange("the parts", "are none")
    if np.any(cost < 0) or not (kerf_mm >= 0 and opening >= 0 and min(length_mm) > 0):
        raise OutOfRange("costs, cuts and lengths", "can't be below 0")
    if timbers == 0:
        return Amounts(
            taken=np.zeros((parts, 0), dtype=np.int64), short=np.array(count, dtype=np.int64), gap=0.0
        )
    fits = np.isfinite(cost)
    most = np.where(fits, np.minimum.outer(np.asarray(count, dtype=float), np.full(timbers, np.inf)), 0.0)
    each = np.where(fits, cost, 0.0)
    # one short part outweighs every other cost together
    missing = 1.0 + float(np.sum(each * most)) + opening * timbers
    n = parts * timbers
    target = np.concatenate([each.ravel(), np.full(parts, missing), np.full(timbers, opening)])
    wanted = np.zeros((parts, target.size))
    along = np.zeros((timbers, target.size))
    for p in range(parts):
        wanted[p, p * timbers : (p + 1) * timbers] = 1
        wanted[p, n + p] = 1
        for t in range(timbers):
            along[t, p * timbers + t] = length_mm[p] + kerf_mm
    for t in range(timbers):
        along[t, n + parts + t] = -(room_mm[t] + kerf_mm)
    found = milp(
        target,
        integrality=np.ones(target.size),
        bounds=Bounds(
            np.zeros(target.size),
            np.concatenate([most.ravel(), np.asarray(count, dtype=float), np.ones(timbers)]),
        ),
        constraints=[
            LinearConstraint(wanted, np.asarray(count, dtype=float), np.asarray(count, dtype=float)),
            LinearConstraint(along, -np.inf, 1e-6),
        ],
        options={"time_limit": time_limit_s, "mip_rel_gap": 1e-9},
    )
    if found.x is None:
        raise NoAnswer(f"no assignment was found within {time_limit_s:g} s; ask for fewer parts at a time")
    whole = np.round(found.x).astype(np.int64)
    return Amounts(
        taken=whole[:n].reshape(parts, timbers),
        short=whole[n : n + parts],
        gap=max(0.0, float(found.mip_gap or 0.0)) if found.status != 0 else 0.0,
    )
