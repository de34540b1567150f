"""Leave-one-out predictions: the same, with each timber of a large yard left out in turn.

What does not depend on the one is summed once: of a number by itself that is all but its own group, so that
nothing is guessed. How numbers hang together takes the variances as all timbers together have them, and is
exact for these.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.yard.hierarchy import (
    LEAST,
    Predicted,
    all_but_each,
    grid,
    middle_of,
    mixed,
    numbered,
    odd_in,
    onward,
    summed,
    through,
    variances,
)
from baulk.models.yard.together import LEAST_SHARE, Heard, odds, said_by_all

FEW: Final = 32  # timbers of a group of which the sums are not kept but made again; changes the cost alone


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """What the timbers of one group say, at every point of the grid: sums over them."""

    weight: Floats
    of_value: Floats
    of_square: Floats
    log_weight: Floats

    def __add__(self, other: _Sums) -> _Sums:
        return _Sums(*(getattr(self, each) + getattr(other, each) for each in _Sums.__slots__))

    def __sub__(self, other: _Sums) -> _Sums:
        return _Sums(*(getattr(self, each) - getattr(other, each) for each in _Sums.__slots__))


class Number:
    """One number, predicted from all timbers but one.

    Parameters
    ----------
    name : str
        The number, as in `baulk.models.yard.kinship.LEARNED`.
    heard : sequence of Heard
        Estimates of all timbers.
    """

    def __init__(self, name: str, heard: Sequence[Heard]) -> None:
        self._grid = grid(LEAST_SHARE, odds(name))
        self._y = np.array([each.value for each in heard])
        self._v = np.array([each.sd for each in heard]) ** 2
        self.heard = tuple(heard)
        self.at = {each.tag: i for i, each in enumerate(heard)}
        self._numbered, self._of_group = numbered([each.group for each in heard])
        order = np.argsort(self._of_group, kind="stable")
        ends = np.cumsum(np.bincount(self._of_group))[:-1]
        self._members = dict(zip(self._numbered, np.split(order, ends), strict=False))
        self._more = np.zeros_like(self._y)
        self._kept: dict[str, _Sums] = {}
        self._all = np.zeros((5, self._grid.timbers.size))
        for group, mine in self._members.items():
            self._more[mine] = odd_in(self._y[mine], self._v[mine], LEAST_SHARE)
            sums = self._sums(mine, self._more[mine])
            if mine.size > FEW:
                self._kept[group] = sums
            self._all += self._adds(sums)

    def all_odd(self) -> set[str]:
        """Tags of the timbers that lie far off in their group, with nobody left out."""
        return {self.heard[i].tag for i in np.flatnonzero(self._more > 0)}

    def odd(self, group: str, without: int | None = None) -> set[str]:
        """Tags of the timbers that lie far off in a group, one of all being left out."""
        mine = self._stay(group, without)
        more = odd_in(self._y[mine], self._v[mine], LEAST_SHARE)
        return {self.heard[i].tag for i in mine[more > 0]}

    def predicted(self, group: str, without: int | None = None) -> Predicted:
        """Predict the number of a further member of a group, one of all being left out.

        Parameters
        ----------
        group : str
            Its group; it may be a new one.
        without : int, optional
            Place in `heard` of the one that is left out.

        Returns
        -------
        Predicted
            That of `baulk.models.yard.together.by_itself` without the one, but for which are odd.
        """
        whole, mine = self._all, None
        if without is not None:
            its = self.heard[without].group
            before, after = self._of(its), self._of(its, without)
            whole = whole - self._adds(before) + self._adds(after)
        if group in self._members and self._stay(group, without).size:
            sums = self._of(group, without)
            mine = (sums.weight, sums.of_value / sums.weight)
        return mixed(self._grid, whole, mine)

    def precision(self, without: int | None) -> float:
        """Sum the precision of all estimates but one. [-]."""
        return float((1 / self._v).sum() - (0.0 if without is None else 1 / self._v[without]))

    def counted(self, group: str, without: int | None, most_sd: float) -> tuple[int, int]:
        """Count those that speak with no more than an error, all but one, and those of them of a group."""
        loud = self._v <= most_sd**2
        if without is not None:
            loud[without] = False
        own = self._numbered.get(group)
        return int(loud.sum()), 0 if own is None else int(loud[self._of_group == own].sum())

    def plain_sd(self, group: str, without: int | None, at: Predicted) -> float:
        """Return the standard deviation of the same prediction with the variances taken as found."""
        timbers, groups, population = (max(each, LEAST) for each in (at.timbers, at.groups, at.population))
        told = 1 / (self._v + timbers)
        if without is not None:
            told[without] = 0.0
        sums = np.bincount(self._of_group, told, minlength=len(self._members))
        own = self._numbered.get(group)
        mine = 0.0 if own is None else float(sums[own])
        if own is not None:
            sums[own] = 0.0
        of_all = 1 / population + (sums / (1 + groups * sums)).sum()
        return float((1 / (1 / (1 / of_all + groups) + mine) + timbers) ** 0.5)

    def _stay(self, group: str, without: int | None) -> NDArray[np.intp]:
        mine = self._members.get(group, np.array([], dtype=np.intp))
        return mine if without is None else mine[mine != without]

    def _of(self, group: str, without: int | None = None) -> _Sums:
        """Sum over a group; kept sums are brought up to date by what is odd without the one."""
        mine, kept = self._stay(group, without), self._kept.get(group)
        if kept is not None and (without is None or self.heard[without].group != group):
            return kept
        more = odd_in(self._y[mine], self._v[mine], LEAST_SHARE)
        if kept is None or without is None:
            return self._sums(mine, more)
        other = more != self._more[mine]
        out = np.append(mine[other], without)
        return kept - self._sums(out, self._more[out]) + self._sums(mine[other], more[other])

    def _sums(self, which: NDArray[np.intp], more: Floats) -> _Sums:
        y = self._y[which]
        weight = 1 / (self._v[which] + more + self._grid.within[:, None])
        sums = (weight.sum(axis=1), weight @ y, weight @ y**2, np.log(weight).sum(axis=1))
        return _Sums(*(each[self._grid.which] for each in sums))

    def _adds(self, sums: _Sums) -> Floats:
        """Return what a group adds to the sums over groups."""
        if not sums.weight.all():  # nobody in it
            return np.zeros_like(self._all)
        middle = sums.of_value / sums.weight
        like = 0.5 * (sums.log_weight - np.log(sums.weight) - sums.of_square + sums.weight * middle**2)
        return np.array([like, *onward(1 / (self._grid.groups + 1 / sums.weight), middle)])


class Wood:
    """Numbers that hang together, predicted from all timbers of a wood but one.

    Parameters
    ----------
    names : sequence of str, length k
        The numbers; `alone` each by itself, to begin with.
    alone : sequence of Predicted, length k
        From all timbers.
    precision, pull : ndarray, shapes (n, k, k) and (n, k)
        What each timber's own readings say, about the default and in its units. [-]
    groups : sequence of str, length n
        Lot of each.
    heard : ndarray of bool, shape (n,)
        Which count; those that do not because they lie far off may count when another is left out.
    """

    def __init__(  # noqa: PLR0913, PLR0917 - all that is said of all numbers
        self,
        names: Sequence[str],
        alone: Sequence[Predicted],
        precision: Floats,
        pull: Floats,
        groups: Sequence[str],
        heard: NDArray[np.bool_],
    ) -> None:
        some: list[int] = np.flatnonzero(heard).tolist()
        of = [groups[i] for i in some]
        estimates, found = said_by_all(names, alone, precision[some], pull[some], of, "")
        self._variances = variances(found)
        self._terms = through(precision, pull, self._variances.timbers)
        self._names, of_group = numbered(of)
        sums = summed((self._terms[0][some], self._terms[1][some]), of_group, len(self._names))
        onwards = through(*sums, self._variances.groups)
        self._all = onwards[0].sum(axis=0), onwards[1].sum(axis=0)
        self._others = [all_but_each(each) for each in onwards]
        self._numbers = [
            Number(name, [Heard(str(some[int(each.tag)]), each.group, each.value, each.sd) for each in row])
            for name, row in zip(names, estimates, strict=True)
        ]

    def predicted(
        self, group: str, mates: Sequence[int], without: int | None, first: int
    ) -> tuple[Floats, Floats, list[float]]:
        """Predict the numbers of a further member of a lot.

        Parameters
        ----------
        group : str
            Its lot; it may be a new one.
        mates : sequence of int
            Which of the timbers count of that lot, without the one that is left out.
        without : int or None
            Which is left out.
        first : int
            Of how many of the numbers it is asked how much wider they are.

        Returns
        -------
        mean, cov, wider
            As of `baulk.models.yard.together.with_others`.
        """
        at, chosen = self._names.get(group), list(mates)
        others = self._all if at is None else (self._others[0][at], self._others[1][at])
        mine = self._terms[0][chosen].sum(axis=0), self._terms[1][chosen].sum(axis=0)
        mean, cov = middle_of(others, mine, self._variances)
        cov = cov + np.diag(self._variances.timbers)
        tag = str(without)
        wider = [wider_by(each, group, each.at.get(tag)) for each in self._numbers[:first]]
        return mean, np.asarray((cov + cov.T) / 2), wider


def wider_by(number: Number, group: str, without: int | None) -> float:
    """Say how much wider a prediction is for its variances being only guessed."""
    if len(number.heard) == (without is not None):
        return 1.0
    found = number.predicted(group, without)
    return found.sd / number.plain_sd(group, without, found)
