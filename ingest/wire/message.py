"""A message as it came, what was understood of it, and numbers, texts and times that stand in one."""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from pydantic_core import from_json

from baulk.ingest.errors import WireError
from baulk.models.quantity import Owner
from baulk.models.reading import Reading
from baulk.models.timber import Event

FIRST_POSIX_S: Final = 946_684_800.0  # 2000-01-01
AHEAD_S: Final = 600.0
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def is_right(posix_s: float, arrived_utc: datetime) -> bool:
    """Whether a device's time can be true."""
    return FIRST_POSIX_S <= posix_s <= arrived_utc.timestamp() + AHEAD_S


def moment(posix_s: float) -> datetime:
    """Turn POSIX seconds into a moment, to the microsecond."""
    return _EPOCH + timedelta(0, 0, round(posix_s * 1e6))


MOST_BYTES: Final = 2_000_000  # of a payload; what is longer than any sensor's buffer is not parsed
_NUMBER: Final = re.compile(r"[+-]?(\d{1,40}(\.\d{0,40})?|\.\d{1,40})([eE][+-]?\d{1,4})?")


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) < len(pairs):
        twice = Counter(key for key, _ in pairs).most_common(1)[0][0]
        raise WireError(f"the JSON has the key {twice[:40]!r} twice in one object")
    return made


_DECODER: Final = json.JSONDecoder(object_pairs_hook=_object)  # made once: a new one takes longer than a pack


def text(payload: bytes) -> str:
    """Decode UTF-8."""
    try:
        return payload.decode().removeprefix(
            "\ufeff"
        )  # the codec that does so by itself is slower than a pack
    except UnicodeDecodeError as err:
        raise WireError("the payload is not UTF-8 text") from err


def parse_pack(payload: bytes) -> Any:  # noqa: ANN401 - JSON can be anything
    """Parse JSON as `parse_json` does, in a quarter of the time if it is an array of flat objects."""
    found = flat_pack(payload) if len(payload) <= MOST_BYTES else None
    return parse_json(payload) if found is None else found


def flat_pack(payload: bytes) -> list[Any] | None:
    """Parse an array of flat objects without a key given twice; None if it is anything else.

    pydantic's parser keeps the last of two values with one key in silence. Each key needs a colon, so of
    objects none has a key twice where there are as many colons as keys are left.
    """
    try:
        found = from_json(payload, allow_inf_nan=False)
        if type(found) is list and payload.count(b":") == sum(map(len, found)):
            return found
    except (ValueError, TypeError):  # `parse_json` says it in words
        pass
    return None


def parse_json(payload: bytes) -> Any:  # noqa: ANN401 - JSON can be anything
    """Parse JSON; NaN and Infinity pass here, so that the records beside them are not lost.

    Raises
    ------
    WireError
        If it is longer than `MOST_BYTES`, no JSON, nested too deeply, or an object has a key twice, since
        nobody could know which of the two values was meant (RFC 8259 section 4).
    """
    if len(payload) > MOST_BYTES:
        raise WireError(
            f"the payload is {len(payload) / 1e6:.1f} MB long; {MOST_BYTES / 1e6:g} MB are the most"
        )
    words = text(payload)
    try:
        return _DECODER.decode(words)
    except WireError:
        raise
    except RecursionError as err:
        raise WireError("the payload is JSON nested too deeply") from err
    except ValueError as err:
        raise WireError(f"the payload is not JSON: {str(err)[:120]}") from err


def number(value: object, what: str) -> float:
    """Give a finite float, or say what stands there instead."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise WireError(f"{what} is {_shown(value)}, not a number")
    try:
        result = float(value)
    except OverflowError as err:
        raise WireError(f"{what} is too large a number") from err
    if not math.isfinite(result):
        raise WireError(f"{what} is {result}, not a number")
    return result


def number_in(words: str, what: str) -> float:
    """Read a number that stands alone in a text."""
    bare = words.strip()
    if not _NUMBER.fullmatch(bare):
        raise WireError(f"{what} is {_shown(bare)}, not a number with a decimal point")
    return number(float(bare), what)


def _shown(value: object) -> str:
    if value is None:
        return "null"
    shown = repr(value) if isinstance(value, str | bool) else type(value).__name__
    return shown if len(shown) <= 60 else shown[:57] + "..."


_MICRO: Final = timedelta(microseconds=1)
_IDS: Final = 65_536  # packet identifiers of MQTT
SOMEBODY: Final = "?"  # stands for forwarders whose names were not kept
MOST_LISTENERS: Final = 7  # that take turns


@dataclass(slots=True, kw_only=True)  # not frozen: that takes twice as long to make
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
    linked_utc : datetime or None
        When the connection began that it came by.
    cut : bool
        Whether the payload is only the digest of what came (`digest`).
    host_ahead_s : float
        How far our own clock is known to have been ahead when it came. [s]
    clock_ahead_s : float or None
        How far the device's clock is known to have been ahead, which can't be true by itself. [s]
    device_behind_s : float
        How far the device's clock is known to have been behind, though its time could be true; below 0
        ahead. [s]
    forwarded : str
        Names of the forwarders that it came by, the first one first; then it arrived when the first took it.
        Empty without; of the log `SOMEBODY`.
    """

    topic: str
    payload: bytes
    arrived_utc: datetime
    retained: bool = False
    mid: int = field(default=0, compare=False)
    again: bool = field(default=False, compare=False)
    linked_utc: datetime | None = field(default=None, compare=False)
    cut: bool = False
    host_ahead_s: float = field(default=0.0, compare=False)
    clock_ahead_s: float | None = field(default=None, compare=False)
    device_behind_s: float = field(default=0.0, compare=False)
    forwarded: str = field(default="", compare=False)

    @property
    def now_utc(self) -> datetime:
        """When it came, by a right clock as far as is known."""
        if not self.host_ahead_s:
            return self.arrived_utc
        return self.arrived_utc - timedelta(seconds=self.host_ahead_s)


def message_of(  # noqa: PLR0913 - what a packet holds
    topic: str,
    payload: bytes,
    arrived_utc: datetime,
    mid: int,
    linked_utc: datetime | None,
    *,
    retained: bool,
    again: bool,
) -> RawMessage:
    """Make a `RawMessage` of what a packet holds, in half of the time."""
    made = object.__new__(RawMessage)
    made.topic = topic
    made.payload = payload
    made.arrived_utc = arrived_utc
    made.retained = retained
    made.mid = mid
    made.again = again
    made.linked_utc = linked_utc
    made.cut = False
    made.host_ahead_s = made.device_behind_s = 0.0
    made.clock_ahead_s = None
    made.forwarded = ""
    return made


def digest(payload: bytes) -> bytes:
    """Stand in for a long payload."""
    return hashlib.blake2b(payload, digest_size=16).digest()


def floor_of(moment: datetime, number: int | None = None) -> datetime:
    """Give the last moment from which `stamped` may count, at most 65 ms earlier.

    Parameters
    ----------
    moment : datetime
        Now.
    number : int or None
        Which of several listeners counts; 0 for one without a number beside them. Each has every eighth such
        moment for itself, since the broker gives the same identifiers to all: up to half a second back.
    """
    micro = (moment - _EPOCH) // _MICRO
    at = micro // _IDS
    if number is not None:
        at -= (at - number) % (MOST_LISTENERS + 1)
    return _EPOCH + at * _IDS * _MICRO


def stamped(floor: datetime, mid: int) -> datetime:
    """Put a packet identifier into an arrival, as its last 65,536 microseconds.

    A reading without a time of its own is kept under its arrival. The broker sends a message that was not
    acknowledged again under the same identifier (MQTT 5.0 4.4), so that the reading is known by it.
    """
    return floor + timedelta(0, 0, mid)


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What a device or the broker in its place says of the device itself.

    Parameters
    ----------
    owner : Owner or None
        What it measures: a timber, the air of a place; None for a sensor that moves.
    name : str
        Tag, place or sensor.
    away : bool
        Whether it is away, else it is there.
    """

    owner: Owner | None
    name: str
    away: bool

    @property
    def about(self) -> str:
        """What it is called where sensors are named: ``air/loft``, ``sensor/S7``."""
        return f"{'sensor' if self.owner is None else self.owner.value}/{self.name}"


@dataclass(slots=True, kw_only=True)  # not frozen: one is made for each message
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
    told : tuple of Told
        What it says of the device itself.
    event : Event or None
        What was measured, seen or done on a timber, which is no reading.
    """

    readings: tuple[Reading, ...] = ()
    problems: tuple[str, ...] = ()
    old: int = 0
    told: tuple[Told, ...] = ()
    event: Event | None = None
