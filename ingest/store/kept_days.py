"""What the fit uses of a timber's sensors, kept for whole days, so that a year is not read again each time.

For each timber and year a note holds the rows of `Columns.in_parts` of every day that is over, and one for
the timber names these, so that a day costs the same to keep after ten years as in the first. A day in which a
reading came late, left, or was corrected, moved or thinned is noted in the same transaction and worked out
anew when it is next asked for, and only that day. The rows are always what they would be had nothing been
kept, so that they can be lost without harm.

What keeps writers and readers apart: whoever keeps days first notes up to when, then reads; a writer that
comes later finds that note and puts its days down. The list of days to be done again has a number that grows
with each entry, and rows are only kept where that number is still the one from before the reading.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any, Final

import numpy as np

from baulk.ingest.errors import StoreError
from baulk.ingest.store import steps
from baulk.ingest.store.base import Readings
from baulk.ingest.store.moments import DAY_US, from_us, to_us
from baulk.ingest.store.statements import Sql, Transaction
from baulk.models.columns import ROWS, Columns, Ints, columns_of, together
from baulk.models.constants import DAY_S, Floats
from baulk.models.errors import BaulkError
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

_UPTO: Final = "days/upto"  # key of the note: no day of any timber is kept beyond that moment
_ROWS: Final = "days/of/"  # before a tag: up to when, of which series, and a digest of each year's rows
_YEAR: Final = "days/year/"  # before a tag, / and a year: its rows
_AGAIN: Final = "days/again/"  # before a tag: the days to be done again, and the number of entries so far
_BEGINNINGS: Final = tuple({"prefix": each, "long": len(each)} for each in (_ROWS, _YEAR))
_FORM: Final = 4
_LONG: Final = 4  # bytes that tell how long the names of a year's rows are
_WHOLE: Final = {"of", "flagged", "by", "count"}  # columns of whole numbers
_NONE: Final = json.dumps({"entries": 0, "days": []}).encode()
_GET: Final = "SELECT value FROM note WHERE key = :key"
_PUT: Final = (
    "INSERT INTO note (key, value) VALUES (:key, :value)"
    " ON CONFLICT (key) DO UPDATE SET value = excluded.value"
)
_SWAP: Final = "UPDATE note SET value = :value WHERE key = :key AND value = :was RETURNING key"
_SERIES: Final = "SELECT text, id FROM series WHERE owner = :owner AND name = :name"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """Rows of the days up to a moment, and the numbers that their series had in the books."""

    parts: Sequence[Columns]  # the rows, one part after the other
    upto_us: int
    numbers: dict[str, int]
    years: Mapping[int, str]  # of the rows of each year as they lie in the store, a digest


def put_down(at: Transaction, readings: Iterable[Sequence[Reading]]) -> None:
    """Note in the transaction that changes readings which kept days they touch.

    Parameters
    ----------
    at : Transaction
        That of the books.
    readings : iterable of sequence of Reading
        What came, left or changed, those of a series together.
    """
    found = at.run(_GET, {"key": _UPTO})
    if not found:
        return
    upto = from_us(int(bytes(found[0][0])))
    days: dict[str, set[int]] = {}
    for some in readings:
        if some[0].series.owner is not Owner.TIMBER:
            continue
        if early := {to_us(one.taken_utc) // DAY_US for one in some if one.taken_utc < upto}:
            days.setdefault(some[0].series.name, set()).update(early)
    for name, each in sorted(days.items()):
        put_down_days(at, name, each)


def by_series(readings: Iterable[Reading]) -> list[list[Reading]]:
    """Return readings with those of a series together."""
    found: dict[Series, list[Reading]] = {}
    for one in readings:
        found.setdefault(one.series, []).append(one)
    return list(found.values())


def put_down_days(at: Transaction, name: str, days: Iterable[int]) -> None:
    """Note the days, in number since 1970, of a timber that are to be done again."""
    key = _AGAIN + name
    found = at.run(_GET, {"key": key})
    was = json.loads(bytes(found[0][0])) if found else json.loads(_NONE)
    again = {"entries": was["entries"] + 1, "days": sorted({*was["days"], *days})}
    at.many(_PUT, [{"key": key, "value": json.dumps(again).encode()}])


def forget(sql: Sql) -> None:
    """Let go of every day that is kept, where the readings may have become others without us."""
    with sql.write(counted=False) as (at, _):
        at.many("DELETE FROM note WHERE substr(key, 1, :long) = :prefix", _BEGINNINGS)


def known(
    sql: Sql, readings: Readings, name: str, now_us: int, loose_us: tuple[int, int] | None = None
) -> Columns:
    """Give what was known of a timber at a moment.

    Parameters
    ----------
    sql : Sql
        The books.
    readings : Readings
        Where the readings lie.
    name : str
        Tag of the timber.
    now_us : int
        The moment; what was taken and came later is left away.
    loose_us : tuple of (int, int), optional
        From and before when readings are wanted as they came; at quarters of a day.

    Returns
    -------
    Columns
        Of days that were over by quarters of them, of the last day as they came.
    """
    midnight_us = now_us // DAY_US * DAY_US
    found: list[Columns] = []
    for rows in _whole_days(sql, readings, name, midnight_us):
        over = rows.taken_s < midnight_us / 1e6
        if loose_us is not None and loose_us[0] < midnight_us:
            over &= (rows.taken_s < loose_us[0] / 1e6) | (rows.taken_s >= loose_us[1] / 1e6)
        found.append(rows if over.all() else rows[over])
    if loose_us is not None and loose_us[0] < midnight_us:
        found += readings.columns(Owner.TIMBER, name, *loose_us)
    for each in readings.columns(Owner.TIMBER, name, midnight_us, None):
        found.append(each[(each.taken_s <= now_us / 1e6) | (each.arrived_s <= now_us / 1e6)])
    return together(found)


def _whole_days(sql: Sql, readings: Readings, name: str, midnight_us: int) -> Sequence[Columns]:
    """Give the rows of every day that was over by then and perhaps more; what is new among them is kept."""
    again, numbers, kept = _as_kept(sql, name)
    if kept.upto_us >= midnight_us and kept.numbers == numbers and not _days(again):
        return kept.parts
    with suppress(StoreError):  # a store that can't be written now is read all the same
        _begin(sql, name, midnight_us)
    again, numbers, kept = _as_kept(sql, name)
    upto_us = max(kept.upto_us, midnight_us)
    spans = [(each * DAY_US, (each + 1) * DAY_US) for each in _days(again) if each * DAY_US < kept.upto_us]
    days = [first_us // DAY_US for first_us, _ in spans]
    if kept.upto_us < upto_us:
        spans.append((kept.upto_us, upto_us))
    parts = [rows[~np.isin(rows.taken_s // DAY_S, days)] for rows in kept.parts]
    for first_us, before_us in _joined(spans):
        pieces = readings.columns(Owner.TIMBER, name, first_us or None, before_us)
        parts += [each.in_parts() for each in pieces]
    same = _untouched(kept.years, spans)
    made = _Kept(parts=[together(parts)], upto_us=upto_us, numbers=numbers, years=same)
    with suppress(StoreError):
        _keep(sql, name, made, again, kept.years)
    return made.parts


def _as_kept(sql: Sql, name: str) -> tuple[bytes | None, dict[str, int], _Kept]:
    """Give the days to be done again, the series of a timber by number, and its rows as far as they hold.

    A series that is not among the kept ones may have come from another timber with all its readings, so that
    every day is read anew.
    """
    again = _noted(sql, _AGAIN + name)
    numbers: dict[str, int] = dict(sql.ask(_SERIES, {"owner": Owner.TIMBER.value, "name": name}))
    kept = _read(sql, name, numbers)
    return again, numbers, kept or _Kept(parts=[columns_of(())], upto_us=0, numbers={}, years={})


def _read(sql: Sql, name: str, numbers: dict[str, int]) -> _Kept | None:
    """Read the rows of a timber; None where they are damaged, of another form, or just now being changed."""
    try:
        head = json.loads(_noted(sql, _ROWS + name) or b"{}")
        if head.get("form") != _FORM or head["numbers"] != numbers:
            return None
        years = {int(year): str(digest) for year, digest in head["years"].items()}
        parts = [columns_of(())]
        for year, digest in sorted(years.items()):  # so that nothing is left to sort
            body = _noted(sql, f"{_YEAR}{name}/{year}") or b""
            if _digest(body) != digest:
                return None
            parts.append(_unpacked(body))
        return _Kept(parts=parts, upto_us=int(head["upto_us"]), numbers=numbers, years=years)
    except (AttributeError, KeyError, TypeError, ValueError, BaulkError):
        return None


def _begin(sql: Sql, name: str, upto_us: int) -> None:
    """Note up to when days are kept from now on, before anything is read."""
    with sql.write(counted=False) as (at, _):
        found = at.run(_GET, {"key": _UPTO})
        if not found or int(bytes(found[0][0])) < upto_us:
            at.many(_PUT, [{"key": _UPTO, "value": str(upto_us).encode()}])
        at.many(
            "INSERT INTO note (key, value) VALUES (:key, :value) ON CONFLICT (key) DO NOTHING",
            [{"key": _AGAIN + name, "value": _NONE}],
        )


def _keep(sql: Sql, name: str, made: _Kept, again: bytes | None, lying: Iterable[int]) -> None:
    """Keep the rows of years that are others now, unless a day was put down, or others kept theirs, since.

    `lying` are the years that are in the store; of those that `made.years` has the rows are still the same.
    """
    if again is None:
        return
    was = json.loads(again)
    done = json.dumps({"entries": was["entries"] + 1, "days": []}).encode()
    (rows,) = made.parts
    year_of_row = _years_of(rows.taken_s)
    bodies = {
        int(year): _packed(rows[year_of_row == year])
        for year in np.unique(year_of_row)
        if year not in made.years
    }
    years = {**made.years, **{year: _digest(body) for year, body in bodies.items()}}
    head = {"form": _FORM, "upto_us": made.upto_us, "numbers": made.numbers, "years": years}
    with sql.write(counted=False) as (at, _):
        if at.run(_SWAP, {"key": _AGAIN + name, "value": done, "was": again}):
            put = [{"key": f"{_YEAR}{name}/{year}", "value": body} for year, body in bodies.items()]
            at.many(_PUT, [*put, {"key": _ROWS + name, "value": json.dumps(head).encode()}])
            gone = [{"key": f"{_YEAR}{name}/{year}"} for year in lying if year not in years]
            at.many("DELETE FROM note WHERE key = :key", gone)


def _untouched(years: Mapping[int, str], spans: Sequence[tuple[int, int]]) -> dict[int, str]:
    """Return the years whose rows stay, of spans of time in which they become others."""
    found = [_years_of(np.array([first_us, before_us - 1]) / 1e6) for first_us, before_us in spans]
    return {
        year: each for year, each in years.items() if not any(first <= year <= last for first, last in found)
    }


def _years_of(taken_s: Floats) -> Ints:
    return taken_s.astype("datetime64[s]").astype("datetime64[Y]").astype(np.int64) + 1970


def _digest(body: bytes) -> str:
    return blake2b(body, digest_size=8).hexdigest()


def _noted(sql: Sql, key: str) -> bytes | None:
    found = sql.ask(_GET, {"key": key})
    return bytes(found[0][0]) if found else None


def _days(again: bytes | None) -> list[int]:
    days: list[int] = json.loads(again or _NONE)["days"]
    return days


def _joined(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    found: list[tuple[int, int]] = []
    for first, last in sorted(spans):
        if found and first == found[-1][1]:
            found[-1] = found[-1][0], last
        else:
            found.append((first, last))
    return found


def _packed(rows: Columns) -> bytes:
    """Give rows as bytes: what they are called, then their columns; their digest lies with the timber."""
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


def _unpacked(body: bytes) -> Columns:
    """Read back what `_packed` wrote."""
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
