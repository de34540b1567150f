"""A copy of the store as it was, kept before a newer program changes its tables."""

from __future__ import annotations

import os
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Final

from baulk.ingest import migrations, working_folder
from baulk.ingest.errors import StoreFull
from baulk.ingest.store.sqlite_file import FORM, connect, faults

FOLDER: Final = "before-upgrade"  # beside the store
KEPT: Final = 3
_NAME: Final = re.compile(r"(.+)-form(\d+)-register(\d+)\.db")


def keep(path: Path, *, wait_s: float) -> Path | None:
    """Copy a store of an older form; return the copy, or nothing if there was nothing to copy.

    The copy is named by what the store was, so that a wrong clock confuses nobody; one of the same form is
    replaced, and of older ones the last `KEPT` stay. It is a whole store: put in the place of the new one,
    the older program opens it.

    Parameters
    ----------
    path : Path
        The store.
    wait_s : float
        How long to wait for another program that writes. [s]

    Raises
    ------
    StoreFull
        If there is no room for it; then the store is left as it is.
    """
    with closing(connect(path, wait_s=wait_s)) as base, faults(path):
        if not _is_older(*_stands_at(base)):
            return None
        folder = path.parent / FOLDER
        former = rf"\.{re.escape(path.name)}\.[0-9a-f]{{8}}\.part"
        working_folder.clear(folder, former=former)  # which may make the room
        _room_for(path, folder)
        try:
            folder.mkdir(mode=0o700, exist_ok=True)
            with working_folder.made(folder, "upgrade") as working:
                part = working / path.name
                os.close(os.open(part, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, 0o600))
                return _copied(base, part, path, folder)
        except (OSError, sqlite3.Error) as err:
            raise _no_copy(path, str(err)) from err


def _copied(base: sqlite3.Connection, part: Path, path: Path, folder: Path) -> Path | None:
    with closing(sqlite3.connect(part)) as copy:
        base.backup(copy, pages=-1)
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
        form, register = _stands_at(copy)
    if not _is_older(form, register):  # another program was quicker, and has kept its own
        return None
    with part.open("rb+") as file:
        os.fsync(file.fileno())
    kept = folder / f"{path.stem}-form{form}-register{register}.db"
    part.replace(kept)
    for old in _those_of(path)[:-KEPT]:
        if old != kept:
            old.unlink(missing_ok=True)
    return kept


def _those_of(path: Path) -> list[Path]:
    """Give the copies of a store, the oldest form first."""
    found = [(_NAME.fullmatch(each.name), each) for each in (path.parent / FOLDER).iterdir()]
    ours = [(int(m[2]), int(m[3]), each) for m, each in found if m and m[1] == path.stem]
    return [each for *_, each in sorted(ours)]


def _stands_at(base: sqlite3.Connection) -> tuple[int, str]:
    """Give the form of the store's tables and the migration of the register's; 0 for none."""
    (form,) = base.execute("PRAGMA user_version").fetchone()
    named = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'alembic_version'"
    found = None
    if base.execute(named).fetchone():
        found = base.execute("SELECT version_num FROM alembic_version").fetchone()
    return int(form), str(found[0]) if found else "0"


def _is_older(form: int, register: str) -> bool:
    return 0 < form < FORM or "0" < register < migrations.HEAD


def _room_for(path: Path, folder: Path) -> None:
    need, free = path.stat().st_size, shutil.disk_usage(path.parent).free
    if free < need * 1.1 + 1e6:
        raise _no_copy(path, f"{need / 1e6:.0f} MB are needed in {folder}, and {free / 1e6:.0f} MB are free")


def _no_copy(path: Path, why: str) -> StoreFull:
    return StoreFull(
        f"the store {path} is of an older form, and the copy that is kept before it is brought up to date "
        f"can't be made ({why}); make room or give write permission, then try again"
    )
