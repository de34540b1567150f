"""The green size to order or to saw for a finished section: every part of the allowance, and why it is there.

The piece is sawn green, shrinks and distorts until it is at its service moisture, and is squared then.
Shrinkage and distortion come from the elastic section about its pith (`baulk.models.distortion.movement`),
so that
each face has the mixture of radial and tangential that its rings give it. The rest is sawyers' custom.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from statistics import NormalDist
from typing import Final

import numpy as np

from baulk.models import sapwood
from baulk.models.distortion.movement import Movement, Shape
from baulk.models.drying import solver
from baulk.models.plan.buying.parts import LONGEST_MM, THICKEST_MM
from baulk.models.plan.sawing import order as orders
from baulk.models.plan.sawing.order import (
    BOW_PER_LENGTH,
    CLEAR_OF_HEART_MM,
    FaceShrinkage,
    NoLog,
    Order,
    SizePlan,
    Term,
)
from baulk.models.reason import Reason, Values
from baulk.models.section import Face, Finished, Section
from baulk.models.shrinkage import PIECES_VARY
from baulk.models.species import Species
from baulk.models.use_class import UseClass

BOARD_FOOT_MM3: Final = 144 * 25.4**3  # 144 cubic inches: 1 ft x 1 ft x 1 in
_SIDES: Final = ("width_mm", "depth_mm")
_GROW: Final = frozenset({"shrinkage", "distortion", "scatter"})
_CELLS: Final = 8  # of an even moisture; a grid twice as fine moves by 0.2 % more


def board_feet(width_mm: float, depth_mm: float, length_mm: float) -> float:
    """Volume as a mill bills it.

    Parameters
    ----------
    width_mm, depth_mm, length_mm : float
        The piece as billed, above 0. [mm]

    Returns
    -------
    float
        Board feet of 144 cubic inches. [board foot]

    References
    ----------
    Definition of the board foot: 1 ft by 1 ft by 1 in.

    Examples
    --------
    >>> round(board_feet(203.2, 203.2, 2438.4), 6)  # 8 x 8 in x 8 ft
    42.666667
    """
    return width_mm * depth_mm * length_mm / BOARD_FOOT_MM3


def pith_of(order: Order, depth_mm: float) -> tuple[float, float]:
    """Where the pith lies in the green piece.

    Parameters
    ----------
    order : Order
        Its placement, or a pith of its own.
    depth_mm : float
        Green depth. [mm]

    Returns
    -------
    (float, float)
        From the centre of the piece, in the axes of a `Section`. [mm]
    """
    if order.pith_mm is not None:
        return order.pith_mm
    if order.placement == "boxed":
        return 0.0, 0.0
    if order.placement == "offset":
        return 0.0, -depth_mm / 4
    return 0.0, -depth_mm / 2 - CLEAR_OF_HEART_MM


def uses_up(moved: Movement) -> tuple[tuple[float, float], float]:
    """Oversize that a movement uses up: what shrinks off the width and the depth, and what its shape costs.

    The same sum as `baulk.models.verdict.rough_out.needed_mm` without its planing.

    Parameters
    ----------
    moved : Movement
        From sawing to squaring, one run. [mm]

    Returns
    -------
    shrinks_mm : (float, float)
        Smallest face or mean across the width and the depth. [mm]
    shape_mm : float
        The lean and the hollows, on each dimension. [mm]
    """
    across, up = (float(each) for each in moved.shrinks_mm)
    return (across, up), float(moved.shape_mm)


def sureness(confidence: float) -> float:
    """How much more than the mean movement holds for a share of single pieces.

    Parameters
    ----------
    confidence : float
        The share, 0.5 to below 1.

    Returns
    -------
    float
        Factor on the mean shrinkage and distortion, 1 for half of the pieces. [-]

    References
    ----------
    Pieces taken as normally spread about their species by `shrinkage.PIECES_VARY`.
    """
    return 1 + NormalDist().inv_cdf(confidence) * PIECES_VARY


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
    x = solver.graded_edges_mm(section.width_mm, _CELLS)
    y = solver.graded_edges_mm(section.depth_mm, _CELLS)
    return Shape(section, wood, x, y).movement(np.full((_CELLS, _CELLS), start_pct), end_pct)


def size(order: Order, wood: Species, use: UseClass, *, compare: bool = True) -> SizePlan:
    """Plan the green size of one piece.

    Parameters
    ----------
    order : Order
        What is wanted. [mm, %]
    wood : Species
        Its wood.
    use : UseClass
        Where it will live: the middle of its service range is the moisture it is squared at.
    compare : bool
        Whether to work out what other choices would give.

    Returns
    -------
    SizePlan
        The size and all its parts. [mm]

    Raises
    ------
    NoLog
        If the green piece would be larger than any log.

    References
    ----------
    Shrinkage: Wood Handbook, FPL-GTR-282 (2021), eq. 4-9 and Table 4-3, through
    `baulk.models.distortion.movement`;
    its scatter: `shrinkage.PIECES_VARY`. The rest is sawyers' custom, marked in each term.
    """
    terms, need = needed(order, wood, use)
    width, depth = (_up(each, order.step_mm) for each in need)
    length = _up(order.length_mm + 2 * order.trim_mm, order.length_step_mm)
    if not (max(width, depth) <= THICKEST_MM and length <= LONGEST_MM + 1000):
        raise NoLog(width, depth, length)
    pith = pith_of(order, depth)
    green = Section(width_mm=width, depth_mm=depth, pith_x_mm=pith[0], pith_y_mm=pith[1])
    start = wood.green_heartwood_mc_pct if order.start_pct is None else order.start_pct
    moved = moves(green, wood, start, use.service_mc_pct)
    finished = Finished(width_mm=order.width_mm, depth_mm=order.depth_mm)
    at_once = moves(finished.inside(green), wood, start, use.service_mc_pct)
    # how much of it will be sapwood nobody knows before it is sawn
    weight = sapwood.green_weight(green, length, wood, mc_pct=order.start_pct)
    plan = SizePlan(
        order=order,
        species=wood.name,
        use_class=use.name,
        start_pct=start,
        squared_pct=use.service_mc_pct,
        terms=terms,
        needed_width_mm=need[0],
        needed_depth_mm=need[1],
        green=green,
        green_length_mm=length,
        finished=finished,
        faces=_faces(green, moved, wood, start, use.service_mc_pct),
        check_mm=float(moved.check_mm),
        squared_green_mm=float(at_once.largest_mm),
        squared_change_mm=float(at_once.size_change_mm),
        tolerated_mm=use.tolerance_mm(order.width_mm, order.depth_mm),
        mass_kg=weight.usual_kg,
        heavy_kg=weight.heavy_kg,
        board_feet=board_feet(width, depth, length),
        volume_m3=width * depth * length * 1e-9,
    )
    return replace(
        plan,
        assumptions=orders.assumptions(plan, use),
        would_change=orders.would_change(plan, use, lambda other, service: needed(other, wood, service)[1])
        if compare
        else (),
        cautions=orders.cautions(plan),
    )


def needed(order: Order, wood: Species, use: UseClass) -> tuple[tuple[Term, ...], tuple[float, float]]:
    """Work the allowance out, before any rounding.

    Parameters
    ----------
    order, wood, use
        As in `size`.

    Returns
    -------
    terms : tuple of Term
        Its parts. [mm]
    needed_mm : (float, float)
        Width and depth: the finished size and all the terms. [mm]
    """
    start = wood.green_heartwood_mc_pct if order.start_pct is None else order.start_pct
    width, depth = order.width_mm * 1.1, order.depth_mm * 1.1
    terms: tuple[Term, ...] = ()
    for _ in range(4):
        x, y = pith_of(order, depth)
        piece = Section(width_mm=width, depth_mm=depth, pith_x_mm=x, pith_y_mm=y)
        terms = _terms(order, moves(piece, wood, start, use.service_mc_pct))
        wide, deep = (_solved(getattr(order, side), getattr(piece, side), terms, side) for side in _SIDES)
        settled = max(abs(wide - width), abs(deep - depth)) < 0.01
        width, depth = wide, deep
        if settled:
            break
    return terms, (width, depth)


def _solved(finished_mm: float, tried_mm: float, terms: tuple[Term, ...], side: str) -> float:
    """Size at which the terms are used up, those of the movement growing with the size."""
    grows = sum(getattr(each, side) for each in terms if each.name in _GROW)
    stays = sum(getattr(each, side) for each in terms if each.name not in _GROW)
    return float(max((finished_mm + stays) / (1 - grows / tried_mm), 1.0))


def _terms(order: Order, moved: Movement) -> tuple[Term, ...]:
    (across, up), shape = uses_up(moved)
    more = sureness(order.confidence) - 1
    bow = {
        name: (given, _why(f"{name}_measured"), "measured")
        if given is not None
        else (
            order.length_mm * BOW_PER_LENGTH,
            _why(f"usual_{name}", {"one_in": 1 / BOW_PER_LENGTH}),
            "common practice",
        )
        for name, given in (("bow", order.bow_mm), ("crook", order.crook_mm))
    }
    found = [
        Term(
            name="shrinkage",
            width_mm=across,
            depth_mm=up,
            why=_why("shrinkage"),
            mark="computed",
        ),
        Term(
            name="distortion",
            width_mm=shape,
            depth_mm=shape,
            why=_why("distortion"),
            mark="computed",
        ),
        Term(
            name="scatter",
            width_mm=more * (across + shape),
            depth_mm=more * (up + shape),
            why=_why("scatter", {"sd_share": PIECES_VARY, "confidence": order.confidence}),
            mark="memory",
        ),
        Term(
            name="crook",
            width_mm=bow["crook"][0],
            depth_mm=0.0,
            why=bow["crook"][1],
            mark=bow["crook"][2],
        ),
        Term(
            name="bow",
            width_mm=0.0,
            depth_mm=bow["bow"][0],
            why=bow["bow"][1],
            mark=bow["bow"][2],
        ),
        Term(
            name="saw cut",
            width_mm=order.kerf_mm,
            depth_mm=order.kerf_mm,
            why=_why("saw_cut"),
            mark="common practice",
        ),
        Term(
            name="planing",
            width_mm=2 * order.planing_mm,
            depth_mm=2 * order.planing_mm,
            why=_why("planing", {"each_mm": order.planing_mm}),
            mark="common practice",
        ),
    ]
    if order.tolerance_mm:
        found.append(
            Term(
                name="tolerance",
                width_mm=-order.tolerance_mm,
                depth_mm=-order.tolerance_mm,
                why=_why("tolerance"),
                mark="measured",
            )
        )
    if order.wane_mm:
        left = sum(term.width_mm + term.depth_mm for term in found) / 2
        lacks = max(0.0, order.wane_mm - left)
        found.append(
            Term(
                name="wane",
                width_mm=lacks,
                depth_mm=lacks,
                why=_why("wane", {"wane_mm": order.wane_mm}),
                mark="computed",
            )
        )
    return tuple(found)


def _why(what: str, values: Values | None = None) -> Reason:
    """Return the reason of one term of the allowance."""
    return Reason(code=f"sawing.term.{what}", values=values or {})


def _faces(
    green: Section, moved: Movement, wood: Species, start_pct: float, end_pct: float
) -> tuple[FaceShrinkage, ...]:
    side: Mapping[Face, float] = {
        face: green.width_mm if face in {Face.A, Face.C} else green.depth_mm for face in Face
    }
    onset = wood.shrinkage_onset_pct
    done = max(0.0, 1 - end_pct / onset) - max(0.0, 1 - start_pct / onset)
    radial, tangential = wood.shrinkage_radial_pct * done, wood.shrinkage_tangential_pct * done
    found = []
    for face in Face:
        lost = -float(moved.face_mm[face]) + 0.0
        pct = 100 * lost / side[face]
        share = (pct - radial) / (tangential - radial) if abs(tangential - radial) > 1e-9 else math.nan
        found.append(
            FaceShrinkage(
                face=face,
                mm=lost,
                pct=pct,
                tangential_share=float(np.clip(share, 0.0, 1.0)) if done > 0 else 0.0,
            )
        )
    return tuple(found)


def _up(mm: float, step_mm: float) -> float:
    return round(math.ceil(mm / step_mm - 1e-6) * step_mm, 4)
