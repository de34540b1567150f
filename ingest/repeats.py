"""Messages that the broker sends once more: those that are stored already are passed over.

A reading with a time of its own is known by it. One without is kept under its arrival, whose last 65 ms are
the packet identifier, which a broker keeps when it sends again what we did not acknowledge (MQTT 5.0 4.4): so
it is stored already if the same value lies in its series under an arrival with the same identifier.
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from itertools import islice
from typing import TYPE_CHECKING, Final

import numpy as np

from baulk.ingest.wire.message import RawMessage, stamp_of
from baulk.models.reading import Reading, Series

if TYPE_CHECKING:
    from baulk.ingest.pipeline import Sorted
    from baulk.ingest.shop import Shop

_LOOKED_AT: Final = 2000  # newest messages in quarantine
_REMEMBERED: Final = 5000  # messages; more than a broker may have under way to us
_KEPT_S: Final = 60.0


class Repeats:
    """What one listener has committed lately, and what those before it had, looked up once it is asked."""

    def __init__(self) -> None:
        self._done: dict[tuple[int, str, int], None] = {}
        self._stored: dict[tuple[Series, int], set[tuple[float, int]]] = {}
        self._rejected: set[tuple[str, bytes, int]] | None = None
        self._used = 0.0

    def fresh(self, raws: Iterable[RawMessage]) -> list[RawMessage]:
        """Leave out repeats of what was committed in this process, or lies in the same batch."""
        raws = list(raws)
        if not any(raw.again and raw.mid for raw in raws):
            return raws
        seen, left = set(self._done), []
        for raw in raws:
            if raw.again and raw.mid and _key(raw) in seen:
                continue
            seen.add(_key(raw))
            left.append(raw)
        return left

    def committed(self, raws: Iterable[RawMessage]) -> None:
        """Remember messages that are safe now."""
        self._done.update((_key(raw), None) for raw in raws if raw.mid)
        if len(self._done) > 2 * _REMEMBERED:
            self._done = dict(islice(self._done.items(), len(self._done) - _REMEMBERED, None))

    def unstored(
        self, sorted_out: list[tuple[RawMessage, Sorted]], shop: Shop
    ) -> list[tuple[RawMessage, Sorted]]:
        """Take out of repeated messages what is stored or quarantined already."""
        if not any(raw.again and raw.mid for raw, _ in sorted_out):
            return sorted_out
        if time.monotonic() > self._used + _KEPT_S:
            self._stored, self._rejected = {}, None
        self._used = time.monotonic()
        return [
            (raw, self._without_stored(raw, one, shop) if raw.again and raw.mid else one)
            for raw, one in sorted_out
        ]

    def _without_stored(self, raw: RawMessage, one: Sorted, shop: Shop) -> Sorted:
        readings = tuple(each for each in one.readings if not self._has(each, raw, shop))
        reason = one.reason
        if reason is not None:
            if self._rejected is None:
                self._rejected = {
                    (row.raw.topic, row.raw.payload, stamp_of(row.raw.arrived_utc))
                    for row in shop.store.quarantined(_LOOKED_AT)
                }
            if (raw.topic, raw.payload, raw.mid) in self._rejected:
                reason = None
        return replace(one, readings=readings, reason=reason)

    def _has(self, reading: Reading, raw: RawMessage, shop: Shop) -> bool:
        """Whether a reading without a time of its own is stored under an arrival with this identifier.

        Its distance from the arrival is nothing, or what the message says in at most milliseconds.
        """
        distance_us = (raw.arrived_utc - reading.taken_utc) // timedelta(microseconds=1)
        if distance_us % 1000:
            return False
        asked = reading.series, distance_us
        if asked not in self._stored:
            since = raw.arrived_utc - timedelta(days=shop.config.broker.session_days)
            found = shop.store.read(reading.series, since)
            taken_us = np.rint(found["posix_s"].to_numpy(dtype=np.float64) * 1e6).astype(np.int64)
            stamps = (taken_us + distance_us) % 65_536
            self._stored[asked] = set(zip(found["value"].tolist(), stamps.tolist(), strict=True))
        return (reading.value, raw.mid) in self._stored[asked]


def _key(raw: RawMessage) -> tuple[int, str, int]:
    return raw.mid, raw.topic, hash(raw.payload)
