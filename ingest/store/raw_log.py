"""The log of what was sent: every message as it came, written in the transaction of its readings.

A row holds the messages of one batch that came by one connection, packed (`wire.packed`), in their order.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import datetime, timedelta
from itertools import groupby
from typing import Final

from baulk.ingest.store.moments import from_us, to_us
from baulk.ingest.store.raw_parts import Extent, Part, Taken
from baulk.ingest.store.statements import Sql, Transaction, Values
from baulk.ingest.wire import packed
from baulk.ingest.wire.message import RawMessage

_PUT: Final = (
    "INSERT INTO raw (client, linked_us, written_us, first_us, last_us, messages, size, body)"
    " VALUES (:client, :linked, :written, :first, :last, :messages, :size, :body)"
)
_ROWS: Final = "SELECT id, client, linked_us, written_us, first_us, last_us, messages, body FROM raw"
_AT_ONCE: Final = 500  # rows read or put together in one go
_SMALL_BYTES: Final = 8_000  # a part that is put together with its neighbours
_SETTLED: Final = timedelta(days=2)  # until then a listener may look for where it was idle (`repeats`)


def put(at: Transaction, taken: Taken) -> None:
    """Write messages down, within the transaction of their readings."""
    if not taken.raws:
        return
    rows = []
    one_link = taken.raws[0].linked_utc is taken.raws[-1].linked_utc  # nearly always; the spool mixes
    groups = (
        [((taken.raws[0].linked_utc, False), taken.raws)]
        if one_link and not any(raw.forwarded for raw in taken.raws)
        else [(key, list(group)) for key, group in groupby(taken.raws, key=_together)]
    )
    for (linked, _), raws in groups:
        arrivals = [one.arrived_utc for one in raws]
        body = packed.pack(raws)
        rows.append(
            {
                "client": taken.client,
                "linked": None if linked is None else to_us(linked),
                "written": to_us(taken.now_utc),
                "first": to_us(min(arrivals)),
                "last": to_us(max(arrivals)),
                "messages": len(raws),
                "size": len(body),
                "body": body,
            }
        )
    at.many(_PUT, rows)


def _together(raw: RawMessage) -> tuple[datetime | None, bool]:
    """Tell what may stand in one row: what was forwarded came here long after its arrival there."""
    return raw.linked_utc, bool(raw.forwarded)


class RawLog:
    """The messages of a shop as they came.

    Parameters
    ----------
    sql : Sql
        The shop's database.
    """

    def __init__(self, sql: Sql) -> None:
        self._sql = sql

    def extent(self) -> Extent:
        """Tell how much there is."""
        ((first, last, count, size),) = self._sql.ask(
            "SELECT min(first_us), max(last_us), coalesce(sum(messages), 0), coalesce(sum(size), 0) FROM raw"
        )
        return Extent(
            first_utc=None if first is None else from_us(first),
            last_utc=None if last is None else from_us(last),
            count=int(count),
            size=int(size),
        )

    def tail(self, client: str, *, count: int, most: int, lasting: timedelta) -> list[Part]:
        """Give the last parts of a listener, oldest first.

        Parameters
        ----------
        client : str
            Which listener.
        count : int
            At least so many messages, if there are,
        lasting : timedelta
            and as far back from the last one as this,
        most : int
            but no more messages than this.
        """
        found: list[Part] = []
        messages, before = 0, 2**62
        while True:
            rows = self._sql.ask(
                f"{_ROWS} WHERE client = :client AND id < :before ORDER BY id DESC LIMIT :limit",
                {"client": client, "before": before, "limit": _AT_ONCE},
            )
            for row in rows:
                part = _part(row)
                old = bool(found) and part.last_utc < found[0].last_utc - lasting
                if messages >= most or (messages >= count and old):
                    return found[::-1]
                found.append(part)
                messages += part.count
            if len(rows) < _AT_ONCE:
                return found[::-1]
            before = rows[-1][0]

    def spans(self, since: datetime, until: datetime, most: int) -> Iterator[tuple[datetime, datetime]]:
        """Divide a stretch of time so that each piece has about so many messages; its end is not in it."""
        begin, messages = since, 0
        for last, count in self._sql.ask(
            "SELECT last_us, messages FROM raw WHERE first_us < :until AND last_us >= :since"
            " ORDER BY last_us",
            {"since": to_us(since), "until": to_us(until)},
        ):
            messages += count
            end = from_us(last) + timedelta(microseconds=1)
            if messages >= most and begin < end < until:
                yield begin, end
                begin, messages = end, 0
        yield begin, until

    def between(self, since: datetime, until: datetime) -> list[RawMessage]:
        """Give the messages that arrived from one moment to before another, in order of arrival.

        Those that were cut lie in quarantine.
        """
        rows = self._sql.ask(
            f"{_ROWS} WHERE first_us < :until AND last_us >= :since ORDER BY id",
            {"since": to_us(since), "until": to_us(until)},
        )
        those = (one for row in rows for one in _part(row).messages())
        wanted = [one for one in those if since <= one.arrived_utc < until and not one.cut]
        return sorted(wanted, key=lambda one: one.arrived_utc)

    def last(self, fits: Callable[[str], bool], *, count: int, within: int) -> list[RawMessage]:
        """Give the last messages whose topics are wanted, oldest first, without those that were cut.

        Parameters
        ----------
        fits : callable
            Whether a topic is wanted.
        count : int
            At most so many.
        within : int
            Looked for among about so many of the newest messages of all.
        """
        found: list[RawMessage] = []
        looked, before, at_once = 0, 2**62, 20
        while looked < within and len(found) < count:
            rows = self._sql.ask(
                f"{_ROWS} WHERE id < :before ORDER BY id DESC LIMIT :limit",
                {"before": before, "limit": at_once},
            )
            for part in map(_part, rows):
                mine = [one for one in part.messages() if fits(one.topic) and not one.cut]
                found += mine[::-1]
                looked += part.count
                if looked >= within or len(found) >= count:
                    break
            if len(rows) < at_once:
                break
            before, at_once = rows[-1][0], _AT_ONCE
        return sorted(found[:count], key=lambda one: one.arrived_utc)

    def tidy(self, now_utc: datetime, *, days: float, most_bytes: float) -> int:
        """Drop what is older, and the oldest beyond a size; return how many messages went.

        What has lain for two days is put together into larger parts, which take a fraction of the room.
        """
        gone = self._drop("last_us < :before", {"before": to_us(now_utc - timedelta(days=days))})
        self._put_together(to_us(now_utc - _SETTLED))
        size = self.extent().size
        for number, each in self._sql.ask("SELECT id, size FROM raw ORDER BY id"):
            if size <= most_bytes:
                break
            gone += self._drop("id = :id", {"id": number})
            size -= each
        return gone

    def _drop(self, where: str, values: Values) -> int:
        with self._sql.write(counted=False) as (at, _):
            rows = at.run(f"DELETE FROM raw WHERE {where} RETURNING messages", values)  # noqa: S608 - ours
        return sum(count for (count,) in rows)

    def _put_together(self, before_us: int) -> None:
        """Put small parts that follow each other on one connection together, a few in each transaction."""
        after = 0
        while rows := self._sql.ask(
            f"{_ROWS} WHERE id > :after AND size < :small AND written_us < :before ORDER BY id LIMIT :limit",
            {"after": after, "small": _SMALL_BYTES, "before": before_us, "limit": _AT_ONCE},
        ):
            after = rows[-1][0]
            parts = [_part(row) for row in rows]
            for _, group in groupby(parts, key=lambda one: (one.client, one.linked_utc)):
                some = list(group)
                if len(some) > 1:
                    self._make_one(some)

    def _make_one(self, parts: Sequence[Part]) -> None:
        first, *others = parts
        body = packed.pack([raw for part in parts for raw in part.messages()], small=True)
        with self._sql.write(counted=False) as (at, _):
            at.run(
                "UPDATE raw SET written_us = :written, first_us = :first, last_us = :last,"
                " messages = :messages, size = :size, body = :body WHERE id = :id",
                {
                    "written": to_us(parts[-1].written_utc),
                    "first": to_us(min(one.first_utc for one in parts)),
                    "last": to_us(max(one.last_utc for one in parts)),
                    "messages": sum(one.count for one in parts),
                    "size": len(body),
                    "body": body,
                    "id": first.number,
                },
            )
            at.many("DELETE FROM raw WHERE id = :id", [{"id": one.number} for one in others])


def _part(row: tuple[int, str, int | None, int, int, int, int, bytes]) -> Part:
    number, client, linked, written, first, last, count, body = row
    return Part(
        number=number,
        client=client,
        linked_utc=None if linked is None else from_us(linked),
        written_utc=from_us(written),
        first_utc=from_us(first),
        last_utc=from_us(last),
        count=count,
        body=bytes(body),
    )
