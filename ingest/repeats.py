"""Messages that the broker sends once more: those that are stored already are passed over.

A reading with a time of its own is known by it. One without is kept under its arrival, whose last 65 ms are
the packet identifier, which a broker keeps when it sends again what we did not acknowledge (MQTT 5.0 4.4): so
it is stored already if the same value lies in its series under an arrival with the same identifier.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from baulk.ingest.wire.message import RawMessage, stamp_of
from baulk.models.reading import Owner, Reading, Series

if TYPE_CHECKING:
    from baulk.ingest.pipeline import Sorted
    from baulk.ingest.shop import Shop

_LOOKED_AT: Final = 2000  # newest messages in quarantine


def first_only(raws: Iterable[RawMessage]) -> Iterator[RawMessage]:
    """Leave out a repeat that came in the same batch as the message itself."""
    seen: set[tuple[int, str, bytes]] | None = None
    for raw in (raws := list(raws)):
        if raw.again and raw.mid:
            if seen is None:
                seen = set()
                for before in raws:
                    if before is raw:
                        break
                    seen.add((before.mid, before.topic, before.payload))
            if (raw.mid, raw.topic, raw.payload) in seen:
                continue
        if seen is not None:
            seen.add((raw.mid, raw.topic, raw.payload))
        yield raw


def without_stored(
    sorted_out: list[tuple[RawMessage, Sorted]], shop: Shop
) -> list[tuple[RawMessage, Sorted]]:
    """Take out of repeated messages what is stored or quarantined already."""
    stored: dict[tuple[Owner, str], set[tuple[Series, float, int]]] = {}
    rejected: set[tuple[str, bytes, int]] | None = None
    left = []
    for raw, one in sorted_out:
        if not (raw.again and raw.mid):
            left.append((raw, one))
            continue
        readings = []
        for reading in one.readings:
            whose = (reading.series.owner, reading.series.name)
            if whose not in stored:
                stored[whose] = _stored(whose, raw, shop)
            if (reading.series, reading.value, raw.mid) not in stored[whose]:
                readings.append(reading)
        reason = one.reason
        if reason is not None:
            if rejected is None:
                rows = shop.store.quarantined(_LOOKED_AT)
                rejected = {(row.raw.topic, row.raw.payload, stamp_of(row.raw.arrived_utc)) for row in rows}
            if (raw.topic, raw.payload, raw.mid) in rejected:
                reason = None
        left.append((raw, replace(one, readings=tuple(readings), reason=reason)))
    return left


def _stored(whose: tuple[Owner, str], raw: RawMessage, shop: Shop) -> set[tuple[Series, float, int]]:
    """Give what is kept under the arrival itself: the readings without a time of their own."""
    since = raw.arrived_utc - timedelta(days=shop.config.broker.session_days)
    return {_key(one) for one in shop.store.readings(*whose, since)}


def _key(reading: Reading) -> tuple[Series, float, int]:
    return reading.series, reading.value, stamp_of(reading.arrived_utc)
