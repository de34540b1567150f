"""The newest readings of one timber or of all of them, as a list to be looked through."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime, timedelta
from typing import Final

from baulk.dashboard.server.shop_access import ask
from baulk.ingest.shop import Shop
from baulk.models.quantity import OF_DEVICE, Owner, Quantity
from baulk.models.reading import BY_HAND, Reading

FIRST: Final = timedelta(days=1)  # a sensor's day is a full list; what is read by hand lies further back
LATE: Final = timedelta(days=120)  # how far back what was entered by hand is looked for
MOST: Final = 40
KINDS: Final = {
    "pins": (Quantity.MOISTURE, Quantity.RESISTANCE),
    "weight": (Quantity.WEIGHT,),
}


def of_timber(tag: str, now: datetime, most: int = 12) -> list[Reading]:
    """Return a timber's newest readings: those by hand of the last months, then what else is new.

    Parameters
    ----------
    tag : str
        Which timber.
    now : datetime
        The moment, with a time zone.
    most : int
        How many of each.
    """

    def question(s: Shop) -> list[Reading]:
        latest = _of_wood(s.store.latest(Owner.TIMBER, tag))
        hand = any(each.source == BY_HAND for each in latest)
        found = _back(s, {tag}, max((each.taken_utc for each in latest), default=now), now, most, (), "")
        late = s.store.readings(Owner.TIMBER, tag, now - LATE) if hand else []
        by_hand = [each for each in _of_wood(late) if each.source == BY_HAND]
        return _newest({*_sorted(by_hand)[:most], *found}, 2 * most)

    return ask(question)


def of_all(
    now: datetime, *, tag: str = "", kind: str = "", source: str = "", most: int = MOST
) -> list[Reading]:
    """Return the newest readings over all timbers.

    Parameters
    ----------
    now : datetime
        The moment, with a time zone.
    tag : str
        A part of a tag, in any case; all where it is empty.
    kind : str
        One of `KINDS`, or empty.
    source : str
        As readings have it, "hand", "mqtt" or "import"; empty for all. A series whose newest reading is of
        another source is passed over: a sensor's half year is not read through for one entry by hand.
    most : int
        How many.
    """

    def question(s: Shop) -> list[Reading]:
        wanted, known = KINDS.get(kind, ()), {each.tag for each in s.register.list(retired=True)}
        latest = [
            each
            for each in _matching(s.store.latest(Owner.TIMBER), wanted, source)
            if each.series.name in known and tag.strip().lower() in each.series.name.lower()
        ]
        if not latest:
            return []
        latest.sort(key=lambda each: each.taken_utc, reverse=True)
        tags = {each.series.name for each in latest}
        return _back(s, tags, latest[0].taken_utc, now, most, wanted, source)

    return ask(question)


def _back(  # noqa: PLR0913, PLR0917 - each says another thing
    s: Shop,
    tags: Collection[str],
    newest: datetime,
    now: datetime,
    most: int,
    wanted: Collection[Quantity],
    source: str,
) -> list[Reading]:
    """Look back from the newest reading until there are enough, no further than what is entered late."""
    back = FIRST
    while True:
        since = newest - back
        found: list[Reading] = []
        for tag in tags:
            found += _matching(s.store.readings(Owner.TIMBER, tag, since), wanted, source)
        if len(found) >= most or now - since > 6 * LATE:
            return _newest(found, most)
        back *= 6


def _matching(found: Iterable[Reading], wanted: Collection[Quantity], source: str) -> list[Reading]:
    return [
        each
        for each in _of_wood(found)
        if (not wanted or each.series.quantity in wanted) and source in {"", each.source}
    ]


def _of_wood(found: Iterable[Reading]) -> list[Reading]:
    return [each for each in found if each.series.quantity not in OF_DEVICE]


def _sorted(found: Iterable[Reading]) -> list[Reading]:
    return sorted(found, key=lambda each: (each.taken_utc, str(each.series)), reverse=True)


def _newest(found: Iterable[Reading], most: int) -> list[Reading]:
    return _sorted(found)[:most]
