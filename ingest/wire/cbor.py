"""CBOR (RFC 8949), read as the JSON that it stands for, and SenML packs in it (RFC 8428 section 6).

`cbor2` decodes. What it would make beyond JSON's kinds (sets, patterns, numbers of any length, values that
refer to one another) is refused: a few bytes of those can stand for gigabytes.
"""

from __future__ import annotations

import base64
import io
import json
import math
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from types import MappingProxyType
from typing import Any, Final, NoReturn

import cbor2

from baulk.ingest.errors import WireError

MOST_BYTES: Final = 128_000  # a week of ten-minute readings takes a third; the worst of this length takes 1 s
DEEPEST: Final = 32
_LONGEST: Final = 1000  # power of ten of a decimal fraction
_SELF: Final = b"\xd9\xd9\xf7"  # tag 55799, which only says that it is CBOR (RFC 8949 section 3.4.6)
_ARRAYS: Final = range(0x80, 0xA0)  # first bytes of an array or of a map: neither can begin UTF-8 text
_MAPS: Final = range(0xA0, 0xC0)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
# RFC 8428 table 4; further labels are texts
_LABELS: Final[Mapping[int, str]] = MappingProxyType({
    -1: "bver", -2: "bn", -3: "bt", -4: "bu", -5: "bv", -6: "bs",
    0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb", 5: "s", 6: "t", 7: "ut", 8: "vd",
})  # fmt: skip
# tags that cbor2 knows and JSON does not: long numbers, references, patterns, mail, sets, addresses ...
_REFUSED: Final = (
    2, 3, 5, 25, 28, 29, 30, 35, 36, 37, 52, 54, 100, 256, 258, 260, 261, 1004, 43000,
)  # fmt: skip


def begins(payload: bytes) -> bool:
    """Whether a payload is a CBOR array or map and no text: none in UTF-8 begins so."""
    start = payload.removeprefix(_SELF)[:1]
    return bool(start) and (start[0] in _ARRAYS or start[0] in _MAPS)


def parse(payload: bytes) -> Any:  # noqa: ANN401 - JSON can be anything
    """Return the JSON that CBOR stands for (RFC 8949 section 6.1).

    Whole numbers as keys become texts, bytes become base64url without padding, "undefined" null; a time
    (tags 0 and 1) becomes ISO 8601, a decimal fraction (tag 4) a number. NaN and infinity pass, so that
    what stands beside them is not lost.

    Parameters
    ----------
    payload : bytes
        One item, of at most `MOST_BYTES`.

    Raises
    ------
    WireError
        If it is longer, no CBOR, nested deeper than `DEEPEST`, has a key twice, goes on after its end or
        holds what JSON does not have.
    """
    return _plain(_item(payload))


def as_json(payload: bytes) -> bytes:
    """Return the JSON text of `parse`."""
    try:
        return json.dumps(parse(payload)).encode()
    except (ValueError, UnicodeEncodeError) as err:
        raise WireError(f"the payload's CBOR stands for no JSON: {str(err)[:80]}") from err


def pack(payload: bytes) -> Any:  # noqa: ANN401 - the caller tells an array from the rest
    """Return a SenML pack with the labels of its JSON.

    Raises
    ------
    WireError
        As `parse`, or for a whole number that is no label of SenML's.
    """
    found = _item(payload)
    if not isinstance(found, list):
        return _plain(found)
    return [_record(one, index) if isinstance(one, dict) else _plain(one) for index, one in enumerate(found)]


def _record(record: dict[Any, Any], index: int) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for key, value in record.items():
        label = _LABELS.get(key) if isinstance(key, int) and not isinstance(key, bool) else key
        if not isinstance(label, str):
            raise WireError(f"SenML record {index} has the label {str(key)[:40]}, which SenML has not")
        _once(label, made)
        made[label] = _plain(value)
    return made


def _item(payload: bytes) -> Any:  # noqa: ANN401 - CBOR can be anything
    if len(payload) > MOST_BYTES:
        raise WireError(
            f"the CBOR is {len(payload) / 1e3:.0f} kB long; {MOST_BYTES / 1e3:.0f} kB are the most"
        )
    decoder = cbor2.CBORDecoder(
        io.BytesIO(payload.removeprefix(_SELF)),
        max_depth=DEEPEST,
        allow_duplicate_keys=False,
        semantic_decoders=_TAGS,
    )
    try:
        found = decoder.decode()
    except (cbor2.CBORError, ValueError, TypeError, OverflowError, RecursionError) as err:
        raise WireError(f"the payload is not CBOR that can be read: {_why(err)[:120]}") from err
    try:
        decoder.read(1)
    except cbor2.CBORDecodeEOF:
        return found
    raise WireError("the payload goes on after the end of its CBOR")


def _why(err: BaseException) -> str:
    """Say what went wrong; of a tag its own reason, which stands behind the library's sentence."""
    return f"{err}: {err.__cause__}" if isinstance(err.__cause__, Exception) else str(err)


def _plain(item: object) -> Any:  # noqa: ANN401 - JSON can be anything
    kind = type(item)
    if kind in {str, bool, int, float} or item is None:
        return item
    if item is cbor2.undefined:
        return None
    if isinstance(item, bytes):
        return base64.urlsafe_b64encode(item).rstrip(b"=").decode()
    if isinstance(item, list | tuple):
        return [_plain(one) for one in item]
    if isinstance(item, Mapping):  # cbor2's own kind where a tag stands around it
        made: dict[str, Any] = {}
        for key, value in item.items():
            if type(key) not in {str, int}:
                raise WireError(
                    f"the CBOR has a map with a key that is {type(key).__name__}, not text or number"
                )
            _once(str(key), made)
            made[str(key)] = _plain(value)
        return made
    if isinstance(item, cbor2.CBORTag):
        raise WireError(f"the CBOR has the tag {item.tag}, which is not read")
    raise WireError(f"the CBOR has a {kind.__name__}, which is not read")


def _once(label: str, made: Mapping[str, object]) -> None:
    if label in made:
        raise WireError(f"the CBOR has the key {label[:40]!r} twice in one map")


# --- tags; the second argument, whether it stands in a key, changes nothing


def _text_time(value: object, _in_key: bool) -> str:  # noqa: FBT001 - as cbor2 calls it
    if not isinstance(value, str):
        raise ValueError("a time of tag 0 is a text")  # noqa: TRY004 - as the rest that is caught
    return value


def _number_time(value: object, _in_key: bool) -> str:  # noqa: FBT001 - as cbor2 calls it
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError("a time of tag 1 is a number")
    return (_EPOCH + timedelta(seconds=value)).isoformat()


def _decimal(value: object, _in_key: bool) -> float:  # noqa: FBT001 - as cbor2 calls it
    match value:
        case [int(power), int(whole)] if abs(power) <= _LONGEST:
            return float(f"{whole}e{power}")
    raise ValueError("a decimal fraction is two whole numbers, the first the power of ten")


def _refuse(tag: int) -> Callable[[object, bool], NoReturn]:
    def refused(_value: object, _in_key: bool) -> NoReturn:  # noqa: FBT001 - as cbor2 calls it
        raise ValueError(f"tag {tag} is not read")

    return refused


_TAGS: Final = {0: _text_time, 1: _number_time, 4: _decimal, **{one: _refuse(one) for one in _REFUSED}}
