"""Halves of a section that are alike are dried once.

Where the heart lies in the middle of a width, opposite faces are covered alike and the moisture starts alike
on both sides, it stays so: one half is solved, with the middle as a face through which nothing passes, and
laid out on both sides. What the compiled part is given there is what it would see of the other half, so that
the answer is the whole section's but for rounding in single precision.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from baulk.models.constants import Floats
from baulk.models.drying.grid import position_mm
from baulk.models.face_cover import Covers
from baulk.models.section import Face, Section

ALIKE_PCT: Final = 1e-7  # what rounding leaves between halves that are alike; single precision is coarser
TIGHT_S_M: Final = 1e30  # surface resistance through which nothing passes


@dataclass(frozen=True, slots=True, kw_only=True)
class Mirror:
    """Which halves of a section stand for the others.

    Parameters
    ----------
    x, y : bool
        Whether the half toward face b stands for that toward d, and the half toward a for that toward c.
    """

    x: bool
    y: bool

    @staticmethod
    def of(
        section: Section, x_edges: Floats, y_edges: Floats, start_pct: Floats, covers: Sequence[Covers]
    ) -> Mirror:
        """Find them.

        Parameters
        ----------
        section : Section
            For its pith, and its kerf, beside which no half is like another. [mm]
        x_edges, y_edges : ndarray, shape (nx + 1,) and (ny + 1,)
            Cell edges. [mm]
        start_pct : ndarray, shape (m, ny, nx)
            Moisture at the start. [%]
        covers : sequence of mapping of Face to FaceCover
            What covers the faces, one after the other.

        Returns
        -------
        Mirror
            Without halves where there are not two cells in each.
        """
        if position_mm(section) is not None:
            return Mirror(x=False, y=False)
        return Mirror(
            x=section.pith_x_mm == 0
            and all(each[Face.B] == each[Face.D] for each in covers)
            and _even(x_edges)
            and _alike(start_pct, start_pct[..., ::-1]),
            y=section.pith_y_mm == 0
            and all(each[Face.A] == each[Face.C] for each in covers)
            and _even(y_edges)
            and _alike(start_pct, start_pct[:, ::-1]),
        )

    def fold_x(self, values: Floats, axis: int = -1) -> Floats:
        """Return the half that is solved, along x, of what belongs to cells or to their edges."""
        return _half(values, axis) if self.x else values

    def fold_y(self, values: Floats, axis: int = -1) -> Floats:
        """Return the half that is solved, along y."""
        return _half(values, axis) if self.y else values

    def unfold_x(self, values: Floats, axis: int = -1) -> Floats:
        """Lay what belongs to the cells of one half out on both, along x."""
        return _both(values, axis) if self.x else values

    def unfold_y(self, values: Floats, axis: int = -1) -> Floats:
        """Lay what belongs to the cells of one half out on both, along y."""
        return _both(values, axis) if self.y else values


def _half(values: Floats, axis: int) -> Floats:
    """Return the upper half; of an odd number, as of edges, with the middle one."""
    if values.shape[axis] == 1:
        return values  # one for all
    return values[(slice(None),) * (axis % values.ndim) + (slice(values.shape[axis] // 2, None),)]


def _both(values: Floats, axis: int) -> Floats:
    return np.concatenate([np.flip(values, axis), values], axis=axis)


def _even(edges: Floats) -> bool:
    """Whether the cells are an even number of four or more, laid out alike on both sides of 0."""
    return edges.size % 2 == 1 and edges.size >= 5 and bool(np.all(np.abs(edges + edges[::-1]) < 1e-9))


def _alike(one: Floats, other: Floats) -> bool:
    return bool(np.all(np.abs(one - other) <= ALIKE_PCT))
