"""Whether this program may still write to a database of the shop, asked in every transaction that writes.

Who opened a store before it was moved, or has settings that still name the old place, would go on writing
where nobody looks any more. A move leaves a note in the database instead, in the same transaction as its last
comparison; what the settings of the writer say is held against it. While a move compares for the last time
another note keeps everybody out; who was killed meanwhile does so for `_CLOSED` at most.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Final

from baulk.ingest.errors import StoreLocked, StoreMoved

Run = Callable[[str, Mapping[str, object]], object]  # a statement of a transaction
MOVED: Final = "moved"  # keys of the two notes
CLOSED: Final = "being-moved"
ASK: Final = f"SELECT key, value FROM note WHERE key IN ('{MOVED}', '{CLOSED}')"  # noqa: S608 - ours
LOCK: Final = 0x6261756C6C  # of PostgreSQL's advisory lock: shared by who writes, alone by who closes
_CLOSED: Final = timedelta(seconds=60)  # longer than a step of a move, which renews it
_PUT: Final = (
    "INSERT INTO note (key, value) VALUES (:key, :value)"
    " ON CONFLICT (key) DO UPDATE SET value = excluded.value"
)
_TAKE: Final = "DELETE FROM note WHERE key = :key"


class Gate:
    """What one open database asks before it writes.

    Parameters
    ----------
    kind : str
        The kind of store that the settings name; empty where no settings are behind it, as with a copy.
    """

    def __init__(self, kind: str = "") -> None:
        self._kind = kind
        self.moves = False  # of the program that moves the shop, which passes

    def check(self, rows: Iterable[tuple[str, bytes]], *, to_read: bool = False) -> None:
        """Look at the rows of `ASK`, read in the transaction that is to write, or `to_read` only.

        Raises
        ------
        StoreMoved
            If the shop has left this database, or its readings lie elsewhere than the settings say.
        StoreLocked
            If it is being moved at this moment.
        """
        if self.moves or not self._kind:
            return
        for key, value in rows:
            if key == MOVED:
                self._check_moved(bytes(value))
            elif not to_read:
                _check_closed(bytes(value))

    def _check_moved(self, value: bytes) -> None:
        told = json.loads(value)
        if told["left"] or told["kind"] != self._kind:
            what = "store" if told["left"] else "readings"
            raise StoreMoved(
                f"the shop's {what} went to {told['to']}, and nothing more is written here; baulk.toml has "
                "to name that under [store], or `baulk store reopen --yes` takes up again what it names now "
                f"({self._kind})"
            )


def _check_closed(value: bytes) -> None:
    told = json.loads(value)
    until = datetime.fromisoformat(told["until"])
    if datetime.now(UTC) < until:
        raise StoreLocked(
            f"the shop is being moved to {told['to']}; what is stored meanwhile would be left behind. "
            "Try again in a minute"
        )


def close(run: Run, to: str, key: str) -> None:
    """Keep every other writer out for a minute; call it again before that is over."""
    until = datetime.now(UTC) + _CLOSED
    value = json.dumps({"to": to, "key": key, "until": until.isoformat()}).encode()
    run(_PUT, {"key": CLOSED, "value": value})


def is_closed_by(rows: Iterable[tuple[str, bytes]], key: str) -> bool:
    """Whether it is this move that keeps the others out, by the rows of `ASK`."""
    return any(name == CLOSED and json.loads(bytes(value))["key"] == key for name, value in rows)


def switch(run: Run, kind: str, to: str, *, left: bool) -> None:
    """Have this database say from now on where the shop is.

    Parameters
    ----------
    run : callable
        Of the transaction in which nothing that differs was found.
    kind : str
        The kind of store that has the readings now.
    to : str
        Where that is, for a sentence.
    left : bool
        Whether register and books have gone too.
    """
    told = {"kind": kind, "to": to, "left": left}
    run(_PUT, {"key": MOVED, "value": json.dumps(told).encode()})
    run(_TAKE, {"key": CLOSED})


def open_again(run: Run) -> None:
    """Let every writer in whose settings name this database."""
    for key in (MOVED, CLOSED):
        run(_TAKE, {"key": key})


def left_for(rows: Iterable[tuple[str, bytes]], kind: str) -> str:
    """Say where the shop or its readings went, by the rows of `ASK`; empty where they are as `kind` says."""
    for key, value in rows:
        if key == MOVED:
            told = json.loads(bytes(value))
            return str(told["to"]) if told["left"] or told["kind"] != kind else ""
    return ""
