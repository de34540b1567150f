"""Numbers in bytes by a declared layout: where, of which kind, which bits."""

from __future__ import annotations

import math
import struct
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from baulk.ingest.errors import WireError

# kind: letter of struct, and bytes; u24 and i24, which struct does not know, are read below
_KINDS: Final[Mapping[str, tuple[str, int]]] = MappingProxyType({
    "u8": ("B", 1), "i8": ("b", 1), "u16": ("H", 2), "i16": ("h", 2), "u24": ("", 3), "i24": ("", 3),
    "u32": ("I", 4), "i32": ("i", 4), "f32": ("f", 4), "f64": ("d", 8),
})  # fmt: skip
_ORDERS: Final = {"be": ">", "le": "<"}
KINDS: Final = tuple(
    f"{kind}{order}" for kind, (_, size) in _KINDS.items() for order in (_ORDERS if size > 1 else ("",))
)
"""Every kind of number that a layout may name: ``be`` has the high byte first, ``le`` the low one."""


def size(kind: str) -> int:
    """Return how many bytes a kind of number takes."""
    return _KINDS[_split(kind)[0]][1]


def number_at(body: bytes, offset: int, kind: str, *, bit: int | None = None, bits: int = 1) -> float:
    """Return the number at an offset.

    Parameters
    ----------
    body : bytes
        The bytes of one record.
    offset : int
        Of its first byte, from 0; below 0 counted from the end. [bytes]
    kind : str
        One of `KINDS`.
    bit : int or None
        Lowest of the bits that are meant, 0 for the least; None for the whole number.
    bits : int
        How many of them.

    Raises
    ------
    WireError
        If the bytes end before it, or it is no number.
    """
    name, order = _split(kind)
    letter, long = _KINDS[name]
    start = offset if offset >= 0 else len(body) + offset
    part = body[start : start + long] if start >= 0 else b""
    if len(part) < long:
        raise WireError(f"there is no {kind} at byte {offset}: the payload has {len(body)} bytes")
    if bit is not None:
        whole = int.from_bytes(part, "little" if order == "<" else "big")
        return float(whole >> bit & (1 << bits) - 1)
    if letter:
        value = float(struct.unpack(order + letter, part)[0])
        if letter == "f" and math.isfinite(value):
            value = float(f"{value:.7g}")  # what 32 bits hold; the rest comes of widening it
    else:
        value = float(int.from_bytes(part, "little" if order == "<" else "big", signed=name[0] == "i"))
    if not math.isfinite(value):
        raise WireError(f"the {kind} at byte {offset} is {value}, not a number")
    return value


def _split(kind: str) -> tuple[str, str]:
    name = kind.removesuffix("be").removesuffix("le")
    return name, _ORDERS.get(kind[len(name) :], ">")
