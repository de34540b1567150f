"""What is measured on a piece's outline, as weights on the displacements of its nodes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from baulk.models.section import Face, Section

Floats = NDArray[np.float64]
SHEAR = "shear"


def dofs_at(places: Floats, x_mm: float, y_mm: float) -> tuple[int, int]:
    """Give the unknowns (x and y displacement) of the node nearest to a place.

    Parameters
    ----------
    places : ndarray, shape (2, n)
        Where each unknown belongs. [mm]
    x_mm, y_mm : float
        The place. [mm]

    Returns
    -------
    (int, int)
        Numbers of the two unknowns.
    """
    away = np.hypot(places[0] - x_mm, places[1] - y_mm)
    first, second = np.sort(np.flatnonzero(away <= away.min() + 1e-9))[:2]
    return int(first), int(second)


def measures(places: Floats, section: Section) -> dict[str, Floats]:
    """Rows that turn displacements into face widths, bows and shear; none sees a rigid motion.

    Parameters
    ----------
    places : ndarray, shape (2, n)
        Where each unknown belongs. [mm]
    section : Section
        The piece. [mm]

    Returns
    -------
    dict
        By name ("face a", "bow a", "width", "middle width", "shear") the weight of every unknown; the
        shear is an angle, the rest lengths. [-]
    """
    w, d = section.width_mm / 2, section.depth_mm / 2
    corner = {(i, j): dofs_at(places, i * w, j * d) for i in (-1, 1) for j in (-1, 1)}  # x sign, y sign
    rows: dict[str, Floats] = {}
    shear = np.zeros(places.shape[1])
    for face, axis, sign in ((Face.A, 0, 1), (Face.B, 1, 1), (Face.C, 0, -1), (Face.D, 1, -1)):
        first, last = (
            (corner[-1, sign], corner[1, sign]) if axis == 0 else (corner[sign, -1], corner[sign, 1])
        )
        width = np.zeros(places.shape[1])
        width[last[axis]], width[first[axis]] = 1.0, -1.0
        rows[f"face {face}"] = width
        across = 1 - axis
        length = 2 * (w if axis == 0 else d)
        shear[last[across]] += 0.5 / length
        shear[first[across]] -= 0.5 / length
        rows[f"bow {face}"] = _bow(places, (axis, sign), (first, last), (w, d))
    rows[SHEAR] = shear
    rows["width"] = _mean_over(places, 0, w) - _mean_over(places, 0, -w)
    rows["depth"] = _mean_over(places, 1, d) - _mean_over(places, 1, -d)
    rows["middle width"] = _middle(places, 0, w) - _middle(places, 0, -w)
    rows["middle depth"] = _middle(places, 1, d) - _middle(places, 1, -d)
    return rows


def _mean_over(places: Floats, axis: int, at_mm: float) -> Floats:
    """Mean displacement along an axis over the face at a place of it; Simpson, exact for the element."""
    on_face = np.flatnonzero(np.abs(places[axis] - at_mm) < 1e-6)
    along = np.unique(np.round(places[1 - axis, on_face], 6))
    weight = np.zeros(along.size)
    length = along[2::2] - along[:-2:2]
    weight[:-2:2] += length / 6
    weight[1::2] += length * 4 / 6
    weight[2::2] += length / 6
    row = np.zeros(places.shape[1])
    for place, share in zip(along, weight / weight.sum(), strict=True):
        at = (at_mm, place) if axis == 0 else (place, at_mm)
        row[dofs_at(places, *at)[axis]] += share
    return row


def _bow(
    places: Floats,
    side: tuple[int, int],
    ends: tuple[tuple[int, int], tuple[int, int]],
    half: tuple[float, float],
) -> Floats:
    """Mean of the corners minus the middle of the face along its outward normal: above 0 when hollow."""
    axis, sign = side
    across = 1 - axis
    row = -sign * _middle(places, across, sign * half[across])
    for end in ends:
        row[end[across]] += 0.5 * sign
    return row


def _middle(places: Floats, axis: int, at_mm: float) -> Floats:
    """Displacement along an axis at the middle of the face that lies at a place of it."""
    on_face = np.flatnonzero(np.abs(places[axis] - at_mm) < 1e-6)
    row = np.zeros(places.shape[1])
    along = np.unique(np.round(places[1 - axis, on_face], 6))
    right = int(np.clip(np.searchsorted(along, 0.0), 1, along.size - 1))
    share = float(np.clip((0.0 - along[right - 1]) / (along[right] - along[right - 1]), 0.0, 1.0))
    for place, weight in ((along[right - 1], 1 - share), (along[right], share)):
        at = (at_mm, place) if axis == 0 else (place, at_mm)
        row[dofs_at(places, *at)[axis]] += weight
    return row
