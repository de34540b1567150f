"""Quarantine: messages that could not be stored, kept as they came until a person or a mend settles them.

It has room for so much and for so long (`trim_quarantine`), so that a flood of bad messages fills neither the
disk nor memory; how many were let go is noted and told. What waits for a tag or a sensor goes last, and
what a person has to decide, a reading that clashes with a stored one or an unlikely event, never goes by
itself.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, Final

from baulk.ingest.store.moments import from_us, to_us
from baulk.ingest.store.rejected import EVERYTHING, Cause, QuarantineGroup, QuarantineRow, Rejected, Which
from baulk.ingest.store.statements import Sql, Transaction, Values
from baulk.ingest.wire.message import MOST_BYTES, RawMessage
from baulk.models.errors import NotFound

HEAD_BYTES: Final = 65_536  # kept of a payload that is longer than any sensor's
AT_ONCE_BYTES: Final = 16_000_000  # of payloads that one question gives
LET_GO: Final = "quarantine-let-go"  # key of the note that counts them
DISCARDED: Final = "quarantine-discarded"  # of the note that says who discarded what, and why
_NOTED: Final = 200  # discards
_SHARE: Final = 0.9  # of the room that is left full after letting go
_FEW: Final = 20  # of a group stay to look at
_ORDER: Final = (  # in which causes are let go; a clash and an unlikely event are never
    (Cause.NOT_UNDERSTOOD, Cause.IMPOSSIBLE, Cause.REFUSED, Cause.PROGRAM),
    (Cause.UNKNOWN_TIMBER, Cause.UNPLACED_SENSOR, Cause.UNKNOWN_PLACE),
)
_KEPT: Final = f"CASE WHEN size > {MOST_BYTES} THEN {HEAD_BYTES} ELSE size END"
_REJECT: Final = """
INSERT INTO quarantine (topic, payload, arrived_us, retained, reason, waits_for, cause, size, once)
VALUES (:topic, :payload, :arrived, :retained, :reason, :waits_for, :cause, :size, :once)
ON CONFLICT DO NOTHING
"""
_WHICH: Final = (
    "(CAST(:waits_for AS TEXT) IS NULL OR waits_for = :waits_for)"
    " AND (CAST(:cause AS TEXT) IS NULL OR cause = :cause)"
    " AND (CAST(:sender AS TEXT) IS NULL OR topic = :sender)"
    " AND (CAST(:number AS BIGINT) IS NULL OR id = :number)"
)
_COLUMNS: Final = "id, topic, payload, arrived_us, retained, reason, waits_for, cause, size"
_GROUPS: Final = f"""
SELECT cause, topic, count(*), sum({_KEPT}), max(id) FROM quarantine
GROUP BY cause, topic ORDER BY 3 DESC, 1, 2 LIMIT :limit
"""  # noqa: S608 - two numbers of ours


class Quarantine:
    """The messages of a shop that could not be stored.

    Parameters
    ----------
    sql : Sql
        The shop's database.
    """

    def __init__(self, sql: Sql) -> None:
        self._sql = sql

    @staticmethod
    def reject(at: Transaction, rejected: Iterable[Rejected]) -> None:
        """Quarantine messages; one that lies there already with this reason stays one."""
        if rows := [_columns(one) for one in rejected]:
            at.many(_REJECT, rows)

    def quarantined(
        self, limit: int = 100, which: Which = EVERYTHING, *, after: int | None = None
    ) -> list[QuarantineRow]:
        """Newest first; with ``after``, the rows that follow that number, oldest first.

        Fewer than the limit where they are large, but at least one if there is one.
        """
        order = "ORDER BY id DESC" if after is None else "AND id > :after ORDER BY id"
        values = {**_values(which), "limit": limit, **({} if after is None else {"after": after})}
        found = self._sql.ask(
            f"SELECT id, {_KEPT} FROM quarantine WHERE {_WHICH} {order} LIMIT :limit",  # noqa: S608 - ours
            values,
        )
        total, last = 0, 0
        for number, size in found:
            total += size
            if last and total > AT_ONCE_BYTES:
                break
            last = number
        if not found:
            return []
        low, high = sorted((found[0][0], last))
        return [_row(each) for each in self._rows(which, low, high, newest_first=after is None)]

    def quarantined_one(self, number: int) -> QuarantineRow:
        """Give one message.

        Raises
        ------
        NotFound
            If there is none of that number.
        """
        found = self._rows(EVERYTHING, number, number, newest_first=False)
        if not found:
            raise NotFound("message in quarantine", str(number), ())
        return _row(found[0])

    def _rows(self, which: Which, low: int, high: int, *, newest_first: bool) -> list[Any]:
        order = "DESC" if newest_first else "ASC"
        return self._sql.ask(
            f"SELECT {_COLUMNS} FROM quarantine WHERE {_WHICH}"  # noqa: S608 - ours
            f" AND id BETWEEN :low AND :high ORDER BY id {order}",
            {**_values(which), "low": low, "high": high},
        )

    def quarantine_count(self, which: Which = EVERYTHING) -> int:
        """How many messages lie in quarantine."""
        sql = f"SELECT count(*) FROM quarantine WHERE {_WHICH}"  # noqa: S608 - ours
        return int(self._sql.ask(sql, _values(which))[0][0])

    def quarantine_groups(self, limit: int = 1000) -> list[QuarantineGroup]:
        """Give the messages by cause and sender, the most first."""
        found = []
        for cause, topic, messages, size, newest in self._sql.ask(_GROUPS, {"limit": limit}):
            ((first, last, reason),) = self._sql.ask(
                "SELECT (SELECT min(arrived_us) FROM quarantine WHERE cause = :cause AND topic = :topic),"
                " (SELECT max(arrived_us) FROM quarantine WHERE cause = :cause AND topic = :topic),"
                " (SELECT reason FROM quarantine WHERE id = :newest)",
                {"cause": cause, "topic": topic, "newest": newest},
            )
            found.append(
                QuarantineGroup(
                    cause=Cause(cause),
                    sender=topic,
                    messages=messages,
                    size=int(size),
                    first_utc=from_us(first),
                    last_utc=from_us(last),
                    newest=newest,
                    reason=reason,
                )
            )
        return found

    def replayable_tags(self) -> list[str]:
        """Give the tags that messages wait for and that are entered by now, and places as ``place:NAME``."""
        sql = (
            "SELECT DISTINCT waits_for FROM quarantine WHERE waits_for IN (SELECT tag FROM timber"
            " UNION SELECT 'place:' || place FROM timber UNION SELECT 'place:' || name FROM place) ORDER BY 1"
        )
        return [tag for (tag,) in self._sql.ask(sql)]

    def release(self, *numbers: int) -> None:
        """Take messages out of quarantine, after they have been stored."""
        with self._sql.write() as (at, _):
            _delete(at, numbers)

    def reject_anew(self, rows: Iterable[tuple[int, Rejected]]) -> None:
        """Put messages back with what is wrong with them now."""
        rows = list(rows)
        with self._sql.write() as (at, _):
            _delete(at, (number for number, _ in rows))
            self.reject(at, (one for _, one in rows))

    def discard(self, which: Which, *, why: str, by: str, now_utc: datetime) -> int:
        """Take messages out of quarantine for good and note who did it and why; return how many."""
        with self._sql.write() as (at, _):
            ((messages,),) = at.run(
                f"SELECT count(*) FROM quarantine WHERE {_WHICH}",  # noqa: S608 - ours
                _values(which),
            )
            if not messages:
                return 0
            at.run(f"DELETE FROM quarantine WHERE {_WHICH}", _values(which))  # noqa: S608 - ours
            noted = _noted(at, DISCARDED, [])
            noted.append(
                {
                    "at": now_utc.astimezone(UTC).isoformat(),
                    "by": by,
                    "why": why,
                    "cause": which.cause and which.cause.value,
                    "sender": which.sender,
                    "number": which.number,
                    "messages": messages,
                }
            )
            _note(at, DISCARDED, noted[-_NOTED:])
            return int(messages)

    # --- its room

    def trim_quarantine(self, most_bytes: float, since_utc: datetime | None, now_utc: datetime) -> int:
        """Let go of what is beyond the room or older than that, and note how many; return how many.

        Parameters
        ----------
        most_bytes : float
            Room for payloads. [bytes]
        since_utc : datetime, optional
            What came before that is let go as well, but for clashes and unlikely events.
        now_utc : datetime
            Now, with a time zone.
        """
        total = self._sql.ask(f"SELECT coalesce(sum({_KEPT}), 0) FROM quarantine")[0][0]  # noqa: S608 - ours
        old = () if since_utc is None else self._older(since_utc)
        if total <= most_bytes and not old:
            return 0
        with self._sql.write() as (at, _):
            gone = _delete(at, old)
            over = total - _SHARE * most_bytes if total > most_bytes else 0
            for causes in _ORDER:
                if over > 0:
                    freed, numbers = _beyond(at, causes, over)
                    over -= freed
                    gone += _delete(at, numbers)
            if gone:
                noted = _noted(at, LET_GO, {"messages": 0})
                _note(
                    at,
                    LET_GO,
                    {"messages": noted["messages"] + gone, "at": now_utc.astimezone(UTC).isoformat()},
                )
        return gone

    def _older(self, since_utc: datetime) -> list[int]:
        rows = self._sql.ask(
            "SELECT id FROM quarantine WHERE arrived_us < :since AND cause NOT IN (:clash, :unlikely)",
            {"since": to_us(since_utc), "clash": Cause.CLASH.value, "unlikely": Cause.UNLIKELY.value},
        )
        return [number for (number,) in rows]

    def let_go(self) -> tuple[int, datetime] | None:
        """How many messages a full quarantine has let go, and when last; None if it never was full."""
        rows = self._sql.ask("SELECT value FROM note WHERE key = :key", {"key": LET_GO})
        if not rows:
            return None
        found = json.loads(bytes(rows[0][0]))
        return int(found["messages"]), datetime.fromisoformat(found["at"])


def once(topic: str, payload: bytes, arrived_us: int, reason: str) -> bytes:
    """Return what tells a message with its reason from every other; the database keeps it once."""
    parts = (topic.encode(), payload, str(arrived_us).encode(), reason.encode())
    return hashlib.sha256(b"\0".join(parts)).digest()[:16]


def _columns(one: Rejected) -> Values:
    topic, payload, reason = _storable(one.raw.topic), _kept(one.raw.payload), _storable(one.reason)
    arrived = to_us(one.raw.arrived_utc)
    return {
        "topic": topic,
        "payload": payload,
        "arrived": arrived,
        "retained": int(one.raw.retained),
        "reason": reason,
        "waits_for": one.waits_for,
        "cause": one.cause.value,
        "size": len(one.raw.payload),
        "once": once(topic, payload, arrived, reason),
    }


def _beyond(at: Transaction, causes: tuple[Cause, ...], over: float) -> tuple[float, list[int]]:
    """Choose messages of these causes, from the senders that fill most, their oldest, until it is enough."""
    freed = 0.0
    gone: list[int] = []
    names = ", ".join(f"'{cause.value}'" for cause in causes)
    groups = at.run(
        f"SELECT cause, topic FROM quarantine WHERE cause IN ({names})"  # noqa: S608 - ours
        f" GROUP BY cause, topic ORDER BY sum({_KEPT}) DESC"
    )
    for few in (_FEW, 0):  # a few of each to look at, as long as that is enough
        for cause, topic in groups:
            rows = at.run(
                f"SELECT id, {_KEPT} FROM quarantine WHERE cause = :cause AND topic = :topic"  # noqa: S608
                " ORDER BY id",
                {"cause": cause, "topic": topic},
            )
            for number, size in rows[: len(rows) - few]:
                if freed >= over:
                    return freed, gone
                freed += size
                gone.append(number)
        if few and freed < over:
            freed, gone = 0.0, []
    return freed, gone


def _delete(at: Transaction, numbers: Iterable[int]) -> int:
    rows: list[Values] = [{"id": number} for number in numbers]
    if rows:
        at.many("DELETE FROM quarantine WHERE id = :id", rows)
    return len(rows)


def _noted(at: Transaction, key: str, otherwise: Any) -> Any:  # noqa: ANN401 - JSON
    rows = at.run("SELECT value FROM note WHERE key = :key", {"key": key})
    return json.loads(bytes(rows[0][0])) if rows else otherwise


def _note(at: Transaction, key: str, value: object) -> None:
    at.run(
        "INSERT INTO note (key, value) VALUES (:key, :value)"
        " ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        {"key": key, "value": json.dumps(value).encode()},
    )


def _values(which: Which) -> dict[str, object]:
    return {
        "waits_for": which.waits_for,
        "cause": which.cause and which.cause.value,
        "sender": which.sender and _storable(which.sender),
        "number": which.number,
    }


def _kept(payload: bytes) -> bytes:
    return payload if len(payload) <= MOST_BYTES else payload[:HEAD_BYTES]


def _row(row: tuple[Any, ...]) -> QuarantineRow:
    number, topic, payload, arrived, retained, reason, tag, cause, size = row
    return QuarantineRow(
        number=number,
        raw=RawMessage(
            topic=topic, payload=bytes(payload), arrived_utc=from_us(arrived), retained=bool(retained)
        ),
        reason=reason,
        cause=Cause(cause),
        waits_for=tag,
        size=size,
    )


def _storable(text: str) -> str:
    """Without lone surrogates and zero characters, which one or the other database can't keep."""
    return text.encode("utf-8", "backslashreplace").decode().replace("\0", "\\x00")
