"""Units as they come over the wire, turned into the one unit of their quantity.

Two tables: the symbols that a SenML pack may carry (RFC 8428 section 12.1 and RFC 8798 section 3:
value * scale + offset gives the primary unit; both ``/`` and ``%`` are ratios), and the plainer symbols that
a mapping in baulk.toml declares. Fahrenheit does not exist in SenML; a mapping may declare it. Scales of lb,
degF and K are exact by definition (NIST SP 811 appendix B, from memory).
"""

from __future__ import annotations

from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.reading import Quantity

Scale = tuple[float, float]  # value * scale + offset

_TEMPERATURE: Final[dict[str, Scale]] = {"Cel": (1, 0), "K": (1, -273.15)}
_RATIO: Final[dict[str, Scale]] = {
    "/": (100, 0),
    "%": (100, 0),
    "/100": (1, 0),
    "/1000": (0.1, 0),
    "ppm": (1e-4, 0),
}

SENML: Final[dict[Quantity, dict[str, Scale]]] = {
    Quantity.RESISTANCE: {"Ohm": (1, 0)},
    Quantity.MOISTURE: _RATIO,
    Quantity.WOOD_TEMP: _TEMPERATURE,
    Quantity.WEIGHT: {"kg": (1, 0), "g": (0.001, 0)},
    Quantity.TEMP: _TEMPERATURE,
    Quantity.HUMIDITY: {"%RH": (1, 0)},
    Quantity.BATTERY: {"%EL": (1, 0)},
    Quantity.BATTERY_VOLTAGE: {"V": (1, 0), "mV": (0.001, 0)},
}

_DEGREES: Final[dict[str, Scale]] = {
    "degC": (1, 0),
    "degF": (5 / 9, -160 / 9),
    "K": (1, -273.15),
}
_PERCENT: Final[dict[str, Scale]] = {"percent": (1, 0), "ratio": (100, 0)}

DECLARED: Final[dict[Quantity, dict[str, Scale]]] = {
    Quantity.RESISTANCE: {"ohm": (1, 0), "kohm": (1e3, 0), "Mohm": (1e6, 0)},
    Quantity.MOISTURE: _PERCENT,
    Quantity.WOOD_TEMP: _DEGREES,
    Quantity.WEIGHT: {"kg": (1, 0), "g": (0.001, 0), "lb": (0.45359237, 0)},
    Quantity.TEMP: _DEGREES,
    Quantity.HUMIDITY: _PERCENT,
    Quantity.BATTERY: _PERCENT,
    Quantity.BATTERY_VOLTAGE: {"V": (1, 0), "mV": (0.001, 0)},
}


def known(quantity: Quantity) -> tuple[str, ...]:
    """Units that a mapping may declare for a quantity."""
    return tuple(DECLARED[quantity])


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
