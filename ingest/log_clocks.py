"""What is known of clocks when the log is decoded again: ours, and those of the devices behind its topics."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final

from baulk.ingest import device_clock, host_clock, wire
from baulk.ingest.errors import WireError
from baulk.ingest.shop import Shop
from baulk.ingest.wire import clock, delays
from baulk.ingest.wire.message import RawMessage

_AT_ONCE: Final = 20_000  # messages


@dataclass(frozen=True, slots=True, kw_only=True)
class Clocks:
    """What is known of clocks.

    Parameters
    ----------
    host : list of Span
        When ours was ahead, and by how much.
    behind : dict of str to list of Span
        Devices whose times could be true and are known to be off, by topic.
    devices : dict of str to list of Course
        Devices whose times can't be true, by topic.
    """

    host: list[host_clock.Span]
    behind: dict[str, list[delays.Span]]
    devices: dict[str, list[clock.Course]]

    def told(self, raw: RawMessage) -> RawMessage:
        """Tell a message what is known by now."""
        ahead = 0.0 if raw.forwarded else host_clock.ahead_s(self.host, raw.arrived_utc)
        return replace(raw, host_ahead_s=ahead) if ahead else raw

    def told_all(self, raw: RawMessage, shop: Shop) -> RawMessage:
        """Tell a message also how far its device's clock was ahead, if it was held up on its way."""
        raw = self.told(raw)
        spans = self.behind.get(raw.topic, ())
        if behind_s := device_clock.behind_s(spans, raw.now_utc.timestamp()):
            return replace(raw, device_behind_s=behind_s)
        courses = self.devices.get(raw.topic)
        if not courses or (said := _newest_s(raw, shop)) is None:
            return raw
        return replace(raw, clock_ahead_s=clock.ahead_of(courses, raw.now_utc.timestamp(), said))


def _newest_s(raw: RawMessage, shop: Shop) -> float | None:
    """Return the newest time in a message that can't be true, in seconds since 1970."""
    try:
        readings = wire.understand(raw, slug=shop.config.slug, sources=shop.config.source).readings
    except WireError:
        return None
    return max((said for one in readings if (said := clock.device_s(one.flags)) is not None), default=None)


def learned(shop: Shop) -> Clocks:
    """Learn the clocks of devices from the whole log, whatever part of it is decoded again."""
    host, behind = host_clock.spans(shop.store), device_clock.spans(shop.store)
    known = Clocks(host=host, behind=behind, devices={})
    wrong, extent = host_clock.wrong_clocks(shop.store), shop.store.raw.extent()
    if not wrong or extent.first_utc is None or extent.last_utc is None:
        return known
    points: dict[str, list[tuple[float, float]]] = defaultdict(list)
    end = extent.last_utc + timedelta(microseconds=1)
    for begin, stop in shop.store.raw.spans(extent.first_utc, end, _AT_ONCE):
        for raw in map(known.told, shop.store.raw.between(begin, stop)):
            if raw.topic in wrong and (said := _newest_s(raw, shop)) is not None:
                points[raw.topic].append((raw.now_utc.timestamp(), said))
    return replace(known, devices={topic: clock.learn(those) for topic, those in points.items()})
