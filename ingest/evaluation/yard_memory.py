"""What the yard knows, kept in the store: each timber's fit in short, and once a day what all of them teach.

After a whole fit a timber leaves a note with what was found of it. The first round of a day makes one dated
note of all these, of retired timbers too; every evaluation of that day leans on it, so that a day's answers
can be made again. For an earlier day only what was found by then counts.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, Final

import numpy as np

from baulk.ingest.evaluation import forecast_record
from baulk.ingest.evaluation.yard_prior import origin_in, origin_out
from baulk.ingest.evaluation.yard_prior import taught as taught_by
from baulk.ingest.shop import Shop
from baulk.models.calibrate import yard_lessons
from baulk.models.calibrate.yard_lessons import Lesson, lessons
from baulk.models.diffusion import law_for
from baulk.models.errors import NotFound
from baulk.models.species import Species
from baulk.models.timber import Timber
from baulk.models.yard.all_priors import AllPriors
from baulk.models.yard.estimates import Estimate, JointEstimate, Own, settled
from baulk.models.yard.kinship import Origin, Taught
from baulk.models.yard.prior import YardPrior
from baulk.models.yard.track_record import Spread, spread_of

KEY: Final = "yard"
_FOUND: Final = "found/"
_FORMAT: Final = 2
MOMENTS: Final = 4  # of one note, for which what is worked out once is held at the same time


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the yard knew on a day.

    Parameters
    ----------
    made_utc : datetime
        When it was put together.
    taught : tuple of (datetime, Taught)
        What each timber taught, and when it was fitted.
    records : mapping of str to forecast_record.Record
        How earlier forecasts of each timber did, by tag.
    """

    made_utc: datetime
    taught: tuple[tuple[datetime, Taught], ...] = ()
    records: Mapping[str, forecast_record.Record] = field(default_factory=dict)
    asked: dict[int, AllPriors] = field(default_factory=dict, init=False, repr=False, compare=False)

    def until(self, now_utc: datetime) -> AllPriors:
        """All that taught by a moment; the same object again and again, for a round asks for each timber."""
        heard = [each for at_utc, each in self.taught if at_utc <= now_utc]
        if len(heard) not in self.asked:  # they lie in time, so that their number tells which they are
            if len(self.asked) >= MOMENTS:
                self.asked.clear()
            self.asked[len(heard)] = AllPriors(heard)
        return self.asked[len(heard)]

    def spread(self, wood: str) -> Spread:
        """Factor on the width of a species' forecasts."""
        return spread_of(
            [square for each in self.records.values() if each.species == wood for square in each.squares]
        )


def found_key(tag: str) -> str:
    """Name the note that holds in short what was found of a timber."""
    return f"{_FOUND}{tag}"


def refresh(shop: Shop, now_utc: datetime) -> bool:
    """Put together anew what the yard knows, unless that was done today (UTC).

    Parameters
    ----------
    shop : Shop
        The open shop.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    bool
        Whether it was.
    """
    if not shop.config.learning.from_yard:
        return False
    before = known(shop)
    if before is not None and before.made_utc.date() >= now_utc.astimezone(UTC).date():
        return False
    timbers = shop.register.list(retired=True)
    records = {} if before is None else before.records
    now_known = Known(
        made_utc=now_utc.astimezone(UTC),
        taught=_gone_through(shop, [each.tag for each in timbers], before),
        records=forecast_record.look(shop.store, timbers, records, now_utc),
    )
    shop.store.note(KEY, _out(now_known))
    return True


def learned(shop: Shop) -> tuple[datetime, tuple[Lesson, ...]] | None:
    """Say what the yard has learned, for people.

    Parameters
    ----------
    shop : Shop
        The open shop.

    Returns
    -------
    tuple of datetime and Lessons, or None
        When it was put together, and what; None where that never was, or the settings switch it off.
    """
    now_known = known(shop) if shop.config.learning.from_yard else None
    if now_known is None:
        return None
    woods = {}
    for each in shop.register.list(retired=True):
        if each.species not in woods:
            try:
                wood = shop.woods.species.get(each.species)
            except NotFound:  # a wood of their own that they took out again
                continue
            woods[each.species] = yard_lessons.defaults(each, wood, law_for(wood))["ln_d"]
    spreads = {each: now_known.spread(each) for each in woods}
    return now_known.made_utc, lessons([each for _, each in now_known.taught], woods, spreads)


def _gone_through(
    shop: Shop, tags: Iterable[str], before: Known | None
) -> tuple[tuple[datetime, Taught], ...]:
    """Read what each timber left; a new fit of one that taught before moves that half-way."""
    notes = shop.store.notes(_FOUND)
    earlier = {} if before is None else {each.timber.tag: (at, each) for at, each in before.taught}
    found = []
    for tag in tags:
        new = taught_by(tag, notes[key]) if (key := found_key(tag)) in notes else None
        if new is None:
            continue
        at_utc, told = new
        held_utc, held = earlier.get(tag, new)
        own = held.own if held_utc == at_utc else settled(held.own, told.own)
        found.append((at_utc, Taught(timber=told.timber, own=own)))
    return tuple(found)


def known(shop: Shop) -> Known | None:
    """Give what the yard knew when it was last put together; None where it never was."""
    noted = shop.store.noted(KEY)
    return None if noted is None else _in(noted)


def prior(shop: Shop, timber: Timber, wood: Species, origin: Origin, now_utc: datetime) -> YardPrior | None:
    """Give what the yard knew of a timber at a moment, apart from its own readings.

    Parameters
    ----------
    shop : Shop
        The open shop, only read.
    timber, wood : Timber and Species
        The timber.
    origin : Origin
        As from `origin_of`.
    now_utc : datetime
        Now, or an earlier day: what was found later is left away.

    Returns
    -------
    YardPrior or None
        None where the settings switch it off or nobody teaches anything.
    """
    if not shop.config.learning.from_yard or (now_known := known(shop)) is None:
        return None
    found = now_known.until(now_utc).prior(origin, yard_lessons.defaults(timber, wood, law_for(wood)))
    if timber.green_mc_pct is not None:  # its own section says more
        found = found.without("start")
    spread = now_known.spread(timber.species) if now_known.made_utc <= now_utc else Spread()
    if not found.rows and not spread.compared:
        return None
    return replace(found, spread=spread.factor, compared=spread.compared)


def _out(one: Known) -> bytes:
    body = {
        "format": _FORMAT,
        "made_utc": one.made_utc.isoformat(),
        "taught": [
            {
                "tag": each.timber.tag,
                "fitted_utc": at_utc.isoformat(),
                "origin": origin_out(each.timber),
                **_own_out(each.own),
            }
            for at_utc, each in one.taught
        ],
        "records": {tag: each.out() for tag, each in one.records.items()},
    }
    return json.dumps(body, separators=(",", ":")).encode()


def _own_out(own: Own) -> dict[str, Any]:
    whole = own.together
    return {
        "says": {name: [_short(each.value), _short(each.sd)] for name, each in own.says.items()},
        "together": whole
        and {
            "names": whole.names,
            "precision": [[_short(each) for each in row] for row in whole.precision.tolist()],
            "pull": [_short(each) for each in whole.pull.tolist()],
        },
    }


def _own_in(row: Mapping[str, Any]) -> Own:
    whole = row["together"]
    return Own(
        says={name: Estimate(value=value, sd=sd) for name, (value, sd) in row["says"].items()},
        together=whole
        and JointEstimate(
            names=tuple(whole["names"]),
            precision=np.array(whole["precision"]),
            pull=np.array(whole["pull"]),
        ),
    )


def _short(value: float) -> float:
    return float(f"{value:.8g}")


@lru_cache(maxsize=2)  # a round of the whole yard asks for the same note again and again
def _in(note: bytes) -> Known | None:
    try:
        body = json.loads(note)
        if body["format"] != _FORMAT:
            return None
        return Known(
            made_utc=datetime.fromisoformat(body["made_utc"]),
            taught=tuple(
                (
                    datetime.fromisoformat(row["fitted_utc"]),
                    Taught(
                        timber=origin_in(row["tag"], row["origin"]),
                        own=_own_in(row),
                    ),
                )
                for row in body["taught"]
            ),
            records={tag: forecast_record.read(row) for tag, row in body["records"].items()},
        )
    except (KeyError, TypeError, ValueError, AttributeError):  # another version's: tomorrow it is made anew
        return None
