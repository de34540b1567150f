"""What a person types in the form of an arrival: sizes with fractions, a pith, a length along the grain."""

from __future__ import annotations

from baulk.models.section import Section
from baulk.models.units import System, default_length_unit, length_mm, size_mm


def section(green: str, pith: tuple[str, str] | None, system: System) -> Section:
    """Read a typed green size and a pith, centred when None."""
    bare = default_length_unit(system)
    width, depth = size_mm(green, bare=bare)
    if pith is None:
        return Section(width_mm=width, depth_mm=depth)
    x, y = (length_mm(text, bare=bare, signed=True) for text in pith)
    return Section(width_mm=width, depth_mm=depth, pith_x_mm=x, pith_y_mm=y)


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
