"""Readings as a person writes them down, a line each: "WO-1 28.5 at 1 1/4 face b", "WO-1 231 lb"."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from baulk.models import moisture_text, units
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Quantity
from baulk.models.section import Face
from baulk.models.units import System

_LINE: Final = re.compile(
    r"(?P<tag>[A-Za-z0-9][A-Za-z0-9._-]*)[\s,;:]+(?P<value>.+?)"
    r"(?:\s+at\s+(?P<depth>.+?))?(?:[\s,;]+(?:(?:on|in)\s+)?(?:face\s+)?(?P<face>[abcd]))?",
    re.IGNORECASE,
)
_MASS: Final = re.compile(r".*\d\s*(?:kgs?|kilograms?|grams?|g|lbs?|pounds?|oz|ounces?)\.?", re.IGNORECASE)
HOW: Final = "a line looks like 'WO-1 28.5 at 1 1/4', 'WO-1 OL at 30 mm face b' or 'WO-1 231 lb'"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One reading that a person wrote down.

    Parameters
    ----------
    tag : str
        As written.
    quantity : Quantity
        Moisture or weight.
    value : float
        Percent of oven-dry mass, or kilograms. [%, kg]
    at_least : bool
        Whether the meter's scale ended there.
    depth_mm : float or None
        Depth of the pin tips; None where nothing was said. [mm]
    face : Face or None
        The face; None where nothing was said.
    """

    tag: str
    quantity: Quantity
    value: float
    at_least: bool = False
    depth_mm: float | None = None
    face: Face | None = None


def read(text: str, system: System, *, top_pct: float | None = None) -> Line | None:
    """Read a line of a walk.

    Parameters
    ----------
    text : str
        Tag, value, and for pins where they stood: ``at`` a depth, on a face. A number with kg or lb behind it
        is a weight; what stands behind # is not read.
    system : {"inch", "metric"}
        Of a depth without a unit.
    top_pct : float, optional
        Where the meter's scale ends. [%]

    Returns
    -------
    Line or None
        None for an empty line.

    Raises
    ------
    OutOfRange
        If it is not such a line.
    """
    said = text.split("#", 1)[0].strip()
    if not said:
        return None
    found = _LINE.fullmatch(said)
    if found is None:
        raise OutOfRange("the line", f"{said!r} is not understood: {HOW}")
    value, depth = found["value"], found["depth"]
    if _MASS.fullmatch(value):
        if depth or found["face"]:
            raise OutOfRange("a weight", f"has neither a depth nor a face: {HOW}")
        return Line(tag=found["tag"], quantity=Quantity.WEIGHT, value=units.mass_kg(value))
    shown = moisture_text.read(value, top_pct=top_pct)
    return Line(
        tag=found["tag"],
        quantity=Quantity.MOISTURE,
        value=shown.mc_pct,
        at_least=shown.at_least,
        depth_mm=units.length_mm(depth, bare=units.default_length_unit(system)) if depth else None,
        face=Face(found["face"].lower()) if found["face"] else None,
    )
