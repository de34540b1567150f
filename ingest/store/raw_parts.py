"""What the log of messages is made of, and what is asked of it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from baulk.ingest.wire import packed
from baulk.ingest.wire.message import RawMessage


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """Messages that were stored together.

    Parameters
    ----------
    number : int
        Counts up.
    client : str
        Which listener took them.
    linked_utc : datetime or None
        When the connection began that they came by, if that is known.
    written_utc : datetime
        When they were stored.
    first_utc, last_utc : datetime
        Their first and their last arrival.
    count : int
        How many.
    body : bytes
        Packed.
    """

    number: int
    client: str
    linked_utc: datetime | None
    written_utc: datetime
    first_utc: datetime
    last_utc: datetime
    count: int
    body: bytes

    def messages(self) -> Iterator[RawMessage]:
        """Unpack them."""
        return packed.unpack(self.body)


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """How much the log holds.

    Parameters
    ----------
    first_utc, last_utc : datetime or None
        The first and the last arrival.
    count : int
        How many messages.
    size : int
        What they take. [bytes]
    """

    first_utc: datetime | None
    last_utc: datetime | None
    count: int
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What a listener takes in at once.

    Parameters
    ----------
    client : str
        Which listener.
    raws : sequence of RawMessage
        Its messages.
    now_utc : datetime
        Now.
    """

    client: str
    raws: Sequence[RawMessage]
    now_utc: datetime


class Messages(Protocol):
    """The log of what was sent."""

    def extent(self) -> Extent:
        """Tell how much there is."""

    def tail(self, client: str, *, count: int, most: int, lasting: timedelta) -> list[Part]:
        """Give the last parts of a listener, oldest first.

        At least ``count`` messages and as far back as ``lasting``, but no more than ``most``.
        """

    def spans(self, since: datetime, until: datetime, most: int) -> Iterator[tuple[datetime, datetime]]:
        """Divide a stretch of time so that each piece has about so many messages; its end is not in it."""

    def between(self, since: datetime, until: datetime) -> list[RawMessage]:
        """Give the messages that arrived from one moment to before another, in order of arrival."""

    def last(self, fits: Callable[[str], bool], *, count: int, within: int) -> list[RawMessage]:
        """Give the last messages whose topics are wanted, oldest first, out of so many of the newest."""

    def tidy(self, now_utc: datetime, *, days: float, most_bytes: float) -> int:
        """Drop what is older, and the oldest beyond a size; return how many messages went."""
