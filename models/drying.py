"""Drying of a rectangular section: moisture over the section and over time, for one run or a whole ensemble.

Two-dimensional diffusion ``dM/dt = d/dx(Dx dM/dx) + d/dy(Dy dM/dy)`` with a surface resistance on each face.
Radial and tangential D differ about the pith; the mixed term of that tensor is left out. That costs nothing
where rings lie parallel to a face; at 45 degrees all over it costs 0.04 points of the mean and 0.3 points in
a quarter of the section for a ratio of 1.2, 1.0 for one of 2 (tests/reference, against a solver that keeps
it). The wood has the air's mean temperature of each step. End drying is not in it: within about twice the
thickness of an end a timber is drier than the section says (common practice, no source).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models import air_steps
from baulk.models import drying_kernel as kernel
from baulk.models.air import AirSeries
from baulk.models.air_steps import DAY_S, air_gaps
from baulk.models.diffusion import REFERENCE_PCT, DiffusionLaw
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.regrid import cropped_mm, graded_edges_mm, moved
from baulk.models.section import Face, Finished, Section

__all__ = ["FaceCover", "Members", "air_gaps", "cut", "dry", "dry_with_balance", "graded_edges_mm"]

Array = NDArray[np.float64]

MOST_PCT: Final = 400.0
CHUNK: Final = 4  # members marched together: the state of a chunk stays in the cache of its core


class FaceCover(StrEnum):
    """What lies on a face."""

    EXPOSED = "exposed"
    COATED = "coated"
    ON_BEARERS = "on bearers"


# Surface conductance against moisture content, m/s. EXPOSED: 3.2e-8 exp(4 u) at u = 0.2 (Toratti 1992, from
# memory); COATED: a wax or paint coat, a fiftieth of it; ON_BEARERS: a third, for a face a hand's breadth
# above the floor with a bearer every half metre. The last two are guesses after common practice, no source.
CONDUCTANCE_M_S: Final[Mapping[FaceCover, float]] = {
    FaceCover.EXPOSED: 7e-8,
    FaceCover.COATED: 1.4e-9,
    FaceCover.ON_BEARERS: 2.3e-8,
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Members:
    """What differs between the members of an ensemble; every array has shape (m,).

    Parameters
    ----------
    d_factor : ndarray
        Factor on the diffusion coefficient, above 0. [-]
    surface_factor : ndarray
        Factor on the surface conductance of every face, above 0. [-]
    start_mc_pct : ndarray
        Moisture content at the start where `dry` is given none, 0 to 400. [%]
    emc_offset_pct : ndarray
        Added to the EMC of the air. [%]
    """

    d_factor: Array
    surface_factor: Array
    start_mc_pct: Array
    emc_offset_pct: Array

    def __post_init__(self) -> None:
        parts = (self.d_factor, self.surface_factor, self.start_mc_pct, self.emc_offset_pct)
        if len({part.shape for part in parts}) != 1 or self.d_factor.ndim != 1 or self.d_factor.size == 0:
            raise OutOfRange("the members", "need four arrays of one length, at least 1")
        if not all(np.all(np.isfinite(part)) for part in parts):
            raise OutOfRange("the members", "must be finite numbers")
        if np.any(self.d_factor <= 0) or np.any(self.surface_factor <= 0):
            raise OutOfRange("the members' factors", "must be above 0")

    @property
    def size(self) -> int:
        """Number of members."""
        return int(self.d_factor.size)


def dry(  # noqa: PLR0913 - what a run needs
    section: Section,
    initial_pct: float | Array | MoistureField | None,
    air: AirSeries,
    law: DiffusionLaw,
    *,
    start_posix_s: float,
    at_posix_s: ArrayLike,
    members: Members | None = None,
    faces: Mapping[Face, FaceCover] | None = None,
    cells: tuple[int, int] = (16, 16),
    step_s: float = DAY_S,
) -> tuple[MoistureField, ...]:
    """Moisture over the section at each requested time.

    Parameters
    ----------
    section : Section
        The section. [mm]
    initial_pct : float or ndarray, shape (m,), or MoistureField or None
        Moisture content at the start, uniform or as a field (of one run or of every member); None takes the
        members' own start. 0 to 400. [%]
    air : AirSeries
        Air around it. Each reading holds until the next, the last one to the end, the first one back to the
        start.
    law : DiffusionLaw
        Diffusion coefficient of the wood.
    start_posix_s : float
        Moment of the start. [s]
    at_posix_s : array_like, shape (times,)
        Moments wanted, none before the start, in any order. [s]
    members : Members, optional
        The ensemble; without it one run.
    faces : mapping of Face to FaceCover, optional
        Cover of each face; a face not named is exposed.
    cells : (int, int)
        Number of cells along x and along y.
    step_s : float
        Longest time step; the first day is cut finer. [s]

    Returns
    -------
    tuple of MoistureField
        One per requested time in the order asked; `mc_pct` has shape (m, ny, nx) with members, else (ny, nx).

    Raises
    ------
    OutOfRange
        If a moisture content, a time, a step or the number of members cannot be.

    References
    ----------
    Crank, J., 1975. The Mathematics of Diffusion, 2nd ed., Oxford (slab with surface resistance, p. 60).
    Peaceman, D.W., Rachford, H.H., 1955. J. Soc. Indust. Appl. Math. 3, 28-41 (alternating directions).
    """
    fields, _ = dry_with_balance(
        section,
        initial_pct,
        air,
        law,
        start_posix_s=start_posix_s,
        at_posix_s=at_posix_s,
        members=members,
        faces=faces,
        cells=cells,
        step_s=step_s,
    )
    return fields


def dry_with_balance(  # noqa: PLR0913 - what a run needs
    section: Section,
    initial_pct: float | Array | MoistureField | None,
    air: AirSeries,
    law: DiffusionLaw,
    *,
    start_posix_s: float,
    at_posix_s: ArrayLike,
    members: Members | None = None,
    faces: Mapping[Face, FaceCover] | None = None,
    cells: tuple[int, int] = (16, 16),
    step_s: float = DAY_S,
) -> tuple[tuple[MoistureField, ...], Array]:
    """Moisture as from `dry`, and what went out through the faces by then.

    Parameters
    ----------
    section, initial_pct, air, law, start_posix_s, at_posix_s, members, faces, cells, step_s
        As in `dry`. [mm, %, -, -, s, s, -, -, -, s]

    Returns
    -------
    fields : tuple of MoistureField
        As from `dry`.
    given_off_pct : ndarray, shape (times,) or (times, m)
        Time integral of the flux through the four faces, as a share of the section. [% of oven-dry mass]
    """
    at_s, order = _times(at_posix_s, start_posix_s)
    x_edges = graded_edges_mm(section.width_mm, cells[0])
    y_edges = graded_edges_mm(section.depth_mm, cells[1])
    start, many = _start(initial_pct, section, members, x_edges, y_edges)
    steps, save = air_steps.steps(air, law, start_posix_s, at_s[order], step_s)
    mc, given = _solve(section, start, law, steps, save, members, faces, x_edges, y_edges)
    back = np.argsort(order, kind="stable")
    if not many:
        mc, given = mc[:, 0], given[:, 0]
    fields = tuple(
        MoistureField(
            posix_s=float(posix_s),
            section=section,
            x_edges_mm=x_edges,
            y_edges_mm=y_edges,
            mc_pct=np.ascontiguousarray(mc[place]),
        )
        for posix_s, place in zip(at_s, back, strict=True)
    )
    return fields, given[back]


def cut(field: MoistureField, finished: Finished) -> MoistureField:
    """Moisture of the piece squared out of a timber, in the piece's own axes.

    Parameters
    ----------
    field : MoistureField
        Moisture of the timber, for one run or an ensemble. [%]
    finished : Finished
        The piece and where it lies in the timber. [mm]

    Returns
    -------
    MoistureField
        Same moment, same cells as far as they lie in the piece; a cell that the saw divides keeps its share
        of water by a straight line through its neighbours. [%]

    Raises
    ------
    OutOfRange
        If the piece does not fit where it is placed.
    """
    piece = finished.inside(field.section)
    x_old, y_old = field.x_edges_mm - finished.centre_x_mm, field.y_edges_mm - finished.centre_y_mm
    x_edges, y_edges = cropped_mm(x_old, piece.width_mm), cropped_mm(y_old, piece.depth_mm)
    return MoistureField(
        posix_s=field.posix_s,
        section=piece,
        x_edges_mm=x_edges,
        y_edges_mm=y_edges,
        mc_pct=moved(field.mc_pct, x_old, y_old, x_edges, y_edges),
    )


def _times(at_posix_s: ArrayLike, start_posix_s: float) -> tuple[Array, NDArray[np.intp]]:
    at_s = np.atleast_1d(np.asarray(at_posix_s, dtype=np.float64))
    if at_s.size == 0 or at_s.ndim != 1:
        raise OutOfRange("the times wanted", "are none; ask for at least one moment")
    if not (np.all(np.isfinite(at_s)) and np.isfinite(start_posix_s)):
        raise OutOfRange("the times wanted", "and the start must be moments in POSIX seconds")
    if at_s.min() < start_posix_s:
        raise OutOfRange(
            "the times wanted",
            f"begin {(start_posix_s - at_s.min()) / DAY_S:.1f} days before the start; ask for later ones",
        )
    return at_s, np.argsort(at_s, kind="stable")


def _start(
    initial_pct: float | Array | MoistureField | None,
    section: Section,
    members: Members | None,
    x_edges: Array,
    y_edges: Array,
) -> tuple[Array, bool]:
    """Moisture at the start, shape (m, ny, nx), and whether the answer has a member axis."""
    if initial_pct is None:
        if members is None:
            raise OutOfRange("the moisture at the start", "is missing; give it, or members that have one")
        initial_pct = members.start_mc_pct
    if isinstance(initial_pct, MoistureField):
        found = _regridded(initial_pct, section, x_edges, y_edges)
    else:
        found = np.asarray(initial_pct, dtype=np.float64)[..., None, None]
        found = np.broadcast_to(found, (*found.shape[:-2], y_edges.size - 1, x_edges.size - 1))
    if found.ndim not in {2, 3} or not np.all((found >= 0) & (found <= MOST_PCT)):  # also refuses NaN
        worst = float(found.flat[np.argmax(~((found >= 0) & (found <= MOST_PCT)))]) if found.size else np.nan
        raise OutOfRange(
            "the moisture at the start", f"must lie between 0 and {MOST_PCT:g} %, not {worst:g} %"
        )
    many = members is not None or found.ndim == 3
    if found.ndim == 2:
        found = found[None]
    if members is not None and found.shape[0] not in {1, members.size}:
        raise OutOfRange(
            "the moisture at the start",
            f"is given for {found.shape[0]} members, not for {members.size}",
        )
    count = found.shape[0] if members is None else members.size
    return np.broadcast_to(found, (count, *found.shape[1:])), many


def _regridded(field: MoistureField, section: Section, x_edges: Array, y_edges: Array) -> Array:
    if abs(field.section.width_mm - section.width_mm) + abs(field.section.depth_mm - section.depth_mm) > 1e-3:
        raise OutOfRange(
            "the field at the start",
            f"covers {field.section.width_mm:.0f} x {field.section.depth_mm:.0f} mm, not the section's "
            f"{section.width_mm:.0f} x {section.depth_mm:.0f} mm; cut it first",
        )
    if np.array_equal(field.x_edges_mm, x_edges) and np.array_equal(field.y_edges_mm, y_edges):
        return field.mc_pct
    return moved(field.mc_pct, field.x_edges_mm, field.y_edges_mm, x_edges, y_edges)


def _solve(  # noqa: PLR0913, PLR0917 - what a run needs, checked and laid out
    section: Section,
    start: Array,
    law: DiffusionLaw,
    steps: Array,
    save: NDArray[np.int64],
    members: Members | None,
    faces: Mapping[Face, FaceCover] | None,
    x_edges: Array,
    y_edges: Array,
) -> tuple[Array, Array]:
    """Moisture (times, m, ny, nx) and what was given off (times, m)."""
    count, ny, nx = start.shape
    one = np.ones(count)
    d_m2_s = law.d_ref_m2_s * (one if members is None else members.d_factor)
    surface = one if members is None else members.surface_factor
    offset = 0 * one if members is None else members.emc_offset_pct
    covers = dict.fromkeys(Face, FaceCover.EXPOSED) | dict(faces or {})
    resist = {face: 1 / (CONDUCTANCE_M_S[covers[face]] * surface) for face in Face}
    free = law.raised_above_fsp * np.exp(law.slope_per_pct * (law.fsp_pct - REFERENCE_PCT))
    laws = np.array([law.slope_per_pct, law.fsp_pct, free])
    dx, dy = np.diff(x_edges) / 1000, np.diff(y_edges) / 1000
    grain_x, grain_y = _grain(section, law, x_edges, y_edges)
    mc = np.empty((save.size, count, ny, nx))
    given = np.empty((save.size, count))

    def march(chunk: slice) -> None:
        lanes = np.array(start[chunk].transpose(1, 2, 0), order="C")  # a copy: it is used up
        fields = np.empty((save.size, *lanes.shape))
        off = np.empty((save.size, lanes.shape[-1]))
        wood, air = d_m2_s[chunk], offset[chunk]
        x = _axis(dx, dy, grain_x, wood, air, (resist[Face.D][chunk], resist[Face.B][chunk]))
        y = _axis(dy, dx, grain_y, wood, air, (resist[Face.C][chunk], resist[Face.A][chunk]))
        kernel.march(lanes, fields, off, steps, save, x, y, laws)
        mc[:, chunk] = fields.transpose(0, 3, 1, 2)
        given[:, chunk] = off / (dx.sum() * dy.sum())

    _share_out(march, [slice(i, i + CHUNK) for i in range(0, count, CHUNK)])
    return mc, given


def _axis(  # noqa: PLR0913, PLR0917 - laid out for the compiled part
    width: Array, across: Array, grain: Array, d_m2_s: Array, offset: Array, resist: tuple[Array, Array]
) -> kernel.Axis:
    gap = np.concatenate([[1.0], (width[1:] + width[:-1]) / 2, [1.0]])
    lines, members = across.size, d_m2_s.size
    return kernel.Axis(
        width=width,
        grain=np.ascontiguousarray(((grain / gap[:, None])[..., None] * d_m2_s).reshape(gap.size, -1)),
        across=np.repeat(across, members),
        offset=np.tile(offset, lines),
        low=np.tile(resist[0], lines),
        high=np.tile(resist[1], lines),
    )


def _share_out(work: Callable[[slice], None], chunks: list[slice]) -> None:
    """Run the chunks on every core; the compiled code holds no interpreter lock."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    workers = min(len(chunks), cores)
    if workers < 2:
        for chunk in chunks:
            work(chunk)
        return
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, chunks))


def _grain(section: Section, law: DiffusionLaw, x_edges: Array, y_edges: Array) -> tuple[Array, Array]:
    """Factor on the mean D at each cell face, along x (nx + 1, ny) and along y (ny + 1, nx)."""
    tangential = 2 / (1 + law.radial_over_tangential)
    radial = tangential * law.radial_over_tangential
    x_mid, y_mid = (x_edges[1:] + x_edges[:-1]) / 2, (y_edges[1:] + y_edges[:-1]) / 2

    def along(forward: Array, sideways: Array) -> Array:
        a, b = forward[:, None] ** 2, sideways[None, :] ** 2
        share = (a + 1e-9) / (a + b + 2e-9)
        return np.asarray(radial * share + tangential * (1 - share))

    return (
        along(x_edges - section.pith_x_mm, y_mid - section.pith_y_mm),
        along(y_edges - section.pith_y_mm, x_mid - section.pith_x_mm),
    )
