"""A curved part and the natural sweep of a timber: how much more wood, how far across the grain.

Both curves are taken as flat arcs, whose mid-ordinate grows with the square of the length. What the two
differ by must be there as extra wood, and the fibres run out of the part by that much.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.reason import Reason

STEEP: Final = 15.0  # grain steeper than 1 in this to the edge is weak in bending; common practice, no source
SHORT: Final = 8.0  # steeper than 1 in this is short grain, whatever the part; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """A part's curve against a timber's.

    Parameters
    ----------
    part_mm, timber_mm : float
        Mid-ordinates over the part's length, below 0 when curved the other way. [mm]
    extra_mm : float
        Wood to be there on top of the straight section. [mm]
    one_in : float
        Slope of the grain to the part's edge at its ends, 1 in this much; infinite when they agree. [-]
    """

    part_mm: float
    timber_mm: float
    extra_mm: float
    one_in: float

    def reason(self) -> Reason:
        """Return what the two curves mean for the part."""
        if self.part_mm == 0 and self.timber_mm == 0:
            return Reason(code="sawing.no_curve")
        curves = {"part_mm": self.part_mm, "timber_mm": self.timber_mm, "extra_mm": self.extra_mm}
        if math.isinf(self.one_in):
            return Reason(code="sawing.curve_follows", values=curves)
        code = "short" if self.one_in < SHORT else "steep" if self.one_in < STEEP else "fits"
        return Reason(code=f"sawing.curve_{code}", values={**curves, "one_in": self.one_in})


def meet(part_mm: float, part_length_mm: float, timber_mm: float, timber_length_mm: float) -> Sweep:
    """Hold a part's curve against a timber's.

    Parameters
    ----------
    part_mm, timber_mm : float
        Mid-ordinate of each over its own length, 0 for a straight one; below 0 for a timber that is curved
        the other way. [mm]
    part_length_mm, timber_length_mm : float
        Their lengths, above 0, the part not the longer one. [mm]

    Returns
    -------
    Sweep
        Extra wood and the slope of the grain. [mm]

    Raises
    ------
    OutOfRange
        If a length or a curve cannot be.

    References
    ----------
    Geometry of a flat arc: mid-ordinate L^2 / (8 R), slope at the ends four times it over the length.

    Examples
    --------
    >>> round(meet(0, 2000, 20, 4000).extra_mm, 3)  # half the length of a bowed timber: a quarter of its bow
    5.0
    """
    if not (0 < part_length_mm < math.inf and 0 < timber_length_mm < math.inf):
        raise OutOfRange("the lengths", "of part and timber must be above 0 mm")
    for name, curve, length in (
        ("the part's curve", part_mm, part_length_mm),
        ("the timber's sweep", timber_mm, timber_length_mm),
    ):
        if not abs(curve) <= length / 2:
            raise OutOfRange(name, f"of {curve:g} mm can't be more than half the length")
    there = timber_mm * (part_length_mm / timber_length_mm) ** 2
    differ = abs(part_mm - there)
    return Sweep(
        part_mm=part_mm,
        timber_mm=there,
        extra_mm=differ,
        one_in=part_length_mm / (4 * differ) if differ > 0 else math.inf,
    )
