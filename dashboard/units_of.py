"""Which unit a bare number means to a person, by the units they have chosen."""

from __future__ import annotations

from baulk.models.units import LengthUnit, MassUnit, System


def length(system: System) -> LengthUnit:
    """Return the unit of a bare length."""
    return "in" if system == "inch" else "mm"


def mass(system: System) -> MassUnit:
    """Return the unit of a bare mass."""
    return "lb" if system == "inch" else "kg"
