"""Messages that could not be stored: as they came, why, and what they have in common."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

from baulk.ingest.wire.message import RawMessage


class Cause(StrEnum):
    """Why a message can't be stored: what a person mends together."""

    UNKNOWN_TIMBER = "unknown-timber"
    UNPLACED_SENSOR = "unplaced-sensor"
    UNKNOWN_PLACE = "unknown-place"
    NOT_UNDERSTOOD = "not-understood"
    IMPOSSIBLE = "impossible"
    UNLIKELY = "unlikely"  # an event, until a person says that it is right
    CLASH = "clash"  # another value is stored at that time
    REFUSED = "refused"  # by the server of the readings
    PROGRAM = "program"  # a mistake of ours


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejected:
    """A message that can't be stored, or of which a part can't.

    Parameters
    ----------
    raw : RawMessage
        As it came.
    reason : str
        One sentence.
    cause : Cause
        What kind of trouble it is.
    waits_for : str or None
        The unknown tag, the sensor or the place, if that is all that is wrong.
    """

    raw: RawMessage
    reason: str
    cause: Cause
    waits_for: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class QuarantineRow:
    """A message that could not be stored, with its reason and its bytes.

    Parameters
    ----------
    number : int
        Counts up; names the row.
    raw : RawMessage
        As it came.
    reason : str
        One sentence.
    cause : Cause
        What kind of trouble it is.
    waits_for : str or None
        The unknown tag, or the sensor, if that was all that was wrong.
    size : int
        How long its payload was; longer than what is kept of one that no sensor sends. [bytes]
    """

    number: int
    raw: RawMessage
    reason: str
    cause: Cause
    waits_for: str | None
    size: int

    @property
    def is_whole(self) -> bool:
        """Whether all of its payload is kept."""
        return self.size == len(self.raw.payload)


@dataclass(frozen=True, slots=True, kw_only=True)
class QuarantineGroup:
    """Messages in quarantine with one cause and one sender.

    Parameters
    ----------
    cause : Cause
        What kind of trouble it is.
    sender : str
        The topic that they came by.
    messages : int
        How many.
    size : int
        What is kept of their payloads. [bytes]
    first_utc, last_utc : datetime
        When the first and the last one came.
    newest : int
        The number of the last one.
    reason : str
        Of the last one.
    """

    cause: Cause
    sender: str
    messages: int
    size: int
    first_utc: datetime
    last_utc: datetime
    newest: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Which:
    """Messages in quarantine that are meant; all of them when nothing is said.

    Parameters
    ----------
    number : int, optional
        A single one.
    cause : Cause, optional
        Those of one cause.
    sender : str, optional
        Those that came by one topic.
    waits_for : str, optional
        Those that wait for one tag or sensor.
    """

    number: int | None = None
    cause: Cause | None = None
    sender: str | None = None
    waits_for: str | None = None


EVERYTHING: Final = Which()
