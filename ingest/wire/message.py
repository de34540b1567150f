"""A message as it came, before anybody has tried to understand it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from baulk.models.reading import Reading


@dataclass(frozen=True, slots=True, kw_only=True)
class RawMessage:
    """One message.

    Parameters
    ----------
    topic : str
        Topic it was published to.
    payload : bytes
        As it came.
    arrived_utc : datetime
        When it reached us, with a time zone.
    retained : bool
        Whether the broker handed out its retained copy on subscribing: not news in itself.
    """

    topic: str
    payload: bytes
    arrived_utc: datetime
    retained: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """What was understood of a message, and what was not.

    Parameters
    ----------
    readings : tuple of Reading
        Every record that makes sense.
    problems : tuple of str
        One sentence for each record that does not.
    old : int
        Records of a retained replay whose time nobody knows: not news, and left out on purpose.
    """

    readings: tuple[Reading, ...] = ()
    problems: tuple[str, ...] = ()
    old: int = 0
