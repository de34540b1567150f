"""Bow and crook of sawn timbers: how far one of a wood and a length bends, and what a shop's own have shown.

Bow is the curve along the depth, crook the one along the width; both are mid-ordinates over the whole length,
which is what straightening takes off that dimension. No printed distribution of heavy timbers is known here,
so the middle, the spread and the growth with length are custom and judgement, marked as such; what the shop
has measured on timbers of the same wood narrows them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np
import scipy

from baulk.models.constants import Floats
from baulk.models.species import Species

USUAL_LENGTH_MM: Final = 4000.0  # where custom's share of the length holds; our own judgement, no source
# bow and crook that nine of ten sawn timbers of that length stay within; common practice, no source
BOW_PER_LENGTH: Final = 1 / 400
# of a growth with the length itself (1, custom's way) and with its square (2, one even arc): a curve that
# wanders at random grows by 1.5; our own judgement, no source
GROWS: Final = 1.5
SOFTWOOD: Final = 0.8  # of a hardwood's: a conifer's stem is straighter; our own judgement, no source
PIECES_SD: Final = 0.7  # of ln mid-ordinate from piece to piece; our own judgement, no source
WOODS_SD: Final = (
    0.5  # of ln of the middle of one wood in one shop against custom; our own judgement, no source
)
LEAST_PER_LENGTH: Final = 1 / 10_000  # a straightedge tells no less; our own judgement, no source
_CUSTOM: Final = 0.9  # the share of the pieces that custom's number holds for


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Curves of one timber of the shop, as a person measured them.

    Parameters
    ----------
    species : str
        Name in the species table.
    length_mm : float
        Its length, above 0. [mm]
    bow_mm, crook_mm : float or None
        Mid-ordinates over that length, whichever way; None where not measured. [mm]
    """

    species: str
    length_mm: float
    bow_mm: float | None = None
    crook_mm: float | None = None

    def curves_mm(self) -> tuple[float, ...]:
        """Return what was measured, each above 0. [mm]."""
        return tuple(
            max(abs(each), self.length_mm * LEAST_PER_LENGTH)
            for each in (self.bow_mm, self.crook_mm)
            if each is not None
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """A mid-ordinate that is known, or spread as ln-normal.

    Parameters
    ----------
    middle_mm : float
        Half of the pieces bend less. [mm]
    sd_ln : float
        Standard deviation of its logarithm; 0 for one that was measured. [-]
    timbers : int
        How many timbers of the shop stand behind it; 0 for custom alone.
    more_mm : float
        A known curve on top, such as that of a curved part which is sawn out of it. [mm]
    """

    middle_mm: float
    sd_ln: float = 0.0
    timbers: int = 0
    more_mm: float = 0.0

    @property
    def measured(self) -> bool:
        """Whether it is this piece's own."""
        return self.sd_ln == 0

    def quantile_mm(self, confidence: float) -> float:
        """Mid-ordinate that a share of the pieces stays within, by their bow and by their crook.

        Parameters
        ----------
        confidence : float
            The share, above 0 and below 1; its root holds for each of the two, taken as independent. [-]

        Returns
        -------
        float
            Mid-ordinate. [mm]
        """
        if self.measured:
            return self.more_mm + self.middle_mm
        return self.more_mm + self.middle_mm * math.exp(self.sd_ln * _both_ways(confidence))

    def draws_mm(self, members: int, seed: int) -> Floats:
        """Mid-ordinate of every member, in even steps of probability, the same at every call.

        Parameters
        ----------
        members : int
            How many.
        seed : int
            Seed of their order.

        Returns
        -------
        ndarray, shape (members,)
            Mid-ordinates. [mm]
        """
        even = scipy.special.ndtri((np.arange(members) + 0.5) / members)
        order = np.random.default_rng(seed).permutation(members)
        return np.asarray(self.more_mm + self.middle_mm * np.exp(self.sd_ln * even[order]))


def known(mm: float) -> Bend:
    """Return a bend that was measured on the piece itself, or given.

    Parameters
    ----------
    mm : float
        Mid-ordinate over the piece's length, whichever way. [mm]

    Returns
    -------
    Bend
        Without a spread.
    """
    return Bend(middle_mm=abs(mm))


def usual(wood: Species, length_mm: float, seen: Iterable[Seen] = (), *, more_mm: float = 0.0) -> Bend:
    """Bow or crook of a piece that nobody has measured.

    Parameters
    ----------
    wood : Species
        Its wood.
    length_mm : float
        Its length, above 0. [mm]
    seen : iterable of Seen
        Timbers of the shop whose curves were measured; those of the same wood count.
    more_mm : float
        A known curve on top. [mm]

    Returns
    -------
    Bend
        By custom alone such that nine of ten hardwood pieces of 4 m stay within 1 in 400 of their length both
        ways; each timber measured draws the middle towards itself and narrows it (normal about a normal in
        the logarithm, the pieces' own spread taken as known).

    References
    ----------
    1 in 400: common practice, no source. Spread and growth with length: our own judgement, no source.
    Normal mean with known variance: Gelman and others, Bayesian Data Analysis, 3rd ed., section 2.5, from
    memory.

    Examples
    --------
    >>> from baulk.models import species
    >>> round(usual(species.get("white oak"), 4000.0).quantile_mm(0.9), 3)
    10.0
    """
    prior_sd = math.hypot(PIECES_SD, WOODS_SD)
    custom = BOW_PER_LENGTH * USUAL_LENGTH_MM * math.exp(-prior_sd * _both_ways(_CUSTOM))
    custom *= SOFTWOOD if wood.softwood else 1.0
    mine = [each for each in seen if each.species == wood.name and each.curves_mm()]
    off = [
        # a timber's bow and crook are taken as one look at it: they have the saw and the tree in common
        sum(math.log(mm / _grown(custom, each.length_mm)) for mm in each.curves_mm()) / len(each.curves_mm())
        for each in mine
    ]
    weight = len(off) / PIECES_SD**2
    precision = weight + 1 / WOODS_SD**2
    shift = sum(off) / PIECES_SD**2 / precision
    return Bend(
        middle_mm=_grown(custom, length_mm) * math.exp(shift),
        sd_ln=math.sqrt(PIECES_SD**2 + 1 / precision),
        timbers=len(off),
        more_mm=more_mm,
    )


def _both_ways(confidence: float) -> float:
    """Return the standard deviations that bow and crook, each on its own, must both stay within."""
    return NormalDist().inv_cdf(math.sqrt(confidence))


def _grown(middle_mm: float, length_mm: float) -> float:
    return middle_mm * math.pow(length_mm / USUAL_LENGTH_MM, GROWS)
