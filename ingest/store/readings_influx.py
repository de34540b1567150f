"""Readings in an InfluxDB 2 server; the books lie in SQL, and so does the list of series.

One measurement, `reading`. Tags, which make a series there: owner, named, quantity, depth and face ("-" if
none) and `kept`: how long the point stays; none is a keyword of InfluxQL, in which deletions are asked for.
Fields: value, arrived (microseconds), source, flags; as tags they would make a new series of every change.
Times are in microseconds, for the device time to the microsecond is the key.

A point of the same series and time would overwrite the old one without a word, so a batch is first looked up,
with one question for the span of time it covers; a log of keys beside it would be as large as the readings.
Between that and the write another listener could put in another value; then the later one stands. The
same reading twice does no harm, whoever writes it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from baulk.ingest.config import Config, StorePart
from baulk.ingest.errors import StoreError
from baulk.ingest.store.base import Put, Sql, Store, Transaction, from_us, to_us
from baulk.ingest.store.both import ShopStore
from baulk.ingest.store.influx_client import AT_ONCE, Influx, Unfit, flux
from baulk.ingest.store.postgres import PostgresSql
from baulk.ingest.store.rejected import Rejected
from baulk.ingest.store.rows import (
    EVERY_US,
    SENSOR,
    Plan,
    SeriesList,
    clash,
    daily_table,
    flags_of,
    refused,
    table,
    thinned,
)
from baulk.ingest.store.sqlite import SqliteSql
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face

if TYPE_CHECKING:
    import pandas as pd


_MEASUREMENT: Final = "reading"
_ALWAYS: Final = "always"  # of what a person took or brought in, and weights
_AS_TAKEN: Final = "as-taken"  # of sensors; goes when thinned, or by the bucket's own retention
_NAMED: Final = 20  # timbers and places that a question names; with more it asks for all of them
_FIRST: Final = datetime(1900, 1, 1, tzinfo=UTC)
_LAST: Final = datetime(2200, 1, 1, tzinfo=UTC)  # a device's clock may run ahead, and `now` leaves those out
_PIVOT: Final = '|> pivot(rowKey: ["_time"], columnKey: ["_field"], valueColumn: "_value")'


class InfluxReadings:
    """Readings at an InfluxDB 2 server.

    Parameters
    ----------
    store : StorePart
        The settings.
    sql : Sql
        The shop's database, for the list of series.
    """

    apart = True

    def __init__(self, store: StorePart, sql: Sql) -> None:
        self._influx = Influx(store)
        self._list = SeriesList(sql)
        self._bucket, self._kept = store.bucket, store.kept_bucket or store.bucket
        self._buckets = tuple(dict.fromkeys((self._bucket, self._kept)))

    def close(self) -> None:
        """Close the connections."""
        self._influx.close()

    # --- in

    def send(self, readings: Sequence[Reading]) -> Put | None:
        """Look up what is stored, then write what is new."""
        stored: dict[tuple[Series, int], float] = {}
        for start in range(0, len(readings), AT_ONCE):
            stored |= self._stored(readings[start : start + AT_ONCE])
        fresh: list[Reading] = []
        clashes: list[Rejected] = []
        for one in readings:
            key = one.series, to_us(one.taken_utc)
            if key not in stored:
                stored[key] = one.value
                fresh.append(one)
            elif stored[key] != one.value:
                clashes.append(clash(one, stored[key]))
        unfit = {id(one): why for one, why in self._write(fresh)}
        clashes += [refused(one, unfit[id(one)]) for one in fresh if id(one) in unfit]
        return Put(fresh=[one for one in fresh if id(one) not in unfit], clashes=clashes)

    def enter(self, at: Transaction, readings: Sequence[Reading], sent: Put | None, *, careful: bool) -> Put:
        """Note which series there are, those of readings sent by an earlier try that broke off as well."""
        del careful
        assert sent is not None  # noqa: S101 - by `send`
        for series in {one.series for one in readings}:
            self._list.number(at, series)
        return sent

    def leave(self, at: Transaction, readings: Sequence[Reading]) -> None:
        """Delete readings, one by one; the server may take a while."""
        del at
        for one in readings:
            us, having = to_us(one.taken_utc), {"_measurement": _MEASUREMENT, **_tags(one.series)}
            for bucket in self._buckets:
                self._influx.delete(bucket, _text(us), _text(us, 1), having)

    def write_over(self, at: Transaction, readings: Sequence[Reading]) -> None:
        """Write readings over what is there: a point of the same tags and time takes the new fields."""
        del at
        for one, why in self._write(readings):
            raise StoreError(f"{one.series} at {one.taken_utc.isoformat()} can't be written over: {why}")

    def _stored(self, readings: Sequence[Reading]) -> dict[tuple[Series, int], float]:
        if not readings:
            return {}
        first, last = min(one.taken_utc for one in readings), max(one.taken_utc for one in readings)
        names = {(one.series.owner.value, one.series.name) for one in readings}
        if len(names) > _NAMED:
            wanted = " or ".join(
                f"({_is({'owner': owner})})" for owner in sorted({owner for owner, _ in names})
            )
        else:
            wanted = " or ".join(f"({_is({'owner': owner, 'named': name})})" for owner, name in sorted(names))
        rows = self._ask(first, last, f'r._field == "value" and ({wanted})')
        return {(_series(row), to_us(_moment(row))): float(row["_value"]) for row in rows}

    def _write(self, readings: Sequence[Reading]) -> Iterator[tuple[Reading, str]]:
        """Write readings; give those that the server will not have, and why."""
        for bucket in self._buckets:
            lines = [
                (one, _line(one, kept))
                for one in readings
                for kept in (_how_long(one),)
                if bucket == (self._bucket if kept == _AS_TAKEN else self._kept)
            ]
            for start in range(0, len(lines), AT_ONCE):
                yield from self._write_some(bucket, lines[start : start + AT_ONCE])

    def _write_some(self, bucket: str, lines: list[tuple[Reading, str]]) -> Iterator[tuple[Reading, str]]:
        try:
            self._influx.write(bucket, [line for _, line in lines])
        except Unfit as err:
            if len(lines) == 1:
                yield lines[0][0], str(err)
                return
            half = len(lines) // 2
            yield from self._write_some(bucket, lines[:half])
            yield from self._write_some(bucket, lines[half:])

    # --- out

    def series(self, owner: Owner | None = None, name: str | None = None) -> list[Series]:
        """Every series that has a reading."""
        return self._list.listed(owner, name)

    def places(self) -> list[str]:
        """Places that have air readings."""
        return sorted({series.name for series in self._list.listed(Owner.AIR, None)})

    def daily_means(self, owner: Owner | None = None, name: str | None = None) -> pd.DataFrame:
        """Columns series, posix_s, mean, count, worked out here from one series after the other."""
        rows: list[tuple[str, int, float, int]] = []
        for series in self._list.listed(owner, name):
            found = self.read(series)
            day, first = np.unique(found["posix_s"].to_numpy() // 86400, return_index=True)
            if day.size:
                counts = np.diff([*first, len(found)])
                means = np.add.reduceat(found["value"].to_numpy(), first) / counts
                rows += zip(
                    [str(series)] * day.size, *(a.tolist() for a in (day, means, counts)), strict=True
                )
        return daily_table(rows)

    def read(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> pd.DataFrame:
        """Columns posix_s, value, flags; by device time."""
        asked = self._ask(since_utc, until_utc, _is(_tags(series)), then=_PIVOT)
        at = {to_us(_moment(row)): row for row in asked}  # while it is being moved, a reading stands twice
        times = sorted(at)
        return table(times, (float(at[us]["value"]) for us in times), (at[us]["flags"] for us in times))

    def latest(self, owner: Owner, name: str | None = None) -> list[Reading]:
        """Give the newest reading of each series."""
        newest: dict[str, Reading] = {}
        for one in self._readings(owner, name, (None, None), f"|> last() {_PIVOT}"):
            newest[str(one.series)] = one
        return [newest[text] for text in sorted(newest)]

    def latest_of(self, those: Collection[Series]) -> list[Reading]:
        """Give the newest reading of each of these series that has one, in no order."""
        found = (self.latest(owner, name) for owner, name in {(one.owner, one.name) for one in those})
        return [one for some in found for one in some if one.series in those]

    def readings(
        self, owner: Owner, name: str, since: datetime | None = None, until: datetime | None = None
    ) -> list[Reading]:
        """Every reading of a timber or a place between two moments, by device time."""
        return self._readings(owner, name, (since, until), _PIVOT)

    def arrived(self, since: datetime, until: datetime) -> list[Reading]:
        """Give the sensors' readings that arrived in a stretch of time, one timber or place after another."""
        names = dict.fromkeys((one.owner, one.name) for one in self._list.listed(None, None))
        return [
            one
            for owner, name in names
            for one in self._readings(owner, name, (None, None), _PIVOT)
            if one.source == SENSOR and since <= one.arrived_utc < until
        ]

    def _readings(
        self, owner: Owner, name: str | None, between: tuple[datetime | None, datetime | None], then: str
    ) -> list[Reading]:
        tags = {"owner": owner.value} | ({} if name is None else {"named": name})
        rows = self._ask(*between, _is(tags), then=then)
        found = {(one.taken_utc, str(one.series)): one for one in map(_reading, rows)}
        return [found[key] for key in sorted(found)]

    def _ask(
        self, since: datetime | None, until: datetime | None, wanted: str, *, then: str = ""
    ) -> Iterator[dict[str, str]]:
        for bucket in self._buckets:
            text = (
                f"from(bucket: {flux(bucket)})"
                f" |> range(start: {_text(to_us(since or _FIRST))}, stop: {_text(to_us(until or _LAST), 1)})"
                f" |> filter(fn: (r) => r._measurement == {flux(_MEASUREMENT)} and {wanted}) {then}"
            )
            yield from self._influx.ask(text, bucket)

    # --- thinning

    def thin(self, before_us: int, every_us: int, *, preview: bool = False) -> int:
        """Write what stays under a tag of its own, then delete the rest, series by series.

        Broken off in between, nothing is lost: the next time finds both and goes on. A deletion covers a span
        of time, so a reading of that very span that arrives in the same moment, older than all that is kept
        whole, would go with it.
        """
        (to,) = (name for name, length in EVERY_US.items() if length == every_us)
        finer = (_AS_TAKEN, *(name for name, length in EVERY_US.items() if length < every_us))
        kinds = " or ".join(f"r.kept == {flux(each)}" for each in (*finer, to))
        gone = 0
        for series in self._list.listed(None, None):
            if series.quantity is Quantity.WEIGHT:
                continue
            wanted = f"{_is(_tags(series))} and ({kinds})"
            rows = [
                (to_us(_moment(row)), row)
                for row in self._ask(None, from_us(before_us - 1), wanted, then=_PIVOT)
                if row["source"] == SENSOR
            ]
            rows.sort(key=lambda one: (one[0], one[1]["kept"] == to))  # what was moved already stands last
            at = dict(rows)
            plan = thinned([(us, float(row["value"]), row["flags"]) for us, row in at.items()], every_us)
            gone += len(plan.gone)
            if not preview and len(rows) > len(at) - len(plan.gone):
                self._thin_one(series, rows, plan, to)
        return gone

    def _thin_one(self, series: Series, rows: list[tuple[int, dict[str, str]]], plan: Plan, to: str) -> None:
        at, gone = dict(rows), frozenset(plan.gone)
        stay = [
            _line(_reading({**row, "flags": plan.kept.get(us, row["flags"])}), to)
            for us, row in at.items()
            if us not in gone and (row["kept"] != to or us in plan.kept)
        ]
        for start in range(0, len(stay), AT_ONCE):
            self._influx.write(self._kept, stay[start : start + AT_ONCE])
        having = {"_measurement": _MEASUREMENT, **_tags(series)}
        for kept in {row["kept"] for _, row in rows} - {to}:
            bucket = self._bucket if kept == _AS_TAKEN else self._kept
            self._influx.delete(bucket, _text(rows[0][0]), _text(rows[-1][0], 1), {**having, "kept": kept})
        for us in (us for us, row in rows if row["kept"] == to and us in gone):
            self._influx.delete(self._kept, _text(us), _text(us, 1), {**having, "kept": to})


def _how_long(one: Reading) -> str:
    return _AS_TAKEN if one.source == SENSOR and one.series.quantity is not Quantity.WEIGHT else _ALWAYS


def _tags(series: Series) -> dict[str, str]:
    return {
        "owner": series.owner.value,
        "named": series.name,
        "quantity": series.quantity.value,
        "depth": "-" if series.depth_mm is None else f"{series.depth_mm:g}",
        "face": series.face.value if series.face else "-",
    }


def _is(tags: dict[str, str]) -> str:
    return " and ".join(f"r.{tag} == {flux(value)}" for tag, value in tags.items())


def _line(one: Reading, kept: str) -> str:
    from influxdb_client.client.write.point import Point  # noqa: PLC0415 - loaded by then
    from influxdb_client.domain.write_precision import WritePrecision  # noqa: PLC0415

    point = Point.from_dict(
        {
            "measurement": _MEASUREMENT,
            "tags": {**_tags(one.series), "kept": kept},
            "fields": {
                "value": float(one.value),
                "arrived": to_us(one.arrived_utc),
                "source": one.source,
                "flags": ",".join(one.flags),
            },
            "time": to_us(one.taken_utc),
        },
        write_precision=WritePrecision.US,  # type: ignore[arg-type] # its constants are text
    )
    return str(point.to_line_protocol())


def _series(row: dict[str, str]) -> Series:
    return Series(
        owner=Owner(row["owner"]),
        name=row["named"],
        quantity=Quantity(row["quantity"]),
        depth_mm=None if row["depth"] == "-" else float(row["depth"]),
        face=None if row["face"] == "-" else Face(row["face"]),
    )


def _reading(row: dict[str, str]) -> Reading:
    return Reading(
        series=_series(row),
        value=float(row["value"]),
        taken_utc=_moment(row),
        arrived_utc=from_us(int(row["arrived"])),
        source=row["source"],
        flags=flags_of(row["flags"]),
    )


def _moment(row: dict[str, str]) -> datetime:
    return datetime.fromisoformat(row["_time"])


def _text(us: int, nanoseconds: int = 0) -> str:
    """Write a moment as RFC 3339, and so many nanoseconds more."""
    return f"{from_us(us):%Y-%m-%dT%H:%M:%S.%f}{nanoseconds:03d}Z"


def open_kind(config: Config, *, durable: bool) -> Store:
    """Open readings at the InfluxDB server, with register and evaluations in SQL."""
    part = config.store
    if part.postgres_url:
        sql: Sql = PostgresSql(part)
    else:
        sql = SqliteSql(config.store_path, wait_s=part.wait_s, durable=durable)
    try:
        return ShopStore(sql, InfluxReadings(part, sql))
    except BaseException:
        sql.close()
        raise
