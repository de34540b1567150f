"""Engines for the register: the shop's SQLite file, or a server."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy import event
from sqlalchemy.engine import Connection, Engine

from baulk.ingest.store.sqlite_file import connect


def engine_for(path: Path, *, wait_s: float = 5.0) -> Engine:
    """Make an engine on an existing file; a transaction that writes takes the write lock at once."""

    def opened() -> sqlite3.Connection:
        return connect(path, wait_s=wait_s)

    engine = sa.create_engine(f"sqlite:///{path}", creator=opened, poolclass=sa.pool.NullPool)

    @event.listens_for(engine, "begin")
    def _begin(base: Connection) -> None:
        base.exec_driver_sql(base.get_execution_options().get("begin", "BEGIN"))

    return engine
