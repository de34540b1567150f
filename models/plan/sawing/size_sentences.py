"""The sentences of a size plan: what it assumes, what would change it, what to mind."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from baulk.models.plan.sawing import allowance
from baulk.models.plan.sawing.order import Order, SizePlan
from baulk.models.shrinkage import PIECES_VARY
from baulk.models.species import Species
from baulk.models.units import System, show_mass, show_size
from baulk.models.use_class import UseClass

LIFT_KG: Final = (
    25.0  # what one person should not lift alone; common practice, local rules come first, no source
)
STRENGTH: Final = (
    "Strength is not looked at; where people depend on the piece, size and grade follow the local code and a "
    "licensed designer."
)
_PLACED: Final = {
    "boxed": "heart boxed at the centre",
    "free": "free of heart",
    "offset": "heart off the centre",
}


def assumptions(plan: SizePlan, use: UseClass) -> tuple[str, ...]:
    """Say what the plan takes for granted.

    Parameters
    ----------
    plan : SizePlan
        The plan.
    use : UseClass
        Its use.

    Returns
    -------
    tuple of str
        Sentences.
    """
    found = [
        (
            f"Sawn at {plan.start_pct:.0f} %, squared once it is evenly at {plan.squared_pct:.0f} %, the "
            "middle of "
            f"the service range of {use.title.lower()} ({use.service_low_pct:g} to "
            f"{use.service_high_pct:g} %)."
        ),
        (
            f"Single pieces differ from their species by {PIECES_VARY:.0%} of the shrinkage (Wood Handbook "
            "chapter "
            f"4, from memory); {plan.order.confidence:.0%} of the pieces hold the size as far as shrinkage "
            "decides."
        ),
        "Creep is left out: it makes the real piece distort a little less.",
    ]
    if plan.order.bow_mm is None or plan.order.crook_mm is None:
        found.append(
            f"Bow or crook is taken as 1 in {1 / allowance.BOW_PER_LENGTH:.0f} of the length: common "
            "practice without a source; knots, sapwood edges and spiral grain can bend a timber much more."
        )
    if plan.order.placement == "free" and plan.order.pith_mm is None:
        found.append(f"The pith lies {allowance.CLEAR_OF_HEART_MM:g} mm beyond face c of the green piece.")
    return tuple(found)


def would_change(plan: SizePlan, wood: Species, use: UseClass) -> tuple[str, ...]:
    """Work out what other choices would give.

    Parameters
    ----------
    plan : SizePlan
        The plan.
    wood, use
        Its wood and its use.

    Returns
    -------
    tuple of str
        Sentences, in millimetres and inches.
    """
    order = plan.order
    other: Order = replace(order, placement="free" if order.placement != "free" else "boxed", pith_mm=None)
    found = [f"{_capital(_PLACED[other.placement])} it needs {_both(_need(other, wood, use))}."]
    dry = replace(use, service_low_pct=use.service_low_pct, service_high_pct=use.service_low_pct + 1e-9)
    found.append(
        f"Left until the driest of its service, {use.service_low_pct:g} %, it needs "
        f"{_both(_need(order, wood, dry))}."
    )
    if order.confidence > 0.5:
        found.append(
            f"For half of the pieces {_both(_need(replace(order, confidence=0.5), wood, use))} would do."
        )
    if order.bow_mm != 0 or order.crook_mm != 0:
        straight = replace(order, bow_mm=0.0, crook_mm=0.0)
        found.append(f"A timber that stays straight needs {_both(_need(straight, wood, use))}.")
    if use.may_stay_wet or plan.squared_green_mm <= plan.tolerated_mm:
        found.append(
            f"Squared green it would move by {plan.squared_green_mm:.1f} mm, and the use tolerates "
            f"{plan.tolerated_mm:.1f} mm"
            + (" and lets it stay wet: it may be sawn to size at once." if use.may_stay_wet else ".")
        )
    return tuple(found)


def cautions(plan: SizePlan) -> tuple[str, ...]:
    """Say what can hurt.

    Parameters
    ----------
    plan : SizePlan
        The plan.

    Returns
    -------
    tuple of str
        Sentences.
    """
    found = []
    if plan.heavy_kg > LIFT_KG:
        found.append(
            f"It weighs {plan.mass_kg:.0f} kg ({show_mass(plan.mass_kg, 'inch')}) green, and "
            f"{plan.heavy_kg:.0f} kg ({show_mass(plan.heavy_kg, 'inch')}) from a heavy tree: lift it with a "
            "hoist, skates or enough people, keep feet clear, and check slings for the heavier figure."
        )
    if plan.green.boxed_heart and plan.check_mm > 0.5:
        found.append(
            f"A boxed heart checks whatever the air: about {plan.check_mm:.0f} mm in all at the face "
            "nearest to the pith."
        )
    found.append(STRENGTH)
    return tuple(found)


def words(plan: SizePlan, system: System) -> tuple[str, ...]:
    """Tell the plan in lines, the answer first.

    Parameters
    ----------
    plan : SizePlan
        The plan.
    system : {"inch", "metric"}
        Units.

    Returns
    -------
    tuple of str
        The lines.
    """
    order, green = plan.order, plan.green
    exact = show_size(plan.needed_width_mm, plan.needed_depth_mm, system)
    return (
        (
            f"Saw or order {show_size(green.width_mm, green.depth_mm, system)}, "
            f"{_long(plan.green_length_mm, system)}, {plan.species}, {_PLACED[order.placement]}"
            f" ({exact} before rounding up)."
        ),
        (
            f"It gives {show_size(order.width_mm, order.depth_mm, system)}, "
            f"{_long(order.length_mm, system)}, "
            f"with {order.confidence:.0%} confidence."
        ),
        (
            f"{plan.board_feet:.1f} board feet, {plan.volume_m3:.3f} m3; {show_mass(plan.mass_kg, system)} "
            "green,"
            f" up to {show_mass(plan.heavy_kg, system)}."
        ),
    )


def _need(order: Order, wood: Species, use: UseClass) -> tuple[float, float]:
    return allowance.needed(order, wood, use)[1]


def _both(mm: tuple[float, float]) -> str:
    return f"{show_size(*mm, 'metric')} ({show_size(*mm, 'inch')})"


def _long(mm: float, system: System) -> str:
    return f"{mm / 304.8:.4g} ft" if system == "inch" else f"{mm / 1000:.4g} m"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
