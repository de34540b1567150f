"""The cross-section of a timber, its four faces, and the finished piece inside it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from baulk.models.errors import OutOfRange


class Face(StrEnum):
    """One of the four long faces: a is up when tagged, then clockwise seen from the butt end."""

    A = "a"
    B = "b"
    C = "c"
    D = "d"

    __hash__ = str.__hash__  # agrees with ==, and is quick: an enum's own is written in Python


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Rectangular cross-section seen from the butt end.

    The origin of its axes is the centre of the rectangle, x to the right, y up, so that face a lies at
    ``y = +depth_mm/2``, b at ``x = +width_mm/2``, c at ``y = -depth_mm/2`` and d at ``x = -width_mm/2``.

    Parameters
    ----------
    width_mm, depth_mm : float
        Size along x and along y, above 0. [mm]
    pith_x_mm, pith_y_mm : float
        Position of the pith; the default is a heart boxed at the centre. May lie outside the rectangle. [mm]
    """

    width_mm: float
    depth_mm: float
    pith_x_mm: float = 0.0
    pith_y_mm: float = 0.0

    def __post_init__(self) -> None:
        if not (0 < self.width_mm < float("inf") and 0 < self.depth_mm < float("inf")):  # also refuses NaN
            raise OutOfRange(
                "the section", f"must be above 0 mm both ways, not {self.width_mm:g} x {self.depth_mm:g} mm"
            )
        if not (abs(self.pith_x_mm) < float("inf") and abs(self.pith_y_mm) < float("inf")):
            raise OutOfRange("the pith", f"must be a place in mm, not {self.pith_x_mm:g}, {self.pith_y_mm:g}")

    @property
    def boxed_heart(self) -> bool:
        """Whether the pith lies inside the rectangle."""
        return abs(self.pith_x_mm) < self.width_mm / 2 and abs(self.pith_y_mm) < self.depth_mm / 2

    def refuse_depth(self, depth_mm: float, face: Face | None = None) -> None:
        """Refuse a pin deeper than the piece.

        Parameters
        ----------
        depth_mm : float
            Depth of the pin's tip below its face, 0 to the size of the piece. [mm]
        face : Face, optional
            The face; without one the smaller size counts.

        Raises
        ------
        OutOfRange
            If the tip would lie outside.
        """
        size_mm = min(self.width_mm, self.depth_mm)
        if face is not None:
            size_mm = self.depth_mm if face in {Face.A, Face.C} else self.width_mm
        if not 0 <= depth_mm <= size_mm:  # also refuses NaN
            raise OutOfRange(
                "a pin",
                f"at {depth_mm:g} mm lies outside the piece, which is {size_mm:.0f} mm there; "
                "correct its depth or its face",
            )

    def pin_tip_mm(self, depth_mm: float, face: Face) -> tuple[float, float]:
        """Give the place of pin tips driven at the middle of a face.

        Parameters
        ----------
        depth_mm : float
            Depth of the tips below the face. [mm]
        face : Face
            The face.

        Returns
        -------
        tuple of float
            x and y in the section's own axes. [mm]

        References
        ----------
        Geometry; no source needed.
        """
        half_w, half_d = self.width_mm / 2, self.depth_mm / 2
        return {
            Face.A: (0.0, half_d - depth_mm),
            Face.B: (half_w - depth_mm, 0.0),
            Face.C: (0.0, depth_mm - half_d),
            Face.D: (depth_mm - half_w, 0.0),
        }[face]


@dataclass(frozen=True, slots=True, kw_only=True)
class Finished:
    """The squared piece wanted from a timber, and where it lies in the green section.

    Parameters
    ----------
    width_mm, depth_mm : float
        Finished size along the green section's x and y, above 0. [mm]
    centre_x_mm, centre_y_mm : float
        Centre of the piece in the axes of the green section. [mm]
    """

    width_mm: float
    depth_mm: float
    centre_x_mm: float = 0.0
    centre_y_mm: float = 0.0

    def __post_init__(self) -> None:
        if not (0 < self.width_mm < float("inf") and 0 < self.depth_mm < float("inf")):
            raise OutOfRange(
                "the finished size",
                f"must be above 0 mm both ways, not {self.width_mm:g} x {self.depth_mm:g} mm",
            )

    def inside(self, green: Section) -> Section:
        """Return the piece as a section of its own, with the pith in its own axes.

        Parameters
        ----------
        green : Section
            The green section it is cut from.

        Returns
        -------
        Section
            Width, depth and pith of the finished piece. [mm]

        Raises
        ------
        OutOfRange
            If the piece does not fit inside the green section where it is placed.
        """
        slack = 1e-6
        if (
            abs(self.centre_x_mm) + self.width_mm / 2 > green.width_mm / 2 + slack
            or abs(self.centre_y_mm) + self.depth_mm / 2 > green.depth_mm / 2 + slack
        ):
            raise OutOfRange(
                "the finished size",
                f"of {self.width_mm:.0f} x {self.depth_mm:.0f} mm does not fit where it is placed in "
                f"the green {green.width_mm:.0f} x {green.depth_mm:.0f} mm",
            )
        return Section(
            width_mm=self.width_mm,
            depth_mm=self.depth_mm,
            pith_x_mm=green.pith_x_mm - self.centre_x_mm,
            pith_y_mm=green.pith_y_mm - self.centre_y_mm,
        )
