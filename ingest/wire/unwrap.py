"""The message inside a gateway's wrapping: taken out step by step, as its mapping declares."""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, Final

import jmespath
from jmespath.exceptions import JMESPathError

from baulk.ingest.errors import WireError
from baulk.ingest.wire import cbor
from baulk.ingest.wire.message import RawMessage, parse_json, text

AT: Final = "at "  # begins a step that takes what stands at a JMESPath
CBOR: Final = "cbor"
STEPS: Final = ("base64", "hex", CBOR)
MOST_STEPS: Final = 6
_URL_SAFE: Final = str.maketrans("-_", "+/")


def search(path: str, body: Any) -> Any:  # noqa: ANN401 - JSON can be anything
    """Return what stands at a JMESPath, None for nothing.

    Raises
    ------
    WireError
        If the path can't be followed in this body.
    """
    try:
        return jmespath.search(path, body)
    except (JMESPathError, ValueError, TypeError, RecursionError) as err:
        raise WireError(f"the path {path!r} does not fit the payload: {str(err)[:80]}") from err


def inner(raw: RawMessage, steps: Sequence[str]) -> RawMessage:
    """Return the message that a gateway has wrapped, with the topic and the arrival of what came.

    Parameters
    ----------
    raw : RawMessage
        As it came.
    steps : sequence of str
        ``"at PATH"`` takes what stands at a JMESPath of the JSON so far; ``"base64"`` (RFC 4648, also its
        alphabet for addresses, padded or not) and ``"hex"`` turn the text so far into bytes, ``"cbor"``
        (RFC 8949) the bytes so far into the JSON that they stand for.

    Raises
    ------
    WireError
        If a step does not fit what came.
    """
    if not steps:
        return raw
    payload = raw.payload
    for step in steps:
        payload = _taken(payload, step.removeprefix(AT)) if step.startswith(AT) else _decoded(payload, step)
    return replace(raw, payload=payload)


def _taken(payload: bytes, path: str) -> bytes:
    found = search(path, parse_json(payload))
    if found is None:
        raise WireError(f"there is nothing at {path!r} in the payload")
    if isinstance(found, str):
        try:
            return found.encode()
        except UnicodeEncodeError as err:
            raise WireError(f"the text at {path!r} is not UTF-8") from err
    try:
        return json.dumps(found).encode()
    except (ValueError, RecursionError) as err:
        raise WireError(f"what stands at {path!r} can't be taken out") from err


def outermost(raw: RawMessage, steps: Sequence[str]) -> Any:  # noqa: ANN401 - JSON can be anything
    """Return the JSON of a message as it came, in front of its wrapping; CBOR where that is the first step.

    Raises
    ------
    WireError
        If it is neither.
    """
    return cbor.parse(raw.payload) if steps[:1] == (CBOR,) else parse_json(raw.payload)


def _decoded(payload: bytes, step: str) -> bytes:
    if step == CBOR:
        return cbor.as_json(payload)
    words = "".join(text(payload).split())
    if not words:
        raise WireError(f"there is no {step} in the payload")
    try:
        if step == "hex":
            return bytes.fromhex(words.replace(":", "").removeprefix("0x").removeprefix("0X"))
        bare = words.rstrip("=").translate(_URL_SAFE)
        return base64.b64decode(bare + "=" * (-len(bare) % 4), validate=True)
    except (binascii.Error, ValueError) as err:
        shown = words if len(words) <= 40 else words[:37] + "..."
        raise WireError(f"{shown!r} is not {step}") from err
