"""The numbers of a further timber of a lot, each by itself and then as they hang together.

Ten timbers of a lot differ less than each one's estimate of a number is doubtful: most of that doubt is of
its other numbers, and those the lot has in common, its meter's and its shed's too. So how much trees differ
is found from what each timber says of a number while the others are as those of its lot are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

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
        The number, as in `baulk.models.yard.prior.LEARNED`.
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
        apart=NOTHING_SHARED if name in OF_TREES else EVEN_ODDS,
    )


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
    found, wider = list(alone), [1.0] * len(names)
    for _ in range(PASSES):
        said = said_alone(precision, pull, groups, variances(found))
        for i, name in enumerate(names):
            found[i], wider[i] = _one(name, said[0][i], said[1][i], groups, group)
    mean, cov = next_together(precision, pull, groups, group, variances(found))
    return mean, cov, wider


def _one(
    name: str, precision: Floats, pull: Floats, groups: Sequence[str], group: str
) -> tuple[Predicted, float]:
    """Predict one number by itself, and say how much wider that is for its variances being guessed."""
    loud = [i for i, each in enumerate(precision) if each > FAINT**-2]
    heard = [
        Heard(tag="", group=groups[i], value=float(pull[i] / precision[i]), sd=float(precision[i]) ** -0.5)
        for i in loud
    ]
    predicted = by_itself(name, heard, group)
    if not heard:
        return predicted, 1.0
    where = [each.group for each in heard]
    _, plain = next_together(
        precision[loud, None, None], pull[loud, None], where, group, variances([predicted])
    )
    return predicted, predicted.sd / float(plain[0, 0]) ** 0.5
