"""What a person types in the form of an arrival: sizes with fractions, a pith, a length along the grain."""

from __future__ import annotations

import re
from typing import Final

from baulk.models import sapwood
from baulk.models.errors import OutOfRange
from baulk.models.section import Section
from baulk.models.units import LengthUnit, System, default_length_unit, length_mm, size_mm

M3_PER_FT3: Final = 0.3048**3


def section(green: str, pith: tuple[str, str] | None, system: System) -> Section:
    """Read a typed green size and a pith, centred when None."""
    bare = default_length_unit(system)
    width, depth = size_mm(green, bare=bare)
    if pith is None:
        return Section(width_mm=width, depth_mm=depth)
    x, y = (length_mm(text, bare=bare, signed=True) for text in pith)
    return Section(width_mm=width, depth_mm=depth, pith_x_mm=x, pith_y_mm=y)


def heartwood_mm(
    green: Section, radius: str | None, width: str | None, bare: LengthUnit | None = None
) -> float | None:
    """Read where the sapwood begins, as a distance from the pith; None where nothing was typed.

    Told as the radius of the heartwood, or as the width of the sapwood at the corner farthest from the pith;
    "none" of either says that there is none of it.
    """
    given = {"radius": (radius or "").strip(), "width": (width or "").strip()}
    if given["radius"] and given["width"]:
        raise OutOfRange(
            "the sapwood", "is told by the radius of the heartwood or by its own width, not by both"
        )
    for what, text in given.items():
        if not text:
            continue
        none = text.lower() in {"none", "0"}
        mm = 0.0 if none else length_mm(text, bare=bare, signed=True)
        if mm < 0:
            raise OutOfRange(f"the {what} of the sapwood's boundary", f"must be 0 or more, not {text!r}")
        return mm if what == "radius" else sapwood.radius_mm(green, mm)
    return None


def volume_m3(text: str, system: System) -> float:
    """Read a volume of air; a bare number is cubic feet, or in a metric shop cubic metres."""
    plain = text.strip().lower().replace("\u00b3", "3")
    number = re.sub(r"\s*(m3|ft3|cu ft)$", "", plain)
    feet = plain.endswith(("ft3", "cu ft")) or (number == plain and system == "inch")
    try:
        return float(number) * (M3_PER_FT3 if feet else 1.0)
    except ValueError as err:
        raise OutOfRange("the volume", f"looks like '180 m3' or '6400 ft3', not {text!r}") from err


def along_mm(text: str, system: System) -> float:
    """Read a length along the grain; a bare number is feet, or in a metric shop metres below 30."""
    plain = text.strip()
    try:
        number = float(plain)
    except ValueError:
        return length_mm(plain, bare=default_length_unit(system))
    if system == "inch":
        return length_mm(f"{number} ft")
    return length_mm(f"{number} m" if number < 30 else f"{number} mm")


def amount(text: str | None, units: tuple[str, ...], what: str) -> float | None:
    """Read a number with its unit or without one; None where nothing was typed.

    Raises
    ------
    OutOfRange
        If it is no number of that unit.
    """
    plain = (text or "").strip().lower()
    if not plain:
        return None
    number = plain
    for unit in units:
        if plain.endswith(unit):
            number = plain.removesuffix(unit).strip()
            break
    try:
        return float(number)
    except ValueError as err:
        raise OutOfRange(what, f"looks like '34 {units[0]}', not {text!r}") from err
