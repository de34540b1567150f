"""What is known of a timber's sensors: most years as packed bytes, the rest as columns.

Who hands a timber on to be worked out needs three things of its readings: a digest, which sensors and meters
they came from, and the readings themselves as bytes. Of a year that is over all three are known since it was
packed, so that ten years cost no more than the last one. They become columns where a fit looks at them.
"""

from __future__ import annotations

import json
import zlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np

from baulk.models import digest, steps
from baulk.models.columns import ROWS, Columns, Readings, columns_of, distinct, together
from baulk.models.constants import Floats, Ints
from baulk.models.reading import Series

_LONG: Final = 4  # bytes that tell how long the names of a year's rows are
_WHOLE: Final = {"of", "flagged", "by", "count"}  # columns of whole numbers

Kind = tuple[Series, tuple[str, ...], str]  # series, flags and source of a reading


@dataclass(frozen=True, eq=False)
class Year:
    """The rows of one calendar year (UTC), packed.

    Parameters
    ----------
    number : int
        Which year. [a]
    body : bytes
        Its rows as from `pack`.
    digest : str
        Digest of what a fit sees in them; see `digest_of`.
    kinds : tuple of (Kind, int)
        Which series, flags and sources they have, and how many readings of each.
    """

    number: int
    body: bytes
    digest: str
    kinds: tuple[tuple[Kind, int], ...]

    @cached_property
    def rows(self) -> Columns:
        """The rows themselves."""
        return unpack(self.body)

    def __reduce__(self) -> tuple[Any, ...]:
        return Year, (self.number, self.body, self.digest, self.kinds)


@dataclass(frozen=True, eq=False)
class KnownReadings:
    """What was known of a timber's sensors at a moment.

    Parameters
    ----------
    years : tuple of Year
        Years that are packed, oldest first.
    rest : Columns
        All other rows, of these years or of others.
    """

    years: tuple[Year, ...]
    rest: Columns

    @cached_property
    def columns(self) -> Columns:
        """All rows, in order of time and of their series' names."""
        return together([*(each.rows for each in self.years), self.rest])

    def digests(self) -> tuple[tuple[int, str], ...]:
        """Digest of each year; the same however the rows are parted into packed ones and others."""
        packed_in = {each.number: each for each in self.years}
        year_of_row = years_of(self.rest.taken_s)
        loose = {int(year): self.rest[year_of_row == year] for year in np.unique(year_of_row)}
        found = {year: each.digest for year, each in packed_in.items() if year not in loose}
        for year, rows in loose.items():
            parts = [packed_in[year].rows, rows] if year in packed_in else [rows]
            found[year] = digest_of(together(parts))
        return tuple(sorted(found.items()))

    def kinds(self) -> dict[Kind, int]:
        """Count the readings of each series, flags and source."""
        found: Counter[Kind] = Counter()
        for kind, count in (*kinds_of(self.rest), *(one for each in self.years for one in each.kinds)):
            found[kind] += count
        return found

    def __reduce__(self) -> tuple[Any, ...]:
        return KnownReadings, (self.years, self.rest)


def from_columns(readings: Readings) -> KnownReadings:
    """Return readings as known ones of which no year is packed."""
    return KnownReadings(years=(), rest=columns_of(readings))


def pack_year(number: int, rows: Columns) -> Year:
    """Return the rows of a year packed; at least one row."""
    return Year(number=number, body=pack(rows), digest=digest_of(rows), kinds=kinds_of(rows))


def digest_of(rows: Columns) -> str:
    """Return a digest that changes with what a fit sees in rows, not with what their timber is called."""
    return digest.of(digest.readings(rows))


def kinds_of(rows: Columns) -> tuple[tuple[Kind, int], ...]:
    """Return which series, flags and sources some rows have, and how many readings of each they stand for."""
    numbers, kind = distinct(rows.of, rows.flagged, rows.by)
    counts = np.bincount(kind, weights=rows.count, minlength=len(numbers)).astype(int)
    return tuple(
        ((rows.series[of], rows.flags[flagged], rows.sources[by]), count)
        for (of, flagged, by), count in zip(numbers.tolist(), counts.tolist(), strict=True)
    )


def years_of(taken_s: Floats) -> Ints:
    """Return the calendar year (UTC) of each moment, POSIX seconds, shape (n,). [a]."""
    return taken_s.astype("datetime64[s]").astype("datetime64[Y]").astype(np.int64) + 1970


def begins_s(year: int) -> float:
    """Return when a calendar year (UTC) begins, POSIX seconds. [s]."""
    return float(np.datetime64(year - 1970, "Y").astype("datetime64[s]").astype(np.int64))


def pack(rows: Columns) -> bytes:
    """Return rows as bytes: what they are called, then their columns, under zlib.

    Parameters
    ----------
    rows : Columns
        At least one row.

    Returns
    -------
    bytes
        For `unpack`.
    """
    columns: list[tuple[Any, ...]] = []
    for name in ROWS:
        column = getattr(rows, name)
        if name in _WHOLE:
            columns.append(steps.small(column))
        else:
            columns.append(steps.steps(column) or (column.astype("<f8").tobytes(),))
    plain = {
        "series": list(rows.names),
        "flags": rows.flags,
        "sources": rows.sources,
        "columns": [[*how, len(body)] for *how, body in columns],
    }
    head = json.dumps(plain, separators=(",", ":")).encode()
    bodies = b"".join(each[-1] for each in columns)
    return zlib.compress(len(head).to_bytes(_LONG, "little") + head + bodies)


def unpack(body: bytes) -> Columns:
    """Return the rows that `pack` was given, number for number."""
    found = zlib.decompress(body)
    begin = _LONG + int.from_bytes(found[:_LONG], "little")
    plain = json.loads(found[_LONG:begin])
    rows: dict[str, Any] = {}
    for name, (*how, size) in zip(ROWS, plain["columns"], strict=True):
        rows[name] = _column(how, found[begin : begin + size])
        begin += size
    return Columns(
        series=tuple(Series.parse(each) for each in plain["series"]),
        flags=tuple(tuple(each) for each in plain["flags"]),
        sources=tuple(plain["sources"]),
        **rows,
    )


def _column(how: Sequence[Any], body: bytes) -> Ints | Floats:
    match how:
        case (first, scale, kind):
            return steps.from_steps(first, scale, kind, body)
        case (kind,):
            return steps.from_small(kind, body)
        case _:
            return np.frombuffer(body, "<f8").astype(np.float64)
