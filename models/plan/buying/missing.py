"""What the yard does not give: green size, day of arrival, and the list for the mill."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.errors import BaulkError
from baulk.models.plan.buying import lead_time, ready_stock
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import Wish
from baulk.models.plan.buying.shortfall import MillLine, Shortfall
from baulk.models.plan.sawing import allowance
from baulk.models.plan.sawing.order import NoLog
from baulk.models.plan.sawing.sweep import SHORT
from baulk.models.reason import Reason
from baulk.models.woods import Woods


def shortfall(  # noqa: PLR0913, PLR0917 - a part, its reasons and the air it would dry in
    part: Part,
    count: int,
    reasons: Mapping[str, Reason],
    wish: Wish,
    now_utc: datetime,
    air: Sequence[AirSeries],
    woods: Woods,
) -> Shortfall:
    """Work out what must be bought for a part that the yard does not give.

    Parameters
    ----------
    part : Part
        The part. [mm]
    count : int
        How many are short.
    reasons : mapping of str to Reason
        Why each timber of the yard does not serve.
    wish : Wish
        How the shop buys and cuts.
    now_utc : datetime
        Now, with a time zone.
    air : sequence of AirSeries
        Possible futures of the place where it would dry.
    woods : Woods
        The shop's species and use classes.

    Returns
    -------
    Shortfall
        With its green size and day of arrival, as far as they can be told.
    """
    crook = part.sweep_mm > 0 and part.length_mm / (4 * part.sweep_mm) < SHORT
    short = Shortfall(part=part, count=count, reasons=reasons, crook=crook)
    named = part.species or wish.species
    if named is None:
        return replace(short, why_none=Reason(code="buying.no_wood_named"))
    wood, use = woods.species.get(named), woods.use_classes.get(part.use_class)
    order = replace(ready_stock.order_for(part, wish), curve_mm=_curve_mm(part))
    if part.heart == "any":
        free = replace(order, placement="free")
        smaller = np.prod(allowance.needed(free, wood, use).size_mm) < np.prod(
            allowance.needed(order, wood, use).size_mm
        )
        order = free if smaller else order
    try:
        planned = allowance.size(order, wood, use, compare=False)
    except NoLog as err:
        sides = dict(zip(("width_mm", "depth_mm", "length_mm"), err.size_mm, strict=True))
        return replace(short, why_none=Reason(code="buying.no_log", values=sides))
    except BaulkError as err:
        return replace(short, why_none=Reason(code="buying.no_size", values={"error": str(err)}))
    if not air:
        return replace(short, size=planned)
    dries = lead_time.Drying(planned.green, planned.finished, planned.green_length_mm, wood, use, air)
    found = lead_time.arrival(
        dries,
        use,
        planned.start_pct,
        now_utc=now_utc,
        wanted_utc=part.wanted_by_utc,
        confidence=wish.confidence,
    )
    return replace(short, size=planned, arrival=found)


def _curve_mm(part: Part) -> float:
    """Wood for the curve of a part that is sawn out of a straight timber, as far as a section goes."""
    if part.sweep_mm == 0 or part.length_mm / (4 * part.sweep_mm) < SHORT:
        return 0.0  # straight, or out of a crook that has the curve already
    return min(part.sweep_mm, part.width_mm, part.depth_mm)


def mill(shortfalls: Sequence[Shortfall]) -> tuple[MillLine, ...]:
    """Return the list for the mill, alike pieces in one line.

    Parameters
    ----------
    shortfalls : sequence of Shortfall
        What is short.

    Returns
    -------
    tuple of MillLine
        Those whose size is known.
    """
    lines: dict[tuple[object, ...], MillLine] = {}
    for each in shortfalls:
        plan = each.size
        if plan is None:
            continue
        seasoned = each.arrival.seasoned_pct if each.arrival else None
        heart = "boxed" if plan.green.boxed_heart else "free"
        by = each.arrival.latest_utc if each.arrival else None
        green = plan.green
        key = (
            plan.species,
            green.width_mm,
            green.depth_mm,
            plan.green_length_mm,
            heart,
            seasoned,
            by,
            each.part.sweep_mm,
        )
        before = lines.get(key)
        count = each.count + (before.count if before else 0)
        lines[key] = MillLine(
            species=plan.species,
            count=count,
            width_mm=green.width_mm,
            depth_mm=green.depth_mm,
            length_mm=plan.green_length_mm,
            heart=heart,
            moisture=Reason(code="buying.green")
            if seasoned is None
            else Reason(code="buying.part_seasoned", values={"mc_pct": seasoned}),
            by_utc=by,
            board_feet=plan.board_feet * count,
            volume_m3=plan.volume_m3 * count,
            each_kg=plan.mass_kg,
            each_heavy_kg=plan.heavy_kg,
            parts=(*(before.parts if before else ()), each.part.name),
            sweep_mm=each.part.sweep_mm,
        )
    return tuple(lines.values())
