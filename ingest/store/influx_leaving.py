"""Readings that leave an InfluxDB 2 server: noted in the books first, deleted after them, by whole stretches.

A deletion takes the server a tenth of a second whatever it holds, so that one reading at a time, within the
transaction of the books, would lock a shop for minutes. Broken off at any moment nothing is lost: what is to
go stands in a note until it is gone.
"""

from __future__ import annotations

import json
import secrets
import time
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from baulk.ingest.store.influx_client import Influx
from baulk.ingest.store.influx_lines import MEASUREMENT, moment, tags
from baulk.ingest.store.influx_questions import Key, times
from baulk.ingest.store.statements import Sql, Transaction
from baulk.ingest.store.turns import LET_OTHERS_S, Turn
from baulk.models.reading import Series

LEAVING: Final = "leaving/"
_AT_ONCE: Final = 1000  # times that are looked up at once


def note(at: Transaction, keys: Iterable[Key]) -> None:
    """Note in the transaction of the books what is to go."""
    series: dict[Series, list[int]] = {}
    for one, taken in keys:
        series.setdefault(one, []).append(taken)
    at.run(
        "INSERT INTO note (key, value) VALUES (:key, :value)",
        {
            "key": LEAVING + secrets.token_hex(8),
            "value": json.dumps({str(one): taken for one, taken in series.items()}).encode(),
        },
    )


def settle(sql: Sql, influx: Influx, buckets: Sequence[str], turn: Turn) -> None:
    """Delete what is noted, and take the notes away."""
    noted = _noted(sql)
    going: dict[str, list[int]] = {}
    for value in noted.values():
        for text, times_us in json.loads(value).items():
            going.setdefault(text, []).extend(times_us)
    for text, times_us in going.items():
        gone = sorted(set(times_us))
        for start in range(0, len(gone), _AT_ONCE):
            left = gone[start : start + _AT_ONCE]
            while left:
                with turn():
                    if noted.keys() - _noted(sql).keys():
                        return  # another program has done it
                    left = _delete(influx, buckets, Series.parse(text), left)
                time.sleep(LET_OTHERS_S)
    if noted:
        with turn(), sql.write(counted=False) as (at, _):
            at.many("DELETE FROM note WHERE key = :key", [{"key": key} for key in noted])


def _noted(sql: Sql) -> dict[str, bytes]:
    rows = sql.ask("SELECT key, value FROM note WHERE substr(key, 1, 8) = 'leaving/'")
    return {key: bytes(value) for key, value in rows}


def _delete(influx: Influx, buckets: Sequence[str], series: Series, gone: list[int]) -> list[int]:
    """Delete up to the first reading that stays; give what is left to delete."""
    having = {"_measurement": MEASUREMENT, **tags(series)}
    wanted, left = set(gone), set[int]()
    for bucket in buckets:
        there = times(influx, bucket, series, gone[0], gone[-1])
        run = list(_run(there, wanted))
        if run:
            influx.delete(bucket, moment(run[0]), moment(run[-1], 1), having)
            left.update(each for each in there if each in wanted and each > run[-1])
    return sorted(left)


def _run(there: Iterable[int], gone: set[int]) -> Iterator[int]:
    """Give the first times in a row that go."""
    begun = False
    for each in there:
        if each in gone:
            begun = True
            yield each
        elif begun:
            return
