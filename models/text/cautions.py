"""What can hurt: cautions that stand below a plan, on the page, on paper and in a message."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from baulk.models.formatting import count, show_movement
from baulk.models.text.common import Values, Writer, fixed
from baulk.models.units import System, show_mass


def _heavy(values: Values, system: System) -> str:
    return (
        f"It weighs {show_mass(values['mass_kg'], system)} green, and up to "
        f"{show_mass(values['heavy_kg'], system)} from a dense tree or with much sapwood. Lift it with a "
        "hoist, skates or enough people, keep feet clear, and choose slings for the larger weight."
    )


def _heaviest(values: Values, system: System) -> str:
    return (
        f"The heaviest piece may weigh {show_mass(values['heavy_kg'], system)}. Arrange hoist, slings and "
        "vehicle for that weight, and keep people from under it."
    )


def _green_weight(values: Values, system: System) -> str:
    light, usual, heavy = (show_mass(values[f"{each}_kg"], system) for each in ("light", "usual", "heavy"))
    if values["known"]:
        return f"It weighs about {usual}, from {light} out of a light tree to {heavy} out of a dense one."
    return (
        f"It weighs about {usual} green, from {light} out of a light tree with little sapwood to {heavy} out "
        "of a dense one or with much sapwood."
    )


def _lift(values: Values, system: System) -> str:
    people = max(2, math.ceil(values["heavy_kg"] / values["alone_kg"]))
    return (
        f"Plan the lift for {show_mass(values['heavy_kg'], system)}. Not a lift for one: keep feet clear and "
        f"use a hoist, skates or enough people (by hand {people}, at "
        f"{show_mass(values['alone_kg'], system)} each). Your local rules for lifting come first."
    )


def _boxed_heart(values: Values, system: System) -> str:
    return (
        f"A boxed heart checks in any air. Expect about {show_movement(values['check_mm'], system)} of open "
        "checks in all on the face nearest the pith."
    )


def _set_point(values: Values, _system: System) -> str:
    return (
        f"The set-point expires after {count(round(values['hours']), 'hour')} unless it is published "
        "again. It is a "
        "request, never a safety control. The machine must have its own limits, switch itself off when it is "
        "full, hot or out of contact, and be fed through a residual-current device."
    )


SENTENCES: Final[Mapping[str, Writer]] = {
    "caution.heavy": _heavy,
    "caution.heaviest": _heaviest,
    "caution.lift": _lift,
    "weight.green": _green_weight,
    "caution.boxed_heart": _boxed_heart,
    "caution.turn_the_check": fixed(
        "A boxed heart checks in any air. Turn its check to a face that nobody sees."
    ),
    "caution.saw": fixed(
        "A heavy timber on a saw: support it at both ends of the cut, look for metal, and keep the dust out "
        "of your lungs."
    ),
    "caution.strength": fixed(
        "Strength is not checked here. Where people depend on the piece, its size and grade follow the local "
        "code and a licensed designer."
    ),
    "caution.machine": fixed(
        "A humidifier or dehumidifier is electricity beside water: feed it through a residual-current device "
        "of 30 mA or less, and empty full tanks. Burn nothing in a closed room. Never rely on this plan for "
        "safety."
    ),
    "caution.wiring": fixed(
        "Have fixed wiring done by a licensed electrician, and never let this plan control a machine's "
        "safety."
    ),
    "caution.mould": fixed(
        "Mould grows in weeks of damp, still air. Inspect wet faces, keep the air moving, and wear a mask "
        "where mould has grown."
    ),
    "caution.combustion": fixed("Close a room against draughts only where nothing burns fuel in it."),
    "caution.set_point": _set_point,
}
