"""Moisture of the outer layers of a timber's four faces, on cells as fine as the surface asks.

The section's cells are 1 to 8 mm thick at a face, its steps days long: neither follows what a surface does in
a dry week. Here two lines through the middle of the section, from face to face, have cells of a third of a
millimetre at both ends, and `baulk.models.drying.outer_march` dries them in steps of hours, so that it
depends neither on the cells of the section nor on its thickness. The moisture of a face itself is that at
which what comes from the first cell goes to the air, as in the boundary condition of the compiled core.

What the lines leave out is the second direction: at the middle of a face it does not count before the fronts
from the neighbouring faces have met there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from baulk.models import sapwood
from baulk.models.constants import Floats
from baulk.models.field import MoistureField
from baulk.models.section import Section

# Cells grow as the depth with this added does: with 16 to the middle 0.3 mm at the face of an 8 in timber and
# 3 mm at 10 mm; a day's strain is within 0.15 points of volumes of 0.05 mm (tests/models/test_surface.py)
FINEST_MM: Final = 1.0
CELLS: Final = 16
# place of each face's line and end in the arrays, in the order of `Face`: a and c end the line along y
LINE: Final = np.array([1, 0, 1, 0])
END: Final = np.array([-1, -1, 0, 0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OuterLayers:
    """Moisture along two lines through the middle of a section, at one moment.

    Parameters
    ----------
    posix_s : float
        Moment. [s]
    section : Section
        The section. Both lines are as long as its smaller side; of the longer one the middle is left out.
        [mm]
    edges_mm : ndarray, shape (n + 1,)
        Cell edges of a line from 0 to the smaller side. [mm]
    mc_pct : ndarray, shape (2, n, m)
        Means of the cells, along x from face d to b and along y from face c to a, of every member. [%]
    """

    posix_s: float
    section: Section
    edges_mm: Floats
    mc_pct: Floats

    def some(self, which: slice | NDArray[np.intp]) -> OuterLayers:
        """Return that of some of the members."""
        return replace(self, mc_pct=self.mc_pct[..., which])

    def mean_share(self, onset_pct: float) -> Floats:
        """Share of its shrinkage that the whole section has done, shape (m,), 0 to 1.

        Parameters
        ----------
        onset_pct : float
            Moisture content at which shrinkage begins. [%]

        Returns
        -------
        ndarray
            What the lines have not done, taken for both directions at once: exact for two directions that dry
            independently of each other.
        """
        return _share(self.section, self.edges_mm, self.mc_pct, onset_pct)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """Outer layers over time.

    Parameters
    ----------
    posix_s : ndarray, shape (t,)
        Moments. [s]
    section : Section
        The section. [mm]
    edges_mm : ndarray, shape (n + 1,)
        As in `OuterLayers`. [mm]
    mc_pct : ndarray, shape (t, 2, n, m)
        As in `OuterLayers`. [%]
    face_pct : ndarray, shape (t, 4, m)
        Moisture of the middle of each face itself, in the order of `Face`, in the mean air of the longest
        step before. [%]
    """

    posix_s: Floats
    section: Section
    edges_mm: Floats
    mc_pct: Floats
    face_pct: Floats

    @staticmethod
    def dealt(parts: Sequence[Course]) -> Course:
        """Put together courses whose members were dealt: one to each, then a second to each, and so on."""
        first = parts[0]
        if len(parts) == 1:
            return first
        size = sum(each.mc_pct.shape[-1] for each in parts)
        mc, face = (np.empty((*each.shape[:-1], size)) for each in (first.mc_pct, first.face_pct))
        for i, each in enumerate(parts):
            mc[..., i :: len(parts)], face[..., i :: len(parts)] = each.mc_pct, each.face_pct
        return replace(first, mc_pct=mc, face_pct=face)

    def at(self, place: int) -> OuterLayers:
        """Return what stood at one of the moments."""
        return OuterLayers(
            posix_s=float(self.posix_s[place]),
            section=self.section,
            edges_mm=self.edges_mm,
            mc_pct=self.mc_pct[place],
        )

    def under_faces(self, depth_mm: float) -> tuple[Floats, Floats]:
        """Return the cells under each face down to a depth.

        Parameters
        ----------
        depth_mm : float
            Depth below the face, at most half of the smaller side. [mm]

        Returns
        -------
        width_mm : ndarray, shape (k,)
            How much of each cell lies within the depth. [mm]
        mc_pct : ndarray, shape (t, 4, k, m)
            Means of the cells, the outermost first, in the order of `Face`. [%]
        """
        middle = (self.edges_mm.size - 1) // 2
        upto = np.minimum(self.edges_mm[: middle + 1], depth_mm)
        width = np.diff(upto)
        width = width[width > 0]
        near = [
            self.mc_pct[:, line, :: -1 if end else 1][:, : width.size]
            for line, end in zip(LINE, END, strict=True)
        ]
        return width, np.stack(near, axis=1)

    def mean_share(self, onset_pct: float) -> Floats:
        """Share of its shrinkage that the section has done, as `OuterLayers.mean_share`, shape (t, m)."""
        return _share(self.section, self.edges_mm, self.mc_pct, onset_pct)

    def upto(self, count: int) -> Course:
        """Return the first of its moments."""
        return self._part(slice(None, count))

    def since(self, count: int) -> Course:
        """Return it without the first of its moments."""
        return self._part(slice(count, None))

    def _part(self, which: slice) -> Course:
        return replace(
            self, posix_s=self.posix_s[which], mc_pct=self.mc_pct[which], face_pct=self.face_pct[which]
        )


def _share(section: Section, edges_mm: Floats, mc_pct: Floats, onset_pct: float) -> Floats:
    did = np.clip(1 - mc_pct / onset_pct, 0.0, 1.0)
    left = 1 - np.einsum("...lnm,n->...lm", did, np.diff(edges_mm)) / np.array(
        [[section.width_mm], [section.depth_mm]]
    )
    return np.asarray(1 - left[..., 0, :] * left[..., 1, :])


def edges_of(section: Section, cells: int = CELLS) -> Floats:
    """Cell edges of a line through a section, finest at both ends.

    Parameters
    ----------
    section : Section
        The section, whose smaller side the line is as long as. [mm]
    cells : int
        Number of cells from a face to the middle.

    Returns
    -------
    ndarray, shape (2 cells + 1,)
        From 0 to the smaller side. [mm]
    """
    half = min(section.width_mm, section.depth_mm) / 2
    deep = FINEST_MM * np.expm1(np.log1p(half / FINEST_MM) * np.linspace(0, 1, cells + 1))
    return np.concatenate([deep, 2 * half - deep[-2::-1]])


def green(  # noqa: PLR0913 - a timber and where it lay
    section: Section,
    posix_s: float,
    start_pct: Floats,
    *,
    air_pct: ArrayLike = 0.0,
    dried_mm: ArrayLike = 0.0,
    cells: int = CELLS,
) -> OuterLayers:
    """Lay out the outer layers of a timber as it comes.

    Parameters
    ----------
    section : Section
        The section. [mm]
    posix_s : float
        Moment. [s]
    start_pct : ndarray, shape (m,), or (2, n, m)
        Moisture content, even or of each cell of the lines. [%]
    air_pct, dried_mm : float or ndarray, shape (m,)
        EMC of the air that it lay in before [%], and how deep it had dried in it: `2 sqrt(D t)` [mm].
    cells : int
        Number of cells from a face to the middle.

    Returns
    -------
    OuterLayers
        Even, or following the error function from the face.

    References
    ----------
    Crank, J., 1975. The Mathematics of Diffusion, 2nd ed., Oxford, eq. 2.14 (half-space), from memory.
    """
    edges = edges_of(section, cells)
    deep = np.minimum((edges[1:] + edges[:-1]) / 2, edges[-1] - (edges[1:] + edges[:-1]) / 2)
    members = start_pct.shape[-1:]
    kept = scipy.special.erf(deep[:, None] / np.maximum(np.broadcast_to(dried_mm, members), 1e-3))
    air = np.broadcast_to(air_pct, members)
    mc = np.maximum(air + (start_pct - air) * kept, 1.0)
    both = np.broadcast_to(mc, (2, *mc.shape[-2:])).astype(np.float64)
    return OuterLayers(posix_s=posix_s, section=section, edges_mm=edges, mc_pct=both)


def sapwood_shares(section: Section, heartwood_mm: Floats, cells: int = CELLS) -> Floats:
    """Compute how much of each cell of the lines is sapwood.

    Parameters
    ----------
    section : Section
        The section with its pith. [mm]
    heartwood_mm : ndarray, shape (m,)
        Radius of the heartwood. [mm]
    cells : int
        Number of cells from a face to the middle.

    Returns
    -------
    ndarray, shape (2, n, m)
        0 to 1. [-]
    """
    x, y = places_mm(section, edges_of(section, cells))
    thin = np.array([-1e-3, 1e-3])  # the lines have no width
    along = sapwood.shares(section, x, thin, heartwood_mm)[:, 0, :]
    up = sapwood.shares(section, thin, y, heartwood_mm)[:, :, 0]
    return np.stack([along.T, up.T])


def places_mm(section: Section, edges_mm: Floats) -> tuple[Floats, Floats]:
    """Return where the cell edges of the two lines lie from the centre, along x and along y, [mm]."""
    x, y = (
        np.where(edges_mm <= edges_mm[-1] / 2, edges_mm - side / 2, side / 2 - (edges_mm[-1] - edges_mm))
        for side in (section.width_mm, section.depth_mm)
    )
    return x, y


def from_field(field: MoistureField, cells: int = CELLS) -> OuterLayers:
    """Read the outer layers off a field, where nothing else is known of them.

    Parameters
    ----------
    field : MoistureField
        Moisture, one run or an ensemble. What its outermost cells do not show takes a day or two of `march`
        to come right. [%]
    cells : int
        Number of cells from a face to the middle.

    Returns
    -------
    OuterLayers
        Values along the two lines, between the driest and the wettest cell. [%]
    """
    edges = edges_of(field.section, cells)
    middles = (edges[1:] + edges[:-1]) / 2
    many = field.mc_pct if field.mc_pct.ndim == 3 else field.mc_pct[None]
    one = field if field.mc_pct.ndim == 3 else replace(field, mc_pct=many, potential=None)
    lines = []
    for side, values in (
        (field.section.width_mm, one.along_x_pct),
        (field.section.depth_mm, one.along_y_pct),
    ):
        shorter = edges[-1]
        at = np.where(middles <= shorter / 2, middles - side / 2, side / 2 - (shorter - middles))
        lines.append(values(at))
    least, most = (found(many, axis=(1, 2))[:, None] for found in (np.min, np.max))
    mc = np.clip(np.stack(lines), least, most)
    return OuterLayers(
        posix_s=field.posix_s, section=field.section, edges_mm=edges, mc_pct=np.moveaxis(mc, 1, 2).copy()
    )


def planed(layers: OuterLayers, section: Section) -> OuterLayers:
    """Give the outer layers after planing, as much off opposite faces.

    Parameters
    ----------
    layers : OuterLayers
        Before. [%]
    section : Section
        What is left, no larger. [mm]

    Returns
    -------
    OuterLayers
        What was deeper is now the surface; on a straight line between the cells. [%]
    """
    edges = edges_of(section, (layers.edges_mm.size - 1) // 2)
    size, old = edges[-1], layers.edges_mm[-1]
    middles, was = (edges[1:] + edges[:-1]) / 2, (layers.edges_mm[1:] + layers.edges_mm[:-1]) / 2
    deep = np.minimum(middles, size - middles)
    lines = []
    for line, (before, after) in enumerate(
        (
            (layers.section.width_mm, section.width_mm),
            (layers.section.depth_mm, section.depth_mm),
        )
    ):
        deeper = np.minimum(deep + (before - after) / 2, old / 2)
        at = np.where(middles <= size / 2, deeper, old - deeper)
        lines.append(np.stack([np.interp(at, was, each) for each in layers.mc_pct[line].T], axis=-1))
    return OuterLayers(posix_s=layers.posix_s, section=section, edges_mm=edges, mc_pct=np.stack(lines))
