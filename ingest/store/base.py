"""What every store does, and what keeps the readings of one."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from baulk.ingest.store.names import Names
from baulk.ingest.store.raw_parts import Messages, Taken
from baulk.ingest.store.rejected import (
    EVERYTHING,
    Cause,
    QuarantineGroup,
    QuarantineRow,
    Rejected,
    Which,
)
from baulk.ingest.store.statements import Transaction
from baulk.ingest.wire.message import RawMessage
from baulk.models.air import AirSeries
from baulk.models.columns import Columns
from baulk.models.constants import Floats
from baulk.models.known_readings import KnownReadings
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredEvaluation:
    """An evaluation of a timber, the last one or one kept for good.

    Parameters
    ----------
    tag : str
        Which timber.
    made_utc : datetime
        When the evaluation began, with a time zone.
    payload : bytes
        JSON.
    """

    tag: str
    made_utc: datetime
    payload: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Put:
    """What became of readings that were to be stored.

    Parameters
    ----------
    fresh : sequence of Reading
        Those that were new.
    clashes : sequence of Rejected
        Those whose time is taken by another value, for quarantine.
    """

    fresh: Sequence[Reading]
    clashes: Sequence[Rejected] = ()


class Readings(Protocol):
    """A place where readings are kept; the books lie elsewhere or beside them.

    ``apart`` says whether they are written ahead of the books.
    """

    @property
    def apart(self) -> bool:
        """Whether readings are written ahead of the books."""

    def send(self, readings: Sequence[Reading]) -> Put | None:
        """Store readings that lie apart from the books, ahead of these; None leaves it to `enter`."""

    def enter(self, at: Transaction, readings: Sequence[Reading], sent: Put | None, *, careful: bool) -> Put:
        """Store readings, or what is to be known of those sent, within the transaction of the books.

        Without care it may raise `SomeKnown`.
        """

    def leave(self, at: Transaction, readings: Sequence[Reading]) -> None:
        """Take readings out, which stand elsewhere by now; those apart from the books go with `settle`."""

    def settle(self) -> None:
        """Do after the transaction of the books what `leave` only noted in it."""

    def let_end(self) -> None:
        """Wait for whoever writes ahead of the books at this moment."""

    def recount(self) -> None:
        """Have the books count what is stored apart from them."""

    def write_over(self, at: Transaction | None, readings: Sequence[Reading]) -> None:
        """Put readings in the place of those that are stored under their series and time.

        Those that lie apart from the books are written ahead of the transaction.
        """

    def series(self, owner: Owner | None = None, name: str | None = None) -> list[Series]:
        """Every series that has a reading."""

    def read(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> pd.DataFrame:
        """Columns posix_s, value, flags; by device time."""

    def values(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> tuple[Floats, Floats]:
        """Give when a series was read, POSIX seconds, and its values; by device time."""

    def latest(self, owner: Owner, name: str | None = None) -> list[Reading]:
        """Give the newest reading of each series of a timber or a place, or of all of them; by series."""

    def latest_of(self, those: Collection[Series]) -> list[Reading]:
        """Give the newest reading of each of these series that has one, in no order."""

    def readings(
        self, owner: Owner, name: str, since: datetime | None = None, until: datetime | None = None
    ) -> list[Reading]:
        """Every reading of a timber or a place between two moments, by device time."""

    def columns(
        self, owner: Owner, name: str, since_us: int | None, before_us: int | None
    ) -> Iterator[Columns]:
        """Give the readings of a timber or a place as columns, piece by piece, each of whole days."""

    def arrived(self, since: datetime, until: datetime) -> list[Reading]:
        """Give the sensors' readings that arrived from one moment to before another, in no order."""

    def daily_means(self, owner: Owner | None = None, name: str | None = None) -> pd.DataFrame:
        """Columns series, posix_s, mean, count; see `Store.daily_means`."""

    def places(self) -> list[str]:
        """Places that have air readings."""

    def thin(self, before_us: int, every_us: int, *, preview: bool = False) -> int:
        """Leave one sensor reading in each stretch of time; return how many went, or would go.

        What went is put down, so that its days are done again (`baulk.ingest.store.kept_days`).
        """

    def close(self) -> None:
        """Let go; twice does no harm."""


class Store(Protocol):
    """Readings, quarantine, evaluations, notes and messages as they came, of one shop."""

    @property
    def raw(self) -> Messages:
        """The log of what was sent."""

    @property
    def apart(self) -> bool:
        """Whether readings are written ahead of the books, not in one transaction with them."""

    def check_here(self) -> None:
        """Raise `StoreMoved` if the shop is not here any more."""

    def names(self, *, seen: bool = False) -> Names:
        """Give the tags that timbers had before; readings under such a one are stored under that of now.

        With ``seen`` nothing is asked, and none told, where this program saw none when it stored last.
        """

    def append(self, readings: Iterable[Reading]) -> int:
        """Store readings in one transaction and return how many were new; the key is series and device time.

        Another value at a time that is taken already goes to quarantine, so that nothing is lost.
        """

    def quarantine(
        self,
        raw: RawMessage,
        reason: str,
        *,
        cause: Cause = Cause.NOT_UNDERSTOOD,
        waits_for: str | None = None,
    ) -> None:
        """Keep a message that can't be stored."""

    def save(
        self,
        readings: Iterable[Reading],
        rejected: Iterable[Rejected] = (),
        *,
        notes: Mapping[str, bytes] | None = None,
        taken: Taken | None = None,
    ) -> int:
        """Store readings, quarantined messages, notes and messages as they came in one transaction."""

    def keep_waiting(self, one: Reading) -> None:
        """Keep a reading in the books until the server of the readings is back."""

    def waiting(self) -> int:
        """How many readings wait so."""

    def let_end(self) -> None:
        """Wait for whoever writes readings ahead of the books at this moment."""

    def recount(self) -> None:
        """Have the books count the readings that lie apart from them, if any do."""

    def settle(self) -> None:
        """Finish what a server that was away or a kill left undone; else do nothing."""

    def take_over(self, readings: Sequence[Reading], gone: Sequence[Reading] = ()) -> int:
        """Store what another store of this shop has, in place of those gone; nothing becomes news by it.

        Return how many were new.
        """

    def reattribute(
        self,
        gone: Iterable[Reading],
        come: Sequence[Reading],
        rejected: Iterable[Rejected] = (),
        *,
        notes: Mapping[str, bytes] | None = None,
    ) -> None:
        """Put readings under other series: those gone leave, the others stand for them.

        Few go in one transaction; many go in stretches, so that others can write, and are put right by
        doing it again where it broke off.
        """

    def quarantined(
        self, limit: int = 100, which: Which = EVERYTHING, *, after: int | None = None
    ) -> list[QuarantineRow]:
        """Newest first; with ``after``, the rows that follow that number, oldest first.

        Fewer than the limit where they are large, but at least one if there is one.
        """

    def quarantined_one(self, number: int) -> QuarantineRow:
        """Give one message; `NotFound` if there is none of that number."""

    def quarantine_count(self, which: Which = EVERYTHING) -> int:
        """How many messages lie in quarantine."""

    def quarantine_groups(self, limit: int = 1000) -> list[QuarantineGroup]:
        """Give the messages by cause and sender, the most first."""

    def discard(self, which: Which, *, why: str, by: str, now_utc: datetime) -> int:
        """Take messages out of quarantine for good and note who did it and why; return how many."""

    def trim_quarantine(self, most_bytes: float, since_utc: datetime | None, now_utc: datetime) -> int:
        """Let go of what is beyond the room or older than that, and note how many; return how many."""

    def replayable_tags(self) -> list[str]:
        """Give the tags that messages wait for and that are entered by now, and places as ``place:NAME``."""

    def let_go(self) -> tuple[int, datetime] | None:
        """How many messages a full quarantine has let go, and when last; None if it never was full."""

    def release(self, *numbers: int) -> None:
        """Take messages out of quarantine, after they have been stored."""

    def reject_anew(self, rows: Iterable[tuple[int, Rejected]]) -> None:
        """Put messages back with what is wrong with them now."""

    def series(self, owner: Owner | None = None, name: str | None = None) -> list[Series]:
        """Every series that has a reading."""

    def read(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> pd.DataFrame:
        """Columns posix_s, value, flags; by device time."""

    def values(
        self, series: Series, since_utc: datetime | None = None, until_utc: datetime | None = None
    ) -> tuple[Floats, Floats]:
        """Give when a series was read, POSIX seconds, and its values; as `read` without a table."""

    def latest(self, owner: Owner, name: str | None = None) -> list[Reading]:
        """Give the newest reading of each series of a timber or a place, or of all of them; by series."""

    def latest_of(self, those: Collection[Series]) -> list[Reading]:
        """Give the newest reading of each of these series that has one, in no order."""

    def readings(
        self, owner: Owner, name: str, since: datetime | None = None, until: datetime | None = None
    ) -> list[Reading]:
        """Every reading of a timber or a place between two moments, by device time."""

    def known(
        self, tag: str, now_utc: datetime, loose: tuple[datetime, datetime] | None = None
    ) -> KnownReadings:
        """Give what was known of a timber at a moment, as a fit looks at it: see `kept_days.known`."""

    def arrived(self, since: datetime, until: datetime) -> list[Reading]:
        """Give the sensors' readings that arrived from one moment to before another, in no order."""

    def daily_means(self, owner: Owner | None = None, name: str | None = None) -> pd.DataFrame:
        """Columns series (as text), posix_s (where the day begins, UTC), mean, count; by series and day."""

    def air(self, place: str, since: datetime | None = None) -> AirSeries:
        """Temperature with the humidity taken nearest to it, at most half an hour apart."""

    def places(self) -> list[str]:
        """Places that have air readings."""

    def stale(self, sensors_before: datetime | None = None) -> list[str]:
        """Tags of timbers whose evaluation no longer covers what is known.

        With `sensors_before`, news of sensors alone count only where the evaluation is older than that: what
        a person measured, moved or changed is always news, and so is a day of air.
        """

    def changes(self) -> dict[str, tuple[int, int]]:
        """Give by tag the revisions at which a timber's row and its readings changed last."""

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
        """Keep the evaluation of a timber, and the first of each ISO week (UTC) for good.

        Pass the `revision` read before the evaluation began: then a reading stored while it ran makes the
        timber stale again, whatever its clock says. The `fingerprint` says what it was made from. With
        ``past=False`` it is not kept for good, as when it failed. With ``with_air=False`` it took no air in:
        the next reading of a place with temperature and humidity makes the timber stale, where otherwise a
        day of air does.
        """

    def keep_past(self, tag: str, made_utc: datetime, payload: bytes) -> None:
        """Keep an evaluation as of an earlier day among the past ones, in place of one of that moment."""

    def past_evaluations(self, tag: str) -> list[StoredEvaluation]:
        """Give those that were kept for good, oldest first."""

    def withdraw_evaluation(self, tag: str) -> None:
        """Take the evaluation of a timber away that was entered by mistake."""

    def fingerprints(self) -> dict[str, str]:
        """Give what each stored evaluation was made from, where that was said."""

    def evaluation(self, tag: str) -> tuple[datetime, bytes] | None:
        """When it was made, and its JSON."""

    def evaluated(self) -> dict[str, datetime]:
        """When each timber was last evaluated, without the answers."""

    def evaluations(self) -> list[StoredEvaluation]:
        """Of every timber that has one, by tag."""

    def evaluation_marks(self) -> dict[str, tuple[int, int, int]]:
        """Give by tag what is another as soon as a timber's answer is, without reading the answer."""

    def note(self, key: str, value: bytes) -> None:
        """Keep a small fact under a key, in place of an older one; the revision does not grow."""

    def noted(self, key: str) -> bytes | None:
        """Give the fact under a key, if there is one."""

    def notes(self, prefix: str = "") -> dict[str, bytes]:
        """Give every fact whose key begins so, by key."""

    def forget(self, *keys: str) -> None:
        """Take facts away."""

    def thin(self, now_utc: datetime, *, keep_days: float, to: str = "hourly", preview: bool = False) -> int:
        """Thin sensor readings older than that to one an hour or a day ("daily"); return how many went.

        The one that stays is the median of its stretch, an actual reading, flagged "thinned". Readings that
        a person took or brought in, and weights, always stay. Thinning makes no timber stale. With `preview`
        nothing is changed.
        """

    def revision(self) -> int:
        """Give a number that grows with every change, cheap to ask."""

    def close(self) -> None:
        """Close the store; twice does no harm."""
