"""Readings in an SQL database, keyed by series and device time."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from datetime import datetime, tzinfo
from itertools import islice
from typing import TYPE_CHECKING, Final

import numpy as np

from baulk.ingest.store import kept_days
from baulk.ingest.store.base import Put
from baulk.ingest.store.moments import DAY_US, from_us, span, to_us
from baulk.ingest.store.rejected import Rejected
from baulk.ingest.store.rows import (
    SENSOR,
    SeriesList,
    clash,
    columns_of_rows,
    daily_table,
    flags_of,
    rows_of,
    table,
    thinned,
)
from baulk.ingest.store.statements import Key, Sql, Transaction, Values
from baulk.models.columns import Columns
from baulk.models.constants import Floats
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series

if TYPE_CHECKING:
    import pandas as pd

_COLUMNS: Final = "s.text, r.taken_us, r.value, r.arrived_us, r.source, r.flags"
_LATEST: Final = (
    f"SELECT {_COLUMNS} FROM series AS s JOIN reading AS r ON r.series = s.id"  # noqa: S608 - ours
    " AND r.taken_us = (SELECT max(taken_us) FROM reading WHERE series = s.id)"
)
_ENDS: Final = (
    "SELECT (SELECT min(taken_us) FROM reading WHERE series = s.id),"
    " (SELECT max(taken_us) FROM reading WHERE series = s.id)"
    " FROM series AS s WHERE s.owner = :owner AND s.name = :name"
)
_SPAN: Final = (
    f"SELECT {_COLUMNS} FROM series AS s JOIN reading AS r ON r.series = s.id"  # noqa: S608 - ours
    " AND r.taken_us >= :since AND r.taken_us < :before WHERE s.owner = :owner AND s.name = :name"
)
_MONTH_US: Final = 30 * DAY_US
_AT_ONCE: Final = 200
_NONE: Final[Mapping[str, Series]] = {}
_DELETE: Final = "DELETE FROM reading WHERE series = :series AND taken_us = :taken"
_OVER: Final = (
    "UPDATE reading SET value = :value, arrived_us = :arrived, source = :source, flags = :flags"
    " WHERE series = :series AND taken_us = :taken"
)
_FLAG: Final = "UPDATE reading SET flags = :flags WHERE series = :series AND taken_us = :taken"


class SqlReadings:
    """Readings beside the books, stored in one transaction with them.

    Parameters
    ----------
    sql : Sql
        The shop's database.
    """

    apart = False

    def __init__(self, sql: Sql, zone: tzinfo | None = None) -> None:
        self._sql, self._zone = sql, zone
        self._list = SeriesList(sql)

    def close(self) -> None:
        """Let go of nothing: the database is closed with the books."""

    # --- in

    def send(self, readings: Sequence[Reading]) -> Put | None:
        """Leave the readings to `enter`."""
        del readings
        return None

    def enter(self, at: Transaction, readings: Sequence[Reading], sent: Put | None, *, careful: bool) -> Put:
        """Insert readings in the transaction."""
        del sent
        rows = rows_of(self._list.numbers(at, readings), readings)
        new = self._sql.insert(at, rows, careful=careful)
        if new is None or len(new) == len(readings):
            return Put(fresh=readings)
        fresh: list[Reading] = []
        again: list[tuple[Key, Reading]] = []
        for row, one in zip(rows, readings, strict=True):
            key = row[:2]
            if key in new:
                new.discard(key)
                fresh.append(one)
            else:
                again.append((key, one))
        stored = self._sql.taken(at, dict(again))
        clashes: list[Rejected] = [
            clash(one, stored[key], self._zone) for key, one in again if stored[key] != one.value
        ]
        return Put(fresh=fresh, clashes=clashes)

    def leave(self, at: Transaction, readings: Sequence[Reading]) -> None:
        """Delete readings."""
        at.many(_DELETE, [_key(self._list.number(at, one.series), one) for one in readings])

    def settle(self) -> None:
        """Do nothing: all was done in the transaction."""

    def let_end(self) -> None:
        """Do nothing: nothing is written ahead of the books."""

    def recount(self) -> None:
        """Do nothing: the books and the readings are one."""

    # --- out

    def write_over(self, at: Transaction | None, readings: Sequence[Reading]) -> None:
        """Change value, arrival, source and flags."""
        assert at is not None  # noqa: S101 - readings lie beside the books
        rows = [
            {
                **_key(self._list.number(at, one.series), one),
                "value": float(one.value),
                "arrived": to_us(one.arrived_utc),
                "source": one.source,
                "flags": ",".join(one.flags),
            }
            for one in readings
        ]
        if rows:
            at.many(_OVER, rows)

    def series(self, owner: Owner | None = None, name: str | None = None) -> list[Series]:
        """Every series that has a reading."""
        return self._list.listed(owner, name)

    def read(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> pd.DataFrame:
        """Columns posix_s, value, flags; by device time."""
        since, until = span(since_utc, until_utc)
        rows = self._sql.ask(
            "SELECT taken_us, value, flags FROM reading WHERE series = (SELECT id FROM series"
            " WHERE text = :text) AND taken_us BETWEEN :since AND :until ORDER BY taken_us",
            {"text": str(series), "since": since, "until": until},
        )
        return table((row[0] for row in rows), (row[1] for row in rows), (row[2] for row in rows))

    def values(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> tuple[Floats, Floats]:
        """Give when a series was read, and its values; by device time."""
        since, until = span(since_utc, until_utc)
        rows = self._sql.ask(
            "SELECT taken_us, value FROM reading WHERE series = (SELECT id FROM series"
            " WHERE text = :text) AND taken_us BETWEEN :since AND :until ORDER BY taken_us",
            {"text": str(series), "since": since, "until": until},
        )
        taken_us, value = np.array(rows, np.float64).reshape(-1, 2).T
        return taken_us / 1e6, value

    def latest(self, owner: Owner, name: str | None = None) -> list[Reading]:
        """Give the newest reading of each series, looked up one by one: grouping would read all."""
        return self._readings(
            f"{_LATEST} WHERE s.owner = :owner AND (CAST(:name AS TEXT) IS NULL OR s.name = :name)"
            " ORDER BY s.text",
            {"owner": owner.value, "name": name},
        )

    def latest_of(self, those: Collection[Series]) -> list[Reading]:
        """Give the newest reading of each of these series that has one, many in one question."""
        found: list[Reading] = []
        left = iter(those)
        while some := list(islice(left, _AT_ONCE)):
            known = {str(one): one for one in some}
            values = {f"text{k}": text for k, text in enumerate(known)}
            texts = ", ".join(f":{name}" for name in values)
            found += self._readings(f"{_LATEST} WHERE s.text IN ({texts})", values, known)
        return found

    def readings(
        self, owner: Owner, name: str, since: datetime | None = None, until: datetime | None = None
    ) -> list[Reading]:
        """Every reading of a timber or a place between two moments, by device time."""
        first, last = span(since, until)
        return self._readings(
            f"SELECT {_COLUMNS} FROM series AS s JOIN reading AS r ON r.series = s.id"  # noqa: S608 - ours
            " AND r.taken_us BETWEEN :since AND :until"
            " WHERE s.owner = :owner AND s.name = :name ORDER BY r.taken_us, s.text",
            {"since": first, "until": last, "owner": owner.value, "name": name},
        )

    def columns(
        self, owner: Owner, name: str, since_us: int | None, before_us: int | None
    ) -> Iterator[Columns]:
        """Give the readings of a timber or a place as columns, a month at a time."""
        of = {"owner": owner.value, "name": name}
        ends = self._sql.ask(_ENDS, of)
        firsts, lasts = ([row[i] for row in ends if row[i] is not None] for i in (0, 1))
        if not firsts:
            return
        first = max(min(firsts), -(2**62) if since_us is None else since_us) // DAY_US * DAY_US
        before = min(max(lasts) + 1, 2**62 if before_us is None else before_us)
        for begin in range(first, before, _MONTH_US):
            end = min(begin + _MONTH_US, before)
            since = begin if since_us is None else max(begin, since_us)
            yield columns_of_rows(self._sql.ask(_SPAN, {**of, "since": since, "before": end}))

    def arrived(self, since: datetime, until: datetime) -> list[Reading]:
        """Give the sensors' readings that arrived in a stretch of time; all are gone through for it."""
        return self._readings(
            f"SELECT {_COLUMNS} FROM reading AS r JOIN series AS s ON r.series = s.id"  # noqa: S608 - ours
            " WHERE r.arrived_us >= :since AND r.arrived_us < :until AND r.source = :source",
            {"since": to_us(since), "until": to_us(until), "source": SENSOR},
        )

    def _readings(self, sql: str, values: Values, known: Mapping[str, Series] = _NONE) -> list[Reading]:
        parsed = dict(known)
        found = []
        for text, taken, value, arrived, source, flags in self._sql.ask(sql, values):
            series = parsed.get(text) or parsed.setdefault(text, Series.parse(text))
            found.append(
                Reading(
                    series=series,
                    value=value,
                    taken_utc=from_us(taken),
                    arrived_utc=from_us(arrived),
                    source=source,
                    flags=flags_of(flags),
                )
            )
        return found

    def daily_means(self, owner: Owner | None = None, name: str | None = None) -> pd.DataFrame:
        """Columns series, posix_s, mean, count, worked out by the database."""
        rows = self._sql.ask(
            "SELECT s.text, r.taken_us / :day, avg(r.value), count(*) FROM series AS s"
            " JOIN reading AS r ON r.series = s.id WHERE (CAST(:owner AS TEXT) IS NULL OR s.owner = :owner)"
            " AND (CAST(:name AS TEXT) IS NULL OR s.name = :name) GROUP BY s.id, r.taken_us / :day",
            {"day": DAY_US, "owner": owner.value if owner else None, "name": name},
        )
        return daily_table(rows)

    def places(self) -> list[str]:
        """Places that have air readings."""
        return sorted({series.name for series in self._list.listed(Owner.AIR, None)})

    # --- thinning

    def thin(self, before_us: int, every_us: int, *, preview: bool = False) -> int:
        """Thin one series after the other, each in a transaction of its own, to let others in between."""
        gone = 0
        for text, number in self._sql.ask("SELECT text, id FROM series"):
            if Series.parse(text).quantity is Quantity.WEIGHT:
                continue
            rows = self._sql.ask(
                "SELECT taken_us, value, flags FROM reading"
                " WHERE series = :series AND taken_us < :before AND source = :source ORDER BY taken_us",
                {"series": number, "before": before_us, "source": SENSOR},
            )
            plan = thinned(rows, every_us)
            gone += len(plan.gone)
            if plan.gone and not preview:
                with self._sql.write() as (at, _):
                    if (series := Series.parse(text)).owner is Owner.TIMBER:
                        kept_days.put_down_days(at, series.name, {each // DAY_US for each in plan.gone})
                    at.many(_FLAG, [{"series": number, "taken": t, "flags": f} for t, f in plan.kept.items()])
                    at.many(_DELETE, [{"series": number, "taken": taken} for taken in plan.gone])
        return gone


def _key(number: int, reading: Reading) -> Values:
    return {"series": number, "taken": to_us(reading.taken_utc)}
