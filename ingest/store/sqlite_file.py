"""The SQLite file itself: its tables, opening it, and what its errors mean in words."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Final

from baulk.ingest.errors import StoreBroken, StoreError, StoreFull, StoreLocked, StoreMissing
from baulk.ingest.store.quarantine import once

FORM: Final = 4  # of the tables below; kept in the file as user_version

_QUARANTINE: Final = """
CREATE TABLE IF NOT EXISTS quarantine (
    id INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, payload BLOB NOT NULL,
    arrived_us INTEGER NOT NULL, retained INTEGER NOT NULL, reason TEXT NOT NULL, waits_for TEXT,
    cause TEXT NOT NULL, size INTEGER NOT NULL, once BLOB NOT NULL UNIQUE)"""
_IN_SHORT: Final = "evaluation_in_short"  # what lies in a row behind its answer of 50 kB or more, without it
_INDEX: Final = f"""
CREATE INDEX IF NOT EXISTS {_IN_SHORT} ON evaluation (
    tag, made_us, revision, exact, air_first_us, air_last_us, fingerprint)"""
_TABLES: Final = f"""
CREATE TABLE IF NOT EXISTS series (
    id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE, owner TEXT NOT NULL, name TEXT NOT NULL);
CREATE INDEX IF NOT EXISTS series_by_owner ON series (owner, name);
CREATE TABLE IF NOT EXISTS reading (
    series INTEGER NOT NULL, taken_us INTEGER NOT NULL, value REAL NOT NULL, arrived_us INTEGER NOT NULL,
    source TEXT NOT NULL, flags TEXT NOT NULL, PRIMARY KEY (series, taken_us)) WITHOUT ROWID;
{_QUARANTINE};
CREATE INDEX IF NOT EXISTS quarantine_by_tag ON quarantine (waits_for) WHERE waits_for IS NOT NULL;
CREATE INDEX IF NOT EXISTS quarantine_by_cause ON quarantine (cause, topic, size);
CREATE TABLE IF NOT EXISTS touched (
    owner TEXT NOT NULL, name TEXT NOT NULL, revision INTEGER NOT NULL, arrived_us INTEGER NOT NULL,
    first_us INTEGER NOT NULL, last_us INTEGER NOT NULL, PRIMARY KEY (owner, name)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS evaluation (
    tag TEXT PRIMARY KEY, made_us INTEGER NOT NULL, payload BLOB NOT NULL, revision INTEGER NOT NULL,
    exact INTEGER NOT NULL, air_first_us INTEGER, air_last_us INTEGER, fingerprint TEXT) WITHOUT ROWID;
{_INDEX};
CREATE TABLE IF NOT EXISTS past_evaluation (
    tag TEXT NOT NULL, made_us INTEGER NOT NULL, payload BLOB NOT NULL, PRIMARY KEY (tag, made_us));
CREATE TABLE IF NOT EXISTS note (key TEXT PRIMARY KEY, value BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS raw (
    id INTEGER PRIMARY KEY, client TEXT NOT NULL, linked_us INTEGER, written_us INTEGER NOT NULL,
    first_us INTEGER NOT NULL, last_us INTEGER NOT NULL, messages INTEGER NOT NULL, size INTEGER NOT NULL,
    body BLOB NOT NULL);
CREATE INDEX IF NOT EXISTS raw_by_client ON raw (client, id);
CREATE INDEX IF NOT EXISTS raw_by_arrival ON raw (last_us);
CREATE TABLE IF NOT EXISTS counter (one INTEGER PRIMARY KEY CHECK (one = 1), n INTEGER NOT NULL);
INSERT OR IGNORE INTO counter VALUES (1, 0);
"""  # noqa: S608 - a table of ours
_FROM: Final = {
    1: ("ALTER TABLE evaluation ADD COLUMN fingerprint TEXT",),
    2: (
        "ALTER TABLE quarantine RENAME TO former_quarantine",
        "DROP INDEX quarantine_by_tag",
        _QUARANTINE,
        """INSERT INTO quarantine
           SELECT id, topic, payload, arrived_us, retained, reason, waits_for, CASE
           WHEN waits_for LIKE 'sensor:%' THEN 'unplaced-sensor'
           WHEN waits_for IS NOT NULL THEN 'unknown-timber'
           WHEN substr(payload, 1, 9) = CAST('{"series"' AS BLOB) AND topic NOT LIKE 'baulk/%' THEN 'clash'
           ELSE 'not-understood' END, length(payload), once(topic, payload, arrived_us, reason)
           FROM former_quarantine""",
        "DROP TABLE former_quarantine",
    ),
    3: (),  # the log of messages is a table more
}


@contextmanager
def faults(path: Path) -> Iterator[None]:
    """Turn what SQLite says into one sentence about the store at ``path``."""
    try:
        yield
    except sqlite3.Error as err:
        raise in_words(path, err) from err


def in_words(path: Path, err: BaseException) -> StoreError:
    """Say what SQLite's error means for the person."""
    text = str(err).lower()
    if "locked" in text or "busy" in text:
        return StoreLocked(f"the store {path} is locked by another program; close it or wait, then try again")
    if "unable to open" in text:
        return StoreMissing(
            f"the store {path} can't be opened; check that the file and its folder exist and are yours"
        )
    if "not a database" in text or "malformed" in text or "no such table" in text or "no such column" in text:
        return StoreBroken(
            f"{path} is not a readable Baulk store ({err}); restore a backup or name another file"
        )
    if "full" in text or "readonly" in text or "disk i/o" in text:
        return StoreFull(
            f"the store {path} can't be written ({err}); make room or give write permission, then try again"
        )
    return StoreError(f"the store {path} can't be used: {err}")


def connect(path: Path, *, wait_s: float, durable: bool = False) -> sqlite3.Connection:
    """Open an existing file for reading and writing; never make one.

    With ``durable`` a commit is on the disk when it returns. Otherwise it survives a program that is killed,
    and a power cut takes the commits since the last one that waited for the disk, never a part of one.
    """
    if not path.is_file():
        raise StoreMissing(
            f"there is no store at {path}; `baulk init` makes an empty one, or restore a backup"
        )
    with faults(path):
        base = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=rw",
            uri=True,
            timeout=wait_s,
            isolation_level=None,
            check_same_thread=False,
        )
        try:
            base.execute("PRAGMA schema_version")
            base.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
        except sqlite3.Error:
            base.close()
            raise
        return base


def create(path: Path) -> None:
    """Make an empty store, or leave the one that is there."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        os.close(os.open(path, os.O_CREAT | os.O_RDWR, 0o600))
    except OSError as err:
        raise StoreFull(f"the store {path} can't be made: {err.strerror}") from err
    with closing(connect(path, wait_s=5)) as base, faults(path):
        base.execute("PRAGMA journal_mode = WAL")
        raise_tables(base)


def raise_tables(base: sqlite3.Connection) -> None:
    """Make the tables that are missing, and bring those of an older form up to date."""
    base.create_function("once", 4, once, deterministic=True)
    base.execute("BEGIN IMMEDIATE")
    try:
        (form,) = base.execute("PRAGMA user_version").fetchone()
        for older in range(form or FORM, FORM):
            for statement in _FROM[older]:
                base.execute(statement)
        for statement in _TABLES.split(";"):
            base.execute(statement)
        base.execute(f"PRAGMA user_version = {FORM}")
        base.execute("COMMIT")
    except BaseException:
        base.execute("ROLLBACK")
        raise


def add_index(base: sqlite3.Connection) -> None:
    """Add the index that a store of this form may be without; one that can't be written to does without."""
    named = "SELECT 1 FROM sqlite_master WHERE type = 'index' AND name = :name"
    if base.execute(named, {"name": _IN_SHORT}).fetchone() is None:
        with suppress(sqlite3.OperationalError):  # locked or full: some questions take longer, no more
            base.execute(_INDEX)
