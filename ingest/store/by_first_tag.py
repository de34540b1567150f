"""Readings at a server where a series can't be renamed: they stay under the first tag of their timber.

Callers know the tag of now. Each call looks at the note of the changed tags, which is nothing beside a
question to a server, so that a tag changed by another program is never missed.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING

from baulk.ingest.store import names
from baulk.ingest.store.base import Put, Readings
from baulk.ingest.store.names import Names
from baulk.ingest.store.statements import Sql, Transaction
from baulk.models.columns import Columns
from baulk.models.constants import Floats
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

if TYPE_CHECKING:
    import pandas as pd


class ByFirstTag:
    """Readings that lie apart from the books, asked for by the tags of now.

    Parameters
    ----------
    inside : Readings
        Where they lie.
    sql : Sql
        The books, which hold the changed tags.
    """

    def __init__(self, inside: Readings, sql: Sql) -> None:
        self.inside = inside
        self._sql = sql

    @property
    def apart(self) -> bool:
        """Whether readings are written ahead of the books."""
        return self.inside.apart

    def close(self) -> None:
        """Let go."""
        self.inside.close()

    # --- in

    def send(self, readings: Sequence[Reading]) -> Put | None:
        """Store readings ahead of the books."""
        renamed = self._names()
        put = self.inside.send(_there(renamed, readings))
        return None if put is None else replace(put, fresh=renamed.readings(put.fresh))

    def enter(self, at: Transaction, readings: Sequence[Reading], sent: Put | None, *, careful: bool) -> Put:
        """Store what is to be known of them in the books, which list series as the server has them."""
        renamed = self._names()
        there = None if sent is None else replace(sent, fresh=_there(renamed, sent.fresh))
        put = self.inside.enter(at, _there(renamed, readings), there, careful=careful)
        return replace(put, fresh=renamed.readings(put.fresh))

    def leave(self, at: Transaction, readings: Sequence[Reading]) -> None:
        """Note what is to be deleted."""
        self.inside.leave(at, _there(self._names(), readings))

    def settle(self) -> None:
        """Delete what has left."""
        self.inside.settle()

    def let_end(self) -> None:
        """Wait for whoever writes at this moment."""
        self.inside.let_end()

    def recount(self) -> None:
        """Have the books count what the server has."""
        self.inside.recount()

    def write_over(self, at: Transaction | None, readings: Sequence[Reading]) -> None:
        """Put readings in the place of those that are stored."""
        self.inside.write_over(at, _there(self._names(), readings))

    # --- out

    def series(self, owner: Owner | None = None, name: str | None = None) -> list[Series]:
        """Every series that has a reading."""
        renamed = self._names()
        found = {renamed.series(one) for one in self.inside.series(owner)}
        return sorted((one for one in found if name is None or one.name == name), key=str)

    def read(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> pd.DataFrame:
        """Columns posix_s, value, flags; by device time."""
        return self.inside.read(_first(self._names(), series), since_utc, until_utc)

    def values(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> tuple[Floats, Floats]:
        """Give when a series was read, and its values; by device time."""
        return self.inside.values(_first(self._names(), series), since_utc, until_utc)

    def latest(self, owner: Owner, name: str | None = None) -> list[Reading]:
        """Give the newest reading of each series of a timber or a place, or of all of them; by series."""
        renamed = self._names()
        found = renamed.readings(self.inside.latest(owner, _name(renamed, owner, name)))
        return sorted(found, key=lambda one: str(one.series))

    def latest_of(self, those: Collection[Series]) -> list[Reading]:
        """Give the newest reading of each of these series that has one, in no order."""
        renamed = self._names()
        return renamed.readings(self.inside.latest_of({_first(renamed, one) for one in those}))

    def readings(
        self, owner: Owner, name: str, since: datetime | None = None, until: datetime | None = None
    ) -> list[Reading]:
        """Every reading of a timber or a place between two moments, by device time."""
        renamed = self._names()
        first = renamed.entered_as(name) if owner is Owner.TIMBER else name
        return renamed.readings(self.inside.readings(owner, first, since, until))

    def columns(
        self, owner: Owner, name: str, since_us: int | None, before_us: int | None
    ) -> Iterator[Columns]:
        """Give the readings of a timber or a place as columns, piece by piece, each of whole days."""
        renamed = self._names()
        first = renamed.entered_as(name) if owner is Owner.TIMBER else name
        for each in self.inside.columns(owner, first, since_us, before_us):
            yield replace(each, series=tuple(renamed.series(one) for one in each.series))

    def arrived(self, since: datetime, until: datetime) -> list[Reading]:
        """Give the sensors' readings that arrived in a stretch of time."""
        return self._names().readings(self.inside.arrived(since, until))

    def daily_means(self, owner: Owner | None = None, name: str | None = None) -> pd.DataFrame:
        """Columns series, posix_s, mean, count."""
        renamed = self._names()
        found = self.inside.daily_means(owner, _name(renamed, owner, name))
        if not renamed.former:
            return found
        found["series"] = [str(renamed.series(Series.parse(text))) for text in found["series"]]
        return found.sort_values(["series", "posix_s"], ignore_index=True)

    def places(self) -> list[str]:
        """Places that have air readings."""
        return self.inside.places()

    def thin(self, before_us: int, every_us: int, *, preview: bool = False) -> int:
        """Leave one sensor reading in each stretch of time; return how many went, or would go."""
        return self.inside.thin(before_us, every_us, preview=preview)

    def _names(self) -> Names:
        return names.asked(self._sql.ask)


def _first(renamed: Names, series: Series) -> Series:
    if series.owner is not Owner.TIMBER:
        return series
    return names.called(series, renamed.entered_as(series.name))


def _there(renamed: Names, readings: Sequence[Reading]) -> Sequence[Reading]:
    """Return readings as the server has them; all are as they were where no tag was changed."""
    if not renamed.former:
        return readings
    found: list[Reading] = []
    for one in readings:
        series = _first(renamed, one.series)
        found.append(one if series == one.series else replace(one, series=series))
    return found


def _name(renamed: Names, owner: Owner | None, name: str | None) -> str | None:
    return name if name is None or owner is Owner.AIR else renamed.entered_as(name)
