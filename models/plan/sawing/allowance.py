"""The green size to order or to saw for a finished section, with all that goes with it.

Its allowance is that of `baulk.models.allowance.engine`, for a piece that lies in no timber yet.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np

from baulk.models import sapwood
from baulk.models.allowance import engine
from baulk.models.allowance.parts import Needed, Wet
from baulk.models.distortion.movement import Movement
from baulk.models.plan.buying.parts import LONGEST_MM, THICKEST_MM
from baulk.models.plan.sawing import order as orders
from baulk.models.plan.sawing.order import CLEAR_OF_HEART_MM, FaceShrinkage, NoLog, Order, SizePlan
from baulk.models.section import Face, Finished, Section
from baulk.models.species import Species
from baulk.models.use_class import UseClass

BOARD_FOOT_MM3: Final = 144 * 25.4**3  # 144 cubic inches: 1 ft x 1 ft x 1 in


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
    need = needed(order, wood, use)
    width, depth = engine.sawn_mm(need, order.step_mm)
    length = engine.up(order.length_mm + 2 * order.trim_mm, order.length_step_mm)
    if not (max(width, depth) <= THICKEST_MM and length <= LONGEST_MM + 1000):
        raise NoLog(width, depth, length)
    pith = pith_of(order, depth)
    green = Section(width_mm=width, depth_mm=depth, pith_x_mm=pith[0], pith_y_mm=pith[1])
    start = wood.green_heartwood_mc_pct if order.start_pct is None else order.start_pct
    moved = engine.moves(green, wood, start, use.service_mc_pct)
    finished = Finished(width_mm=order.width_mm, depth_mm=order.depth_mm)
    at_once = engine.moves(finished.inside(green), wood, start, use.service_mc_pct)
    # how much of it will be sapwood nobody knows before it is sawn
    weight = sapwood.green_weight(green, length, wood, mc_pct=order.start_pct)
    plan = SizePlan(
        order=order,
        species=wood.name,
        use_class=use.name,
        start_pct=start,
        squared_pct=use.service_mc_pct,
        terms=need.terms,
        needed_width_mm=need.width_mm,
        needed_depth_mm=need.depth_mm,
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
        would_change=orders.would_change(
            plan, use, lambda other, service: needed(other, wood, service).size_mm
        )
        if compare
        else (),
        cautions=orders.cautions(plan),
    )


def needed(order: Order, wood: Species, use: UseClass) -> Needed:
    """Work the allowance of a piece out that lies in no timber yet, before any rounding.

    Parameters
    ----------
    order, wood, use
        As in `size`.

    Returns
    -------
    Needed
        Its parts, and the width and depth. [mm]
    """
    start = wood.green_heartwood_mc_pct if order.start_pct is None else order.start_pct

    def place(width_mm: float, depth_mm: float) -> Section:
        return engine.centred(pith_of(order, depth_mm))(width_mm, depth_mm)

    return engine.needed(order.ask(wood), wood, use, Wet(mean_pct=start), place)


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
