"""Several numbers of the next timber at once, from what the readings of its kin say of them together.

Readings often tell a sum better than its parts: how fast wet wood dries, but not how that divides between the
speed at 20 % and its growth with moisture. The variances between timbers, lots and populations are those
found for each number by itself (`baulk.models.yard_levels`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.yard_levels import Predicted

Floats = NDArray[np.float64]

LEAST: Final = 1e-6  # of a variance, so that it can be divided by


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Variances:
    """How each number varies; arrays of shape (k,) in squares of the default prior's sd.

    Parameters
    ----------
    timbers, groups, population : ndarray
        Between the timbers of a group, between groups, and of the population about the default. Above 0.
    """

    timbers: Floats
    groups: Floats
    population: Floats


def variances(of_each: Sequence[Predicted]) -> Variances:
    """Gather the variances that were found for each number by itself.

    Parameters
    ----------
    of_each : sequence of Predicted
        One a number.

    Returns
    -------
    Variances
        Each held above 0.
    """
    rows = np.array([[each.timbers, each.groups, each.population] for each in of_each])
    timbers, groups, population = np.maximum(rows.T, LEAST)
    return Variances(timbers=timbers, groups=groups, population=population)


def next_together(
    precision: Floats, pull: Floats, groups: Sequence[str], group: str, variances: Variances
) -> tuple[Floats, Floats]:
    """Predict the numbers of a further member of a group.

    Parameters
    ----------
    precision, pull : ndarray, shapes (n, k, k) and (n, k)
        Of each timber's own readings, about the default and in its units. [-]
    groups : sequence of str
        Group of each.
    group : str
        Group of the further one; it may be a new one.
    variances : Variances
        How each number varies.

    Returns
    -------
    mean : ndarray, shape (k,)
        About the default, in its units. [-]
    cov : ndarray, shape (k, k)
        Of the predictive distribution. [-]

    References
    ----------
    Normal hierarchical model with known variances: sums of precisions, textbook knowledge.
    """
    names = {name: i for i, name in enumerate(dict.fromkeys(groups))}
    of_group = np.array([names[each] for each in groups])
    size = variances.timbers.size
    sums = np.zeros((len(names), size, size)), np.zeros((len(names), size))
    for whole, each in zip(sums, _through(precision, pull, np.diag(1 / variances.timbers)), strict=True):
        np.add.at(whole, of_group, each)
    others = np.arange(len(names)) != names.get(group, -1)
    onward = _through(sums[0][others], sums[1][others], np.diag(1 / variances.groups))
    of_all = np.diag(1 / variances.population) + onward[0].sum(axis=0)
    mean = np.linalg.solve(of_all, onward[1].sum(axis=0))
    cov = np.linalg.inv(of_all) + np.diag(variances.groups)  # of the group's own middle
    if group in names:
        mine, pulled = (each[names[group]] for each in sums)
        before = np.linalg.inv(cov)
        cov = np.linalg.inv(before + mine)
        mean = cov @ (before @ mean + pulled)
    cov = cov + np.diag(variances.timbers)
    return np.asarray(mean), np.asarray((cov + cov.T) / 2)


def _through(precision: Floats, pull: Floats, scatter: Floats) -> tuple[Floats, Floats]:
    """Pass what is said of each on to the middle about which they scatter with a given precision."""
    gain = scatter @ np.linalg.inv(precision + scatter)
    return scatter - gain @ scatter, np.einsum("...ij,...j->...i", gain, pull)
