"""The cells that a section is divided into, and moving water from one set of cells to another."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.errors import OutOfRange
from baulk.models.section import Face, Section

# Cells grow as the depth below the face with this added does: many where fronts are, 5 to 30 mm deep. Of 5 to
# 12 mm, and of tanh gradings, the one nearest to fine grids with 16 to 20 cells (sections of 100 to 205 mm,
# from a week to a year)
FINEST_MM: Final = 11.0
BESIDE: Final = 1.4  # times as many cells across a kerf: each half has two fine ends


def graded_edges_mm(size_mm: float, cells: int) -> Floats:
    """Cell edges, symmetric about 0 and finer toward both faces.

    Parameters
    ----------
    size_mm : float
        Width or depth of the section. [mm]
    cells : int
        Number of cells, at least 2.

    Returns
    -------
    ndarray, shape (cells + 1,)
        Edges from -size/2 to +size/2. [mm]

    Raises
    ------
    OutOfRange
        If there are fewer than 2 cells.
    """
    if cells < 2:
        raise OutOfRange("cells", f"must be at least 2 each way, not {cells}")
    return _graded_edges(float(size_mm), cells)


@lru_cache(maxsize=64)
def _graded_edges(size_mm: float, cells: int) -> Floats:
    half, at = size_mm / 2, np.linspace(-1.0, 1.0, cells + 1)
    deep = FINEST_MM * np.expm1(np.log1p(half / FINEST_MM) * (1.0 - np.abs(at)))
    found = np.sign(at) * (half - deep)
    found.flags.writeable = False
    return np.asarray(found)


def position_mm(section: Section) -> float | None:
    """Return the place of the sawn kerf along its face, at the pith or near it; None without one. [mm]."""
    kerf = section.kerf
    if kerf is None or not kerf.sawn:
        return None
    upright = kerf.face in {Face.A, Face.C}
    pith, size = (section.pith_x_mm, section.width_mm) if upright else (section.pith_y_mm, section.depth_mm)
    return float(np.clip(pith, -0.35 * size, 0.35 * size))


def section_edges_mm(section: Section, cells: tuple[int, int]) -> tuple[Floats, Floats]:
    """Cell edges of a section; beside a relief kerf they are as fine as beside a face.

    Parameters
    ----------
    section : Section
        The section. [mm]
    cells : (int, int)
        Number of cells along x and along y without a kerf, at least 2.

    Returns
    -------
    (ndarray, ndarray)
        Edges along x and along y; across a kerf one lies on it, and there are more cells. [mm]
    """
    x, y = (
        graded_edges_mm(size, count)
        for size, count in zip((section.width_mm, section.depth_mm), cells, strict=True)
    )
    place = position_mm(section)
    if place is None or section.kerf is None:
        return x, y
    if section.kerf.face in {Face.A, Face.C}:
        return _beside(section.width_mm, place, cells[0]), y
    return x, _beside(section.depth_mm, place, cells[1])


def _beside(size_mm: float, place_mm: float, cells: int) -> Floats:
    """Cell edges that are fine toward both faces and toward a place."""
    left, right = place_mm + size_mm / 2, size_mm / 2 - place_mm
    count = [max(round(BESIDE * cells * part / size_mm), 6) for part in (left, right)]
    ours = graded_edges_mm(left, count[0]) - size_mm / 2 + left / 2
    others = graded_edges_mm(right, count[1]) + place_mm + right / 2
    return np.concatenate([ours, others[1:]])


def slope_shares(width: Floats) -> Floats:
    """Shares of three neighbouring steps in the slope at each cell face, over the plain quotient there.

    Parameters
    ----------
    width : ndarray, shape (n,)
        Cell widths, n at least 2. [any length]

    Returns
    -------
    ndarray, shape (n + 1, 3)
        Factors on the step before, across and after a face in ``slope / (step across / distance)``, exact
        for a cubic through the two places on either side; at both ends for a parabola through the surface
        and two centres. The places are the surface, the cell centres and the other surface. [-]

    References
    ----------
    Lagrange's interpolation, differentiated; no further source.
    """
    return _slope_shares(width.tobytes())


@lru_cache(maxsize=64)  # a timber is dried on the same few grids again and again
def _slope_shares(width: bytes) -> Floats:
    edges = np.concatenate([[0.0], np.cumsum(np.frombuffer(width))])
    places = np.concatenate([edges[:1], (edges[1:] + edges[:-1]) / 2, edges[-1:]])
    step = np.diff(places)
    shares = np.zeros((edges.size, 3))
    near = np.stack([places[:-3], places[1:-2], places[2:-1], places[3:]], axis=1)
    shares[1:-1] = of_steps((near - edges[1:-1, None]) / step[1:-1, None])
    shares[0, 1:] = of_steps((places[None, :3] - edges[0]) / step[0])
    shares[-1, :-1] = of_steps((places[None, -3:] - edges[-1]) / step[-1])
    shares.flags.writeable = False
    return shares


def centre_shares(width: Floats) -> Floats:
    """Shares of the steps to both neighbours in what the value at a cell's centre is more than its mean.

    Parameters
    ----------
    width : ndarray, shape (n,)
        Cell widths, n at least 2. [any length]

    Returns
    -------
    ndarray, shape (n, 2)
        Factors on mean before less mean, and mean after less mean, exact for a parabola; before the first
        cell and after the last one stands the value at the surface. [-]
    """
    return _centre_shares(width.tobytes())


@lru_cache(maxsize=64)
def _centre_shares(widths: bytes) -> Floats:
    width = np.frombuffer(widths)
    edges = np.concatenate([[0.0], np.cumsum(width)])
    centres = (edges[1:] + edges[:-1]) / 2
    low = np.concatenate([edges[:1], edges[:-1], edges[-1:]])  # of what is known: a value, means, a value
    high = np.concatenate([edges[:1], edges[1:], edges[-1:]])
    near = np.arange(width.size)[:, None] + np.arange(3)
    a, b = ((each[near] - centres[:, None]) / width[:, None] for each in (low, high))
    means = np.stack([np.ones_like(a), (a + b) / 2, (a * a + a * b + b * b) / 3], axis=1)
    share = np.linalg.solve(means, np.tile([[1.0], [0.0], [0.0]], (width.size, 1, 1)))[..., 0]
    found = np.ascontiguousarray(share[:, [0, 2]])
    found.flags.writeable = False
    return found


def of_steps(far: Floats) -> Floats:
    """Weights of the steps between the places of each row in the slope at 0."""
    powers = np.swapaxes(far[:, :, None] ** np.arange(far.shape[1]), 1, 2)
    slope = np.zeros((*far.shape, 1))
    slope[:, 1] = 1.0
    return np.asarray(-np.cumsum(np.linalg.solve(powers, slope)[..., 0], axis=1)[:, :-1])


def cropped_mm(edges: Floats, size_mm: float) -> Floats:
    """Cell edges inside a piece centred at 0, its faces included, without slivers; at least two cells.

    Parameters
    ----------
    edges : ndarray, shape (n + 1,)
        Edges of the cells it is cut from, in the piece's axes. [mm]
    size_mm : float
        Size of the piece. [mm]

    Returns
    -------
    ndarray
        Edges from -size/2 to +size/2. [mm]
    """
    half = size_mm / 2
    inner = edges[(edges > -half + 1e-3) & (edges < half - 1e-3)]
    if inner.size == 0:
        inner = np.zeros(1)
    return np.concatenate([[-half], inner, [half]])


def moved(mc_pct: Floats, x_old: Floats, y_old: Floats, x_new: Floats, y_new: Floats) -> Floats:
    """Cell means on other cells inside the old ones; no water is made or lost.

    Parameters
    ----------
    mc_pct : ndarray, shape (..., ny, nx)
        Cell means, taken to run in a straight line through each inner cell (minmod slope). [%]
    x_old, y_old : ndarray
        Edges of its cells. [mm]
    x_new, y_new : ndarray
        Edges of the cells wanted, inside the old ones. [mm]

    Returns
    -------
    ndarray, shape (..., ny_new, nx_new)
        Cell means. [%]

    References
    ----------
    LeVeque, R.J., 2002. Finite Volume Methods for Hyperbolic Problems, Cambridge, chapter 6 (minmod slope).
    """
    along_x = _moved_along_last(mc_pct, x_old, x_new)
    return np.ascontiguousarray(
        np.swapaxes(_moved_along_last(np.swapaxes(along_x, -1, -2), y_old, y_new), -1, -2)
    )


def _moved_along_last(values: Floats, old: Floats, new: Floats) -> Floats:
    of_means, parted, of_slopes = shares_moved(np.asarray(old).tobytes(), np.asarray(new).tobytes())
    found = values @ of_means
    if parted.size:
        middles = (old[1:] + old[:-1]) / 2
        here = values[..., parted]
        left = (here - values[..., parted - 1]) / (middles[parted] - middles[parted - 1])
        right = (values[..., parted + 1] - here) / (middles[parted + 1] - middles[parted])
        limited = np.maximum(np.minimum(left, right), 0.0)
        limited += np.minimum(np.maximum(left, right), 0.0)
        found += limited @ of_slopes
    return np.asarray(found)


@lru_cache(maxsize=64)
def shares_moved(old_edges: bytes, new_edges: bytes) -> tuple[Floats, NDArray[np.intp], Floats]:
    """Return what the means of the old cells give to those of the new ones, shape (n, n_new), and slopes too.

    The slopes only of inner cells that an edge parts, named between the two. Edges as the bytes of doubles.
    """
    old, new = np.frombuffer(old_edges), np.frombuffer(new_edges)
    width = np.diff(old)[:, None]
    within = np.clip(new - old[:-1, None], 0.0, width)
    size = np.diff(np.clip(new, old[0], old[-1]))
    of_slopes = np.diff(within * (within - width) / 2, axis=1) / size
    parted = np.flatnonzero(np.any(of_slopes != 0.0, axis=1))
    parted = parted[(parted > 0) & (parted < width.size - 1)]
    return np.diff(within, axis=1) / size, parted, of_slopes[parted]
