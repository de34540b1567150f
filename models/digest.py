"""A short text that changes with a value: what tells whether anything that a result rests on is another.

One function for all that is kept and taken up again: evaluations, fits, the ensembles of a plan.
"""

from __future__ import annotations

import struct
from collections.abc import Collection, Iterable, Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from enum import Enum
from hashlib import blake2b
from typing import Any

import numpy as np

from baulk.models.reading import BY_HAND, Reading
from baulk.models.timber import Event, EventKind


def of(*parts: object) -> str:
    """Hash values of any of our types: records, mappings, sequences, arrays, words, moments, numbers.

    Parameters
    ----------
    *parts : object
        What counts.

    Returns
    -------
    str
        32 hexadecimal digits, the same in every process.

    Raises
    ------
    TypeError
        If a value is of another type.
    """
    digest = blake2b(digest_size=16)
    _feed(digest, parts)
    return digest.hexdigest()


def readings(given: Iterable[Reading]) -> tuple[object, ...]:
    """Lay readings out for `of`, in an order of their own.

    Of where one came from only that counts by which the settings of a meter are chosen: whether a person took
    it and entered it.
    """
    names: dict[int, str] = {}
    keyed = []
    for each in given:
        name = names.get(id(each.series)) or names.setdefault(id(each.series), str(each.series))
        keyed.append((name, each.taken_utc.timestamp(), each.value, each.flags, each.source == BY_HAND))
    keyed.sort()
    return (
        "\n".join(f"{name} {','.join(flags)} {'hand' if hand else ''}" for name, _, _, flags, hand in keyed),
        np.array([(taken, value) for _, taken, value, *_ in keyed], dtype=np.float64),
    )


def events(given: Iterable[Event], kinds: Collection[EventKind]) -> tuple[object, ...]:
    """Lay events of some kinds out for `of`; who noted them does not count, nor what was taken back."""
    told = (each for each in given if each.counts and each.kind in kinds)
    return tuple((each.kind, each.at_utc, dict(each.detail)) for each in told)


def _feed(digest: Any, value: Any) -> None:  # noqa: ANN401, C901, PLR0912 - one line a type
    match value:
        case None:
            digest.update(b"n")
        case Enum():
            _feed(digest, value.value)
        case bool():
            digest.update(b"t" if value else b"f")
        case int() | float() | np.number():
            digest.update(b"d" + struct.pack("<d", float(value)))
        case str():
            text = value.encode("utf-8", "surrogatepass")
            digest.update(b"s" + struct.pack("<q", len(text)) + text)
        case datetime():
            digest.update(b"m" + struct.pack("<d", value.timestamp()))
        case date():
            _feed(digest, value.isoformat())
        case np.ndarray():
            digest.update(b"a" + repr(value.shape).encode() + np.ascontiguousarray(value, "<f8").tobytes())
        case Mapping():
            digest.update(b"{")
            for key in sorted(value, key=str):
                _feed(digest, key)
                _feed(digest, value[key])
            digest.update(b"}")
        case tuple() | list():
            digest.update(b"(")
            for each in value:
                _feed(digest, each)
            digest.update(b")")
        case _ if is_dataclass(value):
            _feed(digest, {each.name: getattr(value, each.name) for each in fields(value)})
        case _:
            raise TypeError(f"a {type(value).__name__} has no digest")
