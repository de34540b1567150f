"""Moisture over a cross-section at one moment, for one run or for a whole ensemble."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from baulk.models.point_values import integral_weights, point_weights
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
