"""How much uploaded files may take: refused before their first byte is read, and let go when nobody has them.

The page server keeps an uploaded file in memory for as long as its visitor's session lasts, and looks at
ended sessions only when the next visitor comes. So the door counts what it lets through, drops a visitor's
oldest file for a new one, and all of a session's files once its browser has been away for a while.
"""

from __future__ import annotations

import asyncio
import contextlib
import ctypes
import gc
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, Protocol

MOST_MB: Final = 100  # of one file: a million rows of a logger have half of that
_MEGABYTE: Final = 1024 * 1024  # as the file box counts it
OVERHEAD: Final = _MEGABYTE  # what a form adds to its file
ONE_FILE: Final = MOST_MB * _MEGABYTE + OVERHEAD
ONE_VISITOR: Final = ONE_FILE + 25 * _MEGABYTE
EVERYBODY: Final = 300 * _MEGABYTE
AWAY_S: Final = 120.0  # a telephone that went to sleep comes back to its session within this
EVERY_S: Final = 10.0


class Files(Protocol):
    """What keeps uploaded files: the page server's own manager of them."""

    def remove_file(self, session_id: str, file_id: str) -> None:
        """Drop one file."""

    def remove_session_files(self, session_id: str) -> None:
        """Drop every file of a session."""


class TooMuch(Exception):
    """An upload that is not let through.

    Parameters
    ----------
    status : int
        HTTP status.
    words : str
        What is wrong and what to do.
    """

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status, self.words = status, words


@dataclass(slots=True)
class _Held:
    files: dict[str, int] = field(default_factory=dict)  # oldest first; bytes, as announced
    away_since: float | None = None


class Uploads:
    """What is held for whom. Used on the server's loop only, so it needs no lock.

    Parameters
    ----------
    files : callable
        Gives what keeps the files.
    active : callable
        Whether a session has a browser.
    """

    def __init__(self, files: Callable[[], Files], active: Callable[[str], bool]) -> None:
        self._files, self._active = files, active
        self._held: dict[str, _Held] = {}

    @property
    def total(self) -> int:
        """Bytes held or on their way."""
        return sum(sum(one.files.values()) for one in self._held.values())

    def begin(self, session: str, file: str, announced: str | None) -> None:
        """Make room for an upload of so many bytes.

        Raises
        ------
        TooMuch
            If its length is not said or more than may be.
        """
        if announced is None or not (announced.isascii() and announced.isdecimal()):
            raise TooMuch(411, "The length of the file is not said.")
        length = int(announced[:20])
        if length > ONE_FILE:
            raise TooMuch(413, f"The file is larger than {MOST_MB} MB.")
        mine = self._held.setdefault(session, _Held())
        while mine.files and sum(mine.files.values()) + length > ONE_VISITOR:
            oldest = next(iter(mine.files))
            self._files().remove_file(session, oldest)
            del mine.files[oldest]
        if self.total + length > EVERYBODY:
            self.sweep(away_s=0)
        if self.total + length > EVERYBODY:
            raise TooMuch(503, "The pages hold too many files just now; try again in two minutes.")
        mine = self._held.setdefault(session, mine)
        mine.files[file] = length

    def gone(self, session: str, file: str) -> None:
        """Forget a file that was not kept, or was taken away."""
        if session in self._held:
            self._held[session].files.pop(file, None)

    def sweep(self, *, away_s: float = AWAY_S, now_s: float | None = None) -> None:
        """Drop the files of sessions whose browser has been away for so long."""
        now_s = time.monotonic() if now_s is None else now_s
        dropped = False
        for session, held in list(self._held.items()):
            if self._active(session):
                held.away_since = None
                continue
            if held.away_since is None:
                held.away_since = now_s
            if now_s - held.away_since >= away_s:
                self._files().remove_session_files(session)
                del self._held[session]
                dropped = True
        if dropped:
            give_back()

    async def keep_sweeping(self) -> None:
        """Sweep every few seconds, until cancelled."""
        while True:
            await asyncio.sleep(EVERY_S)
            self.sweep()


def give_back() -> None:
    """Return what was freed to the system; the C library keeps it otherwise."""
    gc.collect()
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):  # another C library than GNU's
            ctypes.CDLL("libc.so.6").malloc_trim(0)
