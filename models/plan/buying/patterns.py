"""A large yard's assignment by whole patterns of cuts: a good plan, and a bound that says how good.

The program over single pieces (`assignment`) is weak where what is left of a timber counts: its bound lies
far off, and its search ends with poor plans. Here a timber is cut by one pattern out of many. Patterns are
added as long as the prices of the parts, which the linear program gives, say that one could help; those
prices give a bound below which no plan lies (Lagrangian relaxation). Among the patterns found the best whole
plan is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.plan.buying.problem import Amounts, Problem, Served

ROUNDS: Final = 60  # of adding patterns; those that are far from done after it are told by their gap
NEAR: Final = 60  # times that prices are shaken for more patterns
AWAY: Final = 0.5  # by so much at most
SLACK_MM: Final = 1e-6
_SURE: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """Something that is laid across a timber in one length: a piece alone, or a mix.

    Parameters
    ----------
    mix : int or None
        Number of the mix; None for a piece alone.
    counts : tuple of (int, int)
        Parts and how many of each.
    length_mm : float
        With a saw cut behind it. [mm]
    cost : float
        Its cost. [-]
    most : int
        How many of it at most.
    strange : int
        Its pieces of another use than the timber was entered for.
    """

    mix: int | None
    counts: tuple[tuple[int, int], ...]
    length_mm: float
    cost: float
    most: int
    strange: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """One way to cut one timber.

    Parameters
    ----------
    timber : int
        Number of the timber.
    items : tuple of int
        Numbers of its items, each as often as it is cut.
    cost : float
        All that it costs: waste, opening, what is left. [-]
    """

    timber: int
    items: tuple[int, ...]
    cost: float


class Patterns:
    """The patterns of a problem and the bound that their prices give.

    Parameters
    ----------
    problem : Problem
        What is wanted, and what there is.
    few : Amounts
        A plan with as few short pieces as can be; its patterns are the first.
    """

    def __init__(self, problem: Problem, few: Amounts) -> None:
        self._problem, self._few = problem, few
        self._items = [_items(problem, t) for t in range(len(problem.room_mm))]
        self._whole_mm = all(
            abs(item.length_mm - round(item.length_mm)) < SLACK_MM for items in self._items for item in items
        )
        self._held = [int(few.short[some].sum()) for some in problem.ranks]
        self._strange = problem.strange_in(few.taken, few.mixed)
        self._patterns: dict[tuple[int, tuple[int, ...]], Pattern] = {}
        self._begin()
        self._bound = self._price()
        self._more()

    def _begin(self) -> None:
        """Take the patterns of the plan that is known."""
        for t, items in enumerate(self._items):
            of_piece = {each.counts[0][0]: i for i, each in enumerate(items) if each.mix is None}
            of_mix = {each.mix: i for i, each in enumerate(items) if each.mix is not None}
            own: list[int] = []
            for p, n in enumerate(self._few.taken[:, t]):
                own += [of_piece[p]] * int(n) if n else []
            for i, (n, mix) in enumerate(zip(self._few.mixed, self._problem.mixes, strict=True)):
                own += [of_mix[i]] * int(n) if mix.timber == t else []
            if own:
                self._add(t, tuple(own))

    def _add(self, t: int, own: tuple[int, ...]) -> bool:
        own = tuple(sorted(own))
        used = sum(self._items[t][i].length_mm for i in own)
        room = self._problem.room_mm[t]
        if (t, own) in self._patterns or used > room + self._problem.kerf_mm + SLACK_MM:
            return False
        cost = self._problem.opening + sum(self._items[t][i].cost for i in own)
        if self._problem.leftover is not None:
            cost += self._problem.leftover.cost(t, max(room - used, 0.0))
        self._patterns[t, own] = Pattern(timber=t, items=own, cost=cost)
        return True

    def _matrix(self, patterns: Sequence[Pattern]) -> Floats:
        """Return how many of each part each pattern gives, shape (parts, patterns)."""
        gives = np.zeros((len(self._problem.count), len(patterns)))
        for c, pattern in enumerate(patterns):
            for i in pattern.items:
                for p, n in self._items[pattern.timber][i].counts:
                    gives[p, c] += n
        return gives

    def _price(self) -> float:
        """Add patterns until none can help; return the best bound met on the way."""
        bound = 0.0
        for _ in range(ROUNDS):
            patterns = list(self._patterns.values())
            told, added = self._look(*self._prices(patterns))
            bound = max(bound, told)
            if not added:
                break
        return bound

    def _more(self) -> None:
        """Add patterns that are best at prices near the last ones: whole plans need some that lie near."""
        prices, strange = self._prices(list(self._patterns.values()))
        rng = np.random.default_rng(3)
        for _ in range(NEAR):
            self._look(prices * rng.uniform(1 - AWAY, 1 + AWAY, prices.size), strange)

    def _prices(self, patterns: Sequence[Pattern]) -> tuple[Floats, float]:
        """Return by the linear program what a piece more of each part would cost, and a strange one less."""
        parts, ranks = len(self._problem.count), self._problem.ranks
        each = np.array([[pattern.timber == t for pattern in patterns] for t in range(len(self._items))])
        rows = np.vstack([
            np.hstack([-self._matrix(patterns), -np.eye(parts)]),
            np.hstack([each, np.zeros((len(each), parts))]),
            np.hstack([
                np.zeros((len(ranks), len(patterns))),
                np.array([[p in some for p in range(parts)] for some in ranks]),
            ]),
            np.concatenate([self._strange_of(patterns), np.zeros(parts)])[None, :],
        ])  # fmt: skip
        most = np.concatenate(
            [-np.asarray(self._problem.count, dtype=float), np.ones(len(each)), self._held, [self._strange]]
        )
        cost = np.concatenate([[pattern.cost for pattern in patterns], np.zeros(parts)])
        found = scipy.optimize.linprog(cost, A_ub=rows, b_ub=most, method="highs")
        duals = np.maximum(-found.ineqlin.marginals, 0.0)
        return duals[:parts], float(duals[-1])

    def _strange_of(self, patterns: Sequence[Pattern]) -> Floats:
        """Return the pieces of another use in each pattern."""
        return np.array(
            [sum(self._items[each.timber][i].strange for i in each.items) for each in patterns], dtype=float
        )

    def _look(self, prices: Floats, strange: float) -> tuple[float, int]:
        """Return the bound that prices give, and how many patterns they ask for that are new."""
        gained, added = 0.0, 0
        for t, items in enumerate(self._items):
            worth = np.array([
                sum(prices[p] * n for p, n in each.counts) - each.cost - strange * each.strange
                for each in items
            ])  # fmt: skip
            loose, own = self._pattern(t, worth, up=False)
            gained += min(loose, 0.0)
            if loose < -_SURE:
                added += self._add(t, own) or self._add(t, self._pattern(t, worth, up=True)[1])
        held = sum(
            most * float(prices[some].max())
            for most, some in zip(self._held, self._problem.ranks, strict=True)
        )
        held += strange * self._strange
        return float(prices @ np.asarray(self._problem.count)) - held + gained, added

    def _pattern(self, t: int, worth: Floats, *, up: bool) -> tuple[float, tuple[int, ...]]:
        """Return the pattern of a timber that gains most by some prices, and its cost less their worth.

        Lengths are laid on whole millimetres, rounded down for a bound, up for what can be sawn.
        """
        one, items = self._problem, self._items[t]
        room = int(np.floor(one.room_mm[t] + one.kerf_mm + SLACK_MM))
        best = np.full(room + 1, -np.inf)
        best[0] = 0.0
        laid: list[tuple[int, int, NDArray[np.int16]]] = []
        # a piece of no worth still takes up length that would be lost
        lost_per_mm = 0.0 if one.leftover is None else one.leftover.per_mm[t]
        for i, long, most in _worth_laying(items, worth, room, lost_per_mm, up=up):
            took = np.zeros(room + 1, dtype=np.int16)
            for _ in range(most):
                more = best[:-long] + worth[i]
                better = more > best[long:] + _SURE
                if not better.any():
                    break
                took[long:] = np.where(better, took[:-long] + 1, took[long:])
                best[long:] = np.where(better, more, best[long:])
            laid.append((i, long, took))
        total = one.opening + self._lost(t, room, up=up) - best
        at = int(np.argmin(total))
        cost, own = float(total[at]), []
        for i, long, took in reversed(laid):
            n = int(took[at])
            own += [i] * n
            at -= n * long
        return cost, tuple(own)

    def _lost(self, t: int, room: int, *, up: bool) -> Floats:
        """Return the cost of what is left of a timber by the length used, at most that where not `up`."""
        one, leftover = self._problem, self._problem.leftover
        if leftover is None:
            return np.zeros(room + 1)
        left = np.maximum(one.room_mm[t] - np.arange(room + 1.0), 0.0)
        keeps = left >= leftover.keep_mm - SLACK_MM
        if not up and not self._whole_mm:  # rounded down, each piece may take a millimetre more
            left = np.maximum(left - room / min(item.length_mm for item in self._items[t]) - 1, 0.0)
        return np.asarray(leftover.per_mm[t] * left * np.where(keeps, 1 - leftover.worth, 1.0))

    def best(self, time_limit_s: float, without: Sequence[Served] = ()) -> Amounts | None:
        """Return the best whole plan of the patterns found.

        Parameters
        ----------
        time_limit_s : float
            Longest time. [s]
        without : sequence of frozenset of (int, int)
            As in `Problem`.

        Returns
        -------
        Amounts or None
            With its gap to what no plan can beat; None where these patterns give none with as few short.
        """
        return self._whole(list(self._patterns.values()), time_limit_s, without)

    def _whole(
        self, patterns: Sequence[Pattern], time_limit_s: float, without: Sequence[Served]
    ) -> Amounts | None:
        one, parts = self._problem, len(self._problem.count)
        gives = self._matrix(patterns)
        pairs = sorted({pair for each in without for pair in each})
        total = len(patterns) + parts + len(pairs)
        rows, low, high = [], [], []

        def tie(row: Floats, least: float, most: float) -> None:
            rows.append(row)
            low.append(least)
            high.append(most)

        for p in range(parts):
            row = np.zeros(total)
            row[: len(patterns)], row[len(patterns) + p] = gives[p], 1
            tie(row, float(one.count[p]), np.inf)
        for t in range(len(self._items)):
            row = np.zeros(total)
            row[: len(patterns)] = [pattern.timber == t for pattern in patterns]
            tie(row, -np.inf, 1.0)
        for some, most in zip(one.ranks, self._held, strict=True):
            row = np.zeros(total)
            row[[len(patterns) + p for p in some]] = 1
            tie(row, -np.inf, float(most))
        row = np.zeros(total)
        row[: len(patterns)] = self._strange_of(patterns)
        tie(row, -np.inf, float(self._strange))
        alike = one.alike if pairs else []
        for n, (p, t) in enumerate(pairs):
            row = np.zeros(total)
            row[: len(patterns)] = [
                alike[pattern.timber] == t and gives[p, c] > 0 for c, pattern in enumerate(patterns)
            ]
            row[len(patterns) + parts + n] = -alike.count(t)
            tie(row, -np.inf, 0.0)
        for each in without:
            row = np.zeros(total)
            row[[len(patterns) + parts + pairs.index(pair) for pair in each]] = 1
            tie(row, -np.inf, len(each) - 1.0)
        most_of = np.concatenate([np.ones(len(patterns)), np.asarray(one.count), np.ones(len(pairs))])
        found = scipy.optimize.milp(
            np.concatenate([[pattern.cost for pattern in patterns], np.zeros(parts + len(pairs))]),
            integrality=np.ones(total),
            bounds=scipy.optimize.Bounds(np.zeros(total), most_of),
            constraints=scipy.optimize.LinearConstraint(np.array(rows), low, high),
            options={"time_limit": time_limit_s, "mip_rel_gap": 1e-6},
        )
        if found.x is None:
            return None
        return self._amounts([patterns[int(c)] for c in np.flatnonzero(found.x[: len(patterns)] > 0.5)])

    def _amounts(self, chosen: Sequence[Pattern]) -> Amounts:
        one = self._problem
        taken = np.zeros(one.cost.shape, dtype=np.int64)
        mixed = np.zeros(len(one.mixes), dtype=np.int64)
        for pattern in chosen:
            for i in pattern.items:
                item = self._items[pattern.timber][i]
                if item.mix is None:
                    taken[item.counts[0][0], pattern.timber] += 1
                else:
                    mixed[item.mix] += 1
        _drop_surplus(one, taken, mixed)
        given = taken.sum(axis=1) + sum(
            (int(n) * np.asarray(mix.counts) for n, mix in zip(mixed, one.mixes, strict=True)),
            np.zeros(len(one.count), dtype=np.int64),
        )
        spent = one.spent(taken, mixed)
        return Amounts(
            taken=taken, mixed=mixed, short=np.maximum(np.asarray(one.count) - given, 0), spent=spent,
            gap=min(1.0, max(0.0, (spent - self._bound) / max(spent, 1e-12))), fewer=self._few.fewer,
        )  # fmt: skip

    def or_few(self, found: Amounts | None) -> Amounts:
        """Return a plan, or the one that the patterns began with where that is as good. [-].

        Parameters
        ----------
        found : Amounts or None
            From `best`.

        Returns
        -------
        Amounts
            With its gap.
        """
        few = self._few
        if found is not None and found.spent <= few.spent:
            return found
        gap = min(1.0, max(0.0, (few.spent - self._bound) / max(few.spent, 1e-12)))
        return replace(few, gap=gap)


def _items(one: Problem, t: int) -> list[Item]:
    """Return what can be laid across a timber. [mm]."""
    found = []
    for p, many in enumerate(one.count):
        if np.isfinite(one.cost[p, t]) and one.length_mm[p] <= one.room_mm[t] + SLACK_MM:
            found.append(
                Item(mix=None, counts=((p, 1),), length_mm=one.length_mm[p] + one.kerf_mm,
                     cost=float(one.cost[p, t]), most=int(many), strange=one.strange_of(p, t))
            )  # fmt: skip
    for i, mix in enumerate(one.mixes):
        if mix.timber == t and mix.length_mm <= one.room_mm[t] + SLACK_MM:
            counts = tuple((p, n) for p, n in enumerate(mix.counts) if n)
            often = max(-(-int(one.count[p]) // n) for p, n in counts)
            found.append(
                Item(mix=i, counts=counts, length_mm=mix.length_mm + one.kerf_mm, cost=mix.cost, most=often,
                     strange=sum(n * one.strange_of(p, t) for p, n in counts))
            )  # fmt: skip
    return found


def _worth_laying(
    items: Sequence[Item], worth: Floats, room: int, lost_per_mm: float, *, up: bool
) -> list[tuple[int, int, int]]:
    """Return number, whole length and most of each item that a best pattern could hold.

    Of items alike in length no more are looked at, the best first, than have room behind one another.
    """
    behind: dict[int, int] = {}
    found = []
    for i in sorted(range(len(items)), key=lambda each: -worth[each]):
        mm = items[i].length_mm
        long = max(int(np.ceil(mm - SLACK_MM) if up else np.floor(mm + SLACK_MM)), 1)
        free = room // long - behind.get(long, 0)
        if worth[i] + lost_per_mm * (mm + 1) > _SURE and free > 0:
            most = min(items[i].most, free)
            behind[long] = behind.get(long, 0) + most
            found.append((i, long, most))
    return found


def _drop_surplus(one: Problem, taken: NDArray[np.int64], mixed: NDArray[np.int64]) -> None:
    """Leave out single pieces that nobody wants, the dearest first."""
    for p, wanted in enumerate(one.count):
        beside = sum(int(n) * mix.counts[p] for n, mix in zip(mixed, one.mixes, strict=True))
        over = int(taken[p].sum()) + beside - int(wanted)
        for t in np.argsort(-np.where(taken[p] > 0, one.cost[p], -1.0)):
            while over > 0 and taken[p, t] > 0:
                taken[p, t] -= 1
                over -= 1
