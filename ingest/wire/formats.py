"""The message formats that a `[[source]]` may name: a new one is a file in this folder and its line here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """How messages of a format are read.

    Parameters
    ----------
    module, function : str
        Module of `baulk.ingest.wire` and the function in it that takes a `RawMessage` and its `Source` and
        returns `Decoded`, or raises `WireError`.
    says_quantity : bool
        Whether a message says quantity and unit itself, under names that the source may translate.
    needs_value : bool
        Whether the source has to say by a JMESPath where the number is.
    needs : str or None
        The part of a source that belongs to this format and to no other.
    only_told : bool
        Whether it tells of the device alone and holds no reading.
    """

    module: str
    function: str
    says_quantity: bool = False
    needs_value: bool = False
    needs: str | None = None
    only_told: bool = False


FORMATS: Final[Mapping[str, Format]] = MappingProxyType({
    "plain": Format(module="mapped", function="plain"),
    "json": Format(module="mapped", function="nested", needs_value=True),
    "bytes": Format(module="mapped", function="packed", needs="bytes"),
    "csv": Format(module="mapped", function="lines", needs="line"),
    "senml": Format(module="mapped", function="pack", says_quantity=True),
    "status": Format(module="mapped", function="status", only_told=True),
})  # fmt: skip
