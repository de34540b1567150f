"""The air of a shop's places held against each other, for a humidity sensor that drifts."""

from __future__ import annotations

from contextlib import suppress
from datetime import datetime, timedelta

from baulk.ingest.shop import Shop
from baulk.models import air_neighbours, neighbours
from baulk.models.air import AirSeries
from baulk.models.errors import BaulkError


def departed(shop: Shop, now_utc: datetime) -> dict[str, float]:
    """Return the places whose vapour has moved against that of all others, and by how much. [%].

    Parameters
    ----------
    shop : Shop
        An open shop, only read.
    now_utc : datetime
        Now, with a time zone.
    """
    places = shop.store.places()
    if len(places) < neighbours.FEWEST:
        return {}
    since = now_utc - timedelta(days=neighbours.RECENT_DAYS + neighbours.BEFORE_DAYS)
    airs: dict[str, AirSeries] = {}
    for place in places:
        with suppress(BaulkError, ValueError):  # no air in that time
            airs[place] = shop.store.air(place, since)
    return air_neighbours.departed(airs, now_utc.timestamp())
