"""A section with its wood and its members laid out for the compiled part, once for every run that has them.

A build is dried from every date that a piece could be squared on, and what differs between those runs is the
moisture they begin with and the moment: not the cells, the grain, the sapwood or the surfaces.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import layout, slot
from baulk.models.drying.axes import Axes
from baulk.models.drying.grid import centre_shares, section_edges_mm, slope_shares
from baulk.models.drying.members import Members
from baulk.models.drying.mirror import TIGHT_S_M, Mirror
from baulk.models.face_cover import Covers, FaceCover
from baulk.models.section import Face, Section

# Members marched together: the state of a chunk stays in the cache of its core. More where the cells are few,
# for a short line costs as much to begin as a long one; but all of them step as the worst of them asks
CHUNK: Final = 8
CHUNK_CELLS: Final = 18 * 18 * CHUNK
MOST_CHUNK: Final = 16

Resistances = Mapping[Face, Floats]


class LaidOut:
    """What is solved of a section, for some members; halves that are alike only once.

    Parameters
    ----------
    section : Section
        The section. [mm]
    law : DiffusionLaw
        Of its wood; with an activation energy above 0 if the members have theirs.
    members : Members
        The members.
    cells : (int, int)
        Number of cells along x and along y.
    mirror : Mirror
        Which halves stand for others.

    Attributes
    ----------
    wood : ndarray, shape (6, m)
        As from `layout.laws`.
    damp : ndarray, shape (m,)
        What is added to the EMC. [%]
    kerf : Slot
        The relief kerf.
    counted : (ndarray, ndarray)
        As much of each cell's width as counts in the error of a step, along y and along x. [m]
    area_m2 : float
        Of what is solved. [m2]
    chunks : list of ndarray
        The members that are marched together.
    """

    def __init__(
        self, section: Section, law: DiffusionLaw, members: Members, cells: tuple[int, int], mirror: Mirror
    ) -> None:
        x_edges, y_edges = section_edges_mm(section, cells)
        self.wood, self.damp = layout.laws(law, members), members.emc_offset_pct
        self._members, self._mirror = members, mirror
        dx, dy = np.diff(x_edges) / 1000, np.diff(y_edges) / 1000
        shares = [(slope_shares(each), centre_shares(each)) for each in (dx, dy)]
        grains = layout.grain(section, law, x_edges, y_edges, members.ratio_factor)
        frees = layout.free_water(section, law, members, x_edges, y_edges)
        kerf = slot.lay_out(
            section, x_edges, y_edges, grains, frees, self.wood, self.damp, members.surface_factor
        )
        if kerf.rows.size:
            side, along = kerf.side, (y_edges, x_edges)[kerf.side]
            cut_open = slot.parted(kerf, grains[side], along)
            grains = (cut_open, grains[1]) if side == 0 else (grains[0], cut_open)
            shares[side] = slot.straight(kerf, shares[side])
        side_m = min(dx.sum(), dy.sum())
        x, y = mirror.fold_x, mirror.fold_y
        self.kerf = kerf
        self.counted = (y(layout.counted(dy, side_m), 0), x(layout.counted(dx, side_m), 0))
        self._width = (x(dx, 0), y(dy, 0))
        self._grain, self._free = (
            (y(x(along_x, 0), 1), x(y(along_y, 0), 1)) for along_x, along_y in (grains, frees)
        )
        self._shares = tuple(
            (fold(slopes, 0), fold(centres, 0))
            for fold, (slopes, centres) in zip((x, y), shares, strict=True)
        )
        self.area_m2 = float(self._width[0].sum() * self._width[1].sum())
        size = self._width[0].size * self._width[1].size
        self.chunks = layout.alike(
            self.wood,
            np.exp(np.log(self._free[0]).mean(axis=(0, 1))),
            min(max(CHUNK_CELLS // size, CHUNK), MOST_CHUNK),
        )
        self._axes: dict[tuple[int, tuple[FaceCover, ...]], tuple[Axes, Resistances]] = {}

    def axes(self, number: int, covers: Covers) -> tuple[Axes, Resistances]:
        """Return the two directions of a chunk, and the surface resistance of each face, [s/m]."""
        key = number, tuple(covers[face] for face in Face)
        found = self._axes.get(key)
        if found is None:
            found = self._axes[key] = self._laid_axes(self.chunks[number], covers)
        return found

    def _laid_axes(self, chunk: NDArray[np.intp], covers: Covers) -> tuple[Axes, Resistances]:
        resist = layout.resistances(covers, self._members, chunk)
        low_x, low_y = (
            np.full(chunk.size, TIGHT_S_M) if halved else resist[face]
            for halved, face in ((self._mirror.x, Face.D), (self._mirror.y, Face.C))
        )
        wood, damp, (dx, dy) = self.wood[:, chunk], self.damp[chunk], self._width
        x, y = (
            (
                along if along.shape[-1] == 1 else along[..., chunk],
                free if free.shape[-1] == 1 else free[..., chunk],
            )
            for along, free in zip(self._grain, self._free, strict=True)
        )
        return (
            layout.axis(dx, self._shares[0], dy, x, wood, damp, (low_x, resist[Face.B])),
            layout.axis(dy, self._shares[1], dx, y, wood, damp, (low_y, resist[Face.A])),
        ), resist


# Members are told apart by which they are, so what is kept holds on to them. A build deals an ensemble to
# four possible years in turn; the largest that are kept, of an ensemble in sapwood, are 1 MB each
laid_out = lru_cache(maxsize=4)(LaidOut)

# A plan of a room's air asks the same few members of all its timbers in turn, a hundred times; 50 kB each
FEW_CELLS: Final = 8 * 8 * 16
_few_laid_out = lru_cache(maxsize=64)(LaidOut)


def kept(
    section: Section, law: DiffusionLaw, members: Members, cells: tuple[int, int], mirror: Mirror
) -> LaidOut:
    """Lay out a section for some members, or take it again from those that are kept.

    Parameters
    ----------
    section, law, members, cells, mirror
        As for `LaidOut`. [mm, -, -, -, -]

    Returns
    -------
    LaidOut
        The same one for the same members, section, law, cells and mirror.

    References
    ----------
    None: kept, not computed.
    """
    few = members.size * cells[0] * cells[1] <= FEW_CELLS
    return (_few_laid_out if few else laid_out)(section, law, members, cells, mirror)
