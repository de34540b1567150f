"""A shop's tables from one database to another: page by page, compared, gone on with after a kill.

A page of the new table that is not as in the old one is written anew, so that no progress has to be kept and
whatever changes meanwhile is followed. In the end the old database is held still and compared once more.
"""

from __future__ import annotations

import itertools
import secrets
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from typing import Final

from baulk.ingest.config import Config
from baulk.ingest.errors import ExchangeError
from baulk.ingest.register.engine import backing
from baulk.ingest.register.register import Register
from baulk.ingest.store import Store, gate, open_store, sqlite_file
from baulk.ingest.store.both import ShopStore
from baulk.ingest.store.postgres_server import name_of
from baulk.ingest.store.statements import Transaction
from baulk.ingest.store.whole_tables import READING, Tables

FOLDER: Final = "before-move"  # beside the store: what lay in the file before a shop came back to it
_MARK: Final = "moving"  # key of a note that the two databases of one move have in common
_ROUNDS: Final = 5
Told = Callable[[str, int, str], None]


def database(store: Store) -> Tables:
    """Give the tables that a store's books lie in."""
    assert isinstance(store, ShopStore)  # noqa: S101 - all are
    return Tables(store.database)


def prepare(config: Config, source: Store) -> None:
    """Have a database for the shop where the settings name it: a new one, or what a broken-off move left.

    A file with other contents is put into `FOLDER` beside it.

    Raises
    ------
    ExchangeError
        If a database on a server holds something already.
    """
    mark = source.noted(_MARK) or secrets.token_hex(16).encode()
    source.note(_MARK, mark)
    if config.store.postgres_url is None:
        path = config.store_path
        if path.exists() and _mark_of(path) != mark:
            _put_aside(path)
        sqlite_file.create(path)
    with closing(_books(config)) as target:
        database(target).sql.gate.moves = True
        Register(backing(config)).close()
        tables = database(target)
        if target.noted(_MARK) == mark:
            return
        held = {name: count for name in tables.every if name != "counter" and (count := tables.count(name))}
        if held:
            what = ", ".join(f"{count} rows of {name}" for name, count in sorted(held.items())[:3])
            raise ExchangeError(
                f"the database {name_of(config.store.postgres_url or '')} is not empty ({what}); nothing is "
                "written over: make a new one as deploy/postgres describes, and name that"
            )
        target.note(_MARK, mark)


def unmarked(target: Store) -> None:
    """Take out of a new database what the old one said of a move."""
    target.forget(gate.MOVED, gate.CLOSED)


def finish(*stores: Store) -> None:
    """Take away what only said which move it was."""
    for each in stores:
        each.forget(_MARK)


def carry(source: Store, target: Store, told: Told, *, readings: bool) -> int:
    """Make all tables of one database those of another; return how many rows were written for it.

    Parameters
    ----------
    source, target : Store
        From where, and where to.
    told : callable
        Called with the name of a table, how many rows were written, and "rows".
    readings : bool
        Whether both hold readings, which go too then.
    """
    old, new = database(source), database(target)
    names = [name for name in old.every if name in new.every and (readings or name != READING)]
    written = 0
    for _ in range(_ROUNDS):  # and what is written all the while, `held` carries over
        once = 0
        for name in names:
            if count := _alike(old, new, name):
                told(name, count, "rows")
            once += count
        written += once
        if not once:
            break
    return written


@contextmanager
def held(
    source: Store, target: Store, carried_at: int, told: Told, *, readings: bool
) -> Iterator[tuple[Transaction, dict[str, int]]]:
    """Hold the old database still, with the new one equal to it; who writes waits meanwhile.

    What is given is the transaction that holds it, and how many rows each table has in both.

    Parameters
    ----------
    source, target : Store
        From where, and where to.
    carried_at : int
        The revision of the old store before its readings were carried over: where it has not grown, they
        need not be gone through again.
    told : callable
        As for `carry`.
    readings : bool
        Whether both hold readings.

    Raises
    ------
    ExchangeError
        If a table has other rows there in the end, or is not one of a shop.
    """
    old, new = database(source), database(target)
    with old.held() as at:
        again = readings and source.revision() != carried_at
        names = [name for name in old.every if name in new.every and (again or name != READING)]
        for name in names:
            if count := _alike(old, new, name):
                told(name, count, "rows")
        new.go_on_from(old.last_numbers())
        rows = {name: old.count(name) for name in old.every if readings or name != READING}
        for name, count in rows.items():
            if count and name not in new.every:
                raise ExchangeError(f"table {name} (rows: {count}) is none of Baulk's; put it elsewhere")
            if count != (there := new.count(name) if name in new.every else 0):
                raise ExchangeError(
                    f"table {name} has {count} rows in the old store and {there} in the new: nothing is "
                    "switched over; stop what writes to the new one, then go on"
                )
        yield at, rows


def _alike(old: Tables, new: Tables, name: str) -> int:
    """Write those pages of a table that differ; give how many rows were written or taken away."""
    changed, after, ended = 0, None, False
    while not ended:
        rows = old.page(name, after)
        ended = len(rows) < old.every[name].at_once
        last = None if ended else old.key_of(name, rows[-1])
        there = new.between(name, after, last)
        if there != rows:
            new.replace(name, after, last, rows)
            changed += max(1, len(set(rows) ^ set(there)))
        after = last
    return changed


def _books(config: Config) -> Store:
    """Open the books alone, for a look that needs no server of readings."""
    part = config.store
    alone = {"kind": "postgres", "url": part.postgres_url, "books_url": None}
    plain = part.model_copy(update=alone if part.postgres_url else {"kind": "sqlite", "books_url": None})
    return open_store(config.model_copy(update={"store": plain}))


def _mark_of(path: Path) -> bytes | None:
    """Read the mark of a file that may be of any form, without bringing it up to date."""
    with closing(sqlite_file.connect(path, wait_s=5)) as base, suppress(sqlite3.Error):
        for (value,) in base.execute("SELECT value FROM note WHERE key = ?", (_MARK,)):
            return bytes(value)
    return None


def _put_aside(path: Path) -> None:
    with closing(sqlite_file.connect(path, wait_s=5)) as base, sqlite_file.faults(path):
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        base.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
    folder = path.parent / FOLDER
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        names = (f"{path.stem}-{number}{path.suffix}" for number in itertools.count(1))
        path.rename(next(folder / name for name in names if not (folder / name).exists()))
    except OSError as err:
        raise ExchangeError(f"{path} can't be put into {folder}: {err.strerror}") from err
