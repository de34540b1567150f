"""How earlier forecasts of the yard's timbers did: kept evaluations against the readings that came since."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from baulk.ingest.store import Store
from baulk.models.calibrate.result import Fitted
from baulk.models.timber import Timber
from baulk.models.yard.track_record import Course, Said, apart, met, missed

AGAIN: Final = timedelta(days=7)  # forecasts are kept once a week
_TELLS: Final = b'"spread":'  # a forecast without it was made before there was such a factor: another model's


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


def _squares(store: Store, tag: str) -> list[float]:
    stored = store.evaluation(tag)
    if stored is None:
        return []
    try:
        today = json.loads(stored[1])
        readings = [Fitted(**row) for row in today["readings"]]
        course = Course(posix_s=today["history"]["posix_s"], mean_pct=today["history"]["mean_pct"][2])
    except (KeyError, TypeError, ValueError):  # there is no answer today, or another version's
        return []
    kept = [each for each in store.past_evaluations(tag) if _TELLS in each.payload]
    squares = []
    for i in apart([each.made_utc.timestamp() for each in kept]):
        said = _said(kept[i].payload)
        square = None if said is None else missed(said, met(said, readings, course))
        if square is not None:
            squares.append(square)
    return squares


def _said(payload: bytes) -> Said | None:
    try:
        body = json.loads(payload)
        ahead, pins = body["forecast"], body["forecast"]["pins"]
        return Said(
            made_s=datetime.fromisoformat(body["made_utc"]).timestamp(),
            posix_s=ahead["posix_s"],
            mean_pct=ahead["mean_pct"],
            pins_posix_s=pins["posix_s"],
            pins_pct=pins["series"],
            spread=float(ahead["spread"]),
        )
    except (KeyError, TypeError, ValueError):
        return None
