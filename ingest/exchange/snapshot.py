"""A consistent copy of a SQLite file while others write to it, and whether a copy is whole."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from baulk.ingest.errors import BackupError
from baulk.ingest.store.sqlite_file import connect, faults
from baulk.models.formatting import count


def take(source: Path, target: Path, *, wait_s: float) -> dict[str, int]:
    """Copy a database as it is at one moment; return how many rows each table has.

    All pages are copied in one step: in WAL mode that is a reader's view of one moment, which holds up no
    writer, while a copy in several steps would begin anew whenever somebody writes.
    """
    with closing(connect(source, wait_s=wait_s)) as base, closing(sqlite3.connect(target)) as copy:
        with faults(source):
            base.backup(copy, pages=-1)
        with faults(target):
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
            return counts(copy)


def check(path: Path, expected: dict[str, int]) -> None:
    """Refuse a copy that is damaged, or has other numbers of rows than said."""
    with closing(connect(path, wait_s=5)) as base, faults(path):
        (found,) = base.execute("PRAGMA integrity_check(1)").fetchone()
        if found != "ok":
            raise BackupError(f"the database in the backup is damaged: {found}")
        there = counts(base)
        if there != expected:
            name = min(set(there.items()) ^ set(expected.items()))[0]
            raise BackupError(
                f"the database in the backup has {count(there.get(name, 0), 'row')} in {name}, not the "
                f"{expected.get(name, 0)} that were counted"
            )
        base.execute("PRAGMA journal_mode = WAL")


def counts(base: sqlite3.Connection) -> dict[str, int]:
    """Give how many rows each table has."""
    tables = base.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite!_%' ESCAPE '!'"
    )
    quoted = {name: name.replace('"', '""') for (name,) in tables.fetchall()}
    return {
        name: int(base.execute(f'SELECT count(*) FROM "{safe}"').fetchone()[0])  # noqa: S608 - our tables
        for name, safe in sorted(quoted.items())
    }
