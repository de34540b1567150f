"""What is measured, and everything that is fixed about it: the one place to add a quantity.

A quantity is a member of `Quantity` and its row in `SPECS`; wire formats, checks, loggers' files, pages and
papers take all they know of it from there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import Final, TypeAlias

Scale: TypeAlias = tuple[float, float]  # value * scale + offset gives the quantity's own unit


class Owner(StrEnum):
    """What a reading belongs to."""

    TIMBER = "timber"
    AIR = "air"

    __hash__ = str.__hash__  # agrees with ==, and is quick: an enum's own is written in Python


class Quantity(StrEnum):
    """What was measured; the value is the word used on the wire and in a series' name."""

    RESISTANCE = "resistance"  # between two pins
    MOISTURE = "moisture"  # a meter's own answer, percent of oven-dry mass
    WOOD_TEMP = "wood-temp"
    WEIGHT = "weight"
    WIDTH = "width"  # of the section, by a gauge that stays on the timber
    DEPTH = "depth"
    TEMP = "temp"
    HUMIDITY = "humidity"
    DOOR = "door"  # of the room: whether it stands open, or for which share of the time
    BATTERY = "battery"  # percent of full
    BATTERY_VOLTAGE = "battery-voltage"
    SIGNAL = "signal"  # strength of what the gateway received

    __hash__ = str.__hash__  # as above


@dataclass(frozen=True, slots=True, kw_only=True)
class QuantitySpec:
    """What is fixed about a quantity.

    Parameters
    ----------
    unit : str
        The one unit in which it is stored.
    title : str
        As a person reads it, in small letters.
    owners : frozenset of Owner
        What can have it.
    possible : (float, float)
        Lowest and highest value that can be; anything else goes to quarantine. [unit]
    senml : mapping of str to Scale
        Units of a SenML pack (RFC 8428 section 12.1, RFC 8798 section 3) and how they become `unit`.
    declared : mapping of str to Scale
        Units that a mapping, a logger's file or a form may declare.
    at_depth : bool
        Whether pins at a depth take it.
    jump : float or None
        Change within a day from which a reading is flagged; None where nothing is flagged. [unit]
    restless : bool
        Whether it is never the same for days, so that a value that stays is a fault.
    of_device : bool
        Whether it tells of the sensor rather than of wood or air.
    name : str or None
        Its name in a SenML pack where that is not its own word: a device sends both kinds of battery under
        one name and the unit tells which.
    """

    unit: str
    title: str
    owners: frozenset[Owner]
    possible: tuple[float, float]
    senml: Mapping[str, Scale]
    declared: Mapping[str, Scale]
    at_depth: bool = False
    jump: float | None = None
    restless: bool = False
    of_device: bool = False
    name: str | None = field(default=None)


_TIMBER: Final = frozenset({Owner.TIMBER})
_AIR: Final = frozenset({Owner.AIR})
# Fahrenheit does not exist in SenML; a mapping may declare it. Scales of lb, degF and K are exact by
# definition (NIST SP 811 appendix B, from memory).
_CELSIUS: Final[Mapping[str, Scale]] = {"Cel": (1, 0), "K": (1, -273.15)}
_DEGREES: Final[Mapping[str, Scale]] = {"degC": (1, 0), "degF": (5 / 9, -160 / 9), "K": (1, -273.15)}
# both "/" and "%" are ratios in SenML
_RATIO: Final[Mapping[str, Scale]] = {
    "/": (100, 0), "%": (100, 0), "/100": (1, 0), "/1000": (0.1, 0), "ppm": (1e-4, 0),
}  # fmt: skip
_PERCENT: Final[Mapping[str, Scale]] = {"percent": (1, 0), "ratio": (100, 0)}
_LENGTH: Final[Mapping[str, Scale]] = {"mm": (1, 0), "cm": (10, 0), "m": (1e3, 0), "in": (25.4, 0)}
_VOLT: Final[Mapping[str, Scale]] = {"V": (1, 0), "mV": (0.001, 0)}

# the limits are common practice and our own, without a published source (`ingest.checks`)
SPECS: Final[Mapping[Quantity, QuantitySpec]] = MappingProxyType({
    Quantity.RESISTANCE: QuantitySpec(
        unit="ohm", title="pin resistance", owners=_TIMBER, possible=(1.0, 1e13), at_depth=True,
        restless=True,
        senml={"Ohm": (1, 0)}, declared={"ohm": (1, 0), "kohm": (1e3, 0), "Mohm": (1e6, 0)},
    ),
    Quantity.MOISTURE: QuantitySpec(
        unit="%", title="pin meter", owners=_TIMBER, possible=(0.0, 400.0), at_depth=True, jump=5.0,
        senml=_RATIO, declared=_PERCENT,
    ),
    Quantity.WOOD_TEMP: QuantitySpec(
        unit="degC", title="wood temperature", owners=_TIMBER, possible=(-40.0, 50.0), jump=25.0,
        senml=_CELSIUS, declared=_DEGREES,
    ),
    Quantity.WEIGHT: QuantitySpec(
        unit="kg", title="weight", owners=_TIMBER, possible=(0.001, 20_000.0),
        senml={"kg": (1, 0), "g": (0.001, 0)},
        declared={"kg": (1, 0), "g": (0.001, 0), "lb": (0.45359237, 0)},
    ),
    Quantity.WIDTH: QuantitySpec(
        unit="mm", title="width", owners=_TIMBER, possible=(10.0, 2_000.0), jump=5.0,
        senml={"m": (1e3, 0)}, declared=_LENGTH,
    ),
    Quantity.DEPTH: QuantitySpec(
        unit="mm", title="depth", owners=_TIMBER, possible=(10.0, 2_000.0), jump=5.0,
        senml={"m": (1e3, 0)}, declared=_LENGTH,
    ),
    Quantity.TEMP: QuantitySpec(
        unit="degC", title="air temperature", owners=_AIR, possible=(-40.0, 50.0), jump=25.0, restless=True,
        senml=_CELSIUS, declared=_DEGREES,
    ),
    Quantity.HUMIDITY: QuantitySpec(
        unit="%RH", title="air humidity", owners=_AIR, possible=(0.0, 110.0), restless=True,
        senml={"%RH": (1, 0)}, declared=_PERCENT,
    ),
    Quantity.DOOR: QuantitySpec(
        unit="%", title="door open", owners=_AIR, possible=(0.0, 100.0),
        senml=_RATIO, declared=_PERCENT,
    ),
    Quantity.BATTERY: QuantitySpec(
        unit="%", title="battery", owners=_TIMBER | _AIR, possible=(0.0, 100.0), of_device=True,
        senml={"%EL": (1, 0)}, declared=_PERCENT,
    ),
    Quantity.BATTERY_VOLTAGE: QuantitySpec(
        unit="V", title="battery voltage", owners=_TIMBER | _AIR, possible=(0.0, 60.0), of_device=True,
        senml=_VOLT, declared=_VOLT, name="battery",
    ),
    Quantity.SIGNAL: QuantitySpec(  # dBm: RFC 8798 section 3, from memory
        unit="dBm", title="radio signal", owners=_TIMBER | _AIR, possible=(-200.0, 30.0), of_device=True,
        senml={"dBm": (1, 0)}, declared={"dBm": (1, 0)},
    ),
})  # fmt: skip

UNITS: Final[Mapping[Quantity, str]] = MappingProxyType({one: spec.unit for one, spec in SPECS.items()})
AT_DEPTH: Final = frozenset(one for one, spec in SPECS.items() if spec.at_depth)
SIZES: Final = frozenset({Quantity.WIDTH, Quantity.DEPTH})
OF_DEVICE: Final = frozenset(one for one, spec in SPECS.items() if spec.of_device)
