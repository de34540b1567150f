"""What a forwarder says of a message beside it: when it came there, and by whom it was handed on.

Topic and payload go on as they came. The rest stands in a user property of MQTT 5 (3.3.2.3.7), which every
broker has to hand on unchanged: ``MICROSECONDS RETAINED NAMES``, the time since 1970 by the first forwarder's
clock, 1 for the copy that a broker kept for new subscribers, the forwarders' names with commas between. A
message that is sent twice says both times the same, so that the same reading is stored once.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import Final

from baulk.ingest.wire.message import RawMessage, is_right

KEY: Final = "baulk-forwarded"
MOST_NAMES: Final = 8  # forwarders in a row
_MARK: Final = b"\x26" + len(KEY).to_bytes(2, "big") + KEY.encode()  # as it stands in a packet
LEAST: Final = len(_MARK)  # bytes of properties that hold less do not hold it
_VALUE: Final = re.compile(rb"(\d{15,17}) ([01]) ([A-Za-z0-9_,-]{1,400})")
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICRO: Final = timedelta(microseconds=1)


def value(raw: RawMessage, name: str) -> str:
    """Return what a forwarder says of a message.

    Parameters
    ----------
    raw : RawMessage
        The message as it came to the forwarder.
    name : str
        The forwarder's.
    """
    names = f"{raw.forwarded},{name}" if raw.forwarded else name
    return f"{(raw.arrived_utc - _EPOCH) // _MICRO} {int(raw.retained)} {names}"


def names_of(raw: RawMessage) -> list[str]:
    """Return the forwarders that a message came by."""
    return raw.forwarded.split(",") if raw.forwarded else []


def found(properties: bytes) -> bytes:
    """Return what stands under our key in the properties of a packet; nothing where it does not.

    Whoever may publish on a topic may say so of his message, as he may give it any time of his own.
    """
    if (at := properties.find(_MARK)) < 0:
        return b""
    begin = at + len(_MARK) + 2
    return properties[begin : begin + int.from_bytes(properties[begin - 2 : begin], "big")]


def apply(raw: RawMessage, said: bytes) -> None:
    """Give a message the arrival that its forwarder knows, unless that can't be: then it arrives here.

    Parameters
    ----------
    raw : RawMessage
        As it came here; it is changed.
    said : bytes
        What `found` gave.
    """
    match = _VALUE.fullmatch(said)
    if match is None:
        return
    arrived = _EPOCH + int(match[1]) * _MICRO
    if not is_right(arrived.timestamp(), raw.arrived_utc):
        return
    raw.arrived_utc = arrived
    raw.retained = raw.retained or match[2] == b"1"
    raw.forwarded = match[3].decode()
