"""Where the register lies: in the shop's SQLite file, or in the PostgreSQL database of the store."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import Connection, Engine

from baulk.ingest.config import Config, StorePart
from baulk.ingest.errors import StoreError
from baulk.ingest.store.gate import LOCK, Gate
from baulk.ingest.store.sqlite_file import connect, in_words
from baulk.ingest.store_kinds import STORES


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Backing:
    """A database for the register.

    Parameters
    ----------
    engine : Engine
        Its connections; a transaction that is begun with the option ``begin`` takes the write lock at once
        where the database has one.
    in_words : callable
        Turns what the database says into a sentence.
    path : Path, optional
        The file, if it is one.
    wait_s : float
        How long to wait for another program that writes to it. [s]
    readings_apart : bool
        Whether the shop's readings lie elsewhere than in this database.
    gate : Gate
        What is asked before anything is written.
    lock : str
        What a transaction that writes runs first, so that the gate is not closed in the middle of it.
    """

    engine: Engine
    in_words: Callable[[BaseException], StoreError]
    path: Path | None = None
    wait_s: float = 5.0
    readings_apart: bool = False
    gate: Gate = field(default_factory=Gate)
    lock: str = ""


def backing(config: Config, *, durable: bool = False) -> Backing:
    """Give the database that the settings name; with ``durable`` a commit to a file waits for the disk."""
    if config.store.postgres_url is not None:
        found = on_postgres(config.store)
    else:
        found = on_sqlite(config.store_path, wait_s=config.store.wait_s, durable=durable)
    kind = config.store.kind
    return replace(found, readings_apart=not STORES[kind].holds_register, gate=Gate(kind))


def on_sqlite(path: Path, *, wait_s: float = 5.0, durable: bool = False) -> Backing:
    """Use an existing file."""
    return Backing(
        engine=engine_for(path, wait_s=wait_s, durable=durable),
        in_words=partial(in_words, path),
        path=path,
        wait_s=wait_s,
    )


def on_postgres(store: StorePart) -> Backing:
    """Use a database on a server; two connections are kept, and asked whether they live."""
    from baulk.ingest.store import postgres_server  # noqa: PLC0415 - only who has a server needs it

    url = store.postgres_url or ""
    engine = sa.create_engine(
        "postgresql+psycopg://",
        creator=lambda: postgres_server.connect(store, autocommit=False),
        pool_size=2,
        pool_pre_ping=True,
    )
    return Backing(
        engine=engine,
        in_words=partial(postgres_server.in_words, url),
        lock=f"SELECT pg_advisory_xact_lock_shared({LOCK})",
    )


def engine_for(path: Path, *, wait_s: float = 5.0, durable: bool = False) -> Engine:
    """Make an engine on an existing file."""

    def opened() -> sqlite3.Connection:
        return connect(path, wait_s=wait_s, durable=durable)

    engine = sa.create_engine(f"sqlite:///{path}", creator=opened, poolclass=sa.pool.NullPool)

    @event.listens_for(engine, "begin")
    def _begin(base: Connection) -> None:
        base.exec_driver_sql(base.get_execution_options().get("begin", "BEGIN"))

    return engine
