"""The database on a PostgreSQL server: one connection, made anew when it was lost, one writer at a time."""

from __future__ import annotations

import functools
import re
import threading
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from baulk.ingest.config import Config, StorePart
from baulk.ingest.errors import StoreError
from baulk.ingest.store.base import Store
from baulk.ingest.store.both import ShopStore
from baulk.ingest.store.gate import ASK, LOCK, Gate
from baulk.ingest.store.postgres_server import connect, faults, name_of, raise_tables
from baulk.ingest.store.readings_sql import SqlReadings
from baulk.ingest.store.statements import NONE, Key, Row, Transaction, Values

if TYPE_CHECKING:
    import psycopg


_INSERT: Final = b"""
INSERT INTO reading SELECT * FROM unnest(
    %s::integer[], %s::bigint[], %s::double precision[], %s::bigint[], %s::text[], %s::text[])
ON CONFLICT DO NOTHING RETURNING series, taken_us
"""
# the lock first: what is read after it is as the one who held it alone has left it
_GATE: Final = f"SELECT pg_advisory_xact_lock_shared({LOCK}); {ASK}".encode()
_TAKEN: Final = b"""
SELECT r.series, r.taken_us, r.value FROM unnest(%s::integer[], %s::bigint[]) AS k (series, taken_us)
JOIN reading AS r ON r.series = k.series AND r.taken_us = k.taken_us
"""


@functools.cache
def _ours(sql: str) -> bytes:
    """Write named values as psycopg reads them."""
    return re.sub(r"(?<!:):(\w+)", r"%(\1)s", sql.replace("%", "%%")).encode()


class _Inside:
    """Statements of one transaction."""

    def __init__(self, base: psycopg.Connection[Any]) -> None:
        self.base = base

    def run(self, sql: str, values: Values = NONE) -> list[Any]:
        done = self.base.execute(_ours(sql), values)
        return done.fetchall() if done.description else []

    def many(self, sql: str, rows: Sequence[Values]) -> None:
        with self.base.cursor() as cursor:
            cursor.executemany(_ours(sql), rows)


class PostgresSql:
    """One database on a PostgreSQL server.

    Parameters
    ----------
    store : StorePart
        The settings, with `postgres_url`.
    """

    def __init__(self, store: StorePart) -> None:
        assert store.postgres_url is not None  # noqa: S101 - asked only for such stores
        self.gate = Gate(store.kind)
        self.generation = self.grown = 0
        self._store, self._url = store, store.postgres_url
        self._lock = threading.RLock()
        self._closed = False
        self._base: psycopg.Connection[Any] | None = None
        with self._lock, faults(self._url):
            self._open()

    def close(self) -> None:
        """Close the connection."""
        with self._lock:
            self._closed = True
            if self._base is not None:
                self._base.close()
                self._base = None

    def ask(self, sql: str, values: Values = NONE) -> list[Any]:
        """Give the rows of a question; one that met a lost connection is asked once more."""
        with self._lock, faults(self._url):
            base = self._open()
            try:
                return base.execute(_ours(sql), values).fetchall()
            except Exception:
                if not base.closed:
                    raise
                return self._open().execute(_ours(sql), values).fetchall()

    @contextmanager
    def write(self, *, counted: bool = True) -> Iterator[tuple[Transaction, int]]:
        """Begin a transaction; the counter's row keeps writers apart, so that revisions come in order."""
        with self._lock, faults(self._url):
            base = self._alive()
            try:
                with base.transaction():
                    revision = 0
                    asked = base.execute(_GATE)
                    asked.nextset()
                    self.gate.check(asked.fetchall())
                    if counted:
                        ((revision,),) = base.execute("UPDATE counter SET n = n + 1 RETURNING n").fetchall()
                    yield _Inside(base), revision
                self.grown += counted
            except BaseException:
                self.generation += 1
                raise

    @contextmanager
    def alone(self) -> Iterator[Transaction]:
        """Begin a transaction once every other that writes has ended."""
        with self.write(counted=False) as (at, _):
            at.run("SELECT pg_advisory_xact_lock(:key)", {"key": LOCK})
            yield at

    def _open(self) -> psycopg.Connection[Any]:
        if self._closed:
            raise StoreError(f"the store {name_of(self._url)} was closed")
        if self._base is None or self._base.closed:
            self._base = None
            base = connect(self._store)
            try:
                raise_tables(base, self._url)
            except BaseException:
                base.close()
                raise
            self._base = base
            self.generation += 1
        return self._base

    def _alive(self) -> psycopg.Connection[Any]:
        """Make sure of the connection before a transaction, which can't be begun twice."""
        base = self._open()
        try:
            base.execute(b"SELECT 1")
        except Exception:
            if not base.closed:
                raise
        return self._open()

    # --- readings

    def insert(self, transaction: Transaction, rows: Sequence[Row], *, careful: bool) -> set[Key]:
        """Insert readings in one statement, which tells the new ones with or without care."""
        del careful
        series, taken, value, arrived, source, flags = zip(*rows, strict=True)
        numbers = [_array(column) for column in (series, taken, value, arrived)]
        return set(_base(transaction).execute(_INSERT, (*numbers, list(source), list(flags))).fetchall())

    def taken(self, transaction: Transaction, keys: Iterable[Key]) -> dict[Key, float]:
        """Values that are stored under these keys."""
        columns = [_array(column) for column in zip(*keys, strict=True)] or ["{}", "{}"]
        found = _base(transaction).execute(_TAKEN, columns).fetchall()
        return {(number, taken): value for number, taken, value in found}


def _array(numbers: Iterable[float]) -> str:
    """Write numbers as PostgreSQL reads an array of them, a good deal faster than psycopg does."""
    return f"{{{','.join(map(repr, numbers))}}}"


def _base(transaction: Transaction) -> psycopg.Connection[Any]:
    assert isinstance(transaction, _Inside)  # noqa: S101 - of our own `write`
    return transaction.base


def open_kind(config: Config, *, durable: bool) -> Store:  # noqa: ARG001 - the server's synchronous_commit rules
    """Open register, evaluations and readings in one PostgreSQL database."""
    sql = PostgresSql(config.store)
    return ShopStore(sql, SqlReadings(sql, config.zone))
