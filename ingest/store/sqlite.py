"""The store in one SQLite file: WAL mode, readings keyed by series and device time, in microseconds."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from baulk.ingest.errors import StoreBroken, StoreError
from baulk.ingest.store.base import QuarantineRow, StoredEvaluation
from baulk.ingest.store.rows import INSERT, by_series, row_of
from baulk.ingest.store.sqlite_file import FORM, connect, faults, from_us, raise_tables, to_us
from baulk.ingest.wire.message import RawMessage
from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange
from baulk.models.reading import Owner, Quantity, Reading, Series

_DAY_US: Final = 86_400_000_000
_PAIR_S: Final = 1800  # temperature and humidity at most this far apart make one point of air
_STALE: Final = """
SELECT timber.tag FROM timber
LEFT JOIN evaluation AS e ON e.tag = timber.tag
LEFT JOIN touched AS own ON own.owner = 'timber' AND own.name = timber.tag
LEFT JOIN touched AS air ON air.owner = 'air' AND air.name = timber.place
WHERE e.tag IS NULL OR timber.revision > e.revision
   OR (e.exact AND own.revision > e.revision) OR (NOT e.exact AND own.arrived_us > e.made_us)
   OR (air.name IS NOT NULL AND (e.air_last_us IS NULL
       OR air.last_us > e.air_last_us + :day OR air.first_us < e.air_first_us - :day))
ORDER BY e.made_us, timber.tag
"""


class SqliteStore:
    """One SQLite file; safe to use from several threads, and beside other processes.

    Parameters
    ----------
    path : Path
        The file; it must exist.
    wait_s : float
        How long to wait for another writer before `StoreLocked`. [s]
    """

    def __init__(self, path: Path, *, wait_s: float = 5.0) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._ids: dict[Series, int] = {}
        self._wait_s = wait_s
        self._base: sqlite3.Connection | None = connect(path, wait_s=wait_s)
        self._inode: int | None = path.stat().st_ino
        try:
            with faults(path):
                (form,) = self._base.execute("PRAGMA user_version").fetchone()
                if form < FORM:
                    self._base.execute("PRAGMA journal_mode = WAL")
                    raise_tables(self._base)
            if form > FORM:
                raise StoreBroken(  # noqa: TRY301 - the file must be closed on the way out
                    f"the store {path} was written by a newer Baulk (form {form}); install that one"
                )
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            if self._base is not None:
                self._base.close()
                self._base = None

    # --- the two ways to the file

    def _ask(self, sql: str, values: Sequence[object] | dict[str, object] = ()) -> list[Any]:
        with self._lock, faults(self.path):
            return self._open().execute(sql, values).fetchall()

    @contextmanager
    def _write(self) -> Iterator[tuple[sqlite3.Connection, int]]:
        with self._lock, faults(self.path):
            base = self._open()
            base.execute("BEGIN IMMEDIATE")
            try:
                (revision,) = base.execute("UPDATE counter SET n = n + 1 RETURNING n").fetchone()
                yield base, revision
                base.execute("COMMIT")
            except BaseException:
                self._ids.clear()
                if base.in_transaction:
                    base.execute("ROLLBACK")
                raise

    def _open(self) -> sqlite3.Connection:
        if self._base is None:
            raise StoreError(f"the store {self.path} was closed")
        inode = self.path.stat().st_ino if self.path.is_file() else None
        if inode != self._inode:  # taken away, or another one put in its place, under our open file
            fresh = connect(self.path, wait_s=self._wait_s)
            self._base.close()
            self._base, self._inode = fresh, inode
            self._ids.clear()
        return self._base

    def _id(self, base: sqlite3.Connection, series: Series) -> int:
        if series not in self._ids:
            text = str(series)
            base.execute(
                "INSERT OR IGNORE INTO series (text, owner, name) VALUES (?, ?, ?)",
                (text, series.owner.value, series.name),
            )
            (number,) = base.execute("SELECT id FROM series WHERE text = ?", (text,)).fetchone()
            self._ids[series] = number
        return self._ids[series]

    # --- in

    def append(self, readings: Iterable[Reading]) -> int:
        """Store readings; return how many were new."""
        return self.save(readings)

    def quarantine(self, raw: RawMessage, reason: str, *, waits_for: str | None = None) -> None:
        """Keep a message that can't be stored."""
        self.save((), ((raw, reason, waits_for),))

    def save(
        self, readings: Iterable[Reading], rejected: Iterable[tuple[RawMessage, str, str | None]] = ()
    ) -> int:
        """Store readings and quarantine messages in one transaction; return how many readings were new."""
        readings, rejected = list(readings), list(rejected)
        if not readings and not rejected:
            return 0
        with self._write() as (base, revision):
            fresh = readings if self._insert_all(base, readings) else []
            for reading in () if fresh else readings:
                if self._insert(base, reading):
                    fresh.append(reading)
                elif clash := self._clash(base, reading):
                    rejected.append(clash)
            touched: dict[tuple[str, str], list[Reading]] = {}
            for series, those in by_series(fresh).items():
                touched.setdefault((series.owner.value, series.name), []).extend(those)
            for (owner, name), those in touched.items():
                base.execute(
                    "INSERT INTO touched VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET"
                    " revision = excluded.revision, arrived_us = max(arrived_us, excluded.arrived_us),"
                    " first_us = min(first_us, excluded.first_us), last_us = max(last_us, excluded.last_us)",
                    (
                        *(owner, name, revision, to_us(max(r.arrived_utc for r in those))),
                        *(to_us(min(r.taken_utc for r in those)), to_us(max(r.taken_utc for r in those))),
                    ),
                )
            base.executemany(
                "INSERT OR IGNORE INTO quarantine (topic, payload, arrived_us, retained, reason, waits_for)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                [
                    (
                        _storable(raw.topic),
                        raw.payload,
                        to_us(raw.arrived_utc),
                        raw.retained,
                        _storable(why),
                        waits_for,
                    )
                    for raw, why, waits_for in rejected
                ],
            )
        return len(fresh)

    def _insert_all(self, base: sqlite3.Connection, readings: list[Reading]) -> bool:
        """Insert all at once if every one is new, as nearly always; else leave the table as it was."""
        base.execute("SAVEPOINT all_new")
        rows = []
        for series, those in by_series(readings).items():
            number = self._id(base, series)
            rows += [row_of(number, one) for one in those]
        done = base.executemany(INSERT, rows)
        if every := done.rowcount == len(rows) or not rows:
            base.execute("RELEASE all_new")
        else:
            base.execute("ROLLBACK TO all_new")
            base.execute("RELEASE all_new")
            self._ids.clear()
        return every

    def _insert(self, base: sqlite3.Connection, reading: Reading) -> bool:
        done = base.execute(INSERT, row_of(self._id(base, reading.series), reading))
        return done.rowcount == 1

    def _clash(self, base: sqlite3.Connection, reading: Reading) -> tuple[RawMessage, str, None] | None:
        (value,) = base.execute(
            "SELECT value FROM reading WHERE series = ? AND taken_us = ?",
            (self._id(base, reading.series), to_us(reading.taken_utc)),
        ).fetchone()
        if value == reading.value:
            return None
        asked = f"{reading.series} at {reading.taken_utc.isoformat()}"
        body = {
            "series": str(reading.series),
            "value": reading.value,
            "taken_utc": reading.taken_utc.isoformat(),
        }
        raw = RawMessage(
            topic=str(reading.series), payload=json.dumps(body).encode(), arrived_utc=reading.taken_utc
        )  # the device's time, so that a second delivery makes the same row
        return raw, f"{asked} is stored as {value:g} already and came again as {reading.value:g}", None

    # --- quarantine

    def quarantined(
        self, limit: int = 100, *, waits_for: str | None = None, after: int | None = None
    ) -> list[QuarantineRow]:
        """Newest first; with ``after``, the rows that follow that number, oldest first."""
        rows = self._ask(
            "SELECT id, topic, payload, arrived_us, retained, reason, waits_for FROM quarantine"
            " WHERE (?1 IS NULL OR waits_for = ?1) AND (?3 IS NULL OR id > ?3)"
            " ORDER BY CASE WHEN ?3 IS NULL THEN -id ELSE id END LIMIT ?2",
            (waits_for, limit, after),
        )
        return [
            QuarantineRow(
                number=number,
                raw=RawMessage(
                    topic=topic, payload=bytes(payload), arrived_utc=from_us(arrived), retained=bool(retained)
                ),
                reason=reason,
                waits_for=tag,
            )
            for number, topic, payload, arrived, retained, reason, tag in rows
        ]

    def quarantine_count(self) -> int:
        """How many messages lie in quarantine."""
        return int(self._ask("SELECT count(*) FROM quarantine")[0][0])

    def replayable_tags(self) -> list[str]:
        """Tags that quarantined messages wait for and that are registered by now."""
        sql = "SELECT DISTINCT waits_for FROM quarantine JOIN timber ON tag = waits_for ORDER BY 1"
        return [tag for (tag,) in self._ask(sql)]

    def release(self, *numbers: int) -> None:
        """Take messages out of quarantine."""
        with self._write() as (base, _):
            base.executemany("DELETE FROM quarantine WHERE id = ?", [(one,) for one in numbers])

    def stop_waiting(self, *numbers: int) -> None:
        """Note that messages need more than their tag being entered."""
        with self._write() as (base, _):
            base.executemany(
                "UPDATE quarantine SET waits_for = NULL WHERE id = ?", [(one,) for one in numbers]
            )

    # --- out

    def series(self, owner: Owner | None = None, name: str | None = None) -> list[Series]:
        """Every series that has a reading."""
        rows = self._ask(
            "SELECT text FROM series WHERE (?1 IS NULL OR owner = ?1) AND (?2 IS NULL OR name = ?2)"
            " ORDER BY text",
            (owner.value if owner else None, name),
        )
        return [Series.parse(text) for (text,) in rows]

    def read(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> pd.DataFrame:
        """Columns posix_s, value, flags; by device time."""
        rows = self._ask(
            "SELECT taken_us, value, flags FROM reading WHERE series = (SELECT id FROM series WHERE text = ?)"
            " AND taken_us BETWEEN ? AND ? ORDER BY taken_us",
            (str(series), *_span(since_utc, until_utc)),
        )
        return pd.DataFrame(
            {
                "posix_s": np.array([row[0] for row in rows], dtype=np.float64) / 1e6,
                "value": np.array([row[1] for row in rows], dtype=np.float64),
                "flags": pd.Series([row[2] for row in rows], dtype=object),
            }
        )

    def latest(self, owner: Owner, name: str) -> list[Reading]:
        """Give the newest reading of each series."""
        return self._readings(
            "SELECT s.text, r.taken_us, r.value, r.arrived_us, r.source, r.flags FROM series AS s"
            " JOIN reading AS r ON r.series = s.id"
            " AND r.taken_us = (SELECT max(taken_us) FROM reading WHERE series = s.id)"
            " WHERE s.owner = ? AND s.name = ? ORDER BY s.text",
            (owner.value, name),
        )

    def readings(self, owner: Owner, name: str, since: datetime | None = None) -> list[Reading]:
        """Every reading of a timber or a place, by device time."""
        return self._readings(
            "SELECT s.text, r.taken_us, r.value, r.arrived_us, r.source, r.flags FROM series AS s"
            " JOIN reading AS r ON r.series = s.id AND r.taken_us >= ?"
            " WHERE s.owner = ? AND s.name = ? ORDER BY r.taken_us, s.text",
            (_span(since, None)[0], owner.value, name),
        )

    def _readings(self, sql: str, values: Sequence[object]) -> list[Reading]:
        parsed: dict[str, Series] = {}
        found = []
        for text, taken, value, arrived, source, flags in self._ask(sql, values):
            series = parsed.get(text) or parsed.setdefault(text, Series.parse(text))
            found.append(
                Reading(
                    series=series,
                    value=value,
                    taken_utc=from_us(taken),
                    arrived_utc=from_us(arrived),
                    source=source,
                    flags=tuple(flags.split(",")) if flags else (),
                )
            )
        return found

    def air(self, place: str, since: datetime | None = None) -> AirSeries:
        """Temperature with the humidity taken nearest to it, at most half an hour apart."""
        temp, humidity = (
            self.read(Series(owner=Owner.AIR, name=place, quantity=quantity), since)[["posix_s", "value"]]
            for quantity in (Quantity.TEMP, Quantity.HUMIDITY)
        )
        pairs = pd.merge_asof(
            temp, humidity, on="posix_s", direction="nearest", tolerance=_PAIR_S, suffixes=("_c", "_rh")
        ).dropna()
        if pairs.empty:
            raise OutOfRange(
                f"the air of {place!r}",
                "has no temperature with a humidity near it in time; publish or enter both first",
            )
        return AirSeries(
            posix_s=pairs["posix_s"].to_numpy(dtype=np.float64),
            temp_c=pairs["value_c"].to_numpy(dtype=np.float64),
            rh_pct=pairs["value_rh"].to_numpy(dtype=np.float64).clip(0, 100),
        )

    def places(self) -> list[str]:
        """Places that have air readings."""
        return [
            name for (name,) in self._ask("SELECT DISTINCT name FROM series WHERE owner = 'air' ORDER BY 1")
        ]

    # --- evaluations

    def stale(self) -> list[str]:
        """Tags whose evaluation no longer covers what is known, the longest waiting first."""
        return [tag for (tag,) in self._ask(_STALE, {"day": _DAY_US})]

    def save_evaluation(
        self, tag: str, made_utc: datetime, payload: bytes, *, revision: int | None = None
    ) -> None:
        """Keep the evaluation of a timber."""
        with self._write() as (base, now):
            base.execute(
                "INSERT OR REPLACE INTO evaluation SELECT ?1, ?2, ?3, ?4, ?5, air.first_us, air.last_us"
                " FROM (SELECT 1) LEFT JOIN touched AS air ON air.owner = 'air'"
                " AND air.name = (SELECT place FROM timber WHERE tag = ?1)",
                (tag, to_us(made_utc), payload, now if revision is None else revision, revision is not None),
            )

    def evaluation(self, tag: str) -> tuple[datetime, bytes] | None:
        """When it was made, and its JSON."""
        rows = self._ask("SELECT made_us, payload FROM evaluation WHERE tag = ?", (tag,))
        return (from_us(rows[0][0]), bytes(rows[0][1])) if rows else None

    def evaluated(self) -> dict[str, datetime]:
        """When each timber was last evaluated, without the answers."""
        return {tag: from_us(made) for tag, made in self._ask("SELECT tag, made_us FROM evaluation")}

    def evaluations(self) -> list[StoredEvaluation]:
        """Of every timber that has one."""
        return [
            StoredEvaluation(tag=tag, made_utc=from_us(made), payload=bytes(payload))
            for tag, made, payload in self._ask("SELECT tag, made_us, payload FROM evaluation ORDER BY tag")
        ]

    def revision(self) -> int:
        """Give a number that grows with every change."""
        return int(self._ask("SELECT n FROM counter")[0][0])


def _span(since: datetime | None, until: datetime | None) -> tuple[int, int]:
    return (to_us(since) if since else -(2**62), to_us(until) if until else 2**62)


def _storable(text: str) -> str:
    """Without lone surrogates, which SQLite can't keep."""
    return text.encode("utf-8", "backslashreplace").decode()
