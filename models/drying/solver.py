"""Drying of a rectangular section: moisture over the section and over time, for one run or a whole ensemble.

Two-dimensional diffusion ``dM/dt = d/dx(Dx dM/dx) + d/dy(Dy dM/dy)`` with a surface resistance on each face.
Radial and tangential D differ about the pith; the mixed term of that tensor is left out. That costs nothing
where rings lie parallel to a face; at 45 degrees all over it costs 0.06 points of the mean at most, and in a
quarter of the section 0.3 points for a ratio of 1.2, 1.1 for one of 2 (tests/reference, against a solver
that keeps it). The air's EMC and its effect on D are averaged over each step; the steps are as long as their
error allows. End drying is not in it: see `baulk.models.end_grain` for how far from an end it counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.air import AirSeries
from baulk.models.cell_means import Potential
from baulk.models.constants import DAY_S, Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import laid_out, layout, slot, starts, under_faces
from baulk.models.drying.grid import cropped_mm, graded_edges_mm, moved, section_edges_mm
from baulk.models.drying.layout import air_gaps, potential
from baulk.models.drying.members import Members
from baulk.models.drying.mirror import Mirror
from baulk.models.drying.parallel import parallel_for
from baulk.models.errors import OutOfRange
from baulk.models.face_cover import CONDUCTANCE_M_S, Covers, FaceCover, Schedule, spans
from baulk.models.field import MoistureField
from baulk.models.near_faces import NearFaces
from baulk.models.section import Finished, Section

__all__ = [
    "CONDUCTANCE_M_S",
    "FaceCover",
    "Members",
    "air_gaps",
    "cut",
    "dry",
    "dry_with_balance",
    "graded_edges_mm",
    "section_edges_mm",
]


CELLS: Final = (18, 18)
ERROR_PCT: Final = 0.03  # of one step, before it is taken off (see the kernel)
MIDWINTER_POSIX_S: Final = 14 * DAY_S  # 15 January, of any year to a day
LONGEST_S: Final = 8 * DAY_S
FIRST_S: Final = 1800.0
CUT_TOGETHER: Final = 2**16  # values of fields that a piece is cut out of at once: they stay in a cache


def dry(  # noqa: PLR0913 - what a run needs
    section: Section,
    initial_pct: float | Floats | MoistureField | None,
    air: AirSeries,
    law: DiffusionLaw,
    *,
    start_posix_s: float,
    at_posix_s: ArrayLike,
    members: Members | None = None,
    faces: Covers | Schedule | None = None,
    cells: tuple[int, int] = CELLS,
    step_s: float = LONGEST_S,
    error_pct: float = ERROR_PCT,
    threads: int | None = None,
    near_faces: bool = True,
) -> tuple[MoistureField, ...]:
    """Moisture over the section at each requested time.

    Parameters
    ----------
    section : Section
        The section. [mm]
    initial_pct : float or ndarray, shape (m,), or MoistureField or None
        Moisture content at the start, uniform or as a field (of one run or of every member); None takes the
        members' own start. 0 to the most that the law's wood can hold; members above it start full. [%]
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
    faces : mapping of Face to FaceCover, or sequence of (float, mapping), optional
        Cover of each face, or moments (POSIX seconds) with the covers that change then. A face not named is
        exposed, or keeps its cover.
    cells : (int, int)
        Number of cells along x and along y.
    step_s : float
        Longest time step, a minute to 31 days. [s]
    error_pct : float
        Error that one step may make, as the mean over the section of its absolute difference from two half
        steps, in the worst of the members marched together; above 0, infinite for steps of one length. [%]
    threads : int, optional
        The most to use, at least 1, where other processes share the machine; every core if left out. The
        answer is the same to the bit.
    near_faces : bool
        Whether values within 16 mm of a face are wanted: where no kerf is open they have layers of their own,
        which cost two to five times as much again. Without them the weather of the last weeks leaves up to a
        point at 4 mm.

    Returns
    -------
    tuple of MoistureField
        One per requested time in the order asked; `mc_pct` has shape (m, ny, nx) with members, else (ny, nx).

    Raises
    ------
    OutOfRange
        If a moisture content, a time, a step or the number of members cannot be.

    Notes
    -----
    With cells and steps as they come, and hourly air, a timber of 4 in and more is at any hour from the first
    week to the first year at most 0.35 points in the mean, 0.85 in the shell and 0.2 in the core away from a
    grid four times finer in steps of three hours, and 99 times in 100 within 0.2, 0.4 and 0.15; a stick of
    2 x 4 in at most 0.3, 0.9 and 0.15, and 99 times in 100 within 0.2, 0.65 and 0.15. What is left are hours
    in which the air turns, which the steps follow no faster than `error_pct` asks. Measured in five woods,
    three airs and six sections to 16 in, with D a third, once and three times the usual
    (tests/bench/test_points.py).
    For values at a depth see `MoistureField.at`.

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
        error_pct=error_pct,
        threads=threads,
        near_faces=near_faces,
    )
    return fields


def dry_with_balance(  # noqa: PLR0913 - what a run needs
    section: Section,
    initial_pct: float | Floats | MoistureField | None,
    air: AirSeries,
    law: DiffusionLaw,
    *,
    start_posix_s: float,
    at_posix_s: ArrayLike,
    members: Members | None = None,
    faces: Covers | Schedule | None = None,
    cells: tuple[int, int] = CELLS,
    step_s: float = LONGEST_S,
    error_pct: float = ERROR_PCT,
    threads: int | None = None,
    near_faces: bool = True,
) -> tuple[tuple[MoistureField, ...], Floats]:
    """Moisture as from `dry`, and what went out through the faces by then.

    Parameters
    ----------
    section, initial_pct, air, law, start_posix_s, at_posix_s, members, faces, cells, step_s, error_pct, \
    threads, near_faces
        As in `dry`. [mm, %, -, -, s, s, -, -, -, s, %, -, -]

    Returns
    -------
    fields : tuple of MoistureField
        As from `dry`.
    given_off_pct : ndarray, shape (times,) or (times, m)
        Time integral of the flux through the four faces, as a share of the section. [% of oven-dry mass]

    Raises
    ------
    OutOfRange
        As from `dry`.
    """
    run = _run(
        section, initial_pct, air, law, start_posix_s, at_posix_s, members, faces, cells, step_s, error_pct,
        threads, near_faces,
    )  # fmt: skip
    x_edges, y_edges = section_edges_mm(section, cells)
    points = potential(law, members)
    near = run.near
    fields = tuple(
        MoistureField(
            posix_s=float(posix_s),
            section=section,
            x_edges_mm=x_edges,
            y_edges_mm=y_edges,
            mc_pct=run.mc_pct[place],
            potential=points,
            near_faces=near and replace(near, added_pct=near.added_pct[place]),
        )
        for posix_s, place in zip(run.at_posix_s, run.place, strict=True)
    )
    return fields, run.given_off_pct[run.place]


def dried_pct(  # noqa: PLR0913 - what a run needs
    section: Section,
    start: MoistureField,
    air: AirSeries,
    law: DiffusionLaw,
    *,
    at_posix_s: Floats,
    members: Members,
    faces: Covers | Schedule | None = None,
    cells: tuple[int, int] = CELLS,
    error_pct: float = ERROR_PCT,
    threads: int | None = None,
) -> Floats:
    """Moisture as from `dry` without layers near the faces, of all moments in one array.

    For whoever puts runs of many members together and makes fields of the whole only.

    Parameters
    ----------
    section, start, air, law, at_posix_s, members, faces, cells, error_pct, threads
        As in `dry`, from the moment of the field at the start; moments not decreasing. \
        [mm, %, -, -, s, -, -, -, %, -]

    Returns
    -------
    ndarray, shape (times, m, ny, nx)
        Cell means on `section_edges_mm` of the cells. [%]

    Raises
    ------
    OutOfRange
        As from `dry`.
    """
    return _run(
        section, start, air, law, start.posix_s, at_posix_s, members, faces, cells, LONGEST_S, error_pct,
        threads, near_faces=False,
    ).mc_pct  # fmt: skip


class _Run(NamedTuple):
    """What came of a run, in order of time; `place` says where each moment asked stands in it."""

    at_posix_s: Floats
    place: NDArray[np.intp]
    mc_pct: Floats
    given_off_pct: Floats
    near: NearFaces | None


def _run(  # noqa: PLR0913, PLR0917 - what a run needs
    section: Section,
    initial_pct: float | Floats | MoistureField | None,
    air: AirSeries,
    law: DiffusionLaw,
    start_posix_s: float,
    at_posix_s: ArrayLike,
    members: Members | None,
    faces: Covers | Schedule | None,
    cells: tuple[int, int],
    step_s: float,
    error_pct: float,
    threads: int | None,
    near_faces: bool,  # noqa: FBT001
) -> _Run:
    at_s, order = starts.times(at_posix_s, start_posix_s)
    x_edges, y_edges = section_edges_mm(section, cells)
    start, many = starts.start(initial_pct, section, members, x_edges, y_edges, law.most_pct)
    if not 60 <= step_s <= 31 * DAY_S:
        raise OutOfRange("the time step", f"must lie between a minute and 31 days, not {step_s:g} s")
    if not error_pct > 0:
        raise OutOfRange("the error of a step", f"must be above 0 %, not {error_pct:g} %")
    calm = tuple(
        (begin - start_posix_s, end - start_posix_s, covers)
        for begin, end, covers in spans(faces, start_posix_s, float(at_s.max()))
    )
    if law.activation_j_mol == 0 and members is not None and members.activation_j_mol is not None:
        law = replace(law, activation_j_mol=float(members.activation_j_mol.max()) or 1.0)
    laid = layout.integrated(air, law, start_posix_s, float(at_s.max()))
    midwinter_s = MIDWINTER_POSIX_S - start_posix_s
    wanted = at_s[order] - start_posix_s
    mc, given, near = _solve(
        section, start, law, laid, wanted, (error_pct, step_s, midwinter_s), members, calm, cells, threads,
        near_faces,
    )  # fmt: skip
    if not many:
        mc, given = mc[:, 0], given[:, 0]
        near = near and replace(near, added_pct=near.added_pct[..., 0])
    place = np.argsort(order, kind="stable")
    return _Run(at_s, place, np.ascontiguousarray(mc), given, near)


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
    piece, old, new = _edges_cut(field, finished)
    return MoistureField(
        posix_s=field.posix_s,
        section=piece,
        x_edges_mm=new[0],
        y_edges_mm=new[1],
        mc_pct=moved(field.mc_pct, *old, *new),
        potential=field.potential,
    )


def cut_each(fields: Sequence[MoistureField], finished: Finished) -> tuple[MoistureField, ...]:
    """Moisture of the same piece squared out of a timber at many moments, each as from `cut`.

    Parameters
    ----------
    fields : sequence of MoistureField
        Moisture of the timber at each moment. [%]
    finished : Finished
        The piece and where it lies in the timber. [mm]

    Returns
    -------
    tuple of MoistureField
        The same moments. [%]

    Raises
    ------
    OutOfRange
        If the piece does not fit where it is placed.
    """
    from baulk.models.drying import crop  # noqa: PLC0415 - loads the compiler, as in `_solve`

    if len({(each.section, id(each.x_edges_mm), id(each.y_edges_mm)) for each in fields}) > 1:
        return tuple(found for each in fields for found in cut_each([each], finished))
    first = fields[0]
    piece, old, (x_edges, y_edges) = _edges_cut(first, finished)
    found: list[MoistureField] = []
    together = max(CUT_TOGETHER // first.mc_pct.size, 1)
    for begin in range(0, len(fields), together):
        some = fields[begin : begin + together]
        mc = np.array([each.mc_pct for each in some]) if len(some) > 1 else some[0].mc_pct[None]
        found += [
            MoistureField(
                posix_s=each.posix_s,
                section=piece,
                x_edges_mm=x_edges,
                y_edges_mm=y_edges,
                mc_pct=cells,
                potential=each.potential,
            )
            for each, cells in zip(some, crop.moved(mc, *old, x_edges, y_edges), strict=True)
        ]
    return tuple(found)


def _edges_cut(
    field: MoistureField, finished: Finished
) -> tuple[Section, tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Return the piece, and in its axes the edges of the cells it is cut from and of its own. [mm]."""
    piece = finished.inside(field.section)
    old = field.x_edges_mm - finished.centre_x_mm, field.y_edges_mm - finished.centre_y_mm
    return piece, old, (cropped_mm(old[0], piece.width_mm), cropped_mm(old[1], piece.depth_mm))


def _solve(  # noqa: PLR0913, PLR0917 - what a run needs, checked and laid out
    section: Section,
    start: Floats,
    law: DiffusionLaw,
    air: layout.Air,
    at_s: Floats,
    control: tuple[float, float, float],
    members: Members | None,
    calm: tuple[tuple[float, float, Covers], ...],
    cells: tuple[int, int],
    threads: int | None,
    near_faces: bool,  # noqa: FBT001
) -> tuple[Floats, Floats, NearFaces | None]:
    """Moisture (times, m, ny, nx), what was given off (times, m), and what to add near the faces."""
    count = start.shape[0]
    if members is None:
        members = Members(
            d_factor=np.ones(count), surface_factor=np.ones(count),
            start_mc_pct=np.zeros(count), emc_offset_pct=np.zeros(count),
        )  # fmt: skip
    x_edges, y_edges = section_edges_mm(section, cells)
    mirror = Mirror.of(section, x_edges, y_edges, start, [covers for _, _, covers in calm])
    laid, rows = laid_out.kept(section, law, members, cells, mirror), air.rows
    damp, kerf, area_m2 = laid.damp, laid.kerf, laid.area_m2
    if kerf.rows.size:
        control = (control[0] * slot.FINER, *control[1:])
    start = mirror.fold_y(mirror.fold_x(start, -1), -2)
    mc = np.empty((at_s.size, count, y_edges.size - 1, x_edges.size - 1))
    given = np.empty((at_s.size, count))
    watched_s, layers = at_s, None
    if near_faces and not kerf.rows.size:  # the lines through the middle would cross a kerf
        layers, points = under_faces.Layers.of(section, law, members), potential(law, members)
        watched_s = np.sort(np.concatenate([at_s, under_faces.watched_s(float(at_s[-1]))]))
        added = np.empty((at_s.size, 4, layers.depths_mm.size, count))
    kept = np.searchsorted(watched_s, at_s)
    ends = np.searchsorted(watched_s, [end for _, end, _ in calm], side="right")
    ends[-1] = watched_s.size

    from baulk.models.drying import kernel  # noqa: PLC0415 - loads the compiler, 50 MB; most only read fields

    def march(number: int) -> None:
        chunk = laid.chunks[number]
        lanes = np.array(start[chunk].transpose(1, 2, 0), order="C")
        least = np.minimum(lanes.min(axis=(0, 1)), np.maximum(air.least_pct + damp[chunk], 0.0))
        most = np.maximum(lanes.max(axis=(0, 1)), air.most_pct + damp[chunk])
        limits = np.array([control[0], FIRST_S, *control[1:], air.slope_per_pct, air.mean])
        first = under_faces.Watched.of(lanes[None], x_edges, y_edges, mirror) if layers else None
        sofar, done, seen, spent, own = np.zeros(lanes.shape[-1]), 0, [], [], kerf.some(chunk)
        for (begin, end, covers), upto in zip(calm, ends, strict=True):
            (x, y), resist = laid.axes(number, covers)
            fields = np.empty((upto - done, *lanes.shape))
            off = np.empty((upto - done + 1, lanes.shape[-1]))
            kernel.march(
                lanes, fields, off, np.array([begin, end]), watched_s[done:upto], rows, limits, least, most,
                x, y, laid.counted, own,
            )  # fmt: skip
            mine = np.nonzero((kept >= done) & (kept < upto))[0]
            kernel.hand_over(fields, kept[mine] - done, chunk, mine, mc)
            given[mine[:, None], chunk] = (sofar + off[kept[mine] - done]) / area_m2
            if layers is not None:
                seen.append(under_faces.Watched.of(fields, x_edges, y_edges, mirror))
                spent.append((begin, end, resist))
            sofar, done = sofar + off[-1], upto
        if layers is not None and first is not None:
            added[..., chunk] = under_faces.added_pct(
                layers.some(chunk), first=first, watched=under_faces.Watched.joined(seen),
                watched_s=watched_s, at_s=at_s, edges=(x_edges, y_edges), potential=_each(points, chunk),
                air=air, midwinter_s=control[2], spans=spent,
            )  # fmt: skip

    parallel_for(march, range(len(laid.chunks)), threads)
    near = NearFaces(depths_mm=layers.depths_mm, added_pct=added) if layers is not None else None
    return mc, given, near


def _each(points: Potential, chunk: NDArray[np.intp]) -> Potential:
    """Return the potential of some of the members, of each where all have one."""
    if points.fsp_pct.ndim:
        return points.some(chunk)
    slope, fsp, free = (
        np.full(chunk.size, each) for each in (points.slope_per_pct, points.fsp_pct, points.free)
    )
    return Potential(slope_per_pct=slope, fsp_pct=fsp, free=free)
