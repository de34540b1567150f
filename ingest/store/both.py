"""The one store that callers see: the books of a shop and its readings, wherever these lie."""

from __future__ import annotations

import time
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from baulk.ingest.errors import StoreError
from baulk.ingest.store import gate, kept_days, raw_log, turns, waiting
from baulk.ingest.store import names as former
from baulk.ingest.store.base import Put, Readings
from baulk.ingest.store.books import Books
from baulk.ingest.store.by_first_tag import ByFirstTag
from baulk.ingest.store.moments import to_us
from baulk.ingest.store.raw_parts import Messages, Taken
from baulk.ingest.store.rejected import Cause, Rejected
from baulk.ingest.store.rows import EVERY_US, join_air
from baulk.ingest.store.statements import SomeKnown, Sql, Transaction
from baulk.ingest.wire.message import RawMessage
from baulk.models.air import AirSeries
from baulk.models.constants import Floats
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.known_readings import KnownReadings
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series

if TYPE_CHECKING:
    import pandas as pd


class ShopStore(Books):
    """Books and readings behind one face; safe to use from several threads, and beside other processes.

    Parameters
    ----------
    sql : Sql
        The shop's database, which holds the books.
    readings : Readings
        Where the readings lie: in the same database or elsewhere.
    """

    def __init__(self, sql: Sql, readings: Readings) -> None:
        super().__init__(sql)
        self._readings = readings
        self._raw = raw_log.RawLog(sql)
        self._named = b""

    @property
    def raw(self) -> Messages:
        """The log of what was sent."""
        return self._raw

    @property
    def apart(self) -> bool:
        """Whether readings are written ahead of the books, not in one transaction with them."""
        return self._readings.apart

    @property
    def apart_readings(self) -> Readings:
        """Where the readings lie, for whoever looks after that place itself."""
        return self._readings.inside if isinstance(self._readings, ByFirstTag) else self._readings

    @property
    def database(self) -> Sql:
        """The database of the books, for whoever carries its tables elsewhere."""
        return self._sql

    def check_here(self) -> None:
        """Raise `StoreMoved` if the shop is not here any more."""
        self._sql.gate.check(self._sql.ask(gate.ASK), to_read=True)

    def close(self) -> None:
        """Close both."""
        self._readings.close()
        self._sql.close()

    # --- tags that were changed

    def names(self, *, seen: bool = False) -> former.Names:
        """Give the tags that timbers had before; with ``seen`` none where the last transaction saw none."""
        if seen and not self._named:
            return former.NONE
        return former.asked(self._sql.ask)

    def _called(self, at: Transaction) -> former.Names:
        """Give them as they are in a transaction; after a change the numbers of series are looked up anew."""
        found = former.asked(at.run)
        if found.mark != self._named:
            self._sql.generation += 1
            self._named = found.mark
        return found

    # --- in

    def append(self, readings: Iterable[Reading]) -> int:
        """Store readings; return how many were new."""
        return self.save(readings)

    def quarantine(
        self,
        raw: RawMessage,
        reason: str,
        *,
        cause: Cause = Cause.NOT_UNDERSTOOD,
        waits_for: str | None = None,
    ) -> None:
        """Keep a message that can't be stored."""
        self.save((), (Rejected(raw=raw, reason=reason, cause=cause, waits_for=waits_for),))

    def save(
        self,
        readings: Iterable[Reading],
        rejected: Iterable[Rejected] = (),
        *,
        notes: Mapping[str, bytes] | None = None,
        taken: Taken | None = None,
    ) -> int:
        """Store readings, quarantined messages, notes and what came; return how many readings were new."""
        readings, rejected = list(readings), list(rejected)
        if not readings and not rejected and not notes and taken is None:
            return 0
        new = self._save(readings, rejected, notes, taken)
        if self.apart and readings:
            self._deliver()
        return new

    def _save(
        self,
        readings: list[Reading],
        rejected: list[Rejected],
        notes: Mapping[str, bytes] | None = None,
        taken: Taken | None = None,
    ) -> int:
        sent = self._readings.send(readings) if readings else None

        def write(*, careful: bool) -> int:
            with self._sql.write() as (at, revision):
                put, called = Put(fresh=()), readings
                if readings:
                    if (renamed := self._called(at)).former:
                        called = renamed.readings(readings)
                    put = self._readings.enter(at, called, sent, careful=careful)
                self.touch(at, revision, put.fresh if sent is None else called)
                self.reject(at, [*rejected, *put.clashes])
                self.write_notes(at, notes or {})
                if taken is not None:
                    raw_log.put(at, taken)
            return len(put.fresh)

        try:
            return write(careful=False)
        except SomeKnown:
            return write(careful=True)

    def keep_waiting(self, one: Reading) -> None:
        """Keep a reading in the books until the server of the readings is back."""
        self.note(waiting.key_of(one), waiting.packed(one))

    def waiting(self) -> int:
        """How many readings wait so."""
        return len(self.notes(waiting.WAITING)) if self.apart else 0

    def settle(self) -> None:
        """Finish what a server that was away or a kill left undone; else do nothing."""
        if self.apart:
            self._deliver()
            self._readings.settle()

    def _deliver(self) -> None:
        """Store what waits; once and again is the same."""
        for key, body in self.notes(waiting.WAITING).items():
            self._save([waiting.unpacked(body)], [])
            self.forget(key)

    def let_end(self) -> None:
        """Wait for whoever writes readings ahead of the books at this moment."""
        self._readings.let_end()

    def recount(self) -> None:
        """Have the books count what the server of the readings has, if there is one."""
        self._readings.recount()

    def take_over(self, readings: Sequence[Reading], gone: Sequence[Reading] = ()) -> int:
        """Store what another store of this shop has, in place of those gone; nothing becomes news by it.

        Return how many were new.
        """
        if not readings and not gone:
            return 0
        renamed = self.names()
        readings, gone = renamed.readings(readings), renamed.readings(gone)
        sent = self._readings.send(readings)
        with self._sql.write() as (at, _):
            self._called(at)
            if gone:
                self._readings.leave(at, gone)
            put = self._readings.enter(at, readings, sent, careful=True)
            kept_days.put_down(at, kept_days.by_series([*put.fresh, *gone]))
        for each in put.clashes:
            raise StoreError(f"{each.reason}; empty the new store first")
        return len(put.fresh)

    def reattribute(
        self,
        gone: Iterable[Reading],
        come: Sequence[Reading],
        rejected: Iterable[Rejected] = (),
        *,
        notes: Mapping[str, bytes] | None = None,
    ) -> None:
        """Put readings under other series; none leaves that does not stand elsewhere, however it breaks off.

        Few go in one transaction. Many go in stretches, and others may write in between.
        """
        renamed = self.names()
        gone, come = renamed.readings(list(gone)), renamed.readings(come)
        leaving = {(one.series, one.taken_utc): one for one in gone}
        over: list[Reading] = []  # where others stand that go elsewhere: together, or one would be lost
        again: list[Reading] = []
        new: list[Reading] = []
        for one in come:
            left = leaving.pop((one.series, one.taken_utc), None)
            (new if left is None else again if left.value == one.value else over).append(one)
        steps = turns.stretches(list(rejected), new, over, again, list(leaving.values()))
        for number, (rejects, fresh, others, away) in enumerate(steps, 1):
            began = time.monotonic()
            self._put_elsewhere(rejects, fresh, others, away, (notes or {}) if number == len(steps) else {})
            if number < len(steps):
                time.sleep(turns.LET_OTHERS_S + time.monotonic() - began)
        if leaving:
            self._readings.settle()
        if leaving and self.apart:  # who read in between saw what was still there
            with self._sql.write(counted=False) as (at, _):
                kept_days.put_down(at, kept_days.by_series(leaving.values()))

    def _put_elsewhere(
        self,
        rejected: Sequence[Rejected],
        new: Sequence[Reading],
        again: Sequence[Reading],
        away: Sequence[Reading],
        notes: Mapping[str, bytes],
    ) -> None:
        sent = self._readings.send(new) if new else None
        if self.apart:
            self._readings.write_over(None, again)
        with self._sql.write() as (at, revision):
            self._called(at)
            if away:
                self._readings.leave(at, away)
            put = self._readings.enter(at, new, sent, careful=True) if new else Put(fresh=())
            if not self.apart:
                self._readings.write_over(at, again)
            self.reject(at, [*rejected, *put.clashes])
            self.write_notes(at, notes)
            self.touch(at, revision, [*away, *new, *again], asks=True)

    # --- out

    def series(self, owner: Owner | None = None, name: str | None = None) -> list[Series]:
        """Every series that has a reading."""
        gone = self.names().former  # may be listed since readings lay elsewhere
        found = self._readings.series(owner, name)
        return [one for one in found if one.owner is Owner.AIR or one.name not in gone] if gone else found

    def read(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> pd.DataFrame:
        """Columns posix_s, value, flags; by device time."""
        return self._readings.read(series, since_utc, until_utc)

    def values(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> tuple[Floats, Floats]:
        """Give when a series was read, POSIX seconds, and its values; by device time."""
        return self._readings.values(series, since_utc, until_utc)

    def latest(self, owner: Owner, name: str | None = None) -> list[Reading]:
        """Give the newest reading of each series of a timber or a place, or of all of them; by series."""
        return self._readings.latest(owner, name)

    def latest_of(self, those: Collection[Series]) -> list[Reading]:
        """Give the newest reading of each of these series that has one, in no order."""
        return self._readings.latest_of(those)

    def readings(
        self, owner: Owner, name: str, since: datetime | None = None, until: datetime | None = None
    ) -> list[Reading]:
        """Every reading of a timber or a place between two moments, by device time."""
        return self._readings.readings(owner, name, since, until)

    def known(
        self, tag: str, now_utc: datetime, loose: tuple[datetime, datetime] | None = None
    ) -> KnownReadings:
        """Give what was known of a timber at a moment, as a fit looks at it.

        Parameters
        ----------
        tag : str
            Which timber.
        now_utc : datetime
            The moment, with a time zone; what was both taken and came later is left away.
        loose : tuple of (datetime, datetime), optional
            From and before when readings are wanted as they came; at quarters of a day.

        Returns
        -------
        KnownReadings
            Of days that were over by quarters of them, of the last day as they came.
        """
        span = None if loose is None else (to_us(loose[0]), to_us(loose[1]))
        return kept_days.known(self._sql, self._readings, tag, to_us(now_utc), span)

    def arrived(self, since: datetime, until: datetime) -> list[Reading]:
        """Give the sensors' readings that arrived from one moment to before another, in no order."""
        return self._readings.arrived(since, until)

    def daily_means(self, owner: Owner | None = None, name: str | None = None) -> pd.DataFrame:
        """Columns series (as text), posix_s (where the day begins, UTC), mean, count; by series and day."""
        return self._readings.daily_means(owner, name)

    def air(self, place: str, since: datetime | None = None) -> AirSeries:
        """Temperature with the humidity taken nearest to it, at most half an hour apart."""
        temp, humidity = (
            self._readings.values(Series(owner=Owner.AIR, name=place, quantity=quantity), since)
            for quantity in (Quantity.TEMP, Quantity.HUMIDITY)
        )
        return join_air(place, temp, humidity)

    def places(self) -> list[str]:
        """Places that have air readings."""
        return self._readings.places()

    # --- thinning

    def thin(self, now_utc: datetime, *, keep_days: float, to: str = "hourly", preview: bool = False) -> int:
        """Thin sensor readings older than that; return how many went, or would go."""
        if to not in EVERY_US:
            raise NotFound("thinning", to, EVERY_US)
        if not keep_days >= 1:
            raise OutOfRange("the days to keep whole", f"must be 1 or more, not {keep_days:g}")
        every = EVERY_US[to]
        before = to_us(now_utc - timedelta(days=keep_days)) // every * every  # whole stretches only
        gone = self._readings.thin(before, every, preview=preview)
        if gone and not preview:
            with self._sql.write():  # pages look again
                pass
        return gone
