"""How a foreign sensor's messages are to be read: a `[[source]]` of baulk.toml, or one kept with the shop."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self
from zoneinfo import ZoneInfo

import jmespath
from jmespath.exceptions import JMESPathError
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from baulk.ingest.wire import byte_layout, topics, unwrap
from baulk.ingest.wire import units as wire_units
from baulk.ingest.wire.formats import FORMATS
from baulk.models.quantity import AT_DEPTH, SPECS, Owner, Quantity
from baulk.models.section import Face

_NOT_SENML: Final = (
    "value", "quantity", "unit", "time", "time_zone", "outer_time", "each", "apart_s", "words", "ends_in",
)  # fmt: skip
_OF_JSON: Final = ("value", "each", "time")
_MOST_BYTES_ASKED: Final = 65_535
Path = Annotated[str, Field(min_length=1, max_length=500)]
Word = Annotated[str, Field(min_length=1, max_length=80)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class BytesPart(_Part):
    """Where a number stands in bytes; with `record` several of one layout stand one after another."""

    at: int = Field(ge=-_MOST_BYTES_ASKED, le=_MOST_BYTES_ASKED)  # of the first byte; below 0 from the end
    number: str  # one of byte_layout.KINDS: u8, i16be, i16le, f32be ...
    bit: int | None = Field(default=None, ge=0, le=63)  # the lowest of the bits that are meant
    bits: int = Field(default=1, ge=1, le=32)
    skip: int = Field(default=0, ge=0, le=_MOST_BYTES_ASKED)  # bytes in front of the first record
    record: int | None = Field(default=None, ge=1, le=_MOST_BYTES_ASKED)  # bytes of one
    time_at: int | None = Field(default=None, ge=-_MOST_BYTES_ASKED, le=_MOST_BYTES_ASKED)
    time_number: str = "u32be"

    @field_validator("number", "time_number")
    @classmethod
    def _is_known(cls, text: str) -> str:
        if text not in byte_layout.KINDS:
            raise ValueError(f"{text!r} is no kind of number; known: {', '.join(byte_layout.KINDS)}")
        return text

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.bit is not None:
            if self.number[0] == "f":
                raise ValueError("bit belongs to a whole number, such as u8")
            if self.bit + self.bits > 8 * byte_layout.size(self.number):
                raise ValueError(f"{self.number} has no bit {self.bit + self.bits - 1}")
        return self


class LinePart(_Part):
    """Where a number stands in a line of separated values (RFC 4180, any separator); columns count from 0."""

    column: int = Field(ge=0, le=500)
    time: int | None = Field(default=None, ge=0, le=500)
    separator: str = Field(default=",", min_length=1, max_length=1)

    @field_validator("separator")
    @classmethod
    def _parts(cls, text: str) -> str:
        if text in '"\r\n':
            raise ValueError(f"{text!r} can't separate values")
        return text


class Source(_Part):
    """A topic filter and what its messages mean.

    ``tag``, ``place`` or ``sensor`` may take a level of the topic: ``"{1}"`` is the second level, counted
    from 0. A sensor is one that moves between timbers: the register knows on which it was, how deep and in
    which face (`baulk timber attach`); a depth or face said here holds where the register says none. Several
    sources may fit one topic; each takes from a message what it names.
    """

    topic: str = Field(min_length=1, max_length=500)
    format: str = "json"
    inside: tuple[str, ...] = Field(default=(), max_length=unwrap.MOST_STEPS)  # out of a gateway's wrapping
    only_if: Path | None = None  # JMESPath in the message as it came; others are none of this source's
    value: Path | None = None  # JMESPath to the number, or to a list of numbers; json only
    each: Path | None = None  # JMESPath to a list; value and time count from each of its items; json only
    bytes: BytesPart | None = None
    line: LinePart | None = None
    quantity: Quantity | None = None  # senml says both itself
    unit: str | None = None
    scale: float = Field(default=1, gt=-1e12, lt=1e12)  # what a number is multiplied by before its unit, and
    add: float = Field(default=0, gt=-1e12, lt=1e12)  # what is added then
    decimal: Literal["point", "comma"] = "point"  # of a number in a text
    ends_in: str = Field(default="", max_length=20)  # what stands behind the number in a text
    words: dict[Word, float] = Field(default_factory=dict, max_length=50)  # texts that stand for a number
    away: tuple[Word, ...] = Field(default=(), max_length=20)  # texts that say that the sensor is away, and
    here: tuple[Word, ...] = Field(default=(), max_length=20)  # that it is there
    basis: Literal["dry", "wet"] = "dry"  # of a moisture: percent of oven-dry mass, or of the whole
    names: dict[str, str] = Field(default_factory=dict)  # senml only: the sensor's own name = ours
    tag: str | None = None
    place: str | None = None
    sensor: str | None = None
    depth_mm: float | None = Field(default=None, gt=0, lt=1000)
    face: Face | None = None
    from_end_mm: float | None = Field(default=None, ge=0, lt=100_000)  # of pins or a gauge, along it
    time: Path | None = None  # JMESPath to the device's time; json only
    outer_time: Path | None = None  # the same in the message as it came, around what is `inside`
    time_as: Literal["unix_s", "unix_ms", "iso"] = "iso"
    time_zone: str | None = None  # for an ISO time without offset
    apart_s: float | None = Field(default=None, gt=-1e7, lt=1e7)  # of a list; below 0: the newest is first

    @field_validator("topic")
    @classmethod
    def _can_be_asked_for(cls, text: str) -> str:
        if not topics.valid_filter(text):
            raise ValueError(
                f"{text!r} is not a topic filter: # stands alone at the end, + alone on its level"
            )
        return text

    @field_validator("format")
    @classmethod
    def _is_known(cls, text: str) -> str:
        if text not in FORMATS:
            raise ValueError(f"{text!r} is not a format; known: {', '.join(FORMATS)}")
        return text

    @field_validator("value", "time", "each", "only_if", "outer_time")
    @classmethod
    def _compiles(cls, text: str | None) -> str | None:
        if text is not None:
            _compile(text)
        return text

    @field_validator("inside")
    @classmethod
    def _steps_are_known(cls, steps: tuple[str, ...]) -> tuple[str, ...]:
        for step in steps:
            if step.startswith(unwrap.AT):
                _compile(step.removeprefix(unwrap.AT))
            elif step not in unwrap.STEPS:
                known = ", ".join(f'"{one}"' for one in unwrap.STEPS)
                raise ValueError(f'{step!r} is no step; known: "at PATH", {known}')
        return steps

    @field_validator("time_zone")
    @classmethod
    def _zone_exists(cls, text: str | None) -> str | None:
        if text is not None:
            try:
                ZoneInfo(text)
            except (KeyError, ValueError, OSError) as err:
                raise ValueError(f"{text!r} is not a time zone; an example is Europe/Lisbon") from err
        return text

    @field_validator("names")
    @classmethod
    def _names_are_ours(cls, names: dict[str, str]) -> dict[str, str]:
        ours = [one.value for one, spec in SPECS.items() if spec.name is None]
        if wrong := [one for one in names.values() if one not in ours]:
            raise ValueError(f"{wrong[0]!r} is not one of our names; known: {', '.join(ours)}")
        if "" in names:
            raise ValueError("a name of the sensor's must not be empty")
        return names

    @field_validator("apart_s")
    @classmethod
    def _is_apart(cls, seconds: float | None) -> float | None:
        if seconds == 0:
            raise ValueError("apart_s is the time between two values of a list and can't be 0")
        return seconds

    @property
    def owner(self) -> Owner:
        """What its readings belong to."""
        return Owner.AIR if self.place is not None else Owner.TIMBER

    def named(self, topic: str) -> str:
        """Give the tag, place or sensor that a topic speaks of."""
        return topics.fill(self.tag or self.place or self.sensor or "", topic)

    @model_validator(mode="after")
    def _hangs_together(self) -> Self:
        if sum(each is not None for each in (self.tag, self.place, self.sensor)) != 1:
            raise ValueError(
                "needs one of tag (of a timber), place (of air) and sensor (one that moves between timbers)"
            )
        form = FORMATS[self.format]
        self._check_parts()
        if form.only_told:
            if not (self.away or self.here):
                raise ValueError(f"format {self.format} needs away or here, the texts that it knows")
            if self.quantity or self.unit:
                raise ValueError(f"format {self.format} holds no reading; leave quantity and unit out")
            return self
        if form.says_quantity:
            if extra := [name for name in _NOT_SENML if getattr(self, name)]:
                raise ValueError(
                    f"format {self.format} says {' and '.join(extra)} in the message; leave that out"
                )
            return self
        self._check_quantity()
        return self

    def _check_parts(self) -> None:
        """Refuse what belongs to another format, and say what this one lacks."""
        form = FORMATS[self.format]
        for name, each in FORMATS.items():
            if each.needs is None:
                continue
            if name == self.format and getattr(self, each.needs) is None:
                raise ValueError(f"format {name} needs {each.needs}, where the number stands")
            if name != self.format and getattr(self, each.needs) is not None:
                raise ValueError(f"{each.needs} belongs to format {name}")
        if not (form.needs_value or form.says_quantity):
            alien = [name for name in _OF_JSON if not (form.only_told and name == "value")]
            extra = [name for name in alien if getattr(self, name)]
            if extra:
                able = " or ".join(name for name, each in FORMATS.items() if each.needs_value)
                raise ValueError(f"{' and '.join(extra)} belongs to format {able}")
        if self.names and not form.says_quantity:
            able = " or ".join(name for name, each in FORMATS.items() if each.says_quantity)
            raise ValueError(f"names belong to format {able}")
        if both := {one.casefold() for one in self.away} & {one.casefold() for one in self.here}:
            raise ValueError(f"{min(both)!r} can't mean both away and here")

    def _check_quantity(self) -> None:
        if self.quantity is None or self.unit is None:
            raise ValueError(f"format {self.format} needs quantity and unit, for nothing is guessed")
        if self.scale == 0:
            raise ValueError("scale can't be 0: every reading would be the same")
        if self.basis == "wet" and self.quantity is not Quantity.MOISTURE:
            raise ValueError(f"basis is for moisture, not for {self.quantity.value}")
        if FORMATS[self.format].needs_value and self.value is None:
            raise ValueError(f"format {self.format} needs value, the JMESPath to the number")
        if self.quantity in AT_DEPTH and self.depth_mm is None and self.sensor is None:
            raise ValueError(f"a {self.quantity.value} needs depth_mm, the depth of the pin tips")
        known = wire_units.known(self.quantity)
        if self.unit not in known:
            raise ValueError(
                f"unit {self.unit!r} is not one for {self.quantity.value}; known: {', '.join(known)}"
            )


class KeptSource(Source):
    """A mapping that a person made on a page or by a command; those of baulk.toml win over it."""

    number: int = Field(ge=1)


def _compile(path: str) -> None:
    try:
        jmespath.compile(path)
    except (JMESPathError, RecursionError) as err:
        raise ValueError(f"{path!r} is not a JMESPath: {str(err).splitlines()[0]}") from err
