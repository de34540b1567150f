"""Which timbers are to be worked out now: at once where a person waits for it, now and then for sensors.

A sensor that speaks every ten minutes says nothing in ten minutes that a fit over months would notice. Its
newest reading is on the page at once all the same; the verdict takes it in a few times a day. Timbers come
due together, as far as that goes: each time one is worked out alone, a process is started for it.
"""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta
from typing import Final

from baulk.ingest.shop import Shop
from baulk.models.quantity import Owner

SENSORS_EVERY: Final = timedelta(hours=6)  # a fit takes in a day's value of a sensor; four tries a day get it
TOGETHER: Final = timedelta(
    hours=1
)  # before its turn a timber is taken along, which costs a sixth more at most


class Due:
    """Remembers between two looks what the shop had, so that a look at a shop at rest costs one question."""

    def __init__(self) -> None:
        self._revision: int | None = None
        self._series: Counter[str] = Counter()

    def look(self, shop: Shop, now_utc: datetime) -> list[str]:
        """Return the tags that are due, the longest waiting first.

        Parameters
        ----------
        shop : Shop
            An open shop, only read.
        now_utc : datetime
            Now, with a time zone.

        Returns
        -------
        list of str
            Those with news of a person, an event, a day of air, a sensor that never spoke before, or no
            evaluation; those with other news of sensors if they were worked out six hours ago or earlier, or
            five where something is due anyway.
        """
        if due := shop.store.stale(now_utc - SENSORS_EVERY):
            due = shop.store.stale(now_utc - SENSORS_EVERY + TOGETHER)  # these and more
        revision = shop.store.revision()
        if revision == self._revision:
            return due
        first, self._revision = self._revision is None, revision
        series = Counter(each.name for each in shop.store.series(Owner.TIMBER))
        grown = {tag for tag, count in series.items() if count > self._series.get(tag, 0)}
        self._series = series
        if first or grown <= set(due):
            return due
        return due + [tag for tag in shop.store.stale() if tag in grown and tag not in due]
