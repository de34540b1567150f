"""How many readings the books say that an InfluxDB 2 server has, by hour and by series.

A count in each hour of all series together, and one of each series: a few bytes an hour, where counts of each
series in each hour would be as large as the readings. What a server lost shows in both, so that hours and
series are named. A program that breaks off after the server's answer leaves the books short, never long.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from baulk.ingest.store.influx_client import Influx
from baulk.ingest.store.influx_lines import TAGS, series_of, us
from baulk.ingest.store.influx_questions import FIRST_US, LAST_US, Key, points
from baulk.ingest.store.moments import from_us
from baulk.ingest.store.statements import Sql, Transaction
from baulk.models.reading import Series

HELD: Final = "held/"
_HOUR_US: Final = 3_600_000_000
_AT_ONCE: Final = 500  # notes that are asked for at once
_HOURLY: Final = (
    '|> aggregateWindow(every: 1h, fn: count, createEmpty: false, timeSrc: "_start")'
    ' |> group(columns: ["_time"]) |> sum() |> group()'
)
_PUT: Final = (
    "INSERT INTO note (key, value) VALUES (:key, :value)"
    " ON CONFLICT (key) DO UPDATE SET value = excluded.value"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """What books and server do not agree about.

    Parameters
    ----------
    missing : int
        Readings that the books count in some hours and the server has not.
    hours : tuple of datetime
        Those hours, the oldest first.
    series : tuple of Series
        Of which series the server has fewer than the books count.
    more : int
        Readings of some hours that the server has and the books do not count.
    """

    missing: int = 0
    hours: tuple[datetime, ...] = ()
    series: tuple[Series, ...] = ()
    more: int = 0


def add(at: Transaction, keys: Iterable[Key], sign: int = 1) -> None:
    """Count readings that came (1) or went (-1) in a transaction that is alone among writers."""
    some_keys = list(keys)
    series = Counter(one for one, _ in some_keys)
    hours = Counter(taken // _HOUR_US for _, taken in some_keys)
    change = {_series_key(one): sign * count for one, count in series.items()}
    change |= {_hour_key(hour): sign * count for hour, count in hours.items()}
    names = sorted(change)
    for start in range(0, len(names), _AT_ONCE):
        some = names[start : start + _AT_ONCE]
        asked = {f"k{number}": name for number, name in enumerate(some)}
        words = ", ".join(f":{each}" for each in asked)
        rows = at.run(f"SELECT key, value FROM note WHERE key IN ({words})", asked)  # noqa: S608 - names of ours
        held = {key: int(bytes(value)) for key, value in rows}
        at.many(_PUT, [{"key": key, "value": str(held.get(key, 0) + change[key]).encode()} for key in some])


def compare(sql: Sql, influx: Influx, buckets: Sequence[str], since_us: int | None) -> Difference:
    """Hold the books' counts against the server's.

    The books are read first: a reading that comes meanwhile is more at the server, never missing there.

    Parameters
    ----------
    sql : Sql
        The books.
    influx : Influx
        The server.
    buckets : sequence of str
        Where readings lie.
    since_us : int, optional
        From when on nothing is forgotten by the server itself; series are compared only if that is ever. [us]
    """
    rows = sql.ask("SELECT key, value FROM note WHERE substr(key, 1, 5) = 'held/'")
    books = {key: int(bytes(value)) for key, value in rows}
    there = _at_server(influx, buckets, FIRST_US if since_us is None else -(-since_us // _HOUR_US) * _HOUR_US)
    hours = {key for key in {*books, *there} if key.startswith(_HOURS)}
    if since_us is not None:
        hours = {key for key in hours if _hour_us(key) >= since_us}
    less = {key: books.get(key, 0) - there.get(key, 0) for key in hours}
    return Difference(
        missing=sum(each for each in less.values() if each > 0),
        hours=tuple(from_us(_hour_us(key)) for key in sorted(less, key=_hour_us) if less[key] > 0),
        series=() if since_us is not None else _short(books, there),
        more=-sum(each for each in less.values() if each < 0),
    )


def rebuild(sql: Sql, influx: Influx, buckets: Sequence[str]) -> None:
    """Take the server's counts for the books'; the caller has the turn among writers."""
    there = _at_server(influx, buckets, FIRST_US)
    with sql.write() as (at, _):
        at.run("DELETE FROM note WHERE substr(key, 1, 5) = 'held/'")
        at.many(_PUT, [{"key": key, "value": str(count).encode()} for key, count in sorted(there.items())])


_SERIES: Final = f"{HELD}series/"
_HOURS: Final = f"{HELD}hour/"


def _series_key(series: Series) -> str:
    return f"{_SERIES}{series}"


def _hour_key(hour: int) -> str:
    return f"{_HOURS}{hour}"


def _hour_us(key: str) -> int:
    return int(key.removeprefix(_HOURS)) * _HOUR_US


def _short(books: Mapping[str, int], there: Mapping[str, int]) -> tuple[Series, ...]:
    return tuple(
        Series.parse(key.removeprefix(_SERIES))
        for key in sorted(books)
        if key.startswith(_SERIES) and books[key] > there.get(key, 0)
    )


def _at_server(influx: Influx, buckets: Sequence[str], since_us: int) -> Counter[str]:
    found: Counter[str] = Counter()
    wanted = 'r._field == "value"'
    for bucket in buckets:
        text = points(bucket, since_us, LAST_US, wanted, _HOURLY)
        for hour, count in influx.ask_columns(text, bucket, ("_time", "_value")):
            found[_hour_key(us(hour) // _HOUR_US)] += int(float(count))
        text = points(bucket, since_us, LAST_US, wanted, "|> count() |> group()")
        for count, *series in influx.ask_columns(text, bucket, ("_value", *TAGS)):
            found[_series_key(series_of(*series))] += int(float(count))
    return found
