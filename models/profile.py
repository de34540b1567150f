"""A measured moisture profile as the start of a drying run."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.regrid import graded_edges_mm
from baulk.models.section import Face, Section

Array = NDArray[np.float64]

FINER: Final = 4  # points each way over which a cell is averaged


def profile_field(
    section: Section, depths_mm: ArrayLike, mc_pct: ArrayLike | Mapping[Face, ArrayLike], *, posix_s: float,
    cells: tuple[int, int] = (16, 16),
) -> MoistureField:  # fmt: skip
    """Field from moisture measured at several depths: pins, or the slices of a cut.

    Parameters
    ----------
    section : Section
        The section. [mm]
    depths_mm : array_like, shape (n,)
        Depths below the face, increasing, 0 or more and no deeper than the nearest middle of the section;
        of a slice its middle. [mm]
    mc_pct : array_like, shape (n,), or mapping of Face to that
        Moisture content at each depth, on all faces alike or face by face; 0 to 400. A face not named has
        the mean of those named. [%]
    posix_s : float
        When it was measured, POSIX seconds. [s]
    cells : (int, int)
        Number of cells along x and along y.

    Returns
    -------
    MoistureField
        Each place has the moisture of its own depth below the nearest face, on a straight line between
        the depths measured, level beyond them. [%]

    Raises
    ------
    OutOfRange
        If the depths do not increase or leave the section, or a moisture content cannot be.
    """
    depths = np.atleast_1d(np.asarray(depths_mm, dtype=np.float64))
    deepest = min(section.width_mm, section.depth_mm) / 2
    if depths.ndim != 1 or not np.all(np.diff(depths) > 0):
        raise OutOfRange("the depths of the profile", "must increase")
    if not (depths[0] >= 0 and depths[-1] <= deepest):
        raise OutOfRange(
            "the depths of the profile",
            f"must lie between 0 and {deepest:.0f} mm, the middle of the piece, "
            f"not {depths[0]:g} to {depths[-1]:g} mm",
        )
    given = mc_pct if isinstance(mc_pct, Mapping) else dict.fromkeys(Face, mc_pct)
    curves = {Face(face): _curve(values, depths) for face, values in given.items()}
    if not curves:
        raise OutOfRange("the profile", "names no face; give at least one")
    mean = np.asarray(np.mean(list(curves.values()), axis=0))
    curves = {face: curves.get(face, mean) for face in Face}
    x_edges, y_edges = (
        graded_edges_mm(size, count)
        for size, count in zip((section.width_mm, section.depth_mm), cells, strict=True)
    )
    x, y = _points(x_edges), _points(y_edges)[:, None]
    half_x, half_y = section.width_mm / 2, section.depth_mm / 2
    under = np.stack(
        np.broadcast_arrays(half_y - y + 0 * x, half_x - x + 0 * y, half_y + y + 0 * x, half_x + x + 0 * y)
    )  # in the order of Face
    of_face = np.stack(
        [np.interp(depth, depths, curves[face]) for face, depth in zip(Face, under, strict=True)]
    )
    nearest = under.argmin(axis=0)[None]
    fine = np.take_along_axis(of_face, nearest, axis=0)[0]
    mc = fine.reshape(cells[1], FINER, cells[0], FINER).mean(axis=(1, 3))
    return MoistureField(posix_s=posix_s, section=section, x_edges_mm=x_edges, y_edges_mm=y_edges, mc_pct=mc)


def _curve(values: ArrayLike, depths: Array) -> Array:
    curve = np.atleast_1d(np.asarray(values, dtype=np.float64))
    if curve.shape != depths.shape:
        raise OutOfRange(
            "the profile", f"has {curve.size} moisture contents for {depths.size} depths; give one for each"
        )
    if not np.all((curve >= 0) & (curve <= 400)):  # also refuses NaN
        raise OutOfRange("the profile's moisture contents", "must lie between 0 and 400 %")
    return curve


def _points(edges: Array) -> Array:
    shares = (np.arange(FINER) + 0.5) / FINER
    return np.asarray((edges[:-1, None] + np.diff(edges)[:, None] * shares).ravel())
