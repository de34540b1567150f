"""The numbers of a further timber of a lot, each by itself and then as they hang together.

Ten timbers of a lot differ less than each one's estimate of a number is doubtful: most of that doubt is of
its other numbers, and those the lot has in common, its meter's and its shed's too. So how much trees differ
is found from what each timber says of a number while the others are as those of its lot are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from baulk.models.constants import Floats
from baulk.models.yard.hierarchy import (
    NOTHING_SHARED,
    Predicted,
    next_of,
    next_together,
    said_alone,
    variances,
)

# What differs from tree to tree. The default's spread in every other number is mostly of laws, sheds and
# meters, which kin have in common: that timbers share nothing in it is no likelier than any other share.
OF_TREES: Final = frozenset({"ln_d", "start"})
EVEN_ODDS: Final = 1.0  # prior odds of that; our own judgement, no source
LEAST_SHARE: Final = 0.36  # of the default's sd between kin, 0.25 in ln D; our own judgement, no source
FAINT: Final = 500.0  # error in the default's sd beyond which an estimate says nothing
PASSES: Final = 2  # over the numbers, each given the others; our own judgement, no source


@dataclass(frozen=True, slots=True)
class Heard:
    """One timber's estimate of one number.

    Parameters
    ----------
    tag, group : str
        The timber, and the nearer kin that it belongs to.
    value, sd : float
        About the default and in its units. [-]
    """

    tag: str
    group: str
    value: float
    sd: float


def by_itself(name: str, heard: Sequence[Heard], group: str) -> Predicted:
    """Predict one number from estimates of it.

    Parameters
    ----------
    name : str
        The number, as in `baulk.models.yard.kinship.LEARNED`.
    heard : sequence of Heard
        Estimates of the other timbers.
    group : str
        Nearer kin of the one that is asked for.

    Returns
    -------
    Predicted
        About the default and in its units. [-]
    """
    return next_of(
        [each.value for each in heard],
        [each.sd**2 for each in heard],
        [each.group for each in heard],
        group,
        least_sd=LEAST_SHARE,
        apart=odds(name),
    )


def odds(name: str) -> float:
    """Return the prior odds that timbers share nothing of a number, over any other share."""
    return NOTHING_SHARED if name in OF_TREES else EVEN_ODDS


def with_others(  # noqa: PLR0913, PLR0917 - all that is said of all numbers
    names: Sequence[str],
    alone: Sequence[Predicted],
    precision: Floats,
    pull: Floats,
    groups: Sequence[str],
    group: str,
) -> tuple[Floats, Floats, list[float]]:
    """Predict several numbers that readings mix up.

    Parameters
    ----------
    names : sequence of str, length k
        The numbers.
    alone : sequence of Predicted, length k
        Each by itself, to begin with.
    precision, pull : ndarray, shapes (n, k, k) and (n, k)
        What each timber's own readings say, about the default and in its units. [-]
    groups : sequence of str, length n
        Lot of each.
    group : str
        Lot of the one that is asked for.

    Returns
    -------
    mean, cov : ndarray, shapes (k,) and (k, k)
        About the default and in its units, with the variances between timbers as found. [-]
    wider : list of float
        Factor on the standard deviation of each for its variances being only guessed. [-]
    """
    estimates, found = said_by_all(names, alone, precision, pull, groups, group)
    wider = [_wider(each, predicted, group) for each, predicted in zip(estimates, found, strict=True)]
    mean, cov = next_together(precision, pull, groups, group, variances(found))
    return mean, cov, wider


def said_by_all(  # noqa: PLR0913, PLR0917 - all that is said of all numbers
    names: Sequence[str],
    alone: Sequence[Predicted],
    precision: Floats,
    pull: Floats,
    groups: Sequence[str],
    group: str,
) -> tuple[list[list[Heard]], list[Predicted]]:
    """Say of each number what each timber says of it, its others being as those of its lot.

    Parameters
    ----------
    names, alone, precision, pull, groups, group
        As for `with_others`.

    Returns
    -------
    estimates : list of list of Heard
        Of each number, without those that say next to nothing; a timber's tag is its place as text.
    found : list of Predicted
        Of each number by itself.
    """
    found, estimates = list(alone), [list[Heard]() for _ in names]
    for _ in range(PASSES):
        some, drawn = said_alone(precision, pull, groups, variances(found))
        for i, name in enumerate(names):
            loud = np.flatnonzero(some[i] > FAINT**-2)
            values, sds = drawn[i, loud] / some[i, loud], some[i, loud] ** -0.5
            estimates[i] = [
                Heard(tag=str(k), group=groups[k], value=value, sd=sd)
                for k, value, sd in zip(loud.tolist(), values.tolist(), sds.tolist(), strict=True)
            ]
            found[i] = by_itself(name, estimates[i], group)
    return estimates, found


def _wider(heard: Sequence[Heard], predicted: Predicted, group: str) -> float:
    """Say how much wider a number's prediction is for its variances being only guessed."""
    if not heard:
        return 1.0
    precision = np.array([each.sd**-2 for each in heard])
    pull = precision * [each.value for each in heard]
    where = [each.group for each in heard]
    _, plain = next_together(precision[:, None, None], pull[:, None], where, group, variances([predicted]))
    return predicted.sd / float(plain[0, 0] ** 0.5)
