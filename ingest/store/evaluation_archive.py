"""Evaluations that are kept for good, packed: a shop has one of each timber and week for years.

What an earlier version kept is JSON as it came, which never begins with the byte that zlib does.
"""

from __future__ import annotations

import zlib
from typing import Final

_PACKED: Final = b"\x78"
_MOST: Final = (
    64_000_000  # bytes of one evaluation: a row that somebody made to fill the memory is left packed
)


def packed(payload: bytes) -> bytes:
    """Return an evaluation as it is kept."""
    return zlib.compress(payload)


def unpacked(kept: bytes) -> bytes:
    """Return an evaluation as it was given; one that is damaged as it lies, for its reader to say so."""
    if not kept.startswith(_PACKED):
        return kept
    unpacking = zlib.decompressobj()
    try:
        payload = unpacking.decompress(kept, _MOST)
    except zlib.error:
        return kept
    return payload if unpacking.eof else kept
