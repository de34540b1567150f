"""A cutting problem and a plan of it: plain values."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.errors import OutOfRange

Served = frozenset[tuple[int, int]]


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

    def cost(self, timber: int, left_mm: float) -> float:
        """Return what is lost with a length left of a timber that is cut.

        Parameters
        ----------
        timber : int
            Number of the timber.
        left_mm : float
            Length behind its last cut. [mm]

        Returns
        -------
        float
            0 or more. [-]
        """
        return self.per_mm[timber] * left_mm * ((1 - self.worth) if left_mm >= self.keep_mm else 1.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """What is wanted, and what there is to cut it from.

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
    rank : sequence of int, optional
        Order of need of each part, the lowest first; without it all are needed alike.
    without : sequence of frozenset of (int, int)
        Sets of parts and their timbers (of those `alike` the first), of each of which the plan must leave out
        at least one: so the next best plan is asked for.
    strange : ndarray of bool, shape (parts, timbers), optional
        Where a part is of another use than the timber was entered for. Of the plans with as few short pieces
        only those with the fewest such pieces count.
    """

    count: Sequence[int]
    length_mm: Sequence[float]
    room_mm: Sequence[float]
    cost: Floats
    kerf_mm: float = 0.0
    opening: float = 0.0
    mixes: Sequence[Mix] = ()
    leftover: Leftover | None = None
    rank: Sequence[int] | None = None
    without: Sequence[Served] = ()
    strange: NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        shape = (len(self.count), len(self.room_mm))
        if self.cost.shape != shape or len(self.length_mm) != shape[0]:
            raise OutOfRange("the costs", f"need one row for each of {shape[0]} parts and {shape[1]} columns")
        if shape[0] == 0:
            raise OutOfRange("the parts", "are none")
        least = min(self.kerf_mm, self.opening, float(np.min(self.cost, initial=0.0)))
        if not (least >= 0 and min(self.length_mm) > 0):
            raise OutOfRange("costs, cuts and lengths", "can't be below 0")

    @property
    def alike(self) -> list[int]:
        """Of each timber the first one that is its like: to a plan they are one and the same."""
        first: dict[object, int] = {}
        found = []
        for t, room in enumerate(self.room_mm):
            mixes = sorted(
                (mix.counts, mix.length_mm, round(mix.cost, 9)) for mix in self.mixes if mix.timber == t
            )
            strange = None if self.strange is None else tuple(self.strange[:, t])
            per_mm = None if self.leftover is None else self.leftover.per_mm[t]
            key = (room, tuple(np.round(self.cost[:, t], 9)), strange, per_mm, tuple(mixes))
            found.append(first.setdefault(key, t))
        return found

    @property
    def ranks(self) -> list[list[int]]:
        """Parts of each order of need, the first one first."""
        rank = [0] * len(self.count) if self.rank is None else list(self.rank)
        return [[p for p, own in enumerate(rank) if own == each] for each in sorted(set(rank))]

    def strange_of(self, part: int, timber: int) -> int:
        """Return 1 where the timber was entered for another use than that of the part."""
        return 0 if self.strange is None else int(self.strange[part, timber])

    def strange_in(self, taken: NDArray[np.int64], mixed: NDArray[np.int64]) -> int:
        """Return how many pieces of a plan come out of timbers that were entered for another use."""
        if self.strange is None:
            return 0
        beside = sum(
            int(n) * many * self.strange_of(p, mix.timber)
            for n, mix in zip(mixed, self.mixes, strict=True)
            for p, many in enumerate(mix.counts)
        )
        return int(taken[self.strange].sum()) + beside

    def spent(self, taken: NDArray[np.int64], mixed: NDArray[np.int64]) -> float:
        """Return what a plan costs, short pieces apart.

        Parameters
        ----------
        taken : ndarray of int, shape (parts, timbers)
            Pieces that lie alone across.
        mixed : ndarray of int, shape (mixes,)
            How often each mix is cut.

        Returns
        -------
        float
            0 or more. [-]
        """
        total = float(np.where(taken > 0, self.cost, 0.0).ravel() @ taken.ravel())
        total += sum(int(n) * mix.cost for n, mix in zip(mixed, self.mixes, strict=True))
        along = self.along_mm(taken, mixed)
        for t, used in enumerate(along):
            if used > 0:
                left = max(self.room_mm[t] - used, 0.0)
                total += self.opening + (self.leftover.cost(t, left) if self.leftover else 0.0)
        return total

    def along_mm(self, taken: NDArray[np.int64], mixed: NDArray[np.int64]) -> Floats:
        """Return the length used of each timber, a saw cut behind each piece, shape (timbers,). [mm]."""
        used = (np.asarray(self.length_mm) + self.kerf_mm) @ taken
        for n, mix in zip(mixed, self.mixes, strict=True):
            used[mix.timber] += int(n) * (mix.length_mm + self.kerf_mm)
        return np.asarray(used)


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
    spent : float
        What it costs, short pieces apart. [-]
    gap : float
        How far the plan may at most be from the cheapest, as a share of its cost; 0 when it is proved best.
    fewer : int
        How many short pieces a plan may at most have fewer; 0 when they are proved as few as can be.
    """

    taken: NDArray[np.int64]
    mixed: NDArray[np.int64]
    short: NDArray[np.int64]
    spent: float = 0.0
    gap: float = 0.0
    fewer: int = 0

    def served(self, problem: Problem) -> Served:
        """Return which parts come out of which timbers.

        Parameters
        ----------
        problem : Problem
            What it is a plan of.

        Returns
        -------
        frozenset of (int, int)
            Number of the part and of the timber, of those alike the first.
        """
        alike = problem.alike
        alone = {(int(p), alike[t]) for p, t in zip(*np.nonzero(self.taken), strict=True)}
        beside = {
            (p, alike[mix.timber])
            for n, mix in zip(self.mixed, problem.mixes, strict=True)
            if n
            for p, many in enumerate(mix.counts)
            if many
        }
        return frozenset(alone | beside)
