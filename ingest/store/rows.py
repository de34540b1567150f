"""Readings as rows of the table ``reading``."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from baulk.ingest.store.sqlite_file import to_us
from baulk.models.reading import Reading, Series

INSERT: Final = "INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?, ?)"


def by_series(readings: Iterable[Reading]) -> dict[Series, list[Reading]]:
    """Group readings, each series in the order given."""
    grouped: dict[Series, list[Reading]] = {}
    for reading in readings:
        those = grouped.get(reading.series)
        if those is None:
            those = grouped[reading.series] = []
        those.append(reading)
    return grouped


def row_of(number: int, one: Reading) -> tuple[object, ...]:
    """Give the row of a reading, for `INSERT`."""
    taken, arrived = to_us(one.taken_utc), to_us(one.arrived_utc)
    return number, taken, one.value, arrived, one.source, ",".join(one.flags)
