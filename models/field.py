"""Moisture over a cross-section at one moment, for one run or for a whole ensemble."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from baulk.models.section import Face, Section


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

    def at(self, x_mm: float, y_mm: float) -> NDArray[np.float64]:
        """Moisture content at a place, bilinear between cell centres, shape () or (members,), [%].

        Parameters
        ----------
        x_mm, y_mm : float
            Place in the section's axes; beyond the outermost cell centres the nearest value holds. [mm]

        Returns
        -------
        ndarray
            Moisture content. [%]
        """
        x, wx = _place(self.x_edges_mm, x_mm)
        y, wy = _place(self.y_edges_mm, y_mm)
        m = self.mc_pct
        low = m[..., y, x] * (1 - wx) + m[..., y, x + 1] * wx
        high = m[..., y + 1, x] * (1 - wx) + m[..., y + 1, x + 1] * wx
        return np.asarray(low * (1 - wy) + high * wy)

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
        self.section.refuse_depth(depth_mm, face)
        if face is None:
            return np.asarray(np.mean([self.pin_pct(depth_mm, each) for each in Face], axis=0))
        return self.at(*self.section.pin_tip_mm(depth_mm, face))

    def _mean(self, weight: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.sum(self.mc_pct * weight, axis=(-2, -1)) / np.sum(weight))

    def _inner(self, share: float) -> tuple[NDArray[np.float64], float]:
        """Mean and area of what lies deeper than `share` of the half-thickness."""
        inset = share * min(self.section.width_mm, self.section.depth_mm) / 2
        x, y = (
            _water_upto(edges, edges[-1] - inset) - _water_upto(edges, edges[0] + inset)
            for edges in (self.x_edges_mm, self.y_edges_mm)
        )
        area = float(x.sum() * y.sum())
        return np.asarray(np.einsum("...ji,j,i->...", self.mc_pct, y, x) / area), area


def _place(edges_mm: NDArray[np.float64], at_mm: float) -> tuple[int, float]:
    centres = (edges_mm[:-1] + edges_mm[1:]) / 2
    i = int(np.clip(np.searchsorted(centres, at_mm) - 1, 0, centres.size - 2))
    return i, float(np.clip((at_mm - centres[i]) / (centres[i + 1] - centres[i]), 0.0, 1.0))


def _water_upto(edges_mm: NDArray[np.float64], at_mm: float) -> NDArray[np.float64]:
    """Weights on the cells, [mm], for the integral from the first edge to a place, which may divide a cell.

    The integral is known at every edge; between them it runs through the four nearest (Lagrange).
    """
    width = np.diff(edges_mm)
    low = int(np.clip(np.searchsorted(edges_mm, at_mm) - 2, 0, max(edges_mm.size - 4, 0)))
    near = edges_mm[low : low + 4]
    away = near[:, None] - near + np.eye(near.size)
    factor = (at_mm - near) / away
    np.fill_diagonal(factor, 1.0)
    of_edge = np.zeros(edges_mm.size)
    of_edge[low : low + near.size] = factor.prod(axis=1)
    return np.asarray(width * (of_edge.sum() - np.cumsum(of_edge)[:-1]))
