"""Which parts come out of which timbers: a cutting problem, solved exactly over the patterns given.

Whole numbers of each part, and of patterns of parts side by side, are laid end to end in each timber where
they fit, a saw cut between two. Of the parts needed first as few as can be stay short, then of those needed
next; among those plans the cheapest is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import scipy

from baulk.models.constants import Floats
from baulk.models.errors import BaulkError
from baulk.models.plan.buying.problem import Amounts, Leftover, Problem


class NoAnswer(BaulkError, RuntimeError):
    """The search for an assignment ended without one."""


@dataclass(slots=True, kw_only=True, eq=False)
class Program:
    """The whole-number program of a problem, solved once for each order of need and once for the cost.

    Parameters
    ----------
    problem : Problem
        What it is of.
    """

    problem: Problem
    _rows: list[scipy.optimize.LinearConstraint] = field(init=False, default_factory=list)
    _most: Floats = field(init=False)
    _at: dict[str, slice] = field(init=False, default_factory=dict)

    def __post_init__(self) -> None:
        one = self.problem
        parts, timbers = one.cost.shape
        pairs = sorted({pair for each in one.without for pair in each})
        sizes = {
            "taken": parts * timbers, "short": parts, "cut": timbers, "mixed": len(one.mixes), "over": parts,
            "lost": timbers, "kept": timbers, "keeps": timbers, "drawn": len(pairs),
        }  # fmt: skip
        begin = 0
        for name, size in sizes.items():
            self._at[name] = slice(begin, begin + size)
            begin += size
        fits, count = np.isfinite(one.cost), np.asarray(one.count, dtype=float)
        room = np.asarray(one.room_mm, dtype=float)
        left = room if one.leftover else np.zeros(timbers)
        often = [max(one.room_mm[mix.timber] // mix.length_mm, 0.0) for mix in one.mixes]
        self._most = np.concatenate([
            np.where(fits, count[:, None], 0.0).ravel(), count, np.ones(timbers), np.asarray(often),
            np.full(parts, float(sum(one.count)) if one.mixes else 0.0),
            left, left, np.ones(timbers) * bool(one.leftover), np.ones(len(pairs)),
        ])  # fmt: skip
        self._limits()
        self._leave_out(pairs)

    def _limits(self) -> None:
        """Tie pieces to what is wanted, and lengths to the timbers."""
        one = self.problem
        parts, timbers = one.cost.shape
        count, room = np.asarray(one.count, dtype=float), np.asarray(one.room_mm, dtype=float)
        wanted, along = np.zeros((parts, self._most.size)), np.zeros((timbers, self._most.size))
        each = np.arange(timbers)
        for p in range(parts):
            own = self._at["taken"].start + p * timbers
            wanted[p, own : own + timbers] = 1
            along[each, own + each] = one.length_mm[p] + one.kerf_mm
        wanted[:, self._at["short"]] = np.eye(parts)
        wanted[:, self._at["over"]] = -np.eye(parts)  # cut by a mix beyond what is wanted
        along[:, self._at["cut"]] = -np.diag(room + one.kerf_mm)
        for i, mix in enumerate(one.mixes, start=self._at["mixed"].start):
            wanted[:, i] = mix.counts
            along[mix.timber, i] = mix.length_mm + one.kerf_mm
        self._rows = [
            scipy.optimize.LinearConstraint(wanted, count, count),
            scipy.optimize.LinearConstraint(along, -np.inf, 1e-6),
        ]
        if one.leftover is not None:
            self._rest(along, room, one.leftover)

    def _rest(self, along: Floats, room: Floats, leftover: Leftover) -> None:
        """Tie the lengths lost and kept to what is cut; a kept one also needs its saw cut."""
        kerf, one = self.problem.kerf_mm, np.eye(room.size)
        lost, kept, keeps = (self._at[name] for name in ("lost", "kept", "keeps"))
        every, at_most, least, longest = -along, along.copy(), np.zeros_like(along), np.zeros_like(along)
        every[:, lost] = every[:, kept] = -one
        at_most[:, kept], at_most[:, keeps] = one, kerf * one
        least[:, kept], least[:, keeps] = -one, leftover.keep_mm * one
        longest[:, kept], longest[:, keeps] = one, -np.diag(room)
        self._rows += [
            scipy.optimize.LinearConstraint(every, -np.inf, kerf),
            *(scipy.optimize.LinearConstraint(each, -np.inf, 1e-6) for each in (at_most, least, longest)),
        ]

    def _leave_out(self, pairs: Sequence[tuple[int, int]]) -> None:
        """Let at least one pair of each set stay out: `drawn` says whether a pair is used."""
        one, timbers = self.problem, self.problem.cost.shape[1]
        alike = one.alike if pairs else []
        uses, sets = np.zeros((len(pairs), self._most.size)), np.zeros((len(one.without), self._most.size))
        for row, (p, t) in enumerate(pairs):
            own = {self._at["taken"].start + p * timbers + u for u in range(timbers) if alike[u] == t} | {
                self._at["mixed"].start + i
                for i, mix in enumerate(one.mixes)
                if alike[mix.timber] == t and mix.counts[p]
            }
            uses[row, list(own)] = 1
            uses[row, self._at["drawn"].start + row] = -float(self._most[list(own)].sum())
        for row, each in enumerate(one.without):
            sets[row, [self._at["drawn"].start + pairs.index(pair) for pair in each]] = 1
        if pairs:
            most = [len(each) - 1 for each in one.without]
            self._rows += [
                scipy.optimize.LinearConstraint(uses, -np.inf, 0.0),
                scipy.optimize.LinearConstraint(sets, -np.inf, most),
            ]

    def fewest(self, time_limit_s: float) -> Amounts:
        """Return a plan with as few short pieces as can be, those needed first before the others.

        Parameters
        ----------
        time_limit_s : float
            Longest time for each order of need. [s]

        Returns
        -------
        Amounts
            Its cost is not looked at.

        Raises
        ------
        NoAnswer
            If there is none within the time.
        """
        everyone = list(range(len(self.problem.count)))
        found, fewer = self._short(everyone, time_limit_s)
        ranks = self.problem.ranks
        if found.short.any() and len(ranks) > 1:
            fewer = 0
            for some in ranks:
                found, less = self._short(some, time_limit_s)
                fewer += less
                self._hold(some, int(found.short[some].sum()))
        else:
            self._hold(everyone, int(found.short.sum()))
        if self.problem.strange is not None:
            row = self._strange()
            most = self.problem.strange_in(found.taken, found.mixed)
            self._rows.append(scipy.optimize.LinearConstraint(row[None, :], -np.inf, most))
        return Amounts(
            taken=found.taken, mixed=found.mixed, short=found.short, spent=found.spent, gap=1.0, fewer=fewer
        )

    def _strange(self) -> Floats:
        """Return of each variable how many pieces of another use it counts for."""
        one, row = self.problem, np.zeros(self._most.size)
        row[self._at["taken"]] = np.asarray(one.strange, dtype=float).ravel()
        row[self._at["mixed"]] = [
            sum(many * one.strange_of(p, mix.timber) for p, many in enumerate(mix.counts))
            for mix in one.mixes
        ]
        return row

    def _short(self, some: Sequence[int], time_limit_s: float) -> tuple[Amounts, int]:
        """Return a plan with the fewest short of some parts, then with the fewest strange pieces."""
        each, target = float(self._outweighs), np.zeros(self._most.size)
        if self.problem.strange is not None:
            target += self._strange()
        target[[self._at["short"].start + p for p in some]] = each
        found = self._solve(target, time_limit_s)
        plan = self._plan(found)
        short = int(plan.short[list(some)].sum())
        return plan, max(short - int(np.floor(found.mip_dual_bound / each + 1e-6)), 0)

    @property
    def _outweighs(self) -> int:
        """More than all pieces that a plan can hold, those of a mix that nobody wants too."""
        most = sum(self.problem.count)
        return 1 + most * max((sum(mix.counts) for mix in self.problem.mixes), default=1)

    def _hold(self, some: Sequence[int], most: int) -> None:
        row = np.zeros((1, self._most.size))
        row[0, [self._at["short"].start + p for p in some]] = 1.0
        self._rows.append(scipy.optimize.LinearConstraint(row, -np.inf, most))

    def cheapest(self, few: Amounts, time_limit_s: float) -> Amounts:
        """Return the cheapest plan with no more short pieces than one of `fewest`.

        Parameters
        ----------
        few : Amounts
            From `fewest`, which stands where nothing better is found.
        time_limit_s : float
            Longest time. [s]

        Returns
        -------
        Amounts
            With its gap.
        """
        one, target = self.problem, np.zeros(self._most.size)
        target[self._at["taken"]] = np.where(np.isfinite(one.cost), one.cost, 0.0).ravel()
        target[self._at["cut"]] = one.opening
        target[self._at["mixed"]] = [mix.cost for mix in one.mixes]
        if one.leftover is not None:
            per_mm = np.asarray(one.leftover.per_mm, dtype=float)
            target[self._at["lost"]], target[self._at["kept"]] = per_mm, per_mm * (1 - one.leftover.worth)
        try:
            found = self._solve(target, time_limit_s)
        except NoAnswer:
            return few
        plan = self._plan(found)
        best = min((plan, few), key=lambda each: each.spent)
        gap = (
            0.0 if found.status == 0 else (best.spent - float(found.mip_dual_bound)) / max(best.spent, 1e-12)
        )
        return Amounts(
            taken=best.taken, mixed=best.mixed, short=best.short, spent=best.spent,
            gap=min(1.0, max(0.0, gap)), fewer=few.fewer,
        )  # fmt: skip

    def _solve(self, target: Floats, time_limit_s: float) -> scipy.optimize.OptimizeResult:
        found = scipy.optimize.milp(
            target,
            integrality=np.ones(target.size),  # lengths left too, in whole mm: else HiGHS may print
            bounds=scipy.optimize.Bounds(np.zeros(target.size), self._most),
            constraints=self._rows,
            options={"time_limit": time_limit_s, "mip_rel_gap": 1e-9},
        )
        if found.x is None:
            raise NoAnswer(
                f"no assignment was found within {time_limit_s:g} s; ask for fewer parts at a time"
            )
        return found

    def _plan(self, found: scipy.optimize.OptimizeResult) -> Amounts:
        whole = np.round(found.x).astype(np.int64)
        taken, mixed = whole[self._at["taken"]].reshape(self.problem.cost.shape), whole[self._at["mixed"]]
        return Amounts(
            taken=taken,
            mixed=mixed,
            short=whole[self._at["short"]],
            spent=self.problem.spent(taken, mixed),
        )
