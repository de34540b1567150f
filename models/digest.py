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

from baulk.models.columns import Readings, columns_of, distinct
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


def readings(given: Readings) -> tuple[object, ...]:
    """Lay readings out for `of`, in an order of their own, as a fit looks at them.

    Of where one came from only that counts by which the settings of a meter are chosen: whether a person took
    it and entered it. What the timber or place is called does not count.
    """
    rows = columns_of(given).in_parts()
    numbers, kind = distinct(rows.of, rows.flagged, rows.by_hand.astype(np.int64))
    told = [
        f"{_unnamed(rows.names[of])} {','.join(rows.flags[flagged])} {'hand' if hand else ''}"
        for of, flagged, hand in numbers.tolist()
    ]
    names = sorted(set(told))
    least = np.min_scalar_type(len(names))  # so that they are sorted by their digits
    number = np.array([names.index(each) for each in told], least)[kind]
    columns = np.stack([number, rows.taken_s, rows.value, rows.low, rows.high, rows.count])
    order = np.argsort(number, kind="stable")  # rows are in order of time
    columns = columns[:, order]
    at_once = (np.diff(columns[0]) == 0) & (np.diff(columns[1]) == 0)
    if at_once.any():
        columns = columns[:, np.lexsort(columns[2::-1])]
    return tuple(names), columns


def _unnamed(series: str) -> str:
    """Return the text of a series without what its timber or place is called."""
    owner, _, rest = series.split("/", 2)
    return f"{owner}/{rest}"


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
            digest.update(b"a" + repr(value.shape).encode())
            digest.update(np.ascontiguousarray(value, "<f8"))
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
