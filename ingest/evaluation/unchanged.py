"""Whether anything at all has changed for a timber since it was looked over, without reading its readings.

A fingerprint (`baulk.ingest.evaluation.inputs`) is over every reading, and to read those of a year takes a
tenth of a second. What could change it is known beforehand: the store and the register number every change of
a timber, and the rest is shared by many. So a short mark of all that is kept beside each answer; while it is
the same, the fingerprint is.

Thinning numbers no change: what it leaves says the same of the wood.
"""

from __future__ import annotations

import json
from collections import defaultdict
from datetime import datetime
from typing import Any, Final

from baulk.ingest.evaluation import curves, fingerprint, standing, yard_memory
from baulk.ingest.evaluation.gather import Airs, air_of
from baulk.ingest.evaluation.inputs import up_to
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.models.constants import DAY_S
from baulk.models.errors import BaulkError
from baulk.models.timber import EventKind, Timber

_KEY: Final = "looked-over/"  # before a tag: the key of the note with its mark


class Marks:
    """The marks of a shop's timbers at a moment; what they share is worked out once.

    Parameters
    ----------
    shop : Shop
        The open shop.
    now_utc : datetime
        Now, with a time zone.
    airs : Airs
        Places looked up already for the same moment, and room for more.
    """

    def __init__(self, shop: Shop, now_utc: datetime, airs: Airs) -> None:
        self._shop, self._now, self._airs = shop, now_utc, airs
        self._timbers = {each.tag: each for each in shop.register.list(retired=True)}
        self._revisions = shop.store.changes()
        self._kept = shop.store.notes(_KEY)
        self._moves: dict[str, set[str]] = defaultdict(set)
        for each in shop.register.events(kind=EventKind.MOVED):
            self._moves[each.tag] |= {str(each.detail.get("from")), str(each.detail.get("to"))}
        self._shared = fingerprint.of(standing.ground(shop), _taught(shop))
        self._swapped = {tag: each.reason for each in notes.swaps(shop.store) for tag in each.tags}
        self._of_place: dict[str, str] = {}
        self._of_wood: dict[str, str] = {}

    def of(self, tag: str) -> str | None:
        """Return the mark of a timber now; None for one that can't be told."""
        timber, revision = self._timbers.get(tag), self._revisions.get(tag)
        if timber is None or revision is None:
            return None
        places = sorted({timber.place, *self._moves[tag]})
        try:
            measured = self._measured(timber)
        except BaulkError:  # of a wood that is in no table; its evaluation says so
            return None
        return fingerprint.of(
            self._shared, revision, self._swapped.get(tag), [self._air(place) for place in places], measured
        )

    def holds(self, tag: str, mark: str | None) -> bool:
        """Whether it is the mark at which the timber was looked over last."""
        return mark is not None and self._kept.get(_KEY + tag) == mark.encode()

    def keep(self, tag: str, mark: str | None) -> None:
        """Note that a timber was looked over at a mark."""
        if mark is not None and not self.holds(tag, mark):
            self._kept[_KEY + tag] = mark.encode()
            self._shop.store.note(_KEY + tag, mark.encode())

    def _air(self, place: str) -> str:
        """Give the digest of a place's air as far as a fingerprint takes it: up to the last midnight UTC."""
        if place not in self._of_place:
            try:
                if place not in self._airs:
                    self._airs[place] = air_of(self._shop, place, self._now)
                own, year = self._airs[place]
            except BaulkError:
                own, year = None, None
            midnight_s = self._now.timestamp() // DAY_S * DAY_S
            self._of_place[place] = fingerprint.of(place, year, up_to(own, midnight_s))
        return self._of_place[place]

    def _measured(self, timber: Timber) -> str:
        wood = self._shop.woods.species.get(timber.species).name
        if wood not in self._of_wood:
            seen = curves.measured(self._shop, species=wood, until_utc=self._now)
            self._of_wood[wood] = fingerprint.of(seen)
        return self._of_wood[wood]


def _taught(shop: Shop) -> Any:  # noqa: ANN401 - what was noted
    """Give what the yard has learned, without the moment of it."""
    try:
        told = json.loads(shop.store.noted(yard_memory.KEY) or b"null")
    except ValueError:
        return None
    return (
        {key: value for key, value in told.items() if key != "made_utc"} if isinstance(told, dict) else None
    )
