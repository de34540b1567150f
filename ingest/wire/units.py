"""Units as they come over the wire, turned into the one unit of their quantity (`baulk.models.quantity`)."""

from __future__ import annotations

from baulk.models.errors import OutOfRange
from baulk.models.quantity import SPECS, Quantity, Scale


def known(quantity: Quantity) -> tuple[str, ...]:
    """Units that a mapping may declare for a quantity."""
    return tuple(SPECS[quantity].declared)


def convert(value: float, scale: Scale) -> float:
    """Apply ``value * scale + offset``, and hide the last binary digit that it adds."""
    return float(f"{value * scale[0] + scale[1]:.12g}") if scale != (1, 0) else float(value)


def dry_basis(wet_pct: float) -> float:
    """Turn moisture in percent of the whole mass into percent of the oven-dry mass.

    Wood Handbook FPL-GTR-282, eq. (4-1): MC is water over oven-dry mass; a wet basis divides by both.
    """
    if not 0 <= wet_pct < 100:
        raise OutOfRange("a moisture on the wet basis", f"lies from 0 to below 100 %, not {wet_pct:g}")
    return float(f"{100 * wet_pct / (100 - wet_pct):.12g}")
