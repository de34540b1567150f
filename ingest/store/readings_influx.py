"""Readings in an InfluxDB 2 server; the books lie in SQL, and so does the list of series.

One measurement, `reading`. Tags, which make a series there: owner, named, quantity, depth and face ("-" if
none) and `kept`: how long the point stays; none is a keyword of InfluxQL, in which deletions are asked for.
Fields: value, arrived (microseconds), source, flags; as tags they would make a new series of every change.
Times are in microseconds, for the device time to the microsecond is the key.

A point of the same series and time would overwrite the old one without a word, so a batch is first looked up,
by short stretches of time; a log of keys beside it would be as large as the readings. From looking up to
having written a writer has its turn alone (`baulk.ingest.store.turns`).
"""

from __future__ import annotations

import time
from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from datetime import datetime, tzinfo
from typing import TYPE_CHECKING, Final

import numpy as np

from baulk.ingest.config import Config, StorePart
from baulk.ingest.errors import StoreAway, StoreError
from baulk.ingest.store import (
    influx_counts,
    influx_leaving,
    influx_questions,
    influx_thin,
    kept_days,
    names,
)
from baulk.ingest.store.base import Put, Store
from baulk.ingest.store.both import ShopStore
from baulk.ingest.store.by_first_tag import ByFirstTag
from baulk.ingest.store.influx_client import AT_ONCE, Influx, Unfit
from baulk.ingest.store.influx_lines import (
    AS_TAKEN,
    FIELDS,
    TAGS,
    how_long,
    line,
    reading,
    series_of,
    tags,
    us,
)
from baulk.ingest.store.influx_questions import FIRST_US, KEEP, LAST_US, PIVOT, Key, columns, is_, points
from baulk.ingest.store.moments import DAY_US, from_us, to_us
from baulk.ingest.store.postgres import PostgresSql
from baulk.ingest.store.rejected import Rejected
from baulk.ingest.store.rows import SENSOR, SeriesList, clash, daily_table, refused, table
from baulk.ingest.store.sqlite import SqliteSql
from baulk.ingest.store.statements import Sql, Transaction
from baulk.ingest.store.turns import Turn, by_database, by_file
from baulk.models.columns import Columns, columns_of
from baulk.models.constants import Floats
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

if TYPE_CHECKING:
    import pandas as pd


_RETENTION_S: Final = 3600.0  # no bucket keeps for less; so long is also believed what the server said of it
_DAILY: Final = '|> aggregateWindow(every: 1d, fn: {}, createEmpty: false, timeSrc: "_start")'


class InfluxReadings:
    """Readings at an InfluxDB 2 server.

    Parameters
    ----------
    store : StorePart
        The settings.
    sql : Sql
        The shop's database, for the list of series.
    turn : callable
        Gives a writer its turn alone.
    """

    apart = True

    def __init__(self, store: StorePart, sql: Sql, turn: Turn, zone: tzinfo | None = None) -> None:
        self._zone = zone
        self._influx = Influx(store)
        self._sql, self._list, self._turn = sql, SeriesList(sql), turn
        self._bucket, self._kept = store.bucket, store.kept_bucket or store.bucket
        self._buckets = tuple(dict.fromkeys((self._bucket, self._kept)))
        self._keeps: dict[str, tuple[float, float | None]] = {}  # when asked, and the answer
        self._compared = self._settled = False

    def close(self) -> None:
        """Close the connections."""
        self._influx.close()

    # --- in

    def send(self, readings: Sequence[Reading]) -> Put | None:
        """Look up what is stored, then write what is new, alone."""
        if not self._settled:
            self.settle()
        unfit: dict[int, str] = {}
        for one in readings:
            if why := self._unkept(one):
                unfit[id(one)] = why
        with self._turn():
            return self._send(readings, unfit)

    def _send(self, readings: Sequence[Reading], unfit: dict[int, str]) -> Put:
        known: dict[Key, float] = {}
        fit = [one for one in readings if id(one) not in unfit]
        for start in range(0, len(fit), AT_ONCE):
            keys = [(one.series, to_us(one.taken_utc)) for one in fit[start : start + AT_ONCE]]
            for each in influx_questions.stored(self._influx, self._buckets, keys):
                known[each.key] = each.value
        fresh: list[Reading] = []
        clashes: list[Rejected] = []
        for one in fit:
            key = one.series, to_us(one.taken_utc)
            if key not in known:
                known[key] = one.value
                fresh.append(one)
            elif known[key] != one.value:
                clashes.append(clash(one, known[key], self._zone))
        unfit = unfit | {id(one): why for one, why in self._write([(one, how_long(one)) for one in fresh])}
        clashes += [refused(one, unfit[id(one)]) for one in readings if id(one) in unfit]
        return Put(fresh=[one for one in fresh if id(one) not in unfit], clashes=clashes)

    def enter(self, at: Transaction, readings: Sequence[Reading], sent: Put | None, *, careful: bool) -> Put:
        """Note which series there are, those of readings sent by an earlier try that broke off as well."""
        del careful
        assert sent is not None  # noqa: S101 - by `send`
        for series in {one.series for one in readings}:
            self._list.number(at, series)
        influx_counts.add(at, [(one.series, to_us(one.taken_utc)) for one in sent.fresh])
        return sent

    def leave(self, at: Transaction, readings: Sequence[Reading]) -> None:
        """Note in the books what is to be deleted, which `settle` does after the transaction."""
        keys = [(one.series, to_us(one.taken_utc)) for one in readings]
        influx_leaving.note(at, keys)
        influx_counts.add(at, keys, -1)
        self._settled = False

    def settle(self) -> None:
        """Delete what has left; what a server away or a kill leaves undone is done with the next batch."""
        with suppress(StoreAway):
            influx_leaving.settle(self._sql, self._influx, self._buckets, self._turn)
            self._settled = True

    def write_over(self, at: Transaction | None, readings: Sequence[Reading]) -> None:
        """Write readings over what is there, under the tag `kept` where each lies."""
        del at
        if not readings:
            return
        with self._turn():
            where: dict[Key, set[str]] = {}
            keys = [(one.series, to_us(one.taken_utc)) for one in readings]
            for each in influx_questions.stored(self._influx, self._buckets, keys):
                where.setdefault(each.key, set()).add(each.kept)
            lines = [
                (one, kept)
                for one, key in zip(readings, keys, strict=True)
                for kept in where.get(key, {how_long(one)})
            ]
            for one, why in self._write(lines):
                raise StoreError(f"{one.series} at {one.taken_utc.isoformat()} can't be written over: {why}")

    def _unkept(self, one: Reading) -> str | None:
        """Say why the server would not keep a reading, which it takes or refuses by whole groups of days."""
        taken = to_us(one.taken_utc)
        if not FIRST_US <= taken < LAST_US:
            return f"{one.series} at {one.taken_utc.isoformat()} lies outside 1900 to 2199, which is kept"
        age_s = time.time() - taken / 1e6
        if age_s <= _RETENTION_S:
            return None
        bucket = self._bucket_of(how_long(one))
        keeps_s = self._keeps_s(bucket)
        if not keeps_s or age_s <= keeps_s:
            return None
        return (
            f"{one.series} at {one.taken_utc.isoformat()} is older than the {keeps_s / 86400:g} days for "
            f"which bucket {bucket} keeps readings"
        )

    def _keeps_s(self, bucket: str) -> float | None:
        asked, keeps = self._keeps.get(bucket, (-_RETENTION_S, None))
        if time.monotonic() - asked >= _RETENTION_S:
            keeps = self._influx.keeps_s(bucket)
            self._keeps[bucket] = time.monotonic(), keeps
        return keeps

    def _bucket_of(self, kept: str) -> str:
        return self._bucket if kept == AS_TAKEN else self._kept

    def _write(self, readings: Sequence[tuple[Reading, str]]) -> Iterator[tuple[Reading, str]]:
        """Write readings, each as long to be kept; give those that the server will not have, and why."""
        for bucket in self._buckets:
            some = [(one, line(one, kept)) for one, kept in readings if bucket == self._bucket_of(kept)]
            for start in range(0, len(some), AT_ONCE):
                yield from self._write_some(bucket, some[start : start + AT_ONCE])

    def _write_some(self, bucket: str, lines: list[tuple[Reading, str]]) -> Iterator[tuple[Reading, str]]:
        if not lines:
            return
        try:
            self._influx.write(bucket, [each for _, each in lines])
        except Unfit as err:
            if err.keeps_s and self._keeps.get(bucket, (0.0, None))[1] != err.keeps_s:
                self._keeps[bucket] = time.monotonic(), err.keeps_s
                old = {id(one): why for one, _ in lines if (why := self._unkept(one))}
                yield from ((one, old[id(one)]) for one, _ in lines if id(one) in old)
                yield from self._write_some(bucket, [each for each in lines if id(each[0]) not in old])
                return
            if len(lines) == 1:
                yield lines[0][0], str(err)
                return
            half = len(lines) // 2
            yield from self._write_some(bucket, lines[:half])
            yield from self._write_some(bucket, lines[half:])

    # --- out

    def series(self, owner: Owner | None = None, name: str | None = None) -> list[Series]:
        """Every series that has a reading, in the books' list or at the server."""
        if not self._compared:
            self.compare()  # or nothing is told: the list alone may leave something out
        return self._list.listed(owner, name)

    def compare(self) -> list[Series]:
        """Enter the series that the server has and the books don't list, as old ones; give those."""
        missing = self.unlisted()
        if missing:
            with self._sql.write() as (at, _):
                for one in missing:
                    self._list.number(at, one)
        self._compared = True
        return missing

    def difference(self, since_us: int | None = None) -> influx_counts.Difference:
        """Hold the books' counts by hour and by series against the server's, from a moment on."""
        return influx_counts.compare(self._sql, self._influx, self._buckets, since_us)

    def let_end(self) -> None:
        """Wait for whoever has the turn at this moment."""
        with self._turn():
            pass

    def recount(self) -> None:
        """Have the books count what the server has, after what is to leave has left."""
        self.settle()
        with self._turn():
            influx_counts.rebuild(self._sql, self._influx, self._buckets)
        kept_days.forget(self._sql)

    def unlisted(self) -> list[Series]:
        """Give the series that the server has and the books don't list."""
        listed = set(self._list.listed(None, None))
        return sorted({one for one in self._at_server() if one not in listed}, key=str)

    def _at_server(self) -> Iterator[Series]:
        """Give the series of the server, some more than once."""
        for found in self._columns('r._field == "value"', f"|> last() {KEEP} |> group()", TAGS):
            yield series_of(*found)

    def places(self) -> list[str]:
        """Places that have air readings."""
        return sorted({series.name for series in self.series(Owner.AIR)})

    def daily_means(self, owner: Owner | None = None, name: str | None = None) -> pd.DataFrame:
        """Columns series, posix_s, mean, count; sums and counts of every series in one question each."""
        wanted = " and ".join(
            ['r._field == "value"', *([is_({"owner": owner.value})] if owner else []),
             *([is_({"named": name})] if name is not None else [])]
        )  # fmt: skip
        days: dict[tuple[str, ...], list[float]] = {}
        for which, work in enumerate(("sum", "count")):
            for day, value, *series in self._columns(
                wanted, f"{_DAILY.format(work)} {KEEP} |> group()", ("_time", "_value", *TAGS)
            ):
                days.setdefault((day, *series), [0.0, 0.0])[which] += float(value)
        return daily_table(
            (str(series_of(*series)), us(day) // 86_400_000_000, total / count, int(count))
            for (day, *series), (total, count) in days.items()
            if count
        )

    def read(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> pd.DataFrame:
        """Columns posix_s, value, flags; by device time."""
        wanted = f'(r._field == "value" or r._field == "flags") and {is_(tags(series))}'
        found = self._columns(wanted, PIVOT, ("_time", "value", "flags"), since_utc, until_utc)
        at = {us(taken): (value, flags) for taken, value, flags in found}  # one may stand twice for a moment
        times = sorted(at)
        return table(times, (float(at[each][0]) for each in times), (at[each][1] for each in times))

    def values(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> tuple[Floats, Floats]:
        """Give when a series was read, and its values; by device time."""
        wanted = (
            f'r._field == "value" and {is_(tags(series))}'  # one field needs no pivot, a slow thing there
        )
        found = self._columns(wanted, KEEP, ("_time", "_value"), since_utc, until_utc)
        at = {us(taken): float(value) for taken, value in found}  # one may stand twice for a moment
        times = sorted(at)
        return np.array(times, np.float64) / 1e6, np.array([at[each] for each in times], np.float64)

    def latest(self, owner: Owner, name: str | None = None) -> list[Reading]:
        """Give the newest reading of each series: the last of each field, put together here."""
        wanted = is_({"owner": owner.value} | ({} if name is None else {"named": name}))
        then = f"|> last() |> keep(columns: {columns('_time', '_value', '_field', *TAGS, 'kept')})"
        asked = ("_field", "_value", "_time", "kept", *TAGS)
        rows: dict[tuple[str, ...], dict[str, str]] = {}
        for field, value, *at in self._columns(wanted, f'{then} |> group(columns: ["_field"])', asked):
            rows.setdefault(tuple(at), {})[field] = value
        newest: dict[str, Reading] = {}
        torn: set[tuple[str, str]] = set()
        for (taken, kept, *those), row in rows.items():
            if len(row) < len(FIELDS):  # a newer point came between two of the fields
                torn.add((taken, those[1]))
                continue
            one = reading({**row, **dict(zip(TAGS, those, strict=True)), "_time": taken, "kept": kept})
            _newer(newest, one)
        for taken, named in torn:
            for one in self.readings(owner, named, from_us(us(taken))):
                _newer(newest, one)
        return [newest[text] for text in sorted(newest)]

    def latest_of(self, those: Collection[Series]) -> list[Reading]:
        """Give the newest reading of each of these series that has one, in no order."""
        names = {(one.owner, one.name) for one in those}
        if len(names) > influx_questions.NAMED:
            found = [self.latest(owner) for owner in {owner for owner, _ in names}]
        else:
            found = [self.latest(owner, name) for owner, name in names]
        return [one for some in found for one in some if one.series in those]

    def readings(
        self, owner: Owner, name: str, since: datetime | None = None, until: datetime | None = None
    ) -> list[Reading]:
        """Every reading of a timber or a place between two moments, by device time."""
        wanted, asked = is_({"owner": owner.value, "named": name}), ("_time", *FIELDS, *TAGS)
        found: dict[tuple[datetime, str], Reading] = {}
        for row in self._columns(wanted, PIVOT, asked, since, until):
            one = reading(dict(zip(asked, row, strict=True)))
            found[one.taken_utc, str(one.series)] = one
        return [found[key] for key in sorted(found)]

    def columns(
        self, owner: Owner, name: str, since_us: int | None, before_us: int | None
    ) -> Iterator[Columns]:
        """Give the readings of a timber or a place as columns, at once."""
        since = None if since_us is None else from_us(since_us)
        yield columns_of(
            self.readings(owner, name, since, None if before_us is None else from_us(before_us - 1))
        )

    def arrived(self, since: datetime, until: datetime) -> list[Reading]:
        """Give the sensors' readings that arrived in a stretch of time, one timber or place after another."""
        wanted = f'r._field == "arrived" and r._value >= {to_us(since)} and r._value < {to_us(until)}'
        spans: dict[tuple[str, str], list[int]] = {}
        for taken, owner, named in self._columns(wanted, KEEP, ("_time", "owner", "named")):
            spans.setdefault((owner, named), []).append(us(taken))
        return [
            one
            for (owner, named), taken_us in sorted(spans.items())
            for one in self.readings(Owner(owner), named, from_us(min(taken_us)), from_us(max(taken_us)))
            if one.source == SENSOR and since <= one.arrived_utc < until
        ]

    def _columns(
        self,
        wanted: str,
        then: str,
        names: Sequence[str],
        since: datetime | None = None,
        until: datetime | None = None,
    ) -> Iterator[tuple[str, ...]]:
        first = FIRST_US if since is None else max(FIRST_US, to_us(since))
        last = LAST_US if until is None else min(LAST_US, to_us(until))
        for bucket in self._buckets if first <= last else ():
            yield from self._influx.ask_columns(points(bucket, first, last, wanted, then), bucket, names)

    # --- thinning

    def thin(self, before_us: int, every_us: int, *, preview: bool = False) -> int:
        """Leave one sensor reading in each stretch of time; return how many went, or would go."""
        place = influx_thin.Place(
            influx=self._influx, bucket=self._bucket, kept_bucket=self._kept, turn=self._turn
        )
        return influx_thin.thin(place, before_us, every_us, None if preview else self._went)

    def _went(self, keys: list[Key]) -> None:
        days: dict[str, set[int]] = {}
        for series, taken_us in keys:
            if series.owner is Owner.TIMBER:
                days.setdefault(series.name, set()).add(taken_us // DAY_US)
        with self._sql.write() as (at, _):
            influx_counts.add(at, keys, -1)
            renamed = names.asked(at.run)
            for name, some in sorted(days.items()):
                kept_days.put_down_days(at, renamed.now(name), some)


def _newer(newest: dict[str, Reading], one: Reading) -> None:
    held = newest.get(str(one.series))
    if held is None or held.taken_utc <= one.taken_utc:
        newest[str(one.series)] = one


def open_kind(config: Config, *, durable: bool) -> Store:
    """Open readings at the InfluxDB server, with register and evaluations in SQL."""
    part = config.store
    if part.postgres_url:
        sql: Sql = PostgresSql(part)
        turn = by_database(sql)
    else:
        sql = SqliteSql(config.store_path, wait_s=part.wait_s, durable=durable, kind=part.kind)
        turn = by_file(config.store_path, sql)
    try:
        return ShopStore(sql, ByFirstTag(InfluxReadings(part, sql, turn, config.zone), sql))
    except BaseException:
        sql.close()
        raise
