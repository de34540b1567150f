"""The best assignment and those next to it: exact in a small yard, by patterns and a bound in a large one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from baulk.models.plan.buying.assignment import NoAnswer, Program
from baulk.models.plan.buying.patterns import Patterns
from baulk.models.plan.buying.problem import Amounts, Problem, Served

EXACT: Final = 20  # timbers up to which the whole program is solved; beyond, it finds no good plan in time
LIMIT_S: Final = 5.0  # of one search
# of the search for the fewest short pieces, which a busy machine may not end in less: it decides most
SHORT_S: Final = 20.0
NEXT_S: Final = 2.0  # of the search for a next best plan


class Search:
    """A problem with its best plan, which further plans can be asked for.

    Parameters
    ----------
    problem : Problem
        What is wanted, and what there is.

    Attributes
    ----------
    knows_all : bool
        Whether it is proved that there are no more plans than the last `next_best` returned.

    Raises
    ------
    NoAnswer
        If there is no plan within the time.
    """

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.knows_all = False
        self._patterns: Patterns | None = None
        parts, timbers = problem.cost.shape
        if timbers == 0:
            none = np.zeros((parts, 0), dtype=np.int64)
            short = np.array(problem.count, dtype=np.int64)
            self.best = Amounts(taken=none, mixed=np.zeros(0, dtype=np.int64), short=short)
            return
        self.best = self._small(problem, LIMIT_S) if timbers <= EXACT else self._large()
        if self.best.gap > 0 and self._patterns is None:
            self._patterns = Patterns(problem, self.best)
            other = self._patterns.or_few(self._patterns.best(NEXT_S))
            gap = min(other.gap, 1 - (1 - self.best.gap) * self.best.spent / max(other.spent, 1e-12))
            self.best = replace(other, gap=max(gap, 0.0))

    def _small(self, problem: Problem, time_limit_s: float) -> Amounts:
        program = Program(problem=problem)
        return program.cheapest(program.fewest(max(time_limit_s, SHORT_S)), time_limit_s)

    def _large(self) -> Amounts:
        few = Program(problem=replace(self.problem, leftover=None)).fewest(SHORT_S)
        few = replace(few, spent=self.problem.spent(few.taken, few.mixed))
        self._patterns = Patterns(self.problem, few)
        return self._patterns.or_few(self._patterns.best(LIMIT_S))

    def next_best(self, count: int) -> tuple[Amounts, ...]:
        """Return the next best plans: each leaves out a part out of a timber that every better one has.

        Parameters
        ----------
        count : int
            How many.

        Returns
        -------
        tuple of Amounts
            The best first; fewer where there are no more, or none was found in time: see `knows_all`.
        """
        self.knows_all = False
        found: list[Amounts] = []
        without: list[Served] = []
        last = self.best
        while len(found) < count:
            served = last.served(self.problem)
            if not served:
                self.knows_all = True
                break
            without.append(served)
            other = self._without(without)
            if other is None or not other.served(self.problem):
                # a plan that serves nothing is one of fewest short pieces: exact only in a small yard
                self.knows_all = other is not None and self._patterns is None and other.fewer == 0
                break
            found.append(other)
            last = other
        return tuple(found)

    def _without(self, without: Sequence[Served]) -> Amounts | None:
        if self._patterns is not None:
            return self._patterns.best(NEXT_S, without)
        try:
            return self._small(replace(self.problem, without=tuple(without)), NEXT_S)
        except NoAnswer:
            return None
