"""The butt end of a timber as four corners in a plane: its size, and where its places lie in the section."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import linalg

from baulk.models.errors import OutOfRange
from baulk.models.section import Face

Array = NDArray[np.float64]

SQUARE_ENOUGH: Final = 0.9  # sine of the angle between its two directions; our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ButtEnd:
    """The butt end as it lies in the plane of a photograph.

    Attributes
    ----------
    width_mm, depth_mm : float
        Between the middles of opposite faces. [mm]
    """

    width_mm: float
    depth_mm: float
    _centre: Array
    _right: Array

    def place_mm(self, spot_mm: Sequence[float] | Array) -> tuple[float, float]:
        """Return a place of the plane in the section's axes: x right and y up from its centre, [mm]."""
        away = np.asarray(spot_mm, dtype=float) - self._centre
        right = self._right
        return float(away @ right), float(away @ np.array([right[1], -right[0]]))

    def nearest_face(self, spot_mm: Sequence[float] | Array) -> Face:
        """Return the face that a place of the plane lies nearest to."""
        x, y = self.place_mm(spot_mm)
        x, y = x / self.width_mm, y / self.depth_mm
        if abs(x) > abs(y):
            return Face.B if x > 0 else Face.D
        return Face.A if y > 0 else Face.C


def of_corners(corners_mm: Sequence[Sequence[float]] | Array) -> ButtEnd:
    """Return the butt end from its four corners.

    Parameters
    ----------
    corners_mm : sequence, shape (4, 2)
        Corners in the plane of the photograph, y down: between the faces d and a, a and b, b and c, c and d.

    Raises
    ------
    OutOfRange
        If they do not follow each other round a rectangle, or it is not one.

    References
    ----------
    Geometry; no source needed.
    """
    corners = np.asarray(corners_mm, dtype=float)
    upper, right, lower, left = (corners + np.roll(corners, -1, axis=0)) / 2.0
    across, up = right - left, upper - lower
    width, depth = float(linalg.norm(across)), float(linalg.norm(up))
    cross = float(across[0] * up[1] - across[1] * up[0])
    if min(width, depth) < 1.0 or -cross < SQUARE_ENOUGH * width * depth:
        raise OutOfRange("the corners", "do not go round it; tap them clockwise from the upper left one")
    return ButtEnd(width_mm=width, depth_mm=depth, _centre=corners.mean(axis=0), _right=across / width)
