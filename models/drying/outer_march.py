"""Drying of the outer layers, two lines at once in the compiled core, and the moisture of the faces."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.air import AirSeries
from baulk.models.constants import HOUR_S, Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import axes, layout, slot
from baulk.models.drying.grid import centre_shares, slope_shares
from baulk.models.drying.laid_out import CHUNK
from baulk.models.drying.members import Members
from baulk.models.drying.outer_layers import END, LINE, Course, OuterLayers, places_mm
from baulk.models.drying.parallel import parallel_for
from baulk.models.drying.solver import FIRST_S, MIDWINTER_POSIX_S
from baulk.models.errors import OutOfRange
from baulk.models.face_cover import Covers, Schedule, spans
from baulk.models.section import Face

STEP_S: Final = 6 * HOUR_S
_TIGHT: Final = 1e15  # s/m, and
_NONE: Final = 1e-20  # m2/s: nothing passes from line to line


def march(  # noqa: PLR0913 - what a run needs
    layers: OuterLayers,
    air: AirSeries,
    law: DiffusionLaw,
    at_posix_s: ArrayLike,
    members: Members,
    *,
    faces: Covers | Schedule | None = None,
    step_s: float = STEP_S,
    threads: int | None = None,
) -> Course:
    """Dry the outer layers.

    Parameters
    ----------
    layers : OuterLayers
        Where it begins. [%]
    air : AirSeries
        Air around it; each reading holds until the next. [degC, %]
    law : DiffusionLaw
        Diffusion law of the wood.
    at_posix_s : array_like, shape (t,)
        Moments wanted, increasing, none before the start. [s]
    members : Members
        The ensemble, as many as the layers have.
    faces : mapping or sequence of (float, mapping), optional
        Covers, as `baulk.models.drying.solver.dry` takes them.
    step_s : float
        Longest step. [s]
    threads : int, optional
        As `baulk.models.drying.solver.dry` takes it.

    Returns
    -------
    Course
        Moisture at each moment. [%]

    Raises
    ------
    OutOfRange
        If the moments are none or lie before the start.
    """
    at_s = np.atleast_1d(np.asarray(at_posix_s, dtype=np.float64)) - layers.posix_s
    if at_s.size == 0 or at_s[0] < 0 or np.any(np.diff(at_s) < 0):
        raise OutOfRange("the moments of the surface", "must increase from its start on; sort them")
    if law.activation_j_mol == 0 and members.activation_j_mol is not None:
        law = replace(law, activation_j_mol=float(members.activation_j_mol.max()) or 1.0)
    laid, wood = (
        layout.integrated(air, law, layers.posix_s, float(at_s[-1]) + layers.posix_s),
        layout.laws(law, members),
    )
    rows = laid.rows
    lines = _laid_out(layers, law, members, wood)
    calm = tuple(
        (begin - layers.posix_s, end - layers.posix_s, covers)
        for begin, end, covers in spans(faces, layers.posix_s, float(at_s[-1]) + layers.posix_s)
    )
    mc = np.empty((at_s.size, *layers.mc_pct.shape))
    face = np.empty((at_s.size, 4, members.size))
    ends = np.searchsorted(at_s, [end for _, end, _ in calm], side="right")
    ends[-1] = at_s.size
    midwinter_s = MIDWINTER_POSIX_S - layers.posix_s

    from baulk.models.drying import kernel  # noqa: PLC0415 - as in `solver`

    def run(chunk: NDArray[np.intp]) -> None:
        lanes = np.array(layers.mc_pct[..., chunk], order="C")
        damp = members.emc_offset_pct[chunk]
        least = np.minimum(lanes.min(axis=(0, 1)), np.maximum(laid.least_pct + damp, 0.0))
        most = np.maximum(lanes.max(axis=(0, 1)), laid.most_pct + damp)
        limits, done = np.array([np.inf, FIRST_S, step_s, midwinter_s, laid.slope_per_pct, laid.mean]), 0
        for (begin, end, covers), upto in zip(calm, ends, strict=True):
            resist = layout.resistances(covers, members, chunk)
            along, between = lines.axes(chunk, damp, resist)
            fields = np.empty((upto - done, *lanes.shape))
            kernel.march(
                lanes, fields, np.empty((upto - done + 1, damp.size)), np.array([begin, end]),
                at_s[done:upto], rows, limits, least, most, along, between, (np.ones(2), lines.width),
                slot.none(damp.size),
            )  # fmt: skip
            mc[done:upto, ..., chunk] = fields
            now = _air_of(rows, at_s[done:upto], begin, step_s, midwinter_s)
            face[done:upto, :, chunk] = lines.faces_pct(fields, now, chunk, damp, resist)
            done = upto

    parallel_for(run, layout.alike(wood, np.exp(np.log(lines.free).mean(axis=(0, 1))), CHUNK), threads)
    return Course(
        posix_s=at_s + layers.posix_s,
        section=layers.section,
        edges_mm=layers.edges_mm,
        mc_pct=mc,
        face_pct=face,
    )


def _air_of(rows: Floats, at_s: Floats, begin_s: float, back_s: float, midwinter_s: float) -> Floats:
    """Mean factor on D, mean EMC and cosine of the season over the time before each moment, shape (3, t)."""
    first = np.maximum(at_s - back_s, begin_s)
    last = np.maximum(at_s, first + 1.0)

    def upto(at: Floats, column: int) -> Floats:
        row = np.maximum(np.searchsorted(rows[:, 0], at, side="right") - 1, 0)
        return np.asarray(rows[row, column + 2] + rows[row, column] * (at - rows[row, 0]))

    warm, emc = ((upto(last, column) - upto(first, column)) / (last - first) for column in (1, 2))
    return np.stack([warm, emc, np.cos(axes.YEAR_RAD_S * (at_s - midwinter_s))])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lines:
    """Both lines laid out for the compiled part."""

    width: Floats
    shares: tuple[Floats, Floats]
    beside: tuple[Floats, Floats]
    grain: Floats  # (n + 1, 2, 1 or m)
    free: Floats  # the same of what sapwood makes of D above saturation, or (1, 1, 1)
    wood: Floats

    def axes(
        self, chunk: NDArray[np.intp], damp: Floats, resist: Mapping[Face, Floats]
    ) -> tuple[axes.Axis, axes.Axis]:
        """Along both lines, and from one to the other, where nothing passes."""
        wood, pair = self.wood[:, chunk], np.ones(2)
        ends = (resist[Face.D], resist[Face.B])
        along = layout.axis(self.width, self.shares, pair, self._own(chunk), wood, damp, ends)
        along.lanes[axes.LOW] = np.concatenate([resist[Face.D], resist[Face.C]])
        along.lanes[axes.HIGH] = np.concatenate([resist[Face.B], resist[Face.A]])
        tight, closed = np.full(damp.size, _TIGHT), np.full((3, self.width.size, 1), _NONE)
        still = (closed, np.ones((1, 1, 1)))
        between = layout.axis(pair, self.beside, self.width, still, wood, damp, (tight, tight))
        return along, between

    def faces_pct(
        self,
        mc_pct: Floats,
        now: Floats,
        chunk: NDArray[np.intp],
        damp: Floats,
        resist: Mapping[Face, Floats],
    ) -> Floats:
        """Moisture of each face, at which its first cell gives what it gives to the air, shape (t, 4, m)."""
        grains, frees = (
            np.broadcast_to(each, (*self.grain.shape[:2], each.shape[-1])) for each in self._own(chunk)
        )
        grain, sapwood = (
            np.stack([each[end, line] for line, end in zip(LINE, END, strict=True)])
            for each in (grains, frees)
        )
        cell = np.stack([mc_pct[:, line, end] for line, end in zip(LINE, END, strict=True)], axis=1)
        out = np.stack([resist[each] for each in Face])
        return layout.face_pct(cell, now, self.wood[:, chunk], damp, grain, sapwood, out, self.width[0] / 2)

    def _own(self, chunk: NDArray[np.intp]) -> tuple[Floats, Floats]:
        grain, free = (each if each.shape[-1] == 1 else each[..., chunk] for each in (self.grain, self.free))
        return grain, free


def _laid_out(layers: OuterLayers, law: DiffusionLaw, members: Members, wood: Floats) -> _Lines:
    section, edges = layers.section, layers.edges_mm
    near = np.array([-1e-3, 1e-3])
    x, y = places_mm(section, edges)
    lines = (
        layout.grain(section, law, x, near, members.ratio_factor)[0],
        layout.grain(section, law, near, y, members.ratio_factor)[1],
    )
    frees = (
        layout.free_water(section, law, members, x, near)[0],
        layout.free_water(section, law, members, near, y)[1],
    )
    width, pair = np.diff(edges) / 1000, np.ones(2)
    return _Lines(
        width=width,
        shares=(slope_shares(width), centre_shares(width)),
        beside=(slope_shares(pair), centre_shares(pair)),
        grain=np.concatenate(lines, axis=1),
        free=frees[0] if frees[0].size == 1 else np.concatenate(frees, axis=1),
        wood=wood,
    )
