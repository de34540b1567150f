"""Where the finished piece lies in its timber, told by what the saw takes off each face."""

from __future__ import annotations

from collections.abc import Mapping

from baulk.models.errors import OutOfRange
from baulk.models.section import Face, Finished, Section


def by_offsets(green: Section, off_mm: Mapping[Face, float]) -> Finished:
    """Place a piece by what is taken off each face.

    Parameters
    ----------
    green : Section
        The timber. [mm]
    off_mm : mapping of Face to float
        What lies outside the piece on each face, 0 or more; a face not named loses nothing. [mm]

    Returns
    -------
    Finished
        The piece in the axes of the timber. [mm]

    Raises
    ------
    OutOfRange
        If an offset is below 0, or nothing is left.
    """
    off = {face: float(off_mm.get(face, 0.0)) for face in Face}
    for face, each in off.items():
        if not each >= 0:  # also refuses NaN
            raise OutOfRange("what is taken off", f"face {face} is {each:g} mm, which is below 0")
    width = green.width_mm - off[Face.B] - off[Face.D]
    depth = green.depth_mm - off[Face.A] - off[Face.C]
    if width <= 0 or depth <= 0:
        raise OutOfRange(
            "what is taken off", f"leaves nothing of the {green.width_mm:.0f} x {green.depth_mm:.0f} mm"
        )
    return Finished(
        width_mm=width,
        depth_mm=depth,
        centre_x_mm=(off[Face.D] - off[Face.B]) / 2,
        centre_y_mm=(off[Face.C] - off[Face.A]) / 2,
    )


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


def nearest_face(section: Section) -> tuple[Face, float]:
    """Tell which face lies nearest to the pith, and how far.

    Parameters
    ----------
    section : Section
        The piece with its pith. [mm]

    Returns
    -------
    (Face, float)
        The first such face, and its distance; below 0 when the pith lies beyond it. [mm]
    """
    away = {
        Face.A: section.depth_mm / 2 - section.pith_y_mm,
        Face.B: section.width_mm / 2 - section.pith_x_mm,
        Face.C: section.depth_mm / 2 + section.pith_y_mm,
        Face.D: section.width_mm / 2 + section.pith_x_mm,
    }
    face = min(away, key=lambda each: away[each])
    return face, away[face]
