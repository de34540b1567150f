"""The size that a finished piece needs: every part of the allowance, added up in one place.

The piece is sawn, shrinks and distorts until it is at its service moisture, is straightened and planed, and
must then hold the finished section. Shrinkage and distortion come from the elastic section about its pith
(`baulk.models.distortion.movement`), so that each face has the mixture of radial and tangential that its
rings give it, from the moisture over the timber's own section where that is known.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from statistics import NormalDist
from typing import Final

import numpy as np

from baulk.models.allowance.bend import Bend
from baulk.models.allowance.parts import Ask, Needed, Term, Wet
from baulk.models.constants import Floats
from baulk.models.distortion.movement import Movement, Shape
from baulk.models.drying import solver
from baulk.models.drying.grid import moved as laid_on
from baulk.models.reason import Reason, Values
from baulk.models.section import Finished, Section
from baulk.models.shrinkage import PIECES_VARY
from baulk.models.species import Species
from baulk.models.use_class import UseClass

Place = Callable[[float, float], Section]

CELLS: Final = 8  # a grid twice as fine moves by 0.2 % more
TRIED_STEP_MM: Final = 1.0  # the section is solved at whole millimetres and its movement scaled from there
PITH_STEP_MM: Final = 0.1
ROUNDS: Final = 4
_GROW: Final = frozenset({"shrinkage", "distortion", "scatter"})
# the mean that a piece settles at lies evenly in the middle half of the use's range, see verdict.readiness
_SERVICE_SD: Final = 0.5 / math.sqrt(12)


def uses_up(moved: Movement) -> tuple[tuple[Floats, Floats], Floats]:
    """Oversize that a movement uses up: what shrinks off the width and the depth, and what its shape costs.

    Parameters
    ----------
    moved : Movement
        From sawing to squaring, one run or every member. [mm]

    Returns
    -------
    shrinks_mm : (ndarray, ndarray)
        Smallest face or mean across the width and the depth. [mm]
    shape_mm : ndarray
        The lean and the hollows, on each dimension. [mm]
    """
    return moved.shrinks_mm, moved.shape_mm


def sureness(confidence: float) -> float:
    """Return the standard deviations above the mean that hold for a share of single pieces.

    Parameters
    ----------
    confidence : float
        The share, 0.5 to below 1. [-]

    Returns
    -------
    float
        0 for half of the pieces. [-]
    """
    return NormalDist().inv_cdf(confidence)


@lru_cache(maxsize=512)  # a purchase plan asks for the same sections again, for each timber and how wet it is
def shape_of(section: Section, wood: Species) -> Shape:
    """Return the influence of shrinkage on a section, on the cells of this module."""
    x, y = (solver.graded_edges_mm(side, CELLS) for side in (section.width_mm, section.depth_mm))
    return Shape(section, wood, x, y)


@lru_cache(maxsize=512)
def moves(section: Section, wood: Species, start_pct: float, end_pct: float) -> Movement:
    """Movement of a piece from one even moisture content to another.

    Parameters
    ----------
    section : Section
        The piece and its pith. [mm]
    wood : Species
        Shrinkage and elastic constants.
    start_pct, end_pct : float
        Moisture contents. [%]

    Returns
    -------
    Movement
        Change of its outline. [mm]

    References
    ----------
    As `baulk.models.distortion.movement.Shape`.
    """
    return shape_of(section, wood).movement(np.full((CELLS, CELLS), start_pct), end_pct)


def centred(pith_mm: tuple[float, float]) -> Place:
    """Return the place of a piece that has its pith there, whatever its size."""
    x, y = pith_mm
    return lambda width_mm, depth_mm: Section(width_mm=width_mm, depth_mm=depth_mm, pith_x_mm=x, pith_y_mm=y)


def placed(timber: Section, size_mm: tuple[float, float], centre_mm: tuple[float, float]) -> Finished:
    """Lay a piece about a place in a timber, no larger than it and moved inside where it stuck out.

    Parameters
    ----------
    timber : Section
        The timber. [mm]
    size_mm, centre_mm : (float, float)
        The piece and the centre wanted, in the timber's axes. [mm]

    Returns
    -------
    Finished
        The piece. [mm]
    """
    width, depth = min(size_mm[0], timber.width_mm), min(size_mm[1], timber.depth_mm)
    slack = ((timber.width_mm - width) / 2, (timber.depth_mm - depth) / 2)
    x, y = (min(max(at, -room), room) for at, room in zip(centre_mm, slack, strict=True))
    return Finished(width_mm=width, depth_mm=depth, centre_x_mm=x, centre_y_mm=y)


def inside(timber: Section, centre_mm: tuple[float, float]) -> Place:
    """Return, by size, the section of a piece that lies about a place in a timber.

    Parameters
    ----------
    timber : Section
        The timber, its pith and its kerf. [mm]
    centre_mm : (float, float)
        Centre wanted for the piece, in the timber's axes. [mm]

    Returns
    -------
    callable
        From a width and a depth to the piece in its own axes. [mm]
    """

    def section(width_mm: float, depth_mm: float) -> Section:
        piece = placed(timber, (width_mm, depth_mm), centre_mm).inside(timber)
        return replace(piece, width_mm=width_mm, depth_mm=depth_mm)  # it may be larger than its timber

    return section


def needed(ask: Ask, wood: Species, use: UseClass, wet: Wet, place: Place) -> Needed:
    """Work the allowance out, before any rounding.

    Parameters
    ----------
    ask : Ask
        What is wanted. [mm]
    wood, use
        Its wood, and where it will live: the middle of its service range is the moisture it is squared at.
    wet : Wet
        How wet it is when sawn. [%]
    place : callable
        Its section by its width and depth, from `centred` or `inside`. [mm]

    Returns
    -------
    Needed
        The parts, and the size. [mm]

    References
    ----------
    Shrinkage: Wood Handbook, FPL-GTR-282 (2021), eq. 4-9 and Table 4-3, through
    `baulk.models.distortion.movement`; its scatter: `shrinkage.PIECES_VARY`. The rest is sawyers' custom,
    marked in each term.
    """
    finished = (ask.width_mm, ask.depth_mm)
    size, tried = (finished[0] * 1.1, finished[1] * 1.1), (0.0, 0.0)
    terms: tuple[Term, ...] = ()
    for _ in range(ROUNDS):
        next_tried = _solvable(size)
        if next_tried == tried:
            break
        tried = next_tried
        terms, _ = parts(ask, wood, use, wet, tried, place)
        size = (
            _solved(finished[0], tried[0], terms, "width_mm"),
            _solved(finished[1], tried[1], terms, "depth_mm"),
        )
    scaled = tuple(_scaled(each, size[0] / tried[0], size[1] / tried[1]) for each in terms)
    return Needed(terms=scaled, width_mm=size[0], depth_mm=size[1])


def sawn_mm(needed: Needed, step_mm: float) -> tuple[float, float]:
    """Return the size to saw: the one needed, rounded up to the saw's step. [mm]."""
    return up(needed.width_mm, step_mm), up(needed.depth_mm, step_mm)


def up(mm: float, step_mm: float) -> float:
    """Return a length rounded up to a step. [mm]."""
    return round(math.ceil(mm / step_mm - 1e-6) * step_mm, 4)


def _solvable(size: tuple[float, float]) -> tuple[float, float]:
    """Round a size, so that one solution of the section serves all the pieces of nearly that size."""
    width, depth = (max(round(each / TRIED_STEP_MM), 1) * TRIED_STEP_MM for each in size)
    return width, depth


def _solved(finished_mm: float, tried_mm: float, terms: tuple[Term, ...], side: str) -> float:
    """Size at which the terms are used up, those of the movement growing with the size."""
    grows = sum(getattr(each, side) for each in terms if each.name in _GROW)
    stays = sum(getattr(each, side) for each in terms if each.name not in _GROW)
    return float(max((finished_mm + stays) / (1 - grows / tried_mm), 1.0))


def _scaled(term: Term, across: float, up: float) -> Term:
    if term.name not in _GROW:
        return term
    return Term(
        name=term.name,
        width_mm=term.width_mm * across,
        depth_mm=term.depth_mm * up,
        why=term.why,
        mark=term.mark,
    )


def parts(  # noqa: PLR0913, PLR0917 - as `needed`, for one size
    ask: Ask, wood: Species, use: UseClass, wet: Wet, size_mm: tuple[float, float], place: Place
) -> tuple[tuple[Term, ...], Movement]:
    """Work out the parts of the allowance that a piece of one size uses up.

    Parameters
    ----------
    ask, wood, use, wet, place
        As in `needed`. [mm, %]
    size_mm : (float, float)
        What is sawn: width and depth. [mm]

    Returns
    -------
    terms : tuple of Term
        The parts. [mm]
    moved : Movement
        From now to service. [mm]
    """
    section = _in_steps(place(*size_mm))
    moved, shrinking = _movement(section, wood, wet, use.service_mc_pct)
    onset = wood.shrinkage_onset_pct
    doubt_pct = math.hypot(
        wet.sd_pct * shrinking,
        (use.service_high_pct - use.service_low_pct) * _SERVICE_SD if use.service_mc_pct < onset else 0.0,
    )
    whole, _ = uses_up(moves(section, wood, onset, 0.0))
    return _terms(ask, moved, tuple(doubt_pct * float(each) / onset for each in whole), doubt_pct), moved


def _in_steps(section: Section) -> Section:
    """Round where the pith lies, so that pieces alike share one solution."""
    x, y = (round(each / PITH_STEP_MM) * PITH_STEP_MM for each in (section.pith_x_mm, section.pith_y_mm))
    return replace(section, pith_x_mm=x, pith_y_mm=y)


def _movement(section: Section, wood: Species, wet: Wet, service_pct: float) -> tuple[Movement, float]:
    """Movement to service, and the share of the wood that has begun to shrink."""
    onset = wood.shrinkage_onset_pct
    if wet.field is None:
        return moves(section, wood, wet.mean_pct, service_pct), float(wet.mean_pct < onset)
    timber, size = wet.field.section, (section.width_mm, section.depth_mm)
    centre = (timber.pith_x_mm - section.pith_x_mm, timber.pith_y_mm - section.pith_y_mm)
    piece = placed(timber, size, centre)
    # a piece larger than its timber has the timber's moisture drawn out over it
    x_old, y_old = (
        (edges - at) * (side / held)
        for edges, at, side, held in (
            (wet.field.x_edges_mm, piece.centre_x_mm, size[0], piece.width_mm),
            (wet.field.y_edges_mm, piece.centre_y_mm, size[1], piece.depth_mm),
        )
    )
    x, y = (solver.graded_edges_mm(side, CELLS) for side in size)
    mc = laid_on(np.asarray(wet.field.mc_pct), x_old, y_old, x, y)
    area = np.outer(np.diff(y), np.diff(x))
    shrinking = float(np.sum(area * (mc < onset)) / np.sum(area))
    return shape_of(section, wood).movement(mc, service_pct), shrinking


def _terms(ask: Ask, moved: Movement, doubt_mm: tuple[float, ...], doubt_pct: float) -> tuple[Term, ...]:
    (across, up), shape = uses_up(moved)
    z = sureness(ask.confidence)
    wide, deep = (
        z * math.hypot(PIECES_VARY * float(each + shape), doubt)
        for each, doubt in zip((across, up), doubt_mm, strict=True)
    )
    share = {"sd_share": PIECES_VARY, "confidence": ask.confidence, "mc_sd_pct": doubt_pct}
    found = [
        _term("shrinkage", float(across), float(up), "computed"),
        _term("distortion", float(shape), float(shape), "computed"),
        _term("scatter", wide, deep, "memory", values=share),
        _bend("crook", ask.crook, ask.confidence),
        _bend("bow", ask.bow, ask.confidence),
        _term("saw cut", ask.kerf_mm, ask.kerf_mm, "common practice", code="saw_cut"),
        _term(
            "planing",
            2 * ask.planing_mm,
            2 * ask.planing_mm,
            "common practice",
            values={"each_mm": ask.planing_mm},
        ),
    ]
    if ask.twist:
        found.append(_term("twist", ask.untwisting_mm[0], ask.untwisting_mm[1], "measured"))
    if ask.deepest_check_mm:
        wide, deep = (each - 2 * ask.planing_mm for each in ask.faces_mm)
        found.append(_term("checks", wide, deep, "measured", values={"check_mm": ask.deepest_check_mm}))
    if ask.tolerance_mm:
        found.append(_term("tolerance", -ask.tolerance_mm, -ask.tolerance_mm, "measured"))
    if ask.wane_mm:
        left = sum(term.width_mm + term.depth_mm for term in found) / 2
        lacks = max(0.0, ask.wane_mm - left)
        found.append(_term("wane", lacks, lacks, "computed", values={"wane_mm": ask.wane_mm}))
    return tuple(found)


def _bend(name: str, bend: Bend, confidence: float) -> Term:
    mm = bend.quantile_mm(confidence)
    across, up = (mm, 0.0) if name == "crook" else (0.0, mm)
    if bend.measured:
        return _term(name, across, up, "measured", code=f"{name}_measured")
    values: Values = {"bend_mm": mm, "confidence": confidence, "timbers": bend.timbers}
    return _term(name, across, up, "common practice", code=f"usual_{name}", values=values)


def _term(  # noqa: PLR0913 - one a field of the term
    name: str,
    width_mm: float,
    depth_mm: float,
    mark: str,
    *,
    code: str | None = None,
    values: Values | None = None,
) -> Term:
    why = Reason(code=f"sawing.term.{code or name}", values=values or {})
    return Term(name=name, width_mm=width_mm, depth_mm=depth_mm, why=why, mark=mark)
