"""One number of the next timber from the same number of earlier ones: a random-effects model of two levels.

All of a population (the timbers of a species, the meters of a yard) scatter about one value, the groups in it
(lots, single meters) about that of the population, the timbers of a group about that of the group. How the
whole variance divides between the three is not known beforehand and is integrated over, so that timbers which
share nothing teach nothing, and ten that agree teach much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.errors import OutOfRange

# share of the variance within a group, and of the rest between groups; whole sd over the default's
_WITHIN: Final = (0.08, 0.13, 0.2, 0.3, 0.45, 0.6, 0.8, 1.0)
_GROUPS: Final = (0.0, 0.25, 0.5, 0.75, 1.0)
_SCALES: Final = (0.4, 0.55, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0)
_SCALE_LN_SD: Final = 0.35  # how far the default's sd may be wrong; our own judgement, no source
NOTHING_SHARED: Final = 6.0  # prior odds of that over any other share; our own judgement, no source
_ODD: Final = 3.5  # robust standard deviations from its group's median; our own judgement, no source
_ODD_AMONG: Final = 6  # members of a group in which an odd one can be told; our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Predicted:
    """A number of a timber before anything is read of it.

    Parameters
    ----------
    mean, sd : float
        In units of the default prior: its mean is 0 and its standard deviation 1. The sd is that of the
        normal distribution with the same 90 % interval, for the mixture over the variances has longer
        tails. [-]
    timbers, groups, population : float
        Variance between the timbers of a group, between groups, and of the population, as found. [-]
    odd : tuple of bool
        Which of the timbers lie so far off in their group that they hardly count.
    """

    mean: float
    sd: float
    timbers: float
    groups: float
    population: float
    odd: tuple[bool, ...] = ()


def next_of(  # noqa: PLR0913 - what is known of a group, and how doubtful
    values: Sequence[float] | Floats,
    variances: Sequence[float] | Floats,
    groups: Sequence[str],
    group: str,
    *,
    least_sd: float,
    apart: float = NOTHING_SHARED,
) -> Predicted:
    """Predict the number of a further member of a group.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        What each timber's own readings say of its number. [-]
    variances : sequence of float, shape (n,)
        Error variance of each, above 0. [-]
    groups : sequence of str, shape (n,)
        Group of each.
    group : str
        Group of the further one; it may be a new one.
    least_sd : float
        Standard deviation between the members of one group at the least, above 0. [-]
    apart : float
        Prior odds that members share nothing, over any other share of the variance, above 0. [-]

    Returns
    -------
    Predicted
        Mean and standard deviation of the predictive distribution, a mixture over the variances.

    Raises
    ------
    OutOfRange
        If a variance or the least standard deviation is not above 0.

    References
    ----------
    Normal hierarchical model with the variances integrated over: Gelman, A., et al., Bayesian Data Analysis,
    chapter on hierarchical models (recalled). One that lies far from the median of its group, in units of the
    median absolute deviation, is given a larger error.
    """
    order = sorted(range(len(groups)), key=lambda i: str(groups[i]))
    y, v = (np.asarray(each, np.float64)[order] for each in (values, variances))
    if not least_sd > 0 or not np.all(v > 0):
        raise OutOfRange("a variance between timbers", "must be above 0")
    at = grid(least_sd, apart)
    if y.size == 0:
        return mixed(at, np.zeros((5, at.timbers.size)), None)
    names = {groups[i]: k for k, i in reversed(list(enumerate(order)))}  # where each group begins
    begins = sorted(names.values())
    of_group = np.repeat(np.arange(len(begins)), np.diff([*begins, y.size]))
    more = _odd(y, v, of_group, least_sd)
    v = v + more
    weight = 1 / (v + at.within[:, None])
    total = np.add.reduceat(weight, begins, axis=1)
    middle = np.add.reduceat(weight * y, begins, axis=1) / total
    log_like = 0.5 * (np.log(weight).sum(axis=1) - np.log(total).sum(axis=1))
    log_like -= 0.5 * (weight * (y - middle[:, of_group]) ** 2).sum(axis=1)
    total, middle, log_like = (each[at.which] for each in (total, middle, log_like))
    spread = 1 / (at.groups[:, None] + 1 / total)
    sums = [log_like, *(each.sum(axis=1) for each in onward(spread, middle))]
    k = begins.index(names[group]) if group in names else None
    found = mixed(at, np.array(sums), None if k is None else (total[:, k], middle[:, k]))
    odd = np.zeros(y.size, dtype=bool)
    odd[order] = more > 0
    return replace(found, odd=tuple(odd.tolist()))


def onward(spread: Floats, middle: Floats) -> tuple[Floats, ...]:
    """Return what a group adds to the four sums over groups, from the precision of its middle and that."""
    return np.log(spread), spread, spread * middle, spread * middle**2


def mixed(at: Grid, sums: Floats, mine: tuple[Floats, Floats] | None) -> Predicted:
    """Predict from the sums over all groups, at every point of a grid.

    Parameters
    ----------
    at : Grid
        The points.
    sums : ndarray, shape (5, points)
        Log likelihood inside the groups, then as from `onward`, all summed over the groups; 0 without any.
    mine : (ndarray, ndarray) or None
        Precision and mean of what the timbers of the further one's own group say; None without such.

    Returns
    -------
    Predicted
        Without saying which are odd.
    """
    precision = sums[2] + 1 / at.population
    centre = sums[3] / precision
    log_like = sums[0] + 0.5 * (sums[1] - np.log(at.population * precision))
    log_like -= 0.5 * (sums[4] - precision * centre**2)
    log_share = at.log_prior + log_like
    share = np.exp(log_share - log_share.max())
    share /= share.sum()
    left, mean = np.ones_like(centre), centre
    if mine is not None:
        total, middle = mine
        left = 1 / (1 + at.groups * total)  # how far the group's own mean is drawn to the population's
        mean = (1 - left) * middle + left * centre
    spread_of_each = np.sqrt(at.timbers + at.groups * left + left**2 / precision)
    whole = float(share @ mean)
    return Predicted(
        mean=whole,
        sd=_sd_of_ninety(share, mean - whole, spread_of_each),
        timbers=float(share @ at.timbers),
        groups=float(share @ at.groups),
        population=float(share @ at.population),
    )


def _sd_of_ninety(share: Floats, off: Floats, sd: Floats) -> float:
    """Return the standard deviation of the normal that has the 90 % interval of a mixture about 0."""
    low, high = 0.0, float(2 * np.sqrt(np.max(sd**2 + off**2)))
    while high - low > _FINE:
        middle = (low + high) / 2
        inside = scipy.special.ndtr((_NINETY * middle - off) / sd) - scipy.special.ndtr(
            (-_NINETY * middle - off) / sd
        )
        low, high = (middle, high) if share @ inside < 0.9 else (low, middle)
    return (low + high) / 2


def _odd(y: Floats, v: Floats, of_group: NDArray[np.intp], least_sd: float) -> Floats:
    """Error variance to add to those that lie far off in their group."""
    more = np.zeros_like(y)
    for group in np.unique(of_group):
        mine = of_group == group
        more[mine] = odd_in(y[mine], v[mine], least_sd)
    return more


def odd_in(y: Floats, v: Floats, least_sd: float) -> Floats:
    """Error variance to add to those that lie far off in a group of many, so that one does not widen it."""
    if y.size < _ODD_AMONG:
        return np.zeros_like(y)
    off = np.abs(y - _median(y))
    usual = np.maximum(1.4826 * _median(off), np.sqrt(v + least_sd**2))
    return np.where(off > _ODD * usual, off**2, 0.0)


def _median(y: Floats) -> float:
    """Return the median of a few numbers, which NumPy's own takes ten times as long for."""
    ranked, half = np.sort(y), y.size // 2
    return float(ranked[half] if y.size % 2 else (ranked[half - 1] + ranked[half]) / 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Grid:
    """Points over which the variances are integrated; arrays of one shape.

    Parameters
    ----------
    timbers, groups, population : ndarray
        Variance between the timbers of a group, between groups, and of the population. [-]
    log_prior : ndarray
        Log of each point's share before anything is heard. [-]
    within : ndarray
        The variances of `timbers`, each once: a fifth of the points, and all that sums over timbers ask. [-]
    which : ndarray of int
        Place in `within` of the variance of each point.
    """

    timbers: Floats
    groups: Floats
    population: Floats
    log_prior: Floats
    within: Floats
    which: NDArray[np.intp]


@lru_cache(maxsize=8)
def grid(least_sd: float, apart: float) -> Grid:
    """Return the points for a least deviation between timbers and prior odds, as for `next_of`."""
    timbers, groups, scale = (each.ravel() for each in np.meshgrid(_WITHIN, _GROUPS, _SCALES, indexing="ij"))
    whole = scale**2
    between = np.maximum(whole * timbers, least_sd**2)
    of_groups = whole * (1 - timbers) * groups
    of_all = np.maximum(whole * (1 - timbers) * (1 - groups), 1e-6)
    log_prior = -0.5 * (np.log(scale) / _SCALE_LN_SD) ** 2
    log_prior += np.where(timbers == 1.0, np.log(apart), 0.0)
    log_prior -= np.log(np.exp(log_prior).sum())
    within, which = np.unique(between, return_inverse=True)
    return Grid(
        timbers=between, groups=of_groups, population=of_all, log_prior=log_prior, within=within, which=which
    )


_NINETY: Final = 1.6449  # standard deviations to each end of a 90 % interval
_FINE: Final = 1e-4
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
    names, of_group = numbered(groups)
    mine = summed(through(precision, pull, variances.timbers), of_group, len(names))
    whole, pulled = through(*mine, variances.groups)
    at = names.get(group)
    stay = [i for i in range(len(names)) if i != at]
    size = variances.timbers.size
    own = (np.zeros((size, size)), np.zeros(size)) if at is None else (mine[0][at], mine[1][at])
    mean, cov = middle_of((whole[stay].sum(axis=0), pulled[stay].sum(axis=0)), own, variances)
    cov = cov + np.diag(variances.timbers)
    return mean, np.asarray((cov + cov.T) / 2)


def said_alone(
    precision: Floats, pull: Floats, groups: Sequence[str], variances: Variances
) -> tuple[Floats, Floats]:
    """Return what each timber says of each number, its other numbers being as those of its group are.

    What the timbers of a group say of one number is far sharper so than with every other number as doubtful
    as by default, and what they get wrong together does not look like a difference between them.

    Parameters
    ----------
    precision, pull, groups, variances
        As for `next_together`.

    Returns
    -------
    precision, pull : ndarray, shape (k, n)
        Of each number by itself, about the default and in its units. [-]
    """
    names, of_group = numbered(groups)
    mine = summed(through(precision, pull, variances.timbers), of_group, len(names))
    others = [all_but_each(each) for each in through(*mine, variances.groups)]
    of_kin = middle_of((others[0], others[1]), mine, variances)[0][of_group]
    size = variances.timbers.size
    some, drawn = np.empty((2, size, len(groups)))
    for i in range(size):
        rest = [k for k in range(size) if k != i]
        scatter, across = 1 / variances.timbers[rest], precision[:, rest, i]
        doubt = precision[:, rest][:, :, rest] + np.diag(scatter)
        passed = np.linalg.solve(doubt, across[..., None])[..., 0]
        some[i] = precision[:, i, i] - np.einsum("nr,nr->n", across, passed)
        drawn[i] = pull[:, i] - np.einsum("nr,nr->n", passed, pull[:, rest] + scatter * of_kin[:, rest])
    return some, drawn


Said = tuple[Floats, Floats]  # precision and pull, shapes (..., k, k) and (..., k)


def numbered(groups: Sequence[str]) -> tuple[dict[str, int], NDArray[np.intp]]:
    """Give the groups numbers as they come: one of each name, and for each timber that of its group."""
    names = {name: i for i, name in enumerate(dict.fromkeys(groups))}
    return names, np.array([names[each] for each in groups], dtype=np.intp)


def summed(said: Said, of_group: NDArray[np.intp], count: int) -> Said:
    """Sum what is said by timbers over each group of `numbered`."""
    sums = tuple(np.zeros((count, *each.shape[1:])) for each in said)
    for whole, each in zip(sums, said, strict=True):
        np.add.at(whole, of_group, each)
    return sums[0], sums[1]


def all_but_each(rows: Floats) -> Floats:
    """Sum all rows but one, for each of them; nothing is taken off a sum, so that nothing is rounded away."""
    before, after = np.zeros_like(rows), np.zeros_like(rows)
    np.cumsum(rows[:-1], axis=0, out=before[1:])
    after[:-1] = np.cumsum(rows[:0:-1], axis=0)[::-1]
    return before + after


def middle_of(others: Said, mine: Said, variances: Variances) -> tuple[Floats, Floats]:
    """Return mean and covariance of a group's middle.

    Parameters
    ----------
    others : (ndarray, ndarray)
        What the other groups say of the population's middle, summed: `through` with the variance of groups.
    mine : (ndarray, ndarray)
        What its own timbers say of it, summed: `through` with the variance of timbers; 0 without any.
    variances : Variances
        How each number varies.

    Returns
    -------
    mean, cov : ndarray, shapes (..., k) and (..., k, k)
        As many as there are in `others` and `mine`.
    """
    of_all = np.diag(1 / variances.population) + others[0]
    mean = np.linalg.solve(of_all, others[1][..., None])
    before = np.linalg.inv(np.linalg.inv(of_all) + np.diag(variances.groups))
    cov = np.linalg.inv(before + mine[0])
    return np.asarray((cov @ (before @ mean + mine[1][..., None]))[..., 0]), np.asarray(cov)


def through(precision: Floats, pull: Floats, variance: Floats) -> Said:
    """Pass what is said of each on to the middle about which they scatter with a given variance."""
    scatter = np.diag(1 / variance)
    gain = scatter @ np.linalg.inv(precision + scatter)
    return scatter - gain @ scatter, np.einsum("...ij,...j->...i", gain, pull)
