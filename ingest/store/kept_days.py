"""What the fit uses of a timber's sensors, kept for whole days, so that a year is not read again each time.

For each timber and year a note holds the rows of `Columns.in_parts` of every day that is over, and one for
the timber names these and tells what they hold (`baulk.models.known_readings`), so that a day costs the same
to keep after ten years as in the first, and years that are over are handed on as they lie. A day in which a
reading came late, left, or was corrected, moved or thinned is noted in the same transaction and worked out
anew when it is next asked for, and only that day. The rows are always what they would be had nothing been
kept, so that they can be lost without harm.

What keeps writers and readers apart: whoever keeps days first notes up to when, then reads; a writer that
comes later finds that note and puts its days down. The list of days to be done again has a number that grows
with each entry, and rows are only kept where that number is still the one from before the reading.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from hashlib import blake2b
from typing import Final

import numpy as np

from baulk.ingest.errors import StoreError
from baulk.ingest.store.base import Readings
from baulk.ingest.store.moments import DAY_US, from_us, to_us
from baulk.ingest.store.statements import Sql, Transaction
from baulk.models.columns import columns_of, together
from baulk.models.constants import DAY_S
from baulk.models.known_readings import Kind, KnownReadings, Year, begins_s, pack_year, years_of
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

_UPTO: Final = "days/upto"  # key of the note: no day of any timber is kept beyond that moment
_ROWS: Final = "days/of/"  # before a tag: up to when, of which series, and a digest of each year's rows
_YEAR: Final = "days/year/"  # before a tag, / and a year: its rows
_AGAIN: Final = "days/again/"  # before a tag: the days to be done again, and the number of entries so far
_BEGINNINGS: Final = tuple({"prefix": each, "long": len(each)} for each in (_ROWS, _YEAR))
_FORM: Final = 5
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

    upto_us: int
    numbers: dict[str, int]
    years: Mapping[int, Year]


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
) -> KnownReadings:
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
    KnownReadings
        Of days that were over by quarters of them, of the last day as they came.
    """
    midnight_us = now_us // DAY_US * DAY_US
    loose = [] if loose_us is None or loose_us[0] >= midnight_us else [loose_us]
    kept = _whole_days(sql, readings, name, midnight_us)
    later = [(midnight_us, kept.upto_us)] if kept.upto_us > midnight_us else []
    cuts = loose + later
    whole = _untouched(kept.years, cuts)
    rest = [columns_of(())]
    for number, year in sorted(kept.years.items()):
        if number not in whole:
            rows = year.rows
            for first_us, before_us in cuts:
                rows = rows[(rows.taken_s < first_us / 1e6) | (rows.taken_s >= before_us / 1e6)]
            rest.append(rows)
    for first_us, before_us in loose:
        rest += readings.columns(Owner.TIMBER, name, first_us, before_us)
    for each in readings.columns(Owner.TIMBER, name, midnight_us, None):
        rest.append(each[(each.taken_s <= now_us / 1e6) | (each.arrived_s <= now_us / 1e6)])
    return KnownReadings(years=tuple(year for _, year in sorted(whole.items())), rest=together(rest))


def _whole_days(sql: Sql, readings: Readings, name: str, midnight_us: int) -> _Kept:
    """Give the rows of every day that was over by then and perhaps more; what is new among them is kept."""
    again, numbers, kept = _as_kept(sql, name)
    if kept.upto_us >= midnight_us and kept.numbers == numbers and not _days(again):
        return kept
    with suppress(StoreError):  # a store that can't be written now is read all the same
        _begin(sql, name, midnight_us)
    again, numbers, kept = _as_kept(sql, name)
    upto_us = max(kept.upto_us, midnight_us)
    spans = [(each * DAY_US, (each + 1) * DAY_US) for each in _days(again) if each * DAY_US < kept.upto_us]
    days = [first_us // DAY_US for first_us, _ in spans]
    if kept.upto_us < upto_us:
        spans.append((kept.upto_us, upto_us))
    same = _untouched(kept.years, spans)
    others = [each.rows for number, each in sorted(kept.years.items()) if number not in same]
    parts = [columns_of(()), *(rows[~np.isin(rows.taken_s // DAY_S, days)] for rows in others)]
    for first_us, before_us in _joined(spans):
        pieces = readings.columns(Owner.TIMBER, name, first_us or None, before_us)
        parts += [each.in_parts() for each in pieces]
    rows = together(parts)
    year_of_row = years_of(rows.taken_s)
    new = {int(year): pack_year(int(year), rows[year_of_row == year]) for year in np.unique(year_of_row)}
    made = _Kept(upto_us=upto_us, numbers=numbers, years={**same, **new})
    with suppress(StoreError):
        _keep(sql, name, made, again, kept.years)
    return made


def _as_kept(sql: Sql, name: str) -> tuple[bytes | None, dict[str, int], _Kept]:
    """Give the days to be done again, the series of a timber by number, and its rows as far as they hold.

    A series that is not among the kept ones may have come from another timber with all its readings, so that
    every day is read anew.
    """
    again = _noted(sql, _AGAIN + name)
    numbers: dict[str, int] = dict(sql.ask(_SERIES, {"owner": Owner.TIMBER.value, "name": name}))
    kept = _read(sql, name, numbers)
    return again, numbers, kept or _Kept(upto_us=0, numbers={}, years={})


def _read(sql: Sql, name: str, numbers: dict[str, int]) -> _Kept | None:
    """Read the rows of a timber; None where they are damaged, of another form, or just now being changed."""
    try:
        head = json.loads(_noted(sql, _ROWS + name) or b"{}")
        if head.get("form") != _FORM or head["numbers"] != numbers:
            return None
        kinds = [(Series.parse(series), tuple(flags), str(source)) for series, flags, source in head["kinds"]]
        years = {}
        for year, (digest, told, counts) in head["years"].items():
            body = _noted(sql, f"{_YEAR}{name}/{year}") or b""
            if _digest(body) != digest:
                return None
            of_kind = tuple((kinds[kind], int(count)) for kind, count in counts)
            years[int(year)] = Year(number=int(year), body=body, digest=str(told), kinds=of_kind)
        return _Kept(upto_us=int(head["upto_us"]), numbers=numbers, years=years)
    except (AttributeError, IndexError, KeyError, TypeError, ValueError):
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


def _keep(sql: Sql, name: str, made: _Kept, again: bytes | None, lying: Mapping[int, Year]) -> None:
    """Keep the rows of years that are others now, unless a day was put down, or others kept theirs, since.

    `lying` are the years that are in the store.
    """
    if again is None:
        return
    was = json.loads(again)
    done = json.dumps({"entries": was["entries"] + 1, "days": []}).encode()
    numbers: dict[Kind, int] = {}
    years = {
        number: [
            _digest(each.body),
            each.digest,
            [[numbers.setdefault(kind, len(numbers)), count] for kind, count in each.kinds],
        ]
        for number, each in made.years.items()
    }
    kinds = [[str(series), flags, source] for series, flags, source in numbers]
    head = {"form": _FORM, "upto_us": made.upto_us, "numbers": made.numbers, "kinds": kinds, "years": years}
    with sql.write(counted=False) as (at, _):
        if at.run(_SWAP, {"key": _AGAIN + name, "value": done, "was": again}):
            new = [each for each in made.years.values() if each is not lying.get(each.number)]
            put = [{"key": f"{_YEAR}{name}/{each.number}", "value": each.body} for each in new]
            at.many(_PUT, [*put, {"key": _ROWS + name, "value": json.dumps(head).encode()}])
            gone = [{"key": f"{_YEAR}{name}/{year}"} for year in lying if year not in made.years]
            at.many("DELETE FROM note WHERE key = :key", gone)


def _untouched(years: Mapping[int, Year], spans: Sequence[tuple[int, int]]) -> dict[int, Year]:
    """Return the years that lie outside some spans of time, in microseconds."""
    return {
        number: each
        for number, each in years.items()
        if all(
            before_us <= begins_s(number) * 1e6 or first_us >= begins_s(number + 1) * 1e6
            for first_us, before_us in spans
        )
    }


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
