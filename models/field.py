"""The moisture of a section: its means, its values at places and at pin tips, from the means of cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from baulk.models.cell_means import Potential, integral_weights, point_weights
from baulk.models.constants import Floats
from baulk.models.near_faces import NearFaces
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
    potential : Potential, optional
        By which values at places are read from the means of cells, of one run or of every member; without it
        they are read from a spline through the moisture itself.
    near_faces : NearFaces, optional
        What is added to them within 16 mm of a face, where cells and steps do not follow the weather.
    """

    posix_s: float
    section: Section
    x_edges_mm: NDArray[np.float64]
    y_edges_mm: NDArray[np.float64]
    mc_pct: NDArray[np.float64]
    potential: Potential | None = None
    near_faces: NearFaces | None = None

    def some(self, which: slice | NDArray[np.intp]) -> MoistureField:
        """Return that of some of the members.

        Parameters
        ----------
        which : slice or ndarray
            Which of them.

        Returns
        -------
        MoistureField
            The same moment and cells.
        """
        potential = None if self.potential is None else self.potential.some(which)
        near = None if self.near_faces is None else self.near_faces.some(which)
        return replace(self, mc_pct=self.mc_pct[which], potential=potential, near_faces=near)

    @property
    def area_mm2(self) -> NDArray[np.float64]:
        """Cell areas, shape (ny, nx), [mm2]."""
        return _area_mm2(self.x_edges_mm.tobytes(), self.y_edges_mm.tobytes())

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
        As `dry` gives them, beside a grid four times finer in steps of an hour (tests/bench/test_points.py:
        six woods from 32 to 120 %, four airs, sections of 100 to 205 mm, any hour from day 7 to 365): from
        2 mm on within 0.25 points and 99 of 100 values at each depth within 0.15; nearer, beside a slab with
        cells of 0.08 mm (day 7 to 60), within 0.15 too. Away from the middle of a face what is added near it
        is taken from the middle. Without `near_faces` what lies within 12 mm may be off by a point.
        """
        along = self._values(self.mc_pct, self.x_edges_mm, np.array([x_mm]))[..., 0]
        found = self._values(along, self.y_edges_mm, np.array([y_mm]))[..., 0]
        half_w, half_d = self.section.width_mm / 2, self.section.depth_mm / 2
        for face, depth_mm in zip(
            Face, (half_d - y_mm, half_w - x_mm, half_d + y_mm, half_w + x_mm), strict=True
        ):
            found = self._with_near(found[..., None], face, np.array([depth_mm]))[..., 0]
        return found

    def along_x_pct(self, x_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Moisture content along the line through the middle from face d to face b, shape (..., k), [%].

        Parameters
        ----------
        x_mm : ndarray, shape (k,)
            Places in the section's axes. [mm]

        Returns
        -------
        ndarray
            Values at the places, shape (k,) or (members, k). [%]
        """
        middle = self.mc_pct.swapaxes(-1, -2) @ point_weights(self.y_edges_mm, 0.0)
        found = self._values(np.asarray(middle), self.x_edges_mm, x_mm)
        found = self._with_near(found, Face.B, self.section.width_mm / 2 - x_mm)
        return self._with_near(found, Face.D, self.section.width_mm / 2 + x_mm)

    def along_y_pct(self, y_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Moisture content along the line through the middle from face c to face a, as `along_x_pct`, [%]."""
        middle = self.mc_pct @ point_weights(self.x_edges_mm, 0.0)
        found = self._values(np.asarray(middle), self.y_edges_mm, y_mm)
        found = self._with_near(found, Face.A, self.section.depth_mm / 2 - y_mm)
        return self._with_near(found, Face.C, self.section.depth_mm / 2 + y_mm)

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
        return np.asarray(pins_over((self,), depths_mm, face)[0])

    def _values(
        self, means: NDArray[np.float64], edges: NDArray[np.float64], at: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Values at places along rows of cells, shape (..., n) to (..., k)."""
        if self.potential is not None:
            return self.potential.values(means, edges, at)
        return np.maximum(means @ point_weights(edges, at).T, 0.0)

    def _with_near(self, values: Floats, face: Face, depths_mm: Floats) -> Floats:
        """Add what layers near a face say to values at depths below it, shape (k,) or (members, k)."""
        if self.near_faces is None or depths_mm.min() >= self.near_faces.deepest_mm:
            return values
        return np.maximum(values + self.near_faces.at(face, np.maximum(depths_mm, 0.0)), 0.0)

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


@lru_cache(maxsize=64)  # a timber is read on the same few grids thousands of times
def _area_mm2(x_edges_mm: bytes, y_edges_mm: bytes) -> Floats:
    found = np.outer(np.diff(np.frombuffer(y_edges_mm)), np.diff(np.frombuffer(x_edges_mm)))
    found.flags.writeable = False
    return found


def pins_over(
    fields: Sequence[MoistureField], depths_mm: NDArray[np.float64], face: Face | None = None
) -> NDArray[np.float64]:
    """Moisture content at pin tips as from `MoistureField.pins_pct` in many fields at once, [%].

    Parameters
    ----------
    fields : sequence of MoistureField
        Of one size of ensemble.
    depths_mm : ndarray, shape (k,)
        Depths of the tips below the face. [mm]
    face : Face, optional
        The face; without one the mean over the four.

    Returns
    -------
    ndarray, shape (t, k) or (t, k, members)
        Moisture content. [%]

    Raises
    ------
    OutOfRange
        If the pins would leave the piece.
    """
    if face is None:
        return np.asarray(np.mean([pins_over(fields, depths_mm, each) for each in Face], axis=0))
    alike: dict[tuple[int, ...], list[int]] = {}  # of one run, read together
    for i, each in enumerate(fields):
        key = (id(each.section), id(each.x_edges_mm), id(each.y_edges_mm), id(each.potential))
        alike.setdefault(key, []).append(i)
    found = np.empty((len(fields), depths_mm.size, *fields[0].mc_pct.shape[:-2]))
    for which in alike.values():
        one = fields[which[0]]
        for depth_mm in depths_mm:
            one.section.refuse_depth(float(depth_mm), face)
        x, y = np.transpose([one.section.pin_tip_mm(float(depth_mm), face) for depth_mm in depths_mm])
        if face in {Face.A, Face.C}:
            across, edges, at = point_weights(one.x_edges_mm, x[0]), one.y_edges_mm, y
            lines = [fields[i].mc_pct @ across for i in which]
        else:
            across, edges, at = point_weights(one.y_edges_mm, y[0]), one.x_edges_mm, x
            lines = [across @ fields[i].mc_pct for i in which]
        values = one._values(np.stack(lines, axis=-2), edges, at)  # noqa: SLF001 - of the same module
        found[which] = np.moveaxis(values, (-2, -1), (0, 1))
        for i in (i for i in which if fields[i].near_faces is not None):
            found[i] = np.moveaxis(fields[i]._with_near(np.moveaxis(found[i], 0, -1), face, depths_mm), -1, 0)  # noqa: SLF001
    return found
