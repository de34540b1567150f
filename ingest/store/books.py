"""The books of a shop: evaluations, notes, and what is new since when, with quarantine; always in SQL."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Final

from baulk.ingest.store import evaluation_archive, kept_days, names
from baulk.ingest.store.base import StoredEvaluation
from baulk.ingest.store.moments import DAY_US, from_us, to_us, week_of
from baulk.ingest.store.quarantine import Quarantine
from baulk.ingest.store.rows import SENSOR
from baulk.ingest.store.statements import Transaction
from baulk.models.quantity import Owner
from baulk.models.reading import Reading

# Looked up row by row SQLite would go through the answers for what lies behind them; gathered first, it takes
# an index that holds all that is asked for.
_STALE: Final = """
WITH e AS MATERIALIZED (SELECT tag, made_us, revision, exact, air_first_us, air_last_us FROM evaluation)
SELECT timber.tag FROM timber
LEFT JOIN e ON e.tag = timber.tag
LEFT JOIN touched AS own ON own.owner = 'timber' AND own.name = timber.tag
LEFT JOIN touched AS air ON air.owner = 'air' AND air.name = timber.place
LEFT JOIN note AS asked ON asked.key = :asked || timber.tag
WHERE timber.retired_utc IS NULL AND (e.tag IS NULL OR timber.revision > e.revision
   OR ((e.made_us < :before OR asked.key IS NOT NULL)
       AND ((e.exact = 1 AND own.revision > e.revision) OR (e.exact = 0 AND own.arrived_us > e.made_us)))
   OR (air.name IS NOT NULL AND ((e.air_last_us IS NULL AND (e.exact = 0 OR (air.revision > e.revision
         AND EXISTS (SELECT 1 FROM series WHERE text = 'air/' || timber.place || '/temp')
         AND EXISTS (SELECT 1 FROM series WHERE text = 'air/' || timber.place || '/humidity'))))
       OR air.last_us > e.air_last_us + :day OR air.first_us < e.air_first_us - :day)))
ORDER BY e.made_us NULLS FIRST, timber.tag
"""
_ASKED: Final = "asked/"  # before a tag: the key of a note with the revision at which a person gave news
_EVER: Final = 2**62
_MARKS: Final = """
WITH long AS MATERIALIZED (SELECT tag, made_us, length(payload) AS size FROM evaluation),
short AS MATERIALIZED (SELECT tag, revision FROM evaluation)
SELECT long.tag, long.made_us, short.revision, long.size FROM long JOIN short ON short.tag = long.tag
"""
_CHANGES: Final = """
SELECT timber.tag, timber.revision, COALESCE(own.revision, 0) FROM timber
LEFT JOIN touched AS own ON own.owner = 'timber' AND own.name = timber.tag
"""
_TOUCH: Final = """
INSERT INTO touched (owner, name, revision, arrived_us, first_us, last_us)
VALUES (:owner, :name, :revision, :arrived, :first, :last)
ON CONFLICT (owner, name) DO UPDATE SET revision = excluded.revision,
arrived_us = CASE WHEN touched.arrived_us > excluded.arrived_us
                  THEN touched.arrived_us ELSE excluded.arrived_us END,
first_us = CASE WHEN touched.first_us < excluded.first_us THEN touched.first_us ELSE excluded.first_us END,
last_us = CASE WHEN touched.last_us > excluded.last_us THEN touched.last_us ELSE excluded.last_us END
"""
_KEEP: Final = """
INSERT INTO evaluation (tag, made_us, payload, revision, exact, air_first_us, air_last_us, fingerprint)
SELECT CAST(:tag AS TEXT), CAST(:made AS BIGINT), :payload, CAST(:revision AS BIGINT),
       CAST(:exact AS INTEGER), air.first_us, air.last_us, CAST(:fingerprint AS TEXT)
FROM (SELECT 1) AS one
LEFT JOIN touched AS air ON CAST(:with_air AS INTEGER) = 1 AND air.owner = 'air'
AND air.name = (SELECT place FROM timber WHERE tag = :tag)
WHERE 1 = 1
ON CONFLICT (tag) DO UPDATE SET made_us = excluded.made_us, payload = excluded.payload,
revision = excluded.revision, exact = excluded.exact, air_first_us = excluded.air_first_us,
air_last_us = excluded.air_last_us, fingerprint = excluded.fingerprint
"""
_PAST: Final = "INSERT INTO past_evaluation (tag, made_us, payload) VALUES (:tag, :made, :payload)"
_NOTE: Final = """
INSERT INTO note (key, value) VALUES (:key, :value) ON CONFLICT (key) DO UPDATE SET value = excluded.value
"""


class Books(Quarantine):
    """Everything of a shop but readings and register.

    Parameters
    ----------
    sql : Sql
        The shop's database, the register's as well.
    """

    # --- inside the transaction of the readings

    @classmethod
    def touch(
        cls, at: Transaction, revision: int, readings: Iterable[Reading], *, asks: bool = False
    ) -> None:
        """Note which timbers and places have news, over what time, and for which a person waits.

        That is where a reading was taken by hand or from a file, or with ``asks``.
        """
        every: dict[int, list[Reading]] = {}  # by series; to hash that of each reading would take longer
        for one in readings:
            some = every.get(id(one.series))
            if some is None:
                every[id(one.series)] = [one]
            else:
                some.append(one)
        kept_days.put_down(at, every.values())
        waited_for: set[str] = set()
        touched: dict[tuple[Owner, str], tuple[datetime, datetime, datetime]] = {}
        for some in every.values():
            key = some[0].series.owner, some[0].series.name
            taken = [one.taken_utc for one in some]
            arrived, first, last = max([one.arrived_utc for one in some]), min(taken), max(taken)
            known = touched.get(key, (arrived, first, last))
            touched[key] = max(arrived, known[0]), min(first, known[1]), max(last, known[2])
            if key[0] is Owner.TIMBER and (asks or any(one.source != SENSOR for one in some)):
                waited_for.add(key[1])
        rows = [
            {
                "owner": owner.value,
                "name": name,
                "revision": revision,
                "arrived": to_us(arrived),
                "first": to_us(first),
                "last": to_us(last),
            }
            for (owner, name), (arrived, first, last) in sorted(touched.items())
        ]
        if rows:
            at.many(_TOUCH, rows)
        cls.write_notes(at, {_ASKED + tag: str(revision).encode() for tag in sorted(waited_for)})

    @staticmethod
    def write_notes(at: Transaction, notes: Mapping[str, bytes]) -> None:
        """Write notes, over those with the same keys."""
        if notes:
            at.many(_NOTE, [{"key": key, "value": value} for key, value in notes.items()])

    # --- evaluations

    def stale(self, sensors_before: datetime | None = None) -> list[str]:
        """Tags whose evaluation no longer covers what is known, the longest waiting first."""
        before = _EVER if sensors_before is None else to_us(sensors_before)
        return [tag for (tag,) in self._sql.ask(_STALE, {"day": DAY_US, "before": before, "asked": _ASKED})]

    def changes(self) -> dict[str, tuple[int, int]]:
        """Give by tag the revisions at which a timber's row and its readings changed last."""
        return {tag: (row, own) for tag, row, own in self._sql.ask(_CHANGES)}

    def save_evaluation(  # noqa: PLR0913 - one a column
        self,
        tag: str,
        made_utc: datetime,
        payload: bytes,
        *,
        revision: int | None = None,
        fingerprint: str | None = None,
        past: bool = True,
        with_air: bool = True,
    ) -> None:
        """Keep the evaluation of a timber, and the first of each ISO week for good."""
        made, (monday, next_monday) = to_us(made_utc), week_of(made_utc)
        with self._sql.write() as (at, now):
            tag = names.asked(at.run).now(tag)  # which may have changed while it was worked out
            at.run(
                _KEEP,
                {
                    "tag": tag,
                    "made": made,
                    "payload": payload,
                    "revision": now if revision is None else revision,
                    "exact": int(revision is not None),
                    "fingerprint": fingerprint,
                    "with_air": int(with_air),
                },
            )
            asked = at.run("SELECT value FROM note WHERE key = :key", {"key": _ASKED + tag})
            if asked and (revision is None or int(bytes(asked[0][0])) <= revision):
                at.many("DELETE FROM note WHERE key = :key", [{"key": _ASKED + tag}])
            if past and not at.run(
                "SELECT 1 FROM past_evaluation WHERE tag = :tag AND made_us >= :monday AND made_us < :next",
                {"tag": tag, "monday": monday, "next": next_monday},
            ):
                at.run(_PAST, {"tag": tag, "made": made, "payload": evaluation_archive.packed(payload)})

    def keep_past(self, tag: str, made_utc: datetime, payload: bytes) -> None:
        """Keep an evaluation as of an earlier day among the past ones."""
        with self._sql.write() as (at, _):
            tag = names.asked(at.run).now(tag)
            at.run(
                f"{_PAST} ON CONFLICT (tag, made_us) DO UPDATE SET payload = excluded.payload",
                {"tag": tag, "made": to_us(made_utc), "payload": evaluation_archive.packed(payload)},
            )

    def past_evaluations(self, tag: str) -> list[StoredEvaluation]:
        """Give those that were kept for good, oldest first."""
        sql = "SELECT tag, made_us, payload FROM past_evaluation WHERE tag = :tag ORDER BY made_us"
        rows = self._sql.ask(sql, {"tag": tag})
        return [
            _stored((owner, made, evaluation_archive.unpacked(bytes(kept)))) for owner, made, kept in rows
        ]

    def evaluation(self, tag: str) -> tuple[datetime, bytes] | None:
        """When it was made, and its JSON."""
        rows = self._sql.ask("SELECT made_us, payload FROM evaluation WHERE tag = :tag", {"tag": tag})
        return (from_us(rows[0][0]), bytes(rows[0][1])) if rows else None

    def evaluated(self) -> dict[str, datetime]:
        """When each timber was last evaluated, without the answers."""
        return {tag: from_us(made) for tag, made in self._sql.ask("SELECT tag, made_us FROM evaluation")}

    def evaluations(self) -> list[StoredEvaluation]:
        """Of every timber that has one."""
        rows = self._sql.ask("SELECT tag, made_us, payload FROM evaluation")
        return [_stored(row) for row in sorted(rows)]  # a server sorts by its own language

    def evaluation_marks(self) -> dict[str, tuple[int, int, int]]:
        """Give by tag when an answer was made, at which revision, and how long it is."""
        return {tag: (made, at, size) for tag, made, at, size in self._sql.ask(_MARKS)}

    def withdraw_evaluation(self, tag: str) -> None:
        """Take the evaluation of a timber away that was entered by mistake."""
        with self._sql.write() as (at, _):
            at.run("DELETE FROM evaluation WHERE tag = :tag", {"tag": tag})

    def fingerprints(self) -> dict[str, str]:
        """Give what each stored evaluation was made from, where that was said."""
        sql = "SELECT tag, fingerprint FROM evaluation WHERE fingerprint IS NOT NULL"
        return dict(self._sql.ask(sql))

    # --- notes

    def note(self, key: str, value: bytes) -> None:
        """Keep a small fact under a key; the revision does not grow."""
        with self._sql.write(counted=False) as (at, _):
            self.write_notes(at, {key: value})

    def noted(self, key: str) -> bytes | None:
        """Give the fact under a key, if there is one."""
        rows = self._sql.ask("SELECT value FROM note WHERE key = :key", {"key": key})
        return bytes(rows[0][0]) if rows else None

    def notes(self, prefix: str = "") -> dict[str, bytes]:
        """Give every fact whose key begins so, by key."""
        rows = self._sql.ask(
            "SELECT key, value FROM note WHERE substr(key, 1, :long) = :prefix",
            {"long": len(prefix), "prefix": prefix},
        )
        return {key: bytes(value) for key, value in sorted(rows)}

    def forget(self, *keys: str) -> None:
        """Take facts away."""
        with self._sql.write(counted=False) as (at, _):
            at.many("DELETE FROM note WHERE key = :key", [{"key": key} for key in keys])

    def revision(self) -> int:
        """Give a number that grows with every change."""
        return int(self._sql.ask("SELECT n FROM counter")[0][0])


def _stored(row: tuple[str, int, bytes]) -> StoredEvaluation:
    tag, made, payload = row
    return StoredEvaluation(tag=tag, made_utc=from_us(made), payload=bytes(payload))
