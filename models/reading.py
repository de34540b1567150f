"""One reading: what was measured on which timber or in which air, in the one unit of its quantity."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from types import MappingProxyType
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.formatting import in_brief
from baulk.models.quantity import AT_DEPTH, SIZES, UNITS, Owner, Quantity
from baulk.models.section import Face

BY_HAND: Final = "hand"  # source of a reading that a person took and entered
AT_LEAST: Final = "at-least"  # flag of a reading at which the meter's scale ended
# the faces that a size can be measured along, not from one middle to the other
MEASURED_ALONG: Final[Mapping[Quantity, tuple[Face, Face]]] = MappingProxyType(
    {Quantity.WIDTH: (Face.A, Face.C), Quantity.DEPTH: (Face.B, Face.D)}
)

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,63}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """Where a reading belongs: owner, name, quantity; for pins their depth and face, for a gauge its place.

    Its text form is the tail of its own MQTT topic and SenML name, for instance
    ``timber/FER-03/pin-45/b/moisture``, ``timber/FER-03/end-1200/a/width``, ``timber/FER-03/weight`` or
    ``air/shed/humidity``.

    Parameters
    ----------
    owner : Owner
        Timber or air.
    name : str
        Tag of the timber or name of the place: letters, digits, dot, dash, underscore; at most 64.
    quantity : Quantity
        What was measured.
    depth_mm : float, optional
        Depth of the pin tips below the face; needed for resistance and moisture. [mm]
    face : Face, optional
        Face that the pins were driven into, any if it is missing; of a width or a depth the face that it is
        measured along, from one middle to the other if it is missing.
    from_end_mm : float, optional
        Of a width or a depth the distance of the gauge from an end; of pins it is a flag (`end_flag`). [mm]
    """

    owner: Owner
    name: str
    quantity: Quantity
    depth_mm: float | None = None
    face: Face | None = None
    from_end_mm: float | None = None

    def __post_init__(self) -> None:
        if not _NAME.fullmatch(self.name):
            raise OutOfRange(
                "a tag or place",
                f"is made of up to 64 letters, digits, dots and dashes, not {in_brief(self.name)!r}"
                + ("" if self.name.isascii() else "; its letters are A to Z, without accents"),
            )
        if self.quantity in AT_DEPTH and not (self.depth_mm is not None and 0 < self.depth_mm < 1000):
            raise OutOfRange("a pin reading", f"needs a depth above 0 and below 1000 mm, not {self.depth_mm}")
        if (
            self.quantity in SIZES
            and self.face is not None
            and self.face not in MEASURED_ALONG[self.quantity]
        ):
            along = " or ".join(one.value for one in MEASURED_ALONG[self.quantity])
            raise OutOfRange(
                f"a {self.quantity.value}", f"is measured along face {along}, not {self.face.value}"
            )
        if self.from_end_mm is not None and not (self.quantity in SIZES and 0 <= self.from_end_mm < 100_000):
            raise OutOfRange(
                "the distance from an end in a series",
                f"belongs to a width or a depth and is 0 or more, not {self.from_end_mm:g} mm",
            )

        if self.from_end_mm is not None:  # as its text form says it, so that a typed inch is the same series
            object.__setattr__(self, "from_end_mm", round(self.from_end_mm, 1))

    def __str__(self) -> str:
        face = f"{self.face.value}/" if self.face else ""
        where = ""
        if self.depth_mm is not None:
            where = f"pin-{self.depth_mm:g}/{face}"
        elif self.quantity in SIZES:
            where = face if self.from_end_mm is None else f"end-{self.from_end_mm:g}/{face}"
        return f"{self.owner.value}/{self.name}/{where}{self.quantity.value}"

    @classmethod
    def parse(cls, text: str) -> Series:
        """Read the text form back.

        Parameters
        ----------
        text : str
            As `str` of a series gives it.

        Returns
        -------
        Series
            The series.

        Raises
        ------
        OutOfRange
            If the text is not a series.
        """
        try:
            owner, name, *middle, quantity = text.split("/")
            what, depth_mm, end_mm = Quantity(quantity), None, None
            if what in SIZES and middle and middle[0].startswith("end-"):
                end_mm = float(middle.pop(0).removeprefix("end-"))
            elif what not in SIZES and middle:
                depth_mm = float(middle.pop(0).removeprefix("pin-"))
            return cls(
                owner=Owner(owner),
                name=name,
                quantity=what,
                depth_mm=depth_mm,
                face=Face(middle[0]) if middle else None,
                from_end_mm=end_mm,
            )
        except OutOfRange:
            raise
        except ValueError as err:
            raise OutOfRange("a series", f"looks like timber/TAG/pin-45/b/moisture, not {text!r}") from err


def series_of(text: str) -> Series | None:
    """Return a series from its text form; None for what is none, such as an oven-dried section."""
    try:
        return Series.parse(text)
    except OutOfRange:
        return None


def end_flag(distance_mm: float) -> str:
    """Return the flag of pins at a distance from an end, for instance ``end-305`` (mm)."""
    if not 0 <= distance_mm < math.inf:
        raise OutOfRange("the distance from an end", f"must be 0 or more, not {distance_mm:g} mm")
    return f"end-{distance_mm:.0f}"


def from_end_mm(flags: Iterable[str]) -> float | None:
    """Return the distance from an end among a reading's flags in mm, if it has one."""
    marks = (flag.removeprefix("end-") for flag in flags if flag.startswith("end-"))
    return next((float(mark) for mark in marks if mark.isdecimal()), None)


def sensor_flag(sensor: str) -> str:
    """Return the flag of a sensor that moves between timbers, for instance ``sensor-S7``."""
    if not _NAME.fullmatch(sensor):
        raise OutOfRange(
            "the name of a sensor",
            f"is made of up to 64 letters, digits, dots and dashes, not {in_brief(sensor)!r}",
        )
    return f"sensor-{sensor}"


def sensor_of(flags: Iterable[str]) -> str | None:
    """Return the sensor among a reading's flags, if it has one."""
    return next((flag.removeprefix("sensor-") for flag in flags if flag.startswith("sensor-")), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """One measured value in the unit of its quantity.

    Parameters
    ----------
    series : Series
        Where it belongs.
    value : float
        Finite, in ``UNITS[series.quantity]``.
    taken_utc, arrived_utc : datetime
        When the device took it and when it reached us; both with a time zone.
    source : str
        "mqtt", "hand", "import".
    flags : tuple of str
        What the checks found, for instance "clock", "above-fsp", "jump"; "at-least" where the meter's scale
        ended ("OL", ">30"); and where a person said so the distance of the pins from an end, "end-305" (mm),
        and the sensor that took it if that moves between timbers, "sensor-S7"; a flag never removes a
        reading.
    """

    series: Series
    value: float
    taken_utc: datetime
    arrived_utc: datetime
    source: str = "mqtt"
    flags: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise OutOfRange("a reading", f"must be a number, not {self.value}")
        if self.taken_utc.tzinfo is None or self.arrived_utc.tzinfo is None:
            raise OutOfRange("a reading's time", "needs a time zone")

    @property
    def unit(self) -> str:
        """The unit of the value."""
        return UNITS[self.series.quantity]


_SET: Final = tuple(Reading.__dict__[one.name].__set__ for one in fields(Reading))


def checked_reading(
    series: Series, value: float, taken_utc: datetime, arrived_utc: datetime, flags: tuple[str, ...]
) -> Reading:
    """Make a sensor's reading whose parts are known to be right, in two fifths of the time.

    Parameters
    ----------
    series : Series
        Where it belongs.
    value : float
        Finite, in ``UNITS[series.quantity]``.
    taken_utc, arrived_utc : datetime
        Both with a time zone.
    flags : tuple of str
        As of a `Reading`.
    """
    made = object.__new__(Reading)
    set_series, set_value, set_taken, set_arrived, set_source, set_flags = _SET
    set_series(made, series)
    set_value(made, value)
    set_taken(made, taken_utc)
    set_arrived(made, arrived_utc)
    set_source(made, "mqtt")
    set_flags(made, flags)
    return made
