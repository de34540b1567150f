"""Values at places, and integrals up to them, from the means of cells."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.section import Face, Section

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline


Array = NDArray[np.float64]


def point_weights(edges_mm: Array, at_mm: ArrayLike) -> Array:
    """Weights on the means of a row of cells for the value at some places.

    Parameters
    ----------
    edges_mm : ndarray, shape (n + 1,)
        Cell edges, increasing, n at least 2. [mm]
    at_mm : array_like, shape (...,)
        Places; beyond the cells the nearest edge is taken. [mm]

    Returns
    -------
    ndarray, shape (..., n)
        Weights of each place, whose sum is 1. [-]

    Notes
    -----
    The integral of the values is known at every edge; the value is the slope of the cubic spline through it,
    so that the mean over each cell is what it was. Exact for a parabola. A step between two cells makes it
    swing by a seventh of the step in the cell beside them, and by a quarter of that in each further one.

    References
    ----------
    de Boor, C., 2001. A Practical Guide to Splines, rev. ed., Springer (cubic spline, not-a-knot ends;
    histograms by the derivative of the spline through their sum), from memory.
    """
    return _cached(edges_mm, at_mm, 1)


def integral_weights(edges_mm: Array, at_mm: ArrayLike) -> Array:
    """Weights on the means of a row of cells for the integral from the first edge to some places.

    Parameters
    ----------
    edges_mm : ndarray, shape (n + 1,)
        Cell edges, increasing, n at least 2. [mm]
    at_mm : array_like, shape (...,)
        Places; beyond the cells the nearest edge is taken. [mm]

    Returns
    -------
    ndarray, shape (..., n)
        Weights of each place. [mm]
    """
    return _cached(edges_mm, at_mm, 0)


def _cached(edges_mm: Array, at_mm: ArrayLike, derivative: int) -> Array:
    at = np.asarray(at_mm, dtype=np.float64)
    edges = np.ascontiguousarray(edges_mm, dtype=np.float64)
    return _weights(edges.tobytes(), at.tobytes(), derivative).reshape(*at.shape, edges.size - 1)


@lru_cache(maxsize=1024)  # a fit reads the same few pins from the same cells again and again
def _weights(edges: bytes, at: bytes, derivative: int) -> Array:
    places = np.frombuffer(edges)
    found = np.asarray(_spline(edges)(np.clip(np.frombuffer(at), places[0], places[-1]), derivative))
    found.flags.writeable = False
    return found


@lru_cache(maxsize=64)
def _spline(edges: bytes) -> CubicSpline:
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 - who only stores readings reads no field

    places = np.frombuffer(edges)
    upto = np.tri(places.size, places.size - 1, -1) * np.diff(places)
    return CubicSpline(places, upto)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MoistureField:
    """Cell means of moisture content on a rectangular, possibly graded grid.

    Parameters
    ----------
    posix_s : float
        Moment, seconds since 1970-01-01 UTC. [s]
    section : Section
        The section it covers. [mm]
    x_edges_mm : ndarray, shape (nx + 1,)
        Cell edges along x, from -width/2 to +width/2. [mm]
    y_edges_mm : ndarray, shape (ny + 1,)
        Cell edges along y, from -depth/2 to +depth/2. [mm]
    mc_pct : ndarray, shape (ny, nx) or (members, ny, nx)
        Moisture content of each cell. [% of oven-dry mass]
    """

    posix_s: float
    section: Section
    x_edges_mm: NDArray[np.float64]
    y_edges_mm: NDArray[np.float64]
    mc_pct: NDArray[np.float64]

    @property
    def area_mm2(self) -> NDArray[np.float64]:
        """Cell areas, shape (ny, nx), [mm2]."""
        return np.outer(np.diff(self.y_edges_mm), np.diff(self.x_edges_mm))

    @property
    def mean_pct(self) -> NDArray[np.float64]:
        """Section mean, shape () or (members,), [%]."""
        return self._mean(self.area_mm2)

    @property
    def shell_pct(self) -> NDArray[np.float64]:
        """Mean of the outer fifth by depth (of the half-thickness), shape () or (members,), [%]."""
        inner, area = self._inner(0.2)
        whole = np.sum(self.area_mm2)
        return np.asarray((self.mean_pct * whole - inner * area) / (whole - area))

    @property
    def core_pct(self) -> NDArray[np.float64]:
        """Mean of the region at least a third of the half-thickness from every face, [%]."""
        return self._inner(1 / 3)[0]

    def skins_pct(self, thickness_mm: float) -> NDArray[np.float64]:
        """Mean moisture content of a thin layer under each face, shape (4,) or (4, members), [%].

        Parameters
        ----------
        thickness_mm : float
            Thickness of the layer, no more than the outermost cells where those are thinner. [mm]

        Returns
        -------
        ndarray
            Of the whole width of each face, in the order of `Face`; on the straight line through the means of
            the two outermost cells. [%]
        """
        wide, deep = np.diff(self.x_edges_mm), np.diff(self.y_edges_mm)
        along_x = np.moveaxis((deep / deep.sum()) @ self.mc_pct, -1, 0)
        along_y = np.moveaxis(self.mc_pct @ (wide / wide.sum()), -1, 0)
        found = [
            means[0] - (means[1] - means[0]) * max(width[0] - thickness_mm, 0.0) / (width[0] + width[1])
            for means, width in (
                (along_y[::-1], deep[::-1]),
                (along_x[::-1], wide[::-1]),
                (along_y, deep),
                (along_x, wide),
            )
        ]
        return np.array(found)

    def at(self, x_mm: float, y_mm: float) -> NDArray[np.float64]:
        """Moisture content at a place, not the mean of its cell, shape () or (members,), [%].

        Parameters
        ----------
        x_mm, y_mm : float
            Place in the section's axes; beyond the faces the nearest place on them. [mm]

        Returns
        -------
        ndarray
            Moisture content. [%]

        Notes
        -----
        From 16 x 16 cells of `dry`, beside a grid eight times finer: deeper than 32 mm within 0.25 points, at
        14 to 31 mm within 0.5, at 8 to 13 mm within 0.75, at 4 to 7 mm within 1.4, and on the face itself up
        to 6 off, where neither the cells nor the steps follow the weather (oak from 64 and 80 %, softwood
        from 40 and 120 %, sections of 150 and 205 mm, from the first week to the first year).
        """
        along = self.mc_pct @ point_weights(self.x_edges_mm, x_mm)
        return np.asarray(np.maximum(along @ point_weights(self.y_edges_mm, y_mm), 0.0))

    def pin_pct(self, depth_mm: float, face: Face | None = None) -> NDArray[np.float64]:
        """Moisture content at pin tips driven at mid-width of a face (mean of the four when unknown), [%].

        Parameters
        ----------
        depth_mm : float
            Depth of the tips below the face. [mm]
        face : Face, optional
            The face; without one the mean over the four.

        Returns
        -------
        ndarray
            Moisture content, shape () or (members,). [%]

        Raises
        ------
        OutOfRange
            If the pins would leave the piece.
        """
        return np.asarray(self.pins_pct(np.array([depth_mm]), face)[0])

    def pins_pct(self, depths_mm: NDArray[np.float64], face: Face | None = None) -> NDArray[np.float64]:
        """Moisture content at pin tips driven to several depths at mid-width of a face, [%].

        Parameters
        ----------
        depths_mm : ndarray, shape (k,)
            Depths of the tips below the face. [mm]
        face : Face, optional
            The face; without one the mean over the four.

        Returns
        -------
        ndarray, shape (k,) or (k, members)
            Moisture content. [%]

        Raises
        ------
        OutOfRange
            If the pins would leave the piece.
        """
        for depth_mm in depths_mm:
            self.section.refuse_depth(float(depth_mm), face)
        if face is None:
            return np.asarray(np.mean([self.pins_pct(depths_mm, each) for each in Face], axis=0))
        x, y = np.transpose([self.section.pin_tip_mm(float(depth_mm), face) for depth_mm in depths_mm])
        if face in {Face.A, Face.C}:
            line = self.mc_pct @ point_weights(self.x_edges_mm, x[0])
            found = line @ point_weights(self.y_edges_mm, y).T
        else:
            line = point_weights(self.y_edges_mm, y[0]) @ self.mc_pct
            found = line @ point_weights(self.x_edges_mm, x).T
        return np.asarray(np.maximum(np.moveaxis(found, -1, 0), 0.0))

    def _mean(self, weight: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.sum(self.mc_pct * weight, axis=(-2, -1)) / np.sum(weight))

    def _inner(self, share: float) -> tuple[NDArray[np.float64], float]:
        """Mean and area of what lies deeper than `share` of the half-thickness."""
        inset = share * min(self.section.width_mm, self.section.depth_mm) / 2
        x, y = (
            integral_weights(edges, edges[-1] - inset) - integral_weights(edges, edges[0] + inset)
            for edges in (self.x_edges_mm, self.y_edges_mm)
        )
        area = float(x.sum() * y.sum())
        return np.asarray(np.einsum("...ji,j,i->...", self.mc_pct, y, x) / area), area
