"""The moisture of a section: its means, its values at places and at pin tips, from the means of cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.cell_means import Potential, integral_weights, point_weights
from baulk.models.constants import Floats
from baulk.models.near_faces import NearFaces
from baulk.models.section import Face, Section

# of the half-thickness: shell is what lies less deep, core what lies at least so deep below every face
SHELL_SHARE: Final = 0.2
CORE_SHARE: Final = 1 / 3


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

    @staticmethod
    def dealt(parts: Sequence[MoistureField], whole: MoistureField) -> MoistureField:
        """Put together members that were dealt: one to each part, then a second to each, and so on.

        Parameters
        ----------
        parts : sequence of MoistureField
            The same moment and cells, ``whole.some(slice(i, None, len(parts)))`` dried in part ``i``. [%]
        whole : MoistureField
            All of them before.

        Returns
        -------
        MoistureField
            All of them at that moment, without what is known near the faces. [%]
        """
        mc = np.empty((whole.mc_pct.shape[0], *parts[0].mc_pct.shape[1:]))
        for i, part in enumerate(parts):
            mc[i :: len(parts)] = part.mc_pct
        return replace(parts[0], mc_pct=mc, potential=whole.potential, near_faces=None)

    @property
    def area_mm2(self) -> NDArray[np.float64]:
        """Cell areas, shape (ny, nx), read-only, [mm2]."""
        return _areas(*self._edges())[0]

    @property
    def mean_pct(self) -> NDArray[np.float64]:
        """Section mean, shape () or (members,), [%]."""
        area, whole = _areas(*self._edges())
        return np.asarray(np.sum(self.mc_pct * area, axis=(-2, -1)) / whole)

    @property
    def shell_pct(self) -> NDArray[np.float64]:
        """Mean of the outer fifth by depth (of the half-thickness), shape () or (members,), [%]."""
        inner, area = self._inner(SHELL_SHARE)
        whole = np.sum(self.area_mm2)
        return np.asarray((self.mean_pct * whole - inner * area) / (whole - area))

    @property
    def core_pct(self) -> NDArray[np.float64]:
        """Mean of the region at least a third of the half-thickness from every face, [%]."""
        return self._inner(CORE_SHARE)[0]

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
        return self._from_means(self._means(means, edges), edges, at)

    def _means(self, means: NDArray[np.float64], edges: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the means of the cells of what values are read from, shape (..., n)."""
        return means if self.potential is None else self.potential.means(means, edges)

    def _from_means(
        self, means: NDArray[np.float64], edges: NDArray[np.float64], at: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return values at places from `_means`, shape (..., n) to (..., k)."""
        if self.potential is not None:
            return self.potential.from_means(means, edges, at)
        return np.maximum(means @ point_weights(edges, at).T, 0.0)

    def _with_near(self, values: Floats, face: Face, depths_mm: Floats) -> Floats:
        """Add what layers near a face say to values at depths below it, shape (k,) or (members, k)."""
        if self.near_faces is None or depths_mm.min() >= self.near_faces.deepest_mm:
            return values
        return np.maximum(values + self.near_faces.at(face, np.maximum(depths_mm, 0.0)), 0.0)

    def _edges(self) -> tuple[bytes, bytes]:
        x, y = (np.asarray(each, np.float64).tobytes() for each in (self.x_edges_mm, self.y_edges_mm))
        return x, y

    def _inner(self, share: float) -> tuple[NDArray[np.float64], float]:
        """Mean and area of what lies deeper than `share` of the half-thickness."""
        x, y = _deeper(self.section, self.x_edges_mm, self.y_edges_mm, share)
        area = float(x.sum() * y.sum())
        return np.asarray(np.einsum("...ji,j,i->...", self.mc_pct, y, x) / area), area


def parts_over(fields: Sequence[MoistureField]) -> NDArray[np.float64]:
    """Section mean, shell and core as from the properties of `MoistureField`, of many fields at once, [%].

    Parameters
    ----------
    fields : sequence of MoistureField
        Of one size of ensemble.

    Returns
    -------
    ndarray, shape (3, t) or (3, t, members)
        Mean of the section, of its outer fifth, and of its core; a property sums in another order, so that
        they may differ by a rounding. [%]
    """
    found = np.empty((len(fields), *fields[0].mc_pct.shape[:-2], 3))
    known: dict[tuple[int, ...], NDArray[np.float64]] = {}
    for to, each in zip(found, fields, strict=True):
        key = (id(each.section), id(each.x_edges_mm), id(each.y_edges_mm))
        if key not in known:
            known[key] = _part_weights(each)
        to[...] = each.mc_pct.reshape(*each.mc_pct.shape[:-2], -1) @ known[key]
    return np.moveaxis(found, -1, 0)


def _part_weights(field: MoistureField) -> NDArray[np.float64]:
    """Return the weights of the cells in the means of section, shell and core, shape (ny nx, 3)."""
    area = field.area_mm2
    inner, core = (
        np.outer(y, x)
        for x, y in (
            _deeper(field.section, field.x_edges_mm, field.y_edges_mm, share)
            for share in (SHELL_SHARE, CORE_SHARE)
        )
    )
    parts = [each / each.sum() for each in (area, area - inner, core)]
    return np.stack(parts, axis=-1).reshape(-1, 3)


def _deeper(section: Section, x_edges: Floats, y_edges: Floats, share: float) -> tuple[Floats, Floats]:
    """Weights along x and y of the integral over what lies deeper than a share of the half-thickness."""
    inset = share * min(section.width_mm, section.depth_mm) / 2
    x, y = (
        integral_weights(edges, edges[-1] - inset) - integral_weights(edges, edges[0] + inset)
        for edges in (x_edges, y_edges)
    )
    return x, y


@lru_cache(maxsize=64)  # the fields of a run share their cells
def _areas(x_edges: bytes, y_edges: bytes) -> tuple[Floats, np.float64]:
    """Return the areas of the cells and their sum, [mm2]."""
    areas = np.outer(np.diff(np.frombuffer(y_edges)), np.diff(np.frombuffer(x_edges)))
    areas.flags.writeable = False
    return areas, np.sum(areas)


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
    faces = tuple(Face) if face is None else (face,)
    alike: dict[tuple[int, ...], list[int]] = {}  # of one run, read together
    for i, each in enumerate(fields):
        key = (id(each.section), id(each.x_edges_mm), id(each.y_edges_mm), id(each.potential))
        alike.setdefault(key, []).append(i)
    found = np.empty((len(faces), len(fields), depths_mm.size, *fields[0].mc_pct.shape[:-2]))
    for which in alike.values():
        _read_pins([fields[i] for i in which], which, depths_mm, faces, found)
    return np.asarray(np.mean(found, axis=0)) if face is None else found[0]


def _read_pins(
    fields: list[MoistureField],
    which: list[int],
    depths_mm: NDArray[np.float64],
    faces: tuple[Face, ...],
    found: NDArray[np.float64],
) -> None:
    """Put what pins below each of the faces read in fields of one run at their places in `found`."""
    one = fields[0]
    lines: dict[tuple[bool, float], NDArray[np.float64]] = {}  # opposite faces share theirs
    for to, face in zip(found, faces, strict=True):
        for depth_mm in depths_mm:
            one.section.refuse_depth(float(depth_mm), face)
        x, y = np.transpose([one.section.pin_tip_mm(float(depth_mm), face) for depth_mm in depths_mm])
        upright = face in {Face.A, Face.C}
        beside, at = (float(x[0]), y) if upright else (float(y[0]), x)
        across, edges = (one.x_edges_mm, one.y_edges_mm) if upright else (one.y_edges_mm, one.x_edges_mm)
        if (upright, beside) not in lines:
            weights = point_weights(across, beside)
            cells = [each.mc_pct @ weights if upright else weights @ each.mc_pct for each in fields]
            lines[upright, beside] = one._means(np.stack(cells, axis=-2), edges)  # noqa: SLF001 - of the same module
        values = one._from_means(lines[upright, beside], edges, at)  # noqa: SLF001
        to[which] = np.moveaxis(values, (-2, -1), (0, 1))
        for i, each in zip(which, fields, strict=True):
            if each.near_faces is not None:
                to[i] = np.moveaxis(each._with_near(np.moveaxis(to[i], 0, -1), face, depths_mm), -1, 0)  # noqa: SLF001
