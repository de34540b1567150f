"""How a foreign sensor's messages are to be read: one `[[source]]` table of baulk.toml."""

from __future__ import annotations

from typing import Final, Literal, Self
from zoneinfo import ZoneInfo

import jmespath
from jmespath.exceptions import JMESPathError
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from baulk.ingest.wire import topics, units
from baulk.ingest.wire.formats import FORMATS
from baulk.models.quantity import AT_DEPTH, SPECS, Owner, Quantity
from baulk.models.section import Face

_NOT_SENML: Final = ("value", "quantity", "unit", "time", "time_zone")


class Source(BaseModel):
    """A topic filter and what its messages mean.

    ``tag``, ``place`` or ``sensor`` may take a level of the topic: ``"{1}"`` is the second level, counted
    from 0. A sensor is one that moves between timbers: the register knows on which it was, how deep and in
    which face (`baulk timber attach`); a depth or face said here holds where the register says none. Several
    sources may fit one topic; each takes from a message what it names.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    topic: str = Field(min_length=1)
    format: str = "json"
    value: str | None = None  # JMESPath to the number; json only
    quantity: Quantity | None = None  # senml says both itself
    unit: str | None = None
    basis: Literal["dry", "wet"] = "dry"  # of a moisture: percent of oven-dry mass, or of the whole
    names: dict[str, str] = Field(default_factory=dict)  # senml only: the sensor's own name = ours
    tag: str | None = None
    place: str | None = None
    sensor: str | None = None
    depth_mm: float | None = Field(default=None, gt=0, lt=1000)
    face: Face | None = None
    time: str | None = None  # JMESPath to the device's time; json only
    time_as: Literal["unix_s", "unix_ms", "iso"] = "iso"
    time_zone: str | None = None  # for an ISO time without offset

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

    @field_validator("value", "time")
    @classmethod
    def _compiles(cls, text: str | None) -> str | None:
        if text is not None:
            try:
                jmespath.compile(text)
            except JMESPathError as err:
                raise ValueError(f"{text!r} is not a JMESPath: {str(err).splitlines()[0]}") from err
        return text

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
        if FORMATS[self.format].says_quantity:
            if extra := [name for name in _NOT_SENML if getattr(self, name) is not None]:
                raise ValueError(
                    f"format {self.format} says {' and '.join(extra)} in the message; leave that out"
                )
            return self
        if self.names:
            able = " or ".join(name for name, each in FORMATS.items() if each.says_quantity)
            raise ValueError(f"names belong to format {able}")
        if self.quantity is None or self.unit is None:
            raise ValueError(f"format {self.format} needs quantity and unit, for nothing is guessed")
        if self.basis == "wet" and self.quantity is not Quantity.MOISTURE:
            raise ValueError(f"basis is for moisture, not for {self.quantity.value}")
        if FORMATS[self.format].needs_value and self.value is None:
            raise ValueError(f"format {self.format} needs value, the JMESPath to the number")
        if self.quantity in AT_DEPTH and self.depth_mm is None and self.sensor is None:
            raise ValueError(f"a {self.quantity.value} needs depth_mm, the depth of the pin tips")
        known = units.known(self.quantity)
        if self.unit not in known:
            raise ValueError(
                f"unit {self.unit!r} is not one for {self.quantity.value}; known: {', '.join(known)}"
            )
        return self
