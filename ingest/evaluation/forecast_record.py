"""How earlier forecasts of the yard's timbers did: kept evaluations against the readings that came since."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from baulk.ingest.evaluation.document import Document
from baulk.ingest.evaluation.document_read import document_of
from baulk.ingest.store import Store
from baulk.models.timber import Timber
from baulk.models.yard.track_record import Course, Said, apart, met, missed

AGAIN: Final = timedelta(days=7)  # forecasts are kept once a week


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """How earlier forecasts of one timber did.

    Parameters
    ----------
    species : str
        Its wood.
    looked_utc : datetime
        When its forecasts were held against what came.
    squares : tuple of float
        As from `baulk.models.yard.track_record.missed`, one for each forecast.
    """

    species: str
    looked_utc: datetime
    squares: tuple[float, ...]

    def out(self) -> list[Any]:
        """Give it as JSON."""
        return [self.species, self.looked_utc.isoformat(), [round(each, 3) for each in self.squares]]


def read(row: list[Any]) -> Record:
    """Read back what `Record.out` gave."""
    species, looked, squares = row
    return Record(species=species, looked_utc=datetime.fromisoformat(looked), squares=tuple(squares))


def look(
    store: Store, timbers: Iterable[Timber], before: Mapping[str, Record], now_utc: datetime
) -> dict[str, Record]:
    """Hold the kept forecasts of each timber against its readings.

    Parameters
    ----------
    store : Store
        Where evaluations are kept.
    timbers : iterable of Timber
        All of the yard, retired ones too.
    before : mapping of str to Record
        Found earlier, by tag; one that is less than a week old stays, and that of a retired timber for good.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    dict of str to Record
        By tag.
    """
    found = {}
    for each in timbers:
        known = before.get(each.tag)
        if known is not None and _stands(known, each, now_utc):
            found[each.tag] = known
            continue
        squares = _squares(store, each.tag)
        found[each.tag] = Record(
            species=each.species, looked_utc=now_utc.astimezone(UTC), squares=tuple(squares)
        )
    return found


def _stands(known: Record, timber: Timber, now_utc: datetime) -> bool:
    over = timber.retired_utc is not None and timber.retired_utc < known.looked_utc
    return known.species == timber.species and (over or now_utc - known.looked_utc < AGAIN)


def said(earlier: Document) -> Said:
    """Return what an earlier evaluation forecast, to hold readings against."""
    ahead = earlier.forecast
    return Said(
        made_s=earlier.made_utc.timestamp(),
        posix_s=ahead.posix_s,
        mean_pct=ahead.mean_pct,
        pins_posix_s=ahead.pins.posix_s,
        pins_pct=ahead.pins.series,
        spread=1.0 if ahead.spread is None else ahead.spread,
    )


def course(today: Document) -> Course:
    """Return the mean as today's fit sees it."""
    return Course(posix_s=today.history.posix_s, mean_pct=today.history.mean_pct[2])


def _squares(store: Store, tag: str) -> list[float]:
    stored = store.evaluation(tag)
    today = document_of(stored and stored[1])
    if today is None:
        return []
    earlier = [found for each in store.past_evaluations(tag) if (found := document_of(each.payload))]
    # one without a factor on its width was made before there was one: by another model
    earlier = [each for each in earlier if each.forecast.spread is not None]
    squares = []
    for i in apart([each.made_utc.timestamp() for each in earlier]):
        then = said(earlier[i])
        square = missed(then, met(then, today.readings, course(today)))
        if square is not None:
            squares.append(square)
    return squares
