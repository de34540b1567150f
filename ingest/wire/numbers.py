"""JSON and numbers from outside: any bytes in, a value or a `WireError` out."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from typing import Any, Final

from baulk.ingest.errors import WireError

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
        return payload.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        raise WireError("the payload is not UTF-8 text") from err


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
