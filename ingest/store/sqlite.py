"""The database in one SQLite file: WAL mode, one connection, one writer at a time."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from typing import Any, Final

from baulk.ingest.config import Config
from baulk.ingest.errors import StoreBroken, StoreError
from baulk.ingest.store import before_upgrade
from baulk.ingest.store.base import Store
from baulk.ingest.store.both import ShopStore
from baulk.ingest.store.gate import ASK, Gate
from baulk.ingest.store.readings_sql import SqlReadings
from baulk.ingest.store.sqlite_file import FORM, add_index, connect, faults, raise_tables
from baulk.ingest.store.statements import NONE, Key, Row, SomeKnown, Transaction, Values

_INSERT: Final = "INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, ?, ?)"
_TOGETHER: Final = (200, 20)  # rows of one statement: two fifths less time than one by one
_INSERT_MANY: Final = {many: _INSERT + ", (?, ?, ?, ?, ?, ?)" * (many - 1) for many in _TOGETHER}


class _Inside:
    """Statements of one transaction."""

    def __init__(self, base: sqlite3.Connection) -> None:
        self.base = base

    def run(self, sql: str, values: Values = NONE) -> list[Any]:
        return self.base.execute(sql, values).fetchall()

    def many(self, sql: str, rows: Sequence[Values]) -> None:
        self.base.executemany(sql, rows)


class SqliteSql:
    """One SQLite file.

    Parameters
    ----------
    path : Path
        The file; it must exist.
    wait_s : float
        How long to wait for another writer before `StoreLocked`. [s]
    durable : bool
        Whether a commit waits for the disk.
    kind : str
        The kind of store that the settings name, of which this file holds all or the books.
    """

    def __init__(self, path: Path, *, wait_s: float = 5.0, durable: bool = False, kind: str = "") -> None:
        self.path = path
        self.gate = Gate(kind)
        self.generation = self.grown = 0
        self._lock = threading.RLock()
        self._wait_s, self._durable = wait_s, durable
        self._base: sqlite3.Connection | None = connect(path, wait_s=wait_s, durable=durable)
        self._inode: int | None = path.stat().st_ino
        try:
            with faults(path):
                (form,) = self._base.execute("PRAGMA user_version").fetchone()
                if form < FORM:
                    before_upgrade.keep(path, wait_s=wait_s)
                    self._base.execute("PRAGMA journal_mode = WAL")
                    raise_tables(self._base)
                elif form == FORM:
                    add_index(self._base)
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

    def ask(self, sql: str, values: Values = NONE) -> list[Any]:
        """Give the rows of a question."""
        with self._lock, faults(self.path):
            return self._open().execute(sql, values).fetchall()

    @contextmanager
    def write(self, *, counted: bool = True) -> Iterator[tuple[Transaction, int]]:
        """Begin a transaction, alone among writers; the revision has grown by one, unless not counted."""
        with self._lock, faults(self.path):
            base = self._open()
            base.execute("BEGIN IMMEDIATE")
            try:
                revision = 0
                if counted:
                    (revision,) = base.execute("UPDATE counter SET n = n + 1 RETURNING n").fetchone()
                self.gate.check(base.execute(ASK).fetchall())
                yield _Inside(base), revision
                base.execute("COMMIT")
                self.grown += counted
            except BaseException:
                self.generation += 1
                if base.in_transaction:
                    base.execute("ROLLBACK")
                raise

    @contextmanager
    def alone(self) -> Iterator[Transaction]:
        """Begin a transaction as any other that writes: there is never more than one."""
        with self.write(counted=False) as (at, _):
            yield at

    def _open(self) -> sqlite3.Connection:
        if self._base is None:
            raise StoreError(f"the store {self.path} was closed")
        try:
            inode = self.path.stat().st_ino
        except OSError:
            inode = None
        if inode != self._inode:  # taken away, or another one put in its place, under our open file
            fresh = connect(self.path, wait_s=self._wait_s, durable=self._durable)
            self._base.close()
            self._base, self._inode = fresh, inode
            self.generation += 1
        return self._base

    # --- readings

    def insert(self, transaction: Transaction, rows: Sequence[Row], *, careful: bool) -> set[Key] | None:
        """Insert readings all at once, if every one is new, as nearly always; with care one by one.

        A savepoint to go back to would cost two fifths of the speed, new or not.
        """
        base = _base(transaction)
        if not careful:
            new = at = 0
            for many in _TOGETHER:
                while len(rows) - at >= many:
                    values = tuple(chain.from_iterable(rows[at : at + many]))
                    new += base.execute(_INSERT_MANY[many], values).rowcount
                    at += many
            if at < len(rows):
                new += base.executemany(_INSERT, rows[at:]).rowcount
            if new < len(rows):
                raise SomeKnown
            return None
        return {row[:2] for row in rows if base.execute(_INSERT, row).rowcount == 1}

    def taken(self, transaction: Transaction, keys: Iterable[Key]) -> dict[Key, float]:
        """Values that are stored under these keys."""
        base, found = _base(transaction), {}
        for key in keys:
            row = base.execute("SELECT value FROM reading WHERE series = ? AND taken_us = ?", key).fetchone()
            if row is not None:
                found[key] = row[0]
        return found


def _base(transaction: Transaction) -> sqlite3.Connection:
    assert isinstance(transaction, _Inside)  # noqa: S101 - of our own `write`
    return transaction.base


def open_kind(config: Config, *, durable: bool) -> Store:
    """Open register, evaluations and readings in the shop's one file."""
    part = config.store
    sql = SqliteSql(config.store_path, wait_s=part.wait_s, durable=durable, kind=part.kind)
    return ShopStore(sql, SqlReadings(sql, config.zone))
