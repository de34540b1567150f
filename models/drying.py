"""Drying of a rectangular section: moisture over the section and over time, for one run or a whole ensemble.

Two-dimensional diffusion ``dM/dt = d/dx(Dx dM/dx) + d/dy(Dy dM/dy)`` with a surface resistance on each face. Radial
and tangential D differ about the pith; the mixed term of that tensor is left out (it vanishes where rings lie
parallel to a face and is largest at 45 degrees). The wood has the air's mean temperature of each step. End drying is
not in it: within about twice the thickness of an end a timber is drier than the section says (common practice,
no source).
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

from baulk.models import drying_kernel as kernel
from baulk.models.air import AirSeries
from baulk.models.diffusion import REFERENCE_PCT, DiffusionLaw
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.section import Face, Finished, Section

Array = NDArray[np.float64]

DAY_S: Final = 86_400.0
MOST_PCT: Final = 400.0
CHUNK: Final = 8  # members marched together: the state of a chunk stays in the cache of its core


class FaceCover(StrEnum):
    """What lies on a face."""

    EXPOSED = "exposed"
    COATED = "coated"
    ON_BEARERS = "on bearers"


# Surface conductance against moisture content, m/s. EXPOSED: 3.2e-8 exp(4 u) at u = 0.2 (school of Toratti, from
# memory); COATED: a wax or paint coat, about a fiftieth; ON_BEARERS: a third, for a face a hand's breadth above
# the floor with a bearer every half metre. The last two are common practice without a source.
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


def graded_edges_mm(size_mm: float, cells: int) -> Array:
    """Cell edges, symmetric about 0 and finer toward both faces.

    Parameters
    ----------
    size_mm : float
        Width or depth of the section. [mm]
    cells : int
        Number of cells, at least 2.

    Returns
    -------
    ndarray, shape (cells + 1,)
        Edges from -size/2 to +size/2. [mm]
    """
    if cells < 2:
        raise OutOfRange("cells", f"must be at least 2 each way, not {cells}")
    edges = np.tanh(np.linspace(-2.0, 2.0, cells + 1)) / np.tanh(2.0)
    edges = (edges - edges[::-1]) / 2
    return np.asarray(size_mm / 2 * edges)


def air_gaps(air: AirSeries, *, longer_than_s: float = 6 * 3600.0) -> tuple[tuple[float, float], ...]:
    """Stretches without a reading of the air; `dry` holds the last reading through them.

    Parameters
    ----------
    air : AirSeries
        The air.
    longer_than_s : float
        Shortest stretch to name. [s]

    Returns
    -------
    tuple of (float, float)
        Last moment before and first moment after each gap, POSIX seconds. [s]
    """
    gaps = np.nonzero(np.diff(air.posix_s) > longer_than_s)[0]
    return tuple((float(air.posix_s[i]), float(air.posix_s[i + 1])) for i in gaps)


def dry(
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
        Moisture content at the start, uniform or as a field (of one run or of every member); None takes the members'
        own start. 0 to 400. [%]
    air : AirSeries
        Air around it. Each reading holds until the next, the last one to the end, the first one backward to the start.
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


def dry_with_balance(
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
    steps, save = _steps(air, law, start_posix_s, at_s[order], step_s)
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
        Same moment, same cells as far as they lie in the piece; a cell that the saw divides keeps its share of water
        by a straight line through its neighbours. [%]

    Raises
    ------
    OutOfRange
        If the piece does not fit where it is placed.
    """
    piece = finished.inside(field.section)
    x_old, y_old = field.x_edges_mm - finished.centre_x_mm, field.y_edges_mm - finished.centre_y_mm
    x_edges, y_edges = _cropped(x_old, piece.width_mm), _cropped(y_old, piece.depth_mm)
    return MoistureField(
        posix_s=field.posix_s,
        section=piece,
        x_edges_mm=x_edges,
        y_edges_mm=y_edges,
        mc_pct=_moved(field.mc_pct, x_old, y_old, x_edges, y_edges),
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
            f"begin {(start_posix_s - at_s.min()) / DAY_S:.1f} days before the start; ask for the start or later",
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
            raise OutOfRange(
                "the moisture content at the start", "is missing; give it, or members that have one"
            )
        initial_pct = members.start_mc_pct
    if isinstance(initial_pct, MoistureField):
        found = _regridded(initial_pct, section, x_edges, y_edges)
    else:
        found = np.asarray(initial_pct, dtype=np.float64)[..., None, None]
        found = np.broadcast_to(found, (*found.shape[:-2], y_edges.size - 1, x_edges.size - 1))
    if found.ndim not in {2, 3} or not np.all((found >= 0) & (found <= MOST_PCT)):  # also refuses NaN
        worst = found.flat[np.argmax(~((found >= 0) & (found <= MOST_PCT)))]
        raise OutOfRange(
            "the moisture content at the start", f"must lie between 0 and {MOST_PCT:g} %, not {worst:g} %"
        )
    many = members is not None or found.ndim == 3
    if found.ndim == 2:
        found = found[None]
    if members is not None and found.shape[0] not in {1, members.size}:
        raise OutOfRange(
            "the moisture content at the start",
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
    return _moved(field.mc_pct, field.x_edges_mm, field.y_edges_mm, x_edges, y_edges)


def _steps(
    air: AirSeries, law: DiffusionLaw, start_s: float, at_s: Array, step_s: float
) -> tuple[Array, NDArray[np.int64]]:
    """Length, temperature factor and EMC of each step, and the number of steps before each wanted moment."""
    if not 60 <= step_s <= 31 * DAY_S:
        raise OutOfRange("the time step", f"must lie between a minute and 31 days, not {step_s:g} s")
    first = min(step_s, DAY_S) * np.array([0.04, 0.1, 0.2, 0.35, 0.6])
    whole = step_s * np.arange(0, int((at_s[-1] - start_s) / step_s) + 1)
    edges = np.unique(np.concatenate([whole, first, at_s - start_s]))
    edges = edges[edges <= at_s[-1] - start_s]
    mean_temp, mean_emc = _air_means(air, start_s + edges)
    steps = np.column_stack([np.diff(edges), law.temperature_factor(mean_temp), mean_emc])
    return np.ascontiguousarray(steps), np.searchsorted(edges, at_s - start_s).astype(np.int64)


def _air_means(air: AirSeries, edges_s: Array) -> tuple[Array, Array]:
    """Mean temperature and mean EMC between edges; each reading holds until the next."""
    from baulk.models.sorption import emc_pct  # noqa: PLC0415

    emc = np.asarray(emc_pct(air.temp_c, air.rh_pct), dtype=np.float64)
    lengths = np.diff(air.posix_s)
    begin = np.clip(np.searchsorted(air.posix_s, edges_s, side="right") - 1, 0, None)
    means = []
    for values in (air.temp_c, emc):
        total = np.concatenate([[0.0], np.cumsum(values[:-1] * lengths)])
        upto = total[begin] + values[begin] * (edges_s - air.posix_s[begin])
        means.append(np.diff(upto) / np.diff(edges_s))
    return means[0], means[1]


def _solve(
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
        lanes = np.ascontiguousarray(start[chunk].transpose(1, 2, 0))
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


def _axis(
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
    workers = min(len(chunks), len(os.sched_getaffinity(0)))
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


def _cropped(edges: Array, size_mm: float) -> Array:
    """Edges inside the piece, its own faces included, without slivers; at least two cells."""
    half = size_mm / 2
    inner = edges[(edges > -half + 1e-3) & (edges < half - 1e-3)]
    if inner.size == 0:
        inner = np.zeros(1)
    return np.concatenate([[-half], inner, [half]])


def _moved(mc_pct: Array, x_old: Array, y_old: Array, x_new: Array, y_new: Array) -> Array:
    """Cell means on other cells inside the old ones: every straight-line piece of water goes where it lies."""
    along_x = _moved_along_last(mc_pct, x_old, x_new)
    return np.ascontiguousarray(
        np.swapaxes(_moved_along_last(np.swapaxes(along_x, -1, -2), y_old, y_new), -1, -2)
    )


def _moved_along_last(values: Array, old: Array, new: Array) -> Array:
    width = np.diff(old)
    rise = np.diff(values, axis=-1) / ((width[1:] + width[:-1]) / 2)
    left, right = rise[..., :-1], rise[..., 1:]
    limited = np.where(left * right > 0, np.sign(left) * np.minimum(np.abs(left), np.abs(right)), 0.0)
    slope = np.zeros_like(values)
    slope[..., 1:-1] = limited
    total = np.concatenate([np.zeros_like(values[..., :1]), np.cumsum(values * width, axis=-1)], axis=-1)
    at = np.clip(new, old[0], old[-1])
    i = np.clip(np.searchsorted(old, at, side="right") - 1, 0, width.size - 1)
    t = at - old[i]
    upto = total[..., i] + values[..., i] * t + slope[..., i] * t * (t - width[i]) / 2
    return np.asarray(np.diff(upto, axis=-1) / np.diff(at))
