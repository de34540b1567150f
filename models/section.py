"""The cross-section of a timber, its four faces, and the finished piece inside it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

from baulk.models.errors import OutOfRange

USUAL_KERF_MM: Final = 3.0  # a circular saw's cut that nobody measured; common practice, no source
WIDEST_KERF_MM: Final = 50.0  # wider is no saw cut; our own judgement, no source
AS_WEAK: Final = 1.1  # times the least wood to break: may check as well; our own judgement, no source


class Face(StrEnum):
    """One of the four long faces: a is up when tagged, then clockwise seen from the butt end."""

    A = "a"
    B = "b"
    C = "c"
    D = "d"

    __hash__ = str.__hash__  # agrees with ==, and is quick: an enum's own is written in Python


@dataclass(frozen=True, slots=True, kw_only=True)
class Kerf:
    """Relief kerf: a saw cut along the whole length, at right angles to its face and toward the heart.

    Parameters
    ----------
    face : Face
        The face that it is sawn into.
    depth_mm : float
        How deep, above 0. [mm]
    width_mm : float
        How wide, above 0 to `WIDEST_KERF_MM`. [mm]
    sawn : bool
        Whether a saw made it; otherwise it is a check that was seen, as deep as it was felt.
    """

    face: Face
    depth_mm: float
    width_mm: float = USUAL_KERF_MM
    sawn: bool = True

    def __post_init__(self) -> None:
        if not 0 < self.depth_mm < float("inf"):  # also refuses NaN
            raise OutOfRange("a relief kerf", f"must be deeper than 0 mm, not {self.depth_mm:g}")
        if not 0 < self.width_mm <= WIDEST_KERF_MM:
            raise OutOfRange(
                "a relief kerf", f"is above 0 and up to {WIDEST_KERF_MM:g} mm wide, not {self.width_mm:g} mm"
            )


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
    kerf : Kerf, optional
        A relief kerf that was sawn, or that is planned.
    """

    width_mm: float
    depth_mm: float
    pith_x_mm: float = 0.0
    pith_y_mm: float = 0.0
    kerf: Kerf | None = None

    def __post_init__(self) -> None:
        if not (0 < self.width_mm < float("inf") and 0 < self.depth_mm < float("inf")):  # also refuses NaN
            raise OutOfRange(
                "the section", f"must be above 0 mm both ways, not {self.width_mm:g} x {self.depth_mm:g} mm"
            )
        if not (abs(self.pith_x_mm) < float("inf") and abs(self.pith_y_mm) < float("inf")):
            raise OutOfRange("the pith", f"must be a place in mm, not {self.pith_x_mm:g}, {self.pith_y_mm:g}")
        if self.kerf is not None and not self.kerf.depth_mm < self.size_mm(self.kerf.face):
            raise OutOfRange(
                "a relief kerf",
                f"{self.kerf.depth_mm:.0f} mm deep would saw through the piece, which is "
                f"{self.size_mm(self.kerf.face):.0f} mm below face {self.kerf.face}",
            )

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
        size_mm = self.size_mm(face)
        if not 0 <= depth_mm <= size_mm:  # also refuses NaN
            raise OutOfRange(
                "a pin",
                f"at {depth_mm:g} mm lies outside the piece, which is {size_mm:.0f} mm there; "
                "correct its depth or its face",
            )

    def size_mm(self, face: Face | None = None) -> float:
        """Return the size below a face, the smaller one without a face, [mm]."""
        if face is None:
            return min(self.width_mm, self.depth_mm)
        return self.depth_mm if face in {Face.A, Face.C} else self.width_mm

    def pin_tip_mm(self, depth_mm: float, face: Face) -> tuple[float, float]:
        """Give the place of pin tips driven at the middle of a face, or half-way beside a kerf in it.

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
        x, y = 0.0, 0.0
        if self.kerf is not None and self.kerf.sawn and self.kerf.face is face:
            x = -half_w / 2 if self.pith_x_mm > 0 else half_w / 2
            y = -half_d / 2 if self.pith_y_mm > 0 else half_d / 2
        return {
            Face.A: (x, half_d - depth_mm),
            Face.B: (half_w - depth_mm, y),
            Face.C: (x, depth_mm - half_d),
            Face.D: (depth_mm - half_w, y),
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
            Width, depth and pith of the finished piece, and what is left in it of a relief kerf. [mm]

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
            kerf=self._left_of(green),
        )

    def _left_of(self, green: Section) -> Kerf | None:
        """Return what is left of the green section's kerf; None too where it would go through the piece."""
        if green.kerf is None:
            return None
        face = green.kerf.face
        depth_mm = green.kerf.depth_mm - offsets_mm(green, self)[face]
        size_mm = self.depth_mm if face in {Face.A, Face.C} else self.width_mm
        return replace(green.kerf, depth_mm=depth_mm) if 0 < depth_mm < size_mm else None


def offsets_mm(green: Section, finished: Finished) -> dict[Face, float]:
    """Tell what is taken off each face.

    Parameters
    ----------
    green : Section
        The timber. [mm]
    finished : Finished
        The piece in it. [mm]

    Returns
    -------
    dict
        By face, a to d. [mm]
    """
    across, up = (green.width_mm - finished.width_mm) / 2, (green.depth_mm - finished.depth_mm) / 2
    return {
        Face.A: up - finished.centre_y_mm,
        Face.B: across - finished.centre_x_mm,
        Face.C: up + finished.centre_y_mm,
        Face.D: across + finished.centre_x_mm,
    }


def from_pith_mm(section: Section) -> dict[Face, float]:
    """Tell how far each face lies from the pith.

    Parameters
    ----------
    section : Section
        The piece with its pith. [mm]

    Returns
    -------
    dict
        By face, a to d; below 0 when the pith lies beyond it. [mm]
    """
    return {
        Face.A: section.depth_mm / 2 - section.pith_y_mm,
        Face.B: section.width_mm / 2 - section.pith_x_mm,
        Face.C: section.depth_mm / 2 + section.pith_y_mm,
        Face.D: section.width_mm / 2 + section.pith_x_mm,
    }


def weakest_face(section: Section) -> tuple[Face, float]:
    """Tell to which face a check from the pith has the least unbroken wood to break, and how much that is.

    A slit from the pith to any face frees the whole stress of an even shrinkage, so that the shortest frees
    the most for each mm that is broken. A relief kerf is broken already.

    Parameters
    ----------
    section : Section
        The piece with its pith. [mm]

    Returns
    -------
    (Face, float)
        The first such face, and the wood between it, or the bottom of its kerf, and the pith: 0 with a kerf
        to the heart, below 0 when the pith lies beyond the face. [mm]

    References
    ----------
    Rings that shrink by other shares along than across turn about the pith without stress once they are cut
    through: geometry. tests/models/test_opened_heart.py holds it to finite elements.
    """
    unbroken = _unbroken_mm(section)
    face = min(unbroken, key=lambda each: unbroken[each])
    return face, unbroken[face]


def as_weak(section: Section) -> dict[Face, float]:
    """Name the other faces to which the check may as well open: hardly more wood is to break there.

    Parameters
    ----------
    section : Section
        The piece with its pith. [mm]

    Returns
    -------
    dict
        By face, without that of `weakest_face`: 1 where as little is to break, falling to 0 at `AS_WEAK`
        times as much; none beyond. [-]
    """
    face, least_mm = weakest_face(section)
    if least_mm <= 0:
        return {}
    near = {each: (AS_WEAK - mm / least_mm) / (AS_WEAK - 1) for each, mm in _unbroken_mm(section).items()}
    return {each: min(share, 1.0) for each, share in near.items() if each is not face and share > 0}


def _unbroken_mm(section: Section) -> dict[Face, float]:
    """Wood between the pith and each face, or the bottom of the kerf in it."""
    unbroken = from_pith_mm(section)
    if section.kerf is not None and unbroken[section.kerf.face] > 0:
        unbroken[section.kerf.face] = max(unbroken[section.kerf.face] - section.kerf.depth_mm, 0.0)
    return unbroken
