"""The spool: messages that wait on this machine while the store, or the link to the shop's broker, is away.

A SQLite file beside baulk.toml, one for each listener or forwarder. What `keep` has taken survives a power
cut (WAL, synchronous FULL) and may be acknowledged; what `oldest` gave is dropped only after the other side
has it.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from itertools import groupby
from pathlib import Path
from typing import Any, Final

from baulk.ingest.errors import StoreError, StoreFull
from baulk.ingest.store.raw_parts import Part
from baulk.ingest.wire import packed
from baulk.ingest.wire.message import RawMessage

_TABLE: Final = (
    "CREATE TABLE IF NOT EXISTS message (id INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL,"
    " payload BLOB NOT NULL, arrived_us INTEGER NOT NULL, retained INTEGER NOT NULL, mid INTEGER NOT NULL,"
    " again INTEGER NOT NULL, linked_us INTEGER, forwarded TEXT NOT NULL DEFAULT '',"
    " written_us INTEGER NOT NULL DEFAULT 0, state INTEGER NOT NULL DEFAULT 0)"
)
_LATER: Final = {  # columns that spools of 0.1.0 lack
    "linked_us": "linked_us INTEGER",
    "forwarded": "forwarded TEXT NOT NULL DEFAULT ''",
    "written_us": "written_us INTEGER NOT NULL DEFAULT 0",
    "state": "state INTEGER NOT NULL DEFAULT 0",
}
_COLUMNS: Final = "id, topic, payload, arrived_us, retained, mid, again, linked_us, forwarded"
_WAITS, SENT, REFUSED = 0, 1, 2
_BY_MID: Final = "CREATE INDEX IF NOT EXISTS by_mid ON message (mid)"
_WAITING: Final = "CREATE INDEX IF NOT EXISTS by_state ON message (state, id)"
_RESERVE_MB: Final = 1.0  # of a forwarder, beyond its room: a full one has to note what was sent all the same
_FEWEST: Final = 2000  # messages sent that a full one lets go last: a broker has no more under way to us
_ROW: Final = 120  # bytes of a message beside topic and payload, indexes included
_PAGE: Final = 4096  # bytes; a longer payload takes whole ones
_TRIM: Final = 1000  # messages sent, after which those that are remembered too long go
_MOST_TAIL: Final = 20_000  # messages that are looked through for repeats
_LEFT: Final = f"WHERE state = {_WAITS}"
_COUNT: Final = f"SELECT count(*) FROM message {_LEFT}"  # noqa: S608 - ours
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_MICRO: Final = timedelta(microseconds=1)


class Spool:
    """Messages in order of arrival.

    Parameters
    ----------
    path : Path
        The file; it is made when the first message is kept.
    room_mb : float
        How large it may grow; a forwarder's a little more, to note what was sent. [MB]
    remembers : int
        How many messages stay after `settle`, by which those that come once more are known.
    section : str
        Part of baulk.toml that says how large it may grow.
    """

    def __init__(self, path: Path, *, room_mb: float, remembers: int = 0, section: str = "broker") -> None:
        self.path, self._room_mb, self._remembers, self._section = path, room_mb, remembers, section
        self._base: sqlite3.Connection | None = None
        self.waiting = self._settled = 0
        if path.exists():
            with self._faults():
                ((self.waiting,),) = self._open().execute(_COUNT).fetchall()

    def close(self) -> None:
        """Close the file."""
        if self._base is not None:
            self._base.close()
            self._base = None

    def keep(self, raws: Sequence[RawMessage]) -> None:
        """Keep messages for good; one that the broker sends again and that lies here already is passed over.

        A forwarder's lets go of what was sent where there is no room else.

        Raises
        ------
        StoreFull
            If there is no room; then none of them is kept.
        """
        if self._remembers:
            self._make_room(raws)
        with self._writing() as base:
            fresh = [raw for raw in raws if not (raw.again and self._has(base, raw))]
            written = _us(datetime.now(UTC))
            base.executemany(
                "INSERT INTO message (topic, payload, arrived_us, retained, mid, again, linked_us, forwarded,"
                " written_us) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        raw.topic.encode("utf-8", "backslashreplace").decode(),
                        raw.payload,
                        _us(raw.arrived_utc),
                        raw.retained,
                        raw.mid,
                        raw.again,
                        None if raw.linked_utc is None else _us(raw.linked_utc),
                        raw.forwarded,
                        written,
                    )
                    for raw in fresh
                ],
            )
        self.waiting += len(fresh)

    def _make_room(self, raws: Sequence[RawMessage]) -> None:
        bare = sum(len(raw.payload) + len(raw.topic) + _ROW for raw in raws)
        need_mb = (bare + _PAGE * sum(len(raw.payload) > _PAGE // 4 for raw in raws)) / 1e6
        for left in (None, _FEWEST, 0):
            if left is not None:
                with self._writing() as base:
                    self._forget(base, left)
            if self.used_mb() + need_mb <= self._room_mb:
                return
        raise StoreFull(
            f"the spool {self.path} has no room left in its {self._room_mb:g} MB; repair the link, or raise "
            f"spool_mb in [{self._section}]"
        )

    @staticmethod
    def _forget(base: sqlite3.Connection, left: int) -> None:
        """Let go of what was sent, but for the last ones."""
        base.execute(
            "DELETE FROM message WHERE state = ? AND id <= (SELECT id FROM message WHERE state = ?"
            " ORDER BY id DESC LIMIT 1 OFFSET ?)",
            (SENT, SENT, left),
        )

    @staticmethod
    def _has(base: sqlite3.Connection, raw: RawMessage) -> bool:
        asked = "SELECT 1 FROM message WHERE mid = ? AND topic = ? AND payload = ?"
        return base.execute(asked, (raw.mid, raw.topic, raw.payload)).fetchone() is not None

    def oldest(self, limit: int) -> tuple[list[RawMessage], int]:
        """Give the messages that wait longest, and the number to `drop` up to."""
        found = self.after(0, limit)
        return [raw for _, raw in found], found[-1][0] if found else 0

    def after(self, number: int, limit: int) -> list[tuple[int, RawMessage]]:
        """Give those that wait behind the one of a number, the oldest first, with their numbers."""
        with self._faults():
            rows = self._open().execute(
                f"SELECT {_COLUMNS} FROM message {_LEFT} AND id > ? ORDER BY id LIMIT ?",  # noqa: S608 - ours
                (number, limit),
            )
            return [(row[0], _raw(row)) for row in rows]

    def drop(self, last: int) -> None:
        """Take away what the store has now."""
        with self._writing() as base:
            gone = base.execute("DELETE FROM message WHERE id <= ?", (last,)).rowcount
        self._left(gone)

    def _left(self, gone: int) -> None:
        self.waiting = max(0, self.waiting - gone)
        if self.waiting == 0:  # give the disk back
            with self._faults():
                self._open().execute("PRAGMA incremental_vacuum").fetchall()
                self._open().execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()

    # --- of a forwarder: what is sent stays for a while, what is refused until it is taken

    def settle(self, sent: Sequence[int], refused: Sequence[int] = ()) -> None:
        """Note what the other side has and what it refuses; of what was sent only the last ones stay."""
        states = [(SENT, number, _WAITS) for number in sent] + [
            (REFUSED, number, _WAITS) for number in refused
        ]
        with self._writing() as base:
            # one that was sent twice is confirmed twice
            gone = base.executemany(
                "UPDATE message SET state = ? WHERE id = ? AND state = ?", states
            ).rowcount
            self._settled += len(states)
            if self._settled >= _TRIM:
                self._settled = 0
                self._forget(base, self._remembers)
        self._left(gone)

    def refused(self) -> int:
        """Return how many messages the other side refuses."""
        with self._faults():
            asked = "SELECT count(*) FROM message WHERE state = ?"
            ((count,),) = self._open().execute(asked, (REFUSED,)).fetchall()
        return int(count)

    def try_refused(self) -> int:
        """Let what was refused wait again; return how many messages."""
        if not self.refused():
            return 0
        with self._writing() as base:
            asked = "UPDATE message SET state = ? WHERE state = ?"
            back = base.execute(asked, (_WAITS, REFUSED)).rowcount
        self.waiting += back
        return back

    def wait_again(self, numbers: Sequence[int]) -> int:
        """Let what was sent wait once more, as far as it is remembered; return how many messages."""
        with self._writing() as base:
            asked = "UPDATE message SET state = ? WHERE state = ? AND id = ?"
            back = base.executemany(asked, [(_WAITS, SENT, number) for number in numbers]).rowcount
        self.waiting += back
        return back

    def first_utc(self) -> datetime | None:
        """Return when the one that waits longest arrived."""
        found = self.after(0, 1)
        return found[0][1].arrived_utc if found else None

    def last_number(self) -> int:
        """Return the number of the message kept last."""
        with self._faults():
            ((last,),) = self._open().execute("SELECT coalesce(max(id), 0) FROM message").fetchall()
        return int(last)

    def shift(self, after: int, by_s: float) -> int:
        """Move the arrivals of those behind a number, whose clock was wrong; return how many."""
        with self._writing() as base:
            asked = "UPDATE message SET arrived_us = arrived_us + ? WHERE state = ? AND id > ?"
            return base.execute(asked, (round(by_s * 1e6), _WAITS, after)).rowcount

    def used_mb(self) -> float:
        """Return what the file takes of its room [MB]."""
        with self._faults():
            base = self._open()
            (page,) = base.execute("PRAGMA page_size").fetchone()
            (pages,) = base.execute("PRAGMA page_count").fetchone()
            (free,) = base.execute("PRAGMA freelist_count").fetchone()
        return float(page * (pages - free) / 1e6)

    def tail(self, client: str, *, count: int, most: int, lasting: timedelta) -> list[Part]:
        """Give the last messages as parts of a log of messages (`Messages.tail`)."""
        found: list[tuple[int, int, RawMessage]] = []
        with self._faults():
            rows = self._open().execute(
                f"SELECT {_COLUMNS}, written_us FROM message ORDER BY id DESC LIMIT ?",  # noqa: S608 - ours
                (min(most, _MOST_TAIL),),
            )
            for row in rows:
                *fields, written = row
                if len(found) >= count and found[0][1] - written > lasting // _MICRO:
                    break
                found.append((fields[0], written, _raw(fields)))
        found.reverse()
        groups = groupby(found, key=lambda one: (one[1], one[2].linked_utc, bool(one[2].forwarded)))
        return [_part(client, list(group)) for _, group in groups]

    def _open(self) -> sqlite3.Connection:
        if self._base is None:
            self._only_for_its_owner()
            base = sqlite3.connect(self.path, isolation_level=None, check_same_thread=False, timeout=5)
            try:
                base.execute("PRAGMA auto_vacuum = INCREMENTAL")
                base.execute("PRAGMA journal_mode = WAL")
                base.execute("PRAGMA synchronous = FULL")
                (page,) = base.execute("PRAGMA page_size").fetchone()
                most_mb = self._room_mb + (_RESERVE_MB if self._remembers else 0)
                base.execute(f"PRAGMA max_page_count = {max(8, int(most_mb * 1e6 / page))}")
                base.execute(_TABLE)
                there = [row[1] for row in base.execute("PRAGMA table_info(message)")]
                for name, column in _LATER.items():
                    if name not in there:  # a spool of an older version
                        base.execute(f"ALTER TABLE message ADD COLUMN {column}")
                base.execute(_BY_MID)
                base.execute(_WAITING)
            except BaseException:
                base.close()
                raise
            self._base = base
        return self._base

    def _only_for_its_owner(self) -> None:
        """Let nobody else read the file, an older one neither; SQLite's files beside it follow."""
        with suppress(OSError):  # what can't be made or is another's is said when it is opened
            os.close(os.open(self.path, os.O_CREAT | os.O_RDWR, 0o600))
            self.path.chmod(0o600)

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._faults():
            base = self._open()
            base.execute("BEGIN IMMEDIATE")
            try:
                yield base
                base.execute("COMMIT")
            except BaseException:
                if base.in_transaction:
                    base.execute("ROLLBACK")
                raise

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            yield
        except sqlite3.Error as err:
            text = str(err).lower()
            if "full" in text or "readonly" in text or "disk i/o" in text or "unable to open" in text:
                raise StoreFull(
                    f"the spool {self.path} can't be written ({err}); make room on the disk, or raise"
                    f" spool_mb in [{self._section}]"
                ) from err
            raise StoreError(f"the spool {self.path} can't be used: {err}") from err


def _us(moment: datetime) -> int:
    return (moment - _EPOCH) // _MICRO


def _raw(row: Sequence[Any]) -> RawMessage:
    _, topic, payload, arrived, retained, mid, again, linked, forwarded = row
    return RawMessage(
        topic=topic,
        payload=bytes(payload),
        arrived_utc=_EPOCH + arrived * _MICRO,
        retained=bool(retained),
        mid=mid,
        again=bool(again),
        linked_utc=None if linked is None else _EPOCH + linked * _MICRO,
        forwarded=forwarded,
    )


def _part(client: str, rows: Sequence[tuple[int, int, RawMessage]]) -> Part:
    raws = [raw for _, _, raw in rows]
    return Part(
        number=rows[0][0],
        client=client,
        linked_utc=raws[0].linked_utc,
        written_utc=_EPOCH + rows[0][1] * _MICRO,
        first_utc=min(raw.arrived_utc for raw in raws),
        last_utc=max(raw.arrived_utc for raw in raws),
        count=len(raws),
        body=packed.pack(raws),
    )
