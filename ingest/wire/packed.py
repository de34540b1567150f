"""Messages packed together as bytes, for the log of what was sent."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final

from baulk.ingest.errors import StoreBroken
from baulk.ingest.wire.message import SOMEBODY, RawMessage

_HEAD: Final = struct.Struct("<qHBHI")  # arrival, identifier, marks, length of topic and of payload
_PLAIN, _ZIPPED = b"\0", b"\1"
_RETAINED, _AGAIN, _CUT, _FORWARDED = 1, 2, 4, 8
_WORTH_IT: Final = 200  # bytes; below, zipping wins nothing
_FAST, _SMALL = 1, 6
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICRO: Final = timedelta(microseconds=1)


def pack(raws: Sequence[RawMessage], *, small: bool = False) -> bytes:
    """Pack messages in their order.

    Parameters
    ----------
    raws : sequence of RawMessage
        The messages.
    small : bool
        Whether it may take longer to come out smaller.
    """
    parts: list[bytes] = []
    topics = {name: name.encode("utf-8", "backslashreplace") for name in {raw.topic for raw in raws}}
    head = _HEAD.pack
    for raw in raws:
        topic, payload = topics[raw.topic], raw.payload
        marks = (_RETAINED if raw.retained else 0) | (_AGAIN if raw.again else 0) | (_CUT if raw.cut else 0)
        if raw.forwarded:
            marks |= _FORWARDED
        arrived = (raw.arrived_utc - _EPOCH) // _MICRO
        parts += (head(arrived, raw.mid, marks, len(topic), len(payload)), topic, payload)
    body = b"".join(parts)
    if len(body) < _WORTH_IT:
        return _PLAIN + body
    return _ZIPPED + zlib.compress(body, _SMALL if small else _FAST)


def unpack(packed: bytes) -> Iterator[RawMessage]:
    """Give the messages back, in their order.

    Raises
    ------
    StoreBroken
        If these are not bytes that `pack` made.
    """
    try:
        body = zlib.decompress(packed[1:]) if packed[:1] == _ZIPPED else packed[1:]
        at = 0
        while at < len(body):
            arrived, mid, marks, long, longer = _HEAD.unpack_from(body, at)
            at += _HEAD.size
            topic, payload = body[at : at + long], body[at + long : at + long + longer]
            at += long + longer
            yield RawMessage(
                topic=topic.decode(),
                payload=payload,
                arrived_utc=_EPOCH + arrived * _MICRO,
                retained=bool(marks & _RETAINED),
                mid=mid,
                again=bool(marks & _AGAIN),
                cut=bool(marks & _CUT),
                forwarded=SOMEBODY if marks & _FORWARDED else "",
            )
    except (zlib.error, struct.error, UnicodeDecodeError, OverflowError) as err:
        raise StoreBroken(f"a part of the log of messages can't be read ({err}); restore a backup") from err
