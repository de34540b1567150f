"""Whether a timber of the yard serves for a part: its room now, and when it may be squared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import lru_cache
from typing import Final

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.plan.buying import lead_time, ready_range
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import InYard, Wish
from baulk.models.plan.sawing import allowance, spots
from baulk.models.plan.sawing.order import Order
from baulk.models.plan.sawing.sweep import SHORT, meet
from baulk.models.reason import Reason
from baulk.models.section import Finished, Section
from baulk.models.species import Species
from baulk.models.use_class import UseClass

TRIED: Final = 2  # places whose own allowance is worked out, the nearest to the pith first


def order_for(part: Part, wish: Wish) -> Order:
    """Give the sizes and habits that a part is planned with.

    Parameters
    ----------
    part : Part
        The part. [mm]
    wish : Wish
        How the shop cuts.

    Returns
    -------
    Order
        Green, with a bow of common practice. [mm]
    """
    return Order(
        width_mm=part.width_mm,
        depth_mm=part.depth_mm,
        length_mm=part.length_mm,
        placement="free" if part.heart == "free" else "boxed",
        confidence=wish.confidence,
        kerf_mm=wish.kerf_mm,
        planing_mm=wish.planing_mm,
        trim_mm=wish.trim_mm,
        step_mm=wish.step_mm,
        length_step_mm=wish.length_step_mm,
        seen=wish.seen,
    )


def place(
    part: Part, yard: InYard, use: UseClass, wish: Wish
) -> tuple[Finished, tuple[float, float]] | Reason:
    """Find room for a part in a timber, or say why there is none.

    Parameters
    ----------
    part : Part
        The part. [mm]
    yard : InYard
        The timber.
    use : UseClass
        The part's use.
    wish : Wish
        How the shop cuts.

    Returns
    -------
    (Finished, (float, float)) or Reason
        Where, in the timber's axes, and how large it is sawn; or the reason. [mm]
    """
    # when, how many and under which name makes no difference to where
    return _placed(
        replace(part, name="part", wanted_by_utc=None, count=1, order=None, vessel=""), yard, use, wish
    )


@lru_cache(maxsize=4096)  # a plan asks for the same pair once more for each other wish that it counts
def _placed(
    part: Part, yard: InYard, use: UseClass, wish: Wish
) -> tuple[Finished, tuple[float, float]] | Reason:
    if part.woods and yard.species not in part.woods:
        woods = {"species": yard.species, "wanted_species": part.species}
        return Reason(code="buying.other_wood", values=woods)
    stock = yard.stock.planed(wish.planing_mm)
    if part.length_mm > stock.length_mm - 2 * wish.trim_mm + 1e-6:
        return Reason(code="buying.too_short")
    reason = Reason(code="buying.too_small")
    for turned, (along, other) in (
        (False, (stock.bow_mm, stock.crook_mm)),
        (True, (stock.crook_mm, stock.bow_mm)),
    ):
        sweep = meet(part.sweep_mm, part.length_mm, along or 0.0, stock.length_mm)
        across = meet(0.0, part.length_mm, other or 0.0, stock.length_mm)
        if sweep.one_in < SHORT:
            reason = Reason(code="buying.too_straight", values={"one_in": sweep.one_in})
            continue
        least = min(part.width_mm, part.depth_mm)
        if max(sweep.extra_mm, across.extra_mm) > least:
            reason = Reason(code="buying.too_bent")
            continue
        order = replace(
            order_for(part, wish),
            bow_mm=None if along is None else sweep.extra_mm,
            curve_mm=sweep.extra_mm if along is None else 0.0,
            crook_mm=None if other is None else across.extra_mm,
            start_pct=yard.mean_pct,
        )
        if not _within(part, stock.section):
            continue  # not even without an allowance, which takes long to work out
        need = usual_mm(order, yard.wood, use)
        sawn = need[::-1] if turned else need
        ask = order.ask(yard.wood).turned() if turned else order.ask(yard.wood)
        places = sorted(spots.fits(stock, sawn, part.heart), key=lambda each: _from_pith(each, stock.section))
        for each in places[:TRIED]:
            best = spots.sized(
                stock, ask, yard.wood, use, yard.wet, at=each, heart=part.heart, step_mm=wish.step_mm
            )
            if best is not None:
                return best, (best.width_mm, best.depth_mm)
        if spots.fits(stock, sawn, "any"):
            reason = Reason(code="buying.heart_in_the_way", values={"heart": part.heart})
    return reason


@lru_cache(maxsize=8192)  # timbers alike ask for the same
def usual_mm(order: Order, wood: Species, use: UseClass) -> tuple[float, float]:
    """Return the size that a part is sawn to at its usual place.

    Parameters
    ----------
    order, wood, use
        What is asked for, and of what.

    Returns
    -------
    (float, float)
        Width and depth. [mm]
    """
    width_mm, depth_mm = allowance.needed(order, wood, use).size_mm
    return width_mm, depth_mm


def when(  # noqa: PLR0911 - each reason is an answer
    part: Part, yard: InYard, use: UseClass, *, now_utc: datetime, confidence: float
) -> tuple[datetime | None, Reason]:
    """Say when a part may be squared out of a timber.

    Parameters
    ----------
    part : Part
        The part. [mm]
    yard : InYard
        The timber and its forecast.
    use : UseClass
        The part's use.
    now_utc : datetime
        Now, with a time zone.
    confidence : float
        How sure the date is to be. [-]

    Returns
    -------
    (datetime or None, Reason)
        The date, None when not within the forecast, and where it comes from.
    """
    if use.may_stay_wet:
        return now_utc, Reason(code="buying.by_use")
    own = sorted((part.width_mm, part.depth_mm), reverse=True)
    entered = sorted(yard.finished_mm, reverse=True)
    smaller = all(one <= other + 1.0 for one, other in zip(own, entered, strict=True))
    if yard.use_class == use.name and smaller and yard.square_probability >= confidence - 1e-6:
        return yard.square_utc, Reason(code="buying.by_verdict")
    between = ready_range.of_part(part.width_mm, part.depth_mm, part.heart, yard.wood, use, confidence)
    if between is None:
        return None, Reason(code="buying.moves_too_much", values={"confidence": confidence})
    above, below = between
    values = {"above_pct": above, "below_pct": below}
    if yard.mean_pct < above:
        return None, Reason(code="buying.too_dry", values={**values, "mean_pct": yard.mean_pct})
    if not yard.ahead_posix_s:
        how = Reason(code="buying.by_moisture_now", values=values)
        return (now_utc if yard.mean_pct <= below else None), how
    ahead = np.asarray(yard.ahead_mean_pct)
    dry = np.flatnonzero((ahead <= below) & (ahead >= above))
    how = Reason(code="buying.by_forecast", values=values)
    if dry.size == 0:
        return None, how
    return max(now_utc, datetime.fromtimestamp(float(yard.ahead_posix_s[dry[0]]), UTC)), how


def later(  # noqa: PLR0913 - a part, a timber, its place and its air
    part: Part,
    yard: InYard,
    use: UseClass,
    place: Finished,
    *,
    now_utc: datetime,
    air: Sequence[AirSeries],
) -> float:
    """Chance that a timber is ready by the day of a part that lies beyond its own forecast.

    Parameters
    ----------
    part, yard, use
        The part with its day, the timber, the part's use.
    place : Finished
        Where the part is sawn. [mm]
    now_utc : datetime
        Now, with a time zone.
    air : sequence of AirSeries
        Possible futures.

    Returns
    -------
    float
        Dried on from an even mean by the species' prior; 0 within the forecast, which has said no, or without
        air. [-]
    """
    wanted = part.wanted_by_utc
    if wanted is None or not air or wanted.timestamp() <= max(yard.ahead_posix_s, default=0.0):
        return 0.0
    own = part.width_mm, part.depth_mm
    if (own[0] - own[1]) * (place.width_mm - place.depth_mm) < 0:
        own = own[::-1]
    finished = replace(place, width_mm=own[0], depth_mm=own[1])
    times = (now_utc.timestamp(), wanted.timestamp())
    what = (yard.stock.section, finished, yard.stock.length_mm)
    return _dried_on(what, (yard.wood, use), tuple(air), times, yard.mean_pct)


@lru_cache(maxsize=256)
def _dried_on(
    what: tuple[Section, Finished, float],
    wood_and_use: tuple[Species, UseClass],
    air: tuple[AirSeries, ...],
    times: tuple[float, float],
    mean_pct: float,
) -> float:
    return lead_time.Drying(*what, *wood_and_use, air).by(*times, mean_pct)


def _within(part: Part, section: Section) -> bool:
    """Whether a finished part is no larger than a section, turned or not. [mm]."""
    own, room = sorted((part.width_mm, part.depth_mm)), sorted((section.width_mm, section.depth_mm))
    return own[0] <= room[0] and own[1] <= room[1]


def _from_pith(each: Finished, section: Section) -> float:
    return abs(each.centre_x_mm - section.pith_x_mm) + abs(each.centre_y_mm - section.pith_y_mm)
