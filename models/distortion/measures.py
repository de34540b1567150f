"""What is measured on a piece's outline, as weights on the displacements of its nodes."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.distortion.opening import AXIS, Slit
from baulk.models.section import Face, Section, weakest_face

SHEAR: Final = "shear"
CROWN: Final = "crown"
GAP: Final = "gap"  # opening of the check at its face
GAP_MEAN: Final = "mean gap"  # over its depth


def dofs_at(places: Floats, x_mm: float, y_mm: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Give the unknowns (x and y displacement) of the node nearest to a place, or of both on a slit.

    Parameters
    ----------
    places : ndarray, shape (2, n)
        Where each unknown belongs. [mm]
    x_mm, y_mm : float
        The place. [mm]

    Returns
    -------
    (ndarray, ndarray)
        Numbers of the unknowns along x and along y.
    """
    away = np.hypot(places[0, ::2] - x_mm, places[1, ::2] - y_mm)
    found = 2 * np.flatnonzero(away <= away.min() + 1e-9)  # by node, x before y
    return found, found + 1


def measures(places: Floats, section: Section, slit: Slit | None = None) -> dict[str, Floats]:
    """Rows that turn displacements into face widths, bows and shear; none sees a rigid motion.

    Parameters
    ----------
    places : ndarray, shape (2, n)
        Where each unknown belongs. [mm]
    section : Section
        The piece. [mm]
    slit : Slit, optional
        Where it is open; its lips are averaged wherever a measure meets it. [mm]

    Returns
    -------
    dict
        By name ("face a", "bow a", "width", "middle width", "shear", "crown") the weight of every unknown;
        the shear is an angle, the rest lengths. [-]
    """
    w, d = section.width_mm / 2, section.depth_mm / 2
    corner = {
        (i, j): tuple(int(each[0]) for each in dofs_at(places, i * w, j * d))
        for i in (-1, 1)
        for j in (-1, 1)  # x sign, y sign
    }
    ends = {
        face: tuple(corner[(k, sign) if across == 1 else (sign, k)] for k in (-1, 1))
        for face, (across, sign) in AXIS.items()
    }
    middle = {face: _place(places, axis, sign * (w, d)[axis]) for face, (axis, sign) in AXIS.items()}
    rows: dict[str, Floats] = {}
    shear = np.zeros(places.shape[1])
    for face, (across, sign) in AXIS.items():
        first, last = ends[face]
        along = 1 - across
        half = (w, d)[along]
        width = np.zeros(places.shape[1])
        width[last[along]], width[first[along]] = 1.0, -1.0
        rows[f"face {face}"] = width
        shear[last[across]] += 0.25 / half
        shear[first[across]] -= 0.25 / half
        rows[f"bow {face}"] = _bow(middle[face], (across, sign), ends[face], 0.5)
    rows[SHEAR] = shear
    rows["width"] = _mean_over(places, 0, w) - _mean_over(places, 0, -w)
    rows["depth"] = _mean_over(places, 1, d) - _mean_over(places, 1, -d)
    rows["middle width"] = middle[Face.B] - middle[Face.D]
    rows["middle depth"] = middle[Face.A] - middle[Face.C]
    at_mm = (section.pith_x_mm, section.pith_y_mm)
    face = weakest_face(section)[0] if slit is None else slit.face
    along = 1 - AXIS[face][0]
    rows[CROWN] = crown(places, section, face, at_mm[along] if slit is None else slit.at_mm)
    return rows


def crown(places: Floats, section: Section, face: Face, at_mm: float) -> Floats:
    """Row of how far a face stands out where it lies next to the pith, which is at its check if it has one.

    Parameters
    ----------
    places : ndarray, shape (2, n)
        Where each unknown belongs. [mm]
    section : Section
        The piece. [mm]
    face : Face
        The face.
    at_mm : float
        The place along it; beyond a corner that corner. [mm]

    Returns
    -------
    ndarray, shape (n,)
        Weight of every unknown. [-]
    """
    across, sign = AXIS[face]
    half = (section.width_mm / 2, section.depth_mm / 2)
    ends = tuple(
        tuple(int(each[0]) for each in dofs_at(places, *place))
        for place in (
            (k * half[0], sign * half[1]) if across == 1 else (sign * half[0], k * half[1]) for k in (-1, 1)
        )
    )
    at_mm = float(np.clip(at_mm, -half[1 - across], half[1 - across]))
    place = _place(places, across, sign * half[across], at_mm)
    return -_bow(place, (across, sign), ends, (1 + at_mm / half[1 - across]) / 2)


def _mean_over(places: Floats, axis: int, at_mm: float) -> Floats:
    """Mean displacement along an axis over the face at a place of it; Simpson, exact for the element."""
    mine = _of_face(places, axis, at_mm)
    along, place, beside = np.unique(
        np.round(places[1 - axis, mine], 6), return_inverse=True, return_counts=True
    )
    weight = _simpson(along)
    row = np.zeros(places.shape[1])
    row[mine] = (weight / weight.sum() / beside)[place]  # both lips of a slit lie at one place
    return row


def _simpson(along: Floats) -> Floats:
    """Weights of nodes of which every second is the middle of an element."""
    weight = np.zeros(along.size)
    length = along[2::2] - along[:-2:2]
    weight[:-2:2] += length / 6
    weight[1::2] += length * 4 / 6
    weight[2::2] += length / 6
    return weight


def _bow(place: Floats, side: tuple[int, int], ends: tuple[tuple[int, ...], ...], share: float) -> Floats:
    """Line between the corners minus a place of the face along its outward normal: above 0 when hollow.

    The place is told by its row and by its share of the way from the first corner to the second.
    """
    across, sign = side
    row = -sign * place
    for end, weight in zip(ends, (1 - share, share), strict=True):
        row[end[across]] += weight * sign
    return row


def _place(places: Floats, axis: int, at_mm: float, along_mm: float = 0.0) -> Floats:
    """Displacement along an axis at a place of the face that lies at a place of it."""
    mine = _of_face(places, axis, at_mm)
    row = np.zeros(places.shape[1])
    place = np.round(places[1 - axis, mine], 6)
    along = np.sort(place)
    right = int(np.clip(np.searchsorted(along, along_mm), 1, along.size - 1))
    share = float(np.clip((along_mm - along[right - 1]) / (along[right] - along[right - 1]), 0.0, 1.0))
    for at, weight in ((along[right - 1], 1 - share), (along[right], share)):
        here = mine[place == at]  # both lips of a slit
        row[here] += weight / here.size
    return row


def _of_face(places: Floats, axis: int, at_mm: float) -> NDArray[np.intp]:
    """Give the unknowns along an axis of the nodes of the face at a place of it."""
    return 2 * np.flatnonzero(np.abs(places[axis, ::2] - at_mm) < 1e-6) + axis


def openings(places: Floats, section: Section, slit: Slit, far: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Rows that turn displacements into the opening of a slit at its face, and on the mean of its length.

    Parameters
    ----------
    places : ndarray, shape (2, n)
        Where each unknown belongs. [mm]
    section : Section
        The piece. [mm]
    slit : Slit
        The slit, as the mesh has it. [mm]
    far : ndarray, shape (n,)
        Whether an unknown belongs to an element beyond the slit, in the sense of the axis along its face.

    Returns
    -------
    (ndarray, ndarray)
        Weight of every unknown. [-]
    """
    across, sign = AXIS[slit.face]
    along = 1 - across
    face_mm = sign * (section.width_mm, section.depth_mm)[across] / 2
    mine = 2 * np.flatnonzero(np.abs(places[along, ::2] - slit.at_mm) < 1e-9) + along
    deep = np.round(sign * (face_mm - places[across, mine]), 6)
    on = (deep > -1e-6) & (deep < slit.depth_mm + 1e-6)
    depth, place, beside = np.unique(deep[on], return_inverse=True, return_counts=True)
    weight = _simpson(depth) / slit.depth_mm
    lip = beside[place] == 2  # at the tip there is one
    mine, place = mine[on][lip], place[lip]
    signs = np.where(far[mine], 1.0, -1.0)
    mean, surface = np.zeros(places.shape[1]), np.zeros(places.shape[1])
    mean[mine] = weight[place] * signs
    surface[mine] = np.where(depth[place] < 1e-6, signs, 0.0)
    return surface, mean
