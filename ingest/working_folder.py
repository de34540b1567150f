"""A folder for work under way: it goes at the end, and after a kill when the next one is made beside it.

Whoever works in one holds a lock on a file in it, which the system lets go of when the process ends, however
it ends. Only what bears a name of ours and is the same user's is ever taken away; where a lock can't tell (a
share without locks, another machine's work, a folder without its file) only what is older than a day.
"""

from __future__ import annotations

import fcntl
import os
import re
import shutil
import socket
import stat
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final, Literal

_OURS: Final = re.compile(r"\.baulk-(backup|drill|restore|upgrade)-[a-z0-9_]{8}")
_LOCK: Final = "under-way"
_OLD_S: Final = 86_400.0  # a day; our own judgement, no source


@contextmanager
def made(
    beside: Path, kind: Literal["backup", "drill", "restore", "upgrade"], *, former: str | None = None
) -> Iterator[Path]:
    """Make a folder in another, for its owner alone; what killed work has left there goes first.

    Parameters
    ----------
    beside : Path
        Where; it must exist.
    kind : str
        What for, which its name says.
    former : str, optional
        The name of what earlier versions worked in here, as a regular expression; it goes once it is old.

    Raises
    ------
    OSError
        If it can't be made.
    """
    clear(beside, former=former)
    folder, lock = _locked(beside, kind)
    try:
        yield folder
    finally:
        os.close(lock)  # first: a share keeps a file that is open, and its folder with it
        shutil.rmtree(folder, ignore_errors=True)


def clear(beside: Path, *, former: str | None = None) -> None:
    """Take away what killed work has left in a folder; what can't be taken away stays.

    Parameters
    ----------
    beside : Path
        Where to look.
    former : str, optional
        As in `made`.
    """
    with suppress(OSError):
        for path in sorted(beside.iterdir()):
            ours = _OURS.fullmatch(path.name)
            if not (ours or (former is not None and re.fullmatch(former, path.name))):
                continue
            with suppress(OSError):
                found = path.lstat()
                if found.st_uid != os.geteuid():
                    continue
                if ours and stat.S_ISDIR(found.st_mode):
                    _clear_one(path, old=_is_old(found))
                elif not ours and _is_old(found):
                    _take_away(path, found)


def _clear_one(folder: Path, *, old: bool) -> None:
    try:
        lock = os.open(folder / _LOCK, os.O_RDWR | os.O_NOFOLLOW)
    except FileNotFoundError:
        if old:
            shutil.rmtree(folder, ignore_errors=True)
        return
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return
        except OSError:  # there are no locks here
            here = False
        else:
            here = os.read(lock, 1000) == _host()
        if not (here or old):
            return
        (folder / _LOCK).unlink()  # while it is held: who has just made the folder sees that it went
    finally:
        os.close(lock)
    shutil.rmtree(folder, ignore_errors=True)


def _take_away(path: Path, found: os.stat_result) -> None:
    if stat.S_ISDIR(found.st_mode):
        shutil.rmtree(path, ignore_errors=True)
    elif stat.S_ISREG(found.st_mode):
        path.unlink()


def _locked(beside: Path, kind: str) -> tuple[Path, int]:
    """Make a folder and hold its lock; another one if somebody has taken the first away in between."""
    while True:
        folder = Path(tempfile.mkdtemp(prefix=f".baulk-{kind}-", dir=beside))
        lock = os.open(folder / _LOCK, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(lock)
            continue
        except OSError:  # there are no locks here
            pass
        if (folder / _LOCK).exists():
            with suppress(OSError):  # a full disk is told by the work itself
                os.write(lock, _host())
            return folder, lock
        os.close(lock)


def _is_old(found: os.stat_result) -> bool:
    return time.time() - found.st_mtime > _OLD_S


def _host() -> bytes:
    return socket.gethostname().encode()
