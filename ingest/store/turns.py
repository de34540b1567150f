"""One writer at a time at a server that would let one write over another without a word.

A batch is looked up there and then written; in between nobody else of this shop may write. The books' own
lock is not used for it: a server may take seconds, and the books must stay free.
"""

from __future__ import annotations

import fcntl
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Final, TypeVar

from baulk.ingest.errors import StoreLocked
from baulk.ingest.store.gate import ASK
from baulk.ingest.store.rejected import Rejected
from baulk.ingest.store.statements import Sql
from baulk.models.reading import Reading

_Any = TypeVar("_Any")
Turn = Callable[[], AbstractContextManager[None]]

WAIT_S: Final = 60.0  # longer than one request to the server may take, however many wait
_LOOK_S: Final = 0.01
LET_OTHERS_S: Final = (
    2 * _LOOK_S
)  # between two turns of one long work, or nobody else would see the first end
_STRETCH: Final = 300  # readings that a long work writes at once
_KEY: Final = 0x6261756C6B  # of PostgreSQL's advisory lock: "baulk"


Step = tuple[list[Rejected], list[Reading], list[Reading], list[Reading]]


def stretches(
    rejected: list[Rejected],
    new: list[Reading],
    over: list[Reading],
    again: list[Reading],
    away: list[Reading],
) -> list[Step]:
    """Divide a move of readings into steps after each of which nothing is lost.

    Parameters
    ----------
    rejected : list of Rejected
        What goes into quarantine.
    new : list of Reading
        What comes to where nothing stands.
    over, again : list of Reading
        What comes to where something stands that goes elsewhere; and where the same value stays.
    away : list of Reading
        What leaves, after all else.

    Returns
    -------
    list of (list of Rejected, list of Reading, list of Reading, list of Reading)
        Of each step: what is rejected, comes, is written over, leaves. One if there are few.
    """
    if len(rejected) + len(new) + len(over) + len(again) + len(away) <= _STRETCH:
        return [(rejected, new, [*over, *again], away)]
    return [
        *((some, [], [], []) for some in _parts(rejected)),
        *(([], some, [], []) for some in _parts(new)),
        *([([], [], over, [])] if over else []),
        *(([], [], some, []) for some in _parts(again)),
        *(([], [], [], some) for some in _parts(away)),
    ]


def _parts(those: list[_Any]) -> Iterator[list[_Any]]:
    return (those[start : start + _STRETCH] for start in range(0, len(those), _STRETCH))


def by_file(books: Path, sql: Sql, *, wait_s: float = WAIT_S) -> Turn:
    """Take turns by a locked file beside the books; it is let go when the process ends, however it ends.

    Nobody has a turn while the shop is moved, or after it: the books say so.
    """
    path = books.with_name(f"{books.name}.turn")

    @contextmanager
    def turn() -> Iterator[None]:
        until = time.monotonic() + wait_s
        with path.open("ab") as file:
            while True:
                try:
                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    break
                except BlockingIOError:
                    if time.monotonic() > until:
                        raise StoreLocked(
                            f"another program of this shop has been writing to its server for {wait_s:g} s; "
                            "see whether the server answers, then try again"
                        ) from None
                    time.sleep(_LOOK_S)
            sql.gate.check(sql.ask(ASK))
            yield

    return turn


def by_database(sql: Sql) -> Turn:
    """Take turns by an advisory lock of the PostgreSQL database that has the books."""

    @contextmanager
    def turn() -> Iterator[None]:
        with sql.write(counted=False) as (at, _):
            at.run("SELECT pg_advisory_xact_lock(:key)", {"key": _KEY})
            yield

    return turn
