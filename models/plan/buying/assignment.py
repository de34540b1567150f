"""Which parts come out of which timbers: a cutting problem, solved exactly over the patterns given.

Whole numbers of each part, and of patterns of parts side by side, are laid end to end in each timber where
they fit, a saw cut between two. As few
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


@dataclass(frozen=True, slots=True, kw_only=True)
class Mix:
    """Parts side by side in one length of one timber.

    Parameters
    ----------
    timber : int
        Number of the timber.
    counts : tuple of int
        How many of each part, those of the list in their order.
    length_mm : float
        Length that it takes. [mm]
    cost : float
        Its cost, 0 or more. [-]
    """

    timber: int
    counts: tuple[int, ...]
    length_mm: float
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Leftover:
    """What the length is worth that is left of a timber.

    Parameters
    ----------
    per_mm : tuple of float
        Cost of a length of each timber, 0 or more. [1/mm]
    keep_mm : float
        A leftover from this length on is kept; a shorter one is lost, above 0. [mm]
    worth : float
        Share of its cost that a kept one is still worth, 0 to 1. [-]
    """

    per_mm: tuple[float, ...]
    keep_mm: float
    worth: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Amounts:
    """How many of each part come out of each timber.

    Parameters
    ----------
    taken : ndarray of int, shape (parts, timbers)
        Numbers of pieces that lie alone across their timber.
    mixed : ndarray of int, shape (mixes,)
        How often each mix is cut; it may hold a piece more than is wanted.
    short : ndarray of int, shape (parts,)
        Pieces that no timber gives.
    gap : float
        How far the plan may at most be from the best, as a share of its cost; 0 when it is proved best.
    """

    taken: NDArray[np.int64]
    mixed: NDArray[np.int64]
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
    mixes: Sequence[Mix] = (),
    leftover: Leftover | None = None,
    time_limit_s: float = 5.0,
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
    mixes : sequence of Mix
        Parts that may lie side by side.
    leftover : Leftover, optional
        What is lost with the length left of a timber that is cut; without it nothing.
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
    _refuse(length_mm, cost, (parts, timbers), kerf_mm, opening)
    if timbers == 0:
        return Amounts(
            taken=np.zeros((parts, 0), dtype=np.int64),
            mixed=np.zeros(0, dtype=np.int64),
            short=np.array(count, dtype=np.int64),
            gap=0.0,
        )
    fits = np.isfinite(cost)
    most = np.where(fits, np.minimum.outer(np.asarray(count, dtype=float), np.full(timbers, np.inf)), 0.0)
    each = np.where(fits, cost, 0.0)
    # one short part outweighs every other cost together
    dearest = max(float(np.max(each, initial=0.0)), max((mix.cost for mix in mixes), default=0.0))
    per_mm = np.zeros(timbers) if leftover is None else np.asarray(leftover.per_mm, dtype=float)
    missing = (
        1.0 + dearest * sum(count) + opening * timbers + float(per_mm @ np.asarray(room_mm, dtype=float))
    )
    n, m = parts * timbers, parts * timbers + parts + timbers
    mixed = np.array([mix.cost for mix in mixes], dtype=float)
    worth = 0.0 if leftover is None else leftover.worth
    # pieces, short, cut at all, mixes, beyond what is wanted; lengths lost, kept, and whether one is kept
    target = np.concatenate([
        each.ravel(), np.full(parts, missing), np.full(timbers, opening), mixed, np.zeros(parts),
        per_mm, per_mm * (1 - worth), np.zeros(timbers),
    ])  # fmt: skip
    lost = m + len(mixes) + parts
    wanted = np.zeros((parts, target.size))
    along = np.zeros((timbers, target.size))
    for p in range(parts):
        wanted[p, p * timbers : (p + 1) * timbers] = 1
        wanted[p, n + p] = 1
        wanted[p, m + len(mixes) + p] = -1  # cut by a mix beyond what is wanted
        for t in range(timbers):
            along[t, p * timbers + t] = length_mm[p] + kerf_mm
    for t in range(timbers):
        along[t, n + parts + t] = -(room_mm[t] + kerf_mm)
    for i, mix in enumerate(mixes):
        wanted[:, m + i] = mix.counts
        along[mix.timber, m + i] = mix.length_mm + kerf_mm
    often = [float(max(room_mm[mix.timber] // mix.length_mm, 0)) for mix in mixes]
    room = np.asarray(room_mm, dtype=float)
    rest = _rest(along, room, lost, kerf_mm, leftover)
    found = milp(
        target,
        integrality=np.ones(target.size),  # lengths left too, in whole mm: else HiGHS may print
        bounds=Bounds(
            np.zeros(target.size),
            np.concatenate(
                [
                    most.ravel(),
                    np.asarray(count, dtype=float),
                    np.ones(timbers),
                    np.asarray(often, dtype=float),
                    np.full(parts, float(sum(count))) if mixes else np.zeros(parts),
                    *((room, room, np.ones(timbers)) if leftover else (np.zeros(3 * timbers),)),
                ]
            ),
        ),
        constraints=[
            LinearConstraint(wanted, np.asarray(count, dtype=float), np.asarray(count, dtype=float)),
            LinearConstraint(along, -np.inf, 1e-6),
            *rest,
        ],
        options={"time_limit": time_limit_s, "mip_rel_gap": 1e-9},
    )
    if found.x is None:
        raise NoAnswer(f"no assignment was found within {time_limit_s:g} s; ask for fewer parts at a time")
    whole = np.round(found.x).astype(np.int64)
    short = whole[n : n + parts]
    gap = 0.0
    if found.status != 0:  # of the cost alone: beside that of a short piece any gap looks small
        spent = float(found.fun) - missing * int(short.sum())
        gap = min(1.0, max(0.0, (float(found.fun) - float(found.mip_dual_bound)) / max(spent, 1e-12)))
    return Amounts(
        taken=whole[:n].reshape(parts, timbers), mixed=whole[m : m + len(mixes)], short=short, gap=gap
    )


def _refuse(
    length_mm: Sequence[float], cost: Floats, shape: tuple[int, int], kerf_mm: float, opening: float
) -> None:
    if cost.shape != shape or len(length_mm) != shape[0]:
        raise OutOfRange("the costs", f"need one row for each of {shape[0]} parts and {shape[1]} columns")
    if shape[0] == 0:
        raise OutOfRange("the parts", "are none")
    if np.any(cost < 0) or not (kerf_mm >= 0 and opening >= 0 and min(length_mm) > 0):
        raise OutOfRange("costs, cuts and lengths", "can't be below 0")


def _rest(
    along: Floats, room: Floats, lost: int, kerf_mm: float, leftover: Leftover | None
) -> list[LinearConstraint]:
    """Return what ties the lengths lost and kept to what is cut; a kept one also needs its saw cut."""
    if leftover is None:
        return []
    timbers = room.size
    one, kept, keeps = np.eye(timbers), lost + timbers, lost + 2 * timbers
    # `along`: used and its cuts, less the room and a cut where the timber is cut at all
    every, at_most, least, longest = -along, along.copy(), np.zeros_like(along), np.zeros_like(along)
    every[:, lost:kept] = every[:, kept:keeps] = -one
    at_most[:, kept:keeps], at_most[:, keeps:] = one, kerf_mm * one
    least[:, kept:keeps], least[:, keeps:] = -one, leftover.keep_mm * one
    longest[:, kept:keeps], longest[:, keeps:] = one, -np.diag(room)
    return [
        LinearConstraint(every, -np.inf, kerf_mm),
        LinearConstraint(at_most, -np.inf, 1e-6),
        LinearConstraint(least, -np.inf, 1e-6),
        LinearConstraint(longest, -np.inf, 1e-6),
    ]
