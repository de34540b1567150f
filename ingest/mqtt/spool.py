"""The listener's spool: messages that wait on this machine while the store is away.

A SQLite file beside baulk.toml, one for each listener. What `keep` has taken survives a power cut (WAL,
synchronous FULL) and may be acknowledged; what `oldest` gave is dropped only after the store has it.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final

from baulk.ingest.errors import StoreError, StoreFull
from baulk.ingest.wire.message import RawMessage

_TABLE: Final = (
    "CREATE TABLE IF NOT EXISTS message (id INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL,"
    " payload BLOB NOT NULL, arrived_us INTEGER NOT NULL, retained INTEGER NOT NULL, mid INTEGER NOT NULL,"
    " again INTEGER NOT NULL, linked_us INTEGER)"
)
_FROM_1: Final = "ALTER TABLE message ADD COLUMN linked_us INTEGER"
_BY_MID: Final = "CREATE INDEX IF NOT EXISTS by_mid ON message (mid)"
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICRO: Final = timedelta(microseconds=1)


class Spool:
    """Messages in order of arrival.

    Parameters
    ----------
    path : Path
        The file; it is made when the first message is kept.
    room_mb : float
        How large it may grow. [MB]
    """

    def __init__(self, path: Path, *, room_mb: float) -> None:
        self.path, self._room_mb = path, room_mb
        self._base: sqlite3.Connection | None = None
        self.waiting = 0
        if path.exists():
            with self._faults():
                ((self.waiting,),) = self._open().execute("SELECT count(*) FROM message").fetchall()

    def close(self) -> None:
        """Close the file."""
        if self._base is not None:
            self._base.close()
            self._base = None

    def keep(self, raws: Sequence[RawMessage]) -> None:
        """Keep messages for good; one that the broker sends again and that lies here already is passed over.

        Raises
        ------
        StoreFull
            If there is no room; then none of them is kept.
        """
        with self._writing() as base:
            fresh = [raw for raw in raws if not (raw.again and self._has(base, raw))]
            base.executemany(
                "INSERT INTO message (topic, payload, arrived_us, retained, mid, again, linked_us)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        raw.topic.encode("utf-8", "backslashreplace").decode(),
                        raw.payload,
                        (raw.arrived_utc - _EPOCH) // _MICRO,
                        raw.retained,
                        raw.mid,
                        raw.again,
                        None if raw.linked_utc is None else (raw.linked_utc - _EPOCH) // _MICRO,
                    )
                    for raw in fresh
                ],
            )
        self.waiting += len(fresh)

    @staticmethod
    def _has(base: sqlite3.Connection, raw: RawMessage) -> bool:
        asked = "SELECT 1 FROM message WHERE mid = ? AND topic = ? AND payload = ?"
        return base.execute(asked, (raw.mid, raw.topic, raw.payload)).fetchone() is not None

    def oldest(self, limit: int) -> tuple[list[RawMessage], int]:
        """Give the messages that wait longest, and the number to `drop` up to."""
        with self._faults():
            rows = (
                self._open()
                .execute(
                    "SELECT id, topic, payload, arrived_us, retained, mid, again, linked_us FROM message"
                    " ORDER BY id LIMIT ?",
                    (limit,),
                )
                .fetchall()
            )
        raws = [
            RawMessage(
                topic=topic,
                payload=bytes(payload),
                arrived_utc=_EPOCH + arrived * _MICRO,
                retained=bool(retained),
                mid=mid,
                again=bool(again),
                linked_utc=None if linked is None else _EPOCH + linked * _MICRO,
            )
            for _, topic, payload, arrived, retained, mid, again, linked in rows
        ]
        return raws, rows[-1][0] if rows else 0

    def drop(self, last: int) -> None:
        """Take away what the store has now."""
        with self._writing() as base:
            gone = base.execute("DELETE FROM message WHERE id <= ?", (last,)).rowcount
        self.waiting = max(0, self.waiting - gone)
        if self.waiting == 0:  # give the disk back
            with self._faults():
                self._open().execute("PRAGMA incremental_vacuum").fetchall()
                self._open().execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    def _open(self) -> sqlite3.Connection:
        if self._base is None:
            self._only_for_its_owner()
            base = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False, timeout=5)
            try:
                base.execute("PRAGMA auto_vacuum = INCREMENTAL")
                base.execute("PRAGMA journal_mode = WAL")
                base.execute("PRAGMA synchronous = FULL")
                (page,) = base.execute("PRAGMA page_size").fetchone()
                base.execute(f"PRAGMA max_page_count = {max(8, int(self._room_mb * 1e6 / page))}")
                base.execute(_TABLE)
                if "linked_us" not in [row[1] for row in base.execute("PRAGMA table_info(message)")]:
                    base.execute(_FROM_1)  # a spool of 0.1.0
                base.execute(_BY_MID)
            except BaseException:
                base.close()
                raise
            self._base = base
        return self._base

    def _only_for_its_owner(self) -> None:
        """Let nobody else read the file, an older one neither; SQLite's files beside it follow."""
        with suppress(OSError):  # what can't be made or is another's is said when it is opened
            os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o600))
            self.path.chmod(0o600)

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._faults():
            base = self._open()
            base.execute("BEGIN IMMEDIATE")
            try:
                yield base
                base.execute("COMMIT")
            except BaseException:
                if base.in_transaction:
                    base.execute("ROLLBACK")
                raise

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as err:
            text = str(err).lower()
            if "full" in text or "readonly" in text or "disk i/o" in text or "unable to open" in text:
                raise StoreFull(
                    f"the spool {self.path} can't be written ({err}); make room on the disk, or raise"
                    " spool_mb in [broker]"
                ) from err
            raise StoreError(f"the spool {self.path} can't be used: {err}") from err
