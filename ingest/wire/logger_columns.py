"""A data logger's file: which column is the time, and what each of the others measures, in which unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final, Self

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from baulk.ingest.errors import ExchangeError
from baulk.ingest.wire import units
from baulk.ingest.wire.senml import NO_DEPTH_MM
from baulk.ingest.wire.timestamps import TimeForm
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.quantity import AT_DEPTH, SPECS, UNITS, Owner, Quantity, Scale
from baulk.models.reading import Series, sensor_flag

_MOVING: Final = re.compile(r"sensor/(?P<name>[^/]+)/(?P<quantity>[^/]+)")
_LIKE: Final = '"Temp (C)=air/shed/temp:degC"'


def _series(text: str) -> Series:
    found = _MOVING.fullmatch(text)
    if found is None:
        return Series.parse(text)
    sensor_flag(found["name"])
    try:
        quantity = Quantity(found["quantity"])
    except ValueError as err:
        raise OutOfRange("a sensor that moves", f"is written as sensor/NAME/moisture, not {text!r}") from err
    depth_mm = NO_DEPTH_MM if quantity in AT_DEPTH else None
    return Series(owner=Owner.TIMBER, name=found["name"], quantity=quantity, depth_mm=depth_mm)


def scale_of(quantity: Quantity, unit: str) -> Scale:
    """Give the scale of a declared unit, or of the unit that we keep ourselves.

    Raises
    ------
    OutOfRange
        If the unit is not known for the quantity.
    """
    if unit == UNITS[quantity]:
        return (1, 0)
    found = SPECS[quantity].declared.get(unit)
    if found is None:
        known = ", ".join(units.known(quantity))
        raise OutOfRange(
            "the unit", f"{unit!r} is not one for {quantity.value}; known: {known}; nothing is guessed"
        )
    return found


class Column(BaseModel):
    """One column: its heading, the series that it is, and its unit."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    heading: str = Field(min_length=1)
    series: str
    unit: str

    @model_validator(mode="after")
    def _is_known(self) -> Self:
        try:
            scale_of(self.parsed.quantity, self.unit)
        except BaulkError as err:
            raise ValueError(str(err)) from err
        return self

    @property
    def sensor(self) -> str | None:
        """The sensor, if it is one that moves between timbers; the register knows on which it was."""
        found = _MOVING.fullmatch(self.series)
        return found["name"] if found else None

    @property
    def parsed(self) -> Series:
        """The series; of a sensor that moves the one that stands for it until it is placed."""
        return _series(self.series)

    @property
    def scale(self) -> Scale:
        """How its numbers become ours."""
        return scale_of(self.parsed.quantity, self.unit)


class Logger(BaseModel):
    """`[[logger]]` of baulk.toml: a data logger whose CSV files are brought in by its name."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str = Field(default="logger", min_length=1, max_length=64)
    time: str = Field(min_length=1)  # heading of the time
    time_format: str = "iso"  # or "unix_s", "unix_ms", "%d/%m/%Y %H:%M"
    zone: str | None = None  # of times without an offset
    columns: tuple[Column, ...] = Field(min_length=1)

    @field_validator("columns", mode="before")
    @classmethod
    def _as_text(cls, given: object) -> object:
        """Take ``columns = { "Temp (C)" = "air/shed/temp:degC" }`` as it stands in the settings."""
        if not isinstance(given, dict):
            return given
        try:
            return tuple(column(f"{heading}={meaning}") for heading, meaning in given.items())
        except ExchangeError as err:
            raise ValueError(str(err)) from err

    @model_validator(mode="after")
    def _times_are_known(self) -> Self:
        try:
            _ = self.times
        except ExchangeError as err:
            raise ValueError(str(err)) from err
        return self

    @property
    def times(self) -> TimeForm:
        """How its times are written."""
        return TimeForm(format=self.time_format, zone=self.zone)


def column(text: str) -> Column:
    """Read a column as a person writes it: the heading, = the series, : the unit.

    Raises
    ------
    ExchangeError
        If it is not so, or the unit is none of the quantity.
    """
    heading, equals, meaning = text.rpartition("=")
    series, colon, unit = meaning.rpartition(":")
    if not (heading.strip() and equals and series.strip() and colon and unit.strip()):
        raise ExchangeError(f"a column is written as {_LIKE}, with its unit behind the series, not {text!r}")
    try:
        scale_of(_series(series.strip()).quantity, unit.strip())
    except BaulkError as err:
        raise ExchangeError(f"the column {heading.strip()!r}: {err}") from err
    return Column(heading=heading.strip(), series=series.strip(), unit=unit.strip())


def as_said(
    time: str, columns: Sequence[str], *, time_format: str = "iso", zone: str | None = None
) -> Logger:
    """Make a logger of what a person said, without the settings.

    Raises
    ------
    ExchangeError
        If a column, the time's format or its zone makes no sense.
    """
    if not time.strip() or not columns:
        raise ExchangeError("a data logger's file needs its column of the time and one column more")
    TimeForm(format=time_format, zone=zone)
    found = tuple(column(each) for each in columns)
    return Logger(time=time, time_format=time_format, zone=zone, columns=found)
