"""A message as it came, before anybody has tried to understand it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final

from baulk.models.reading import Reading

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICRO: Final = timedelta(microseconds=1)
_IDS: Final = 65_536  # packet identifiers of MQTT


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
    mid : int
        Packet identifier of a message of QoS 1; 0 for any other. Also in the arrival, see `stamped`.
    again : bool
        Whether the broker said that it sends this message once more.
    """

    topic: str
    payload: bytes
    arrived_utc: datetime
    retained: bool = False
    mid: int = field(default=0, compare=False)
    again: bool = field(default=False, compare=False)


def floor_of(moment: datetime) -> datetime:
    """Give the last moment from which `stamped` may count: at most 65 ms earlier."""
    micro = (moment - _EPOCH) // _MICRO
    return _EPOCH + (micro - micro % _IDS) * _MICRO


def stamped(floor: datetime, mid: int) -> datetime:
    """Put a packet identifier into an arrival, as its last 65,536 microseconds.

    A reading without a time of its own is kept under its arrival. The broker sends a message that was not
    acknowledged again under the same identifier (MQTT 5.0 4.4), so that the reading is known by it.
    """
    return floor + timedelta(microseconds=mid)


def stamp_of(arrived_utc: datetime) -> int:
    """Read the packet identifier out of an arrival."""
    return (arrived_utc - _EPOCH) // _MICRO % _IDS


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
