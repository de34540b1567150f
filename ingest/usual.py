"""How a shop's topics are read where nothing is unusual: nearly all messages, for which no more is asked.

A message within the limits given here needs none of what `routing.route` looks at: its timber is entered
or its place is known, its sensor does not move, and every value is one that its quantity and timber can have.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache
from typing import Final

from baulk.ingest import checks, plausibility, wire
from baulk.ingest.errors import WireError
from baulk.ingest.shop import Shop
from baulk.ingest.store.names import NONE, Names
from baulk.ingest.wire.senml import Asked
from baulk.ingest.wire.senml_quick import Way
from baulk.ingest.wire.topics import Target
from baulk.models.quantity import Owner
from baulk.models.reading import Series

_NO_VALUE: Final = (math.inf, -math.inf)


class Ways(dict[str, Way | None]):
    """The ways of a batch by topic; none where a message always needs a closer look.

    Parameters
    ----------
    shop : Shop
        An open shop.
    tags, places : frozenset of str
        Timbers and places that are entered.
    names : Names
        The tags that timbers had before.
    """

    def __init__(self, shop: Shop, tags: frozenset[str], places: frozenset[str], names: Names = NONE) -> None:
        super().__init__()
        self._shop, self._tags, self._places, self._names = shop, tags, places, names

    def __missing__(self, topic: str) -> Way | None:
        """Find it, once a batch."""
        way = self[topic] = self._find(topic)
        return way

    def _find(self, topic: str) -> Way | None:
        try:
            found = wire.ours(topic, self._shop.config.slug)
        except WireError:
            return None
        if found is None:
            return None
        target, asked = found
        if target.owner is Owner.AIR:
            return _of_air(target, asked) if target.name in self._places else None
        if target.sensor is not None:
            return None
        if target.name not in self._tags:
            target = replace(target, name=self._names.now(target.name))
        if target.name not in self._tags:
            return None
        known = plausibility.known(self._shop, target.name)
        return None if known is None else _of_timber(target, asked, known)


@lru_cache(maxsize=1024)
def _of_air(target: Target, asked: Asked) -> Way:
    flags = (asked.flag,) if asked.flag else ()
    return Way(target=target, asked=asked, flags=flags, within=lambda one: checks.POSSIBLE[one.quantity])


@lru_cache(maxsize=4096)  # what is known of a timber is made anew each minute, and is its own only equal
def _of_timber(target: Target, asked: Asked, known: plausibility.Known) -> Way:
    def within(series: Series) -> tuple[float, float]:
        if (fit := known.within(series)) is None:
            return _NO_VALUE
        low, high = checks.POSSIBLE[series.quantity]
        return max(low, fit[0]), min(high, fit[1])

    return Way(target=target, asked=asked, within=within, since_utc=known.first_utc)
