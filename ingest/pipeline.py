"""Messages that the broker sends once more: those that are stored already are passed over.

A reading with a time of its own is known by it. One without is kept under its arrival, whose last 65 ms are
the packet identifier, which a broker keeps when it sends again what we did not acknowledge (MQTT 5.0 4.4): so
it is stored already if the same value lies in its series under an arrival with the same identifier.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, MutableMapping
from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import islice
from typing import Final

import numpy as np

from baulk.ingest import checks, wire
from baulk.ingest import sensors as ingest_sensors
from baulk.ingest.errors import WireError
from baulk.ingest.shop import Shop
from baulk.ingest.wire.message import RawMessage, stamp_of
from baulk.models.formatting import printable
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

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


log = logging.getLogger("baulk.pipeline")
_SHOWN = 3  # problems of one message that its reason spells out
_AT_ONCE = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Sorted:
    """What becomes of one message.

    Parameters
    ----------
    readings : tuple of Reading
        To be stored.
    reason : str or None
        Why it goes to quarantine as well.
    waits_for : str or None
        The unknown tag, if that is all that is wrong.
    """

    readings: tuple[Reading, ...] = ()
    reason: str | None = None
    waits_for: str | None = None


def handle(raw: RawMessage, shop: Shop) -> int:
    """Store what one message says; return how many readings were new."""
    return handle_batch((raw,), shop)


def handle_batch(
    raws: Iterable[RawMessage],
    shop: Shop,
    *,
    heard: MutableMapping[str, tuple[RawMessage, Sorted]] | None = None,
    repeats: Repeats | None = None,
) -> int:
    """Store what many messages say in one transaction; return how many readings were new.

    The last message of each topic and what became of it is put into ``heard``; ``repeats`` knows what was
    committed before.
    """
    repeats = repeats or Repeats()
    raws = repeats.fresh(raws)
    tags, sensors = shop.register.known(), ingest_sensors.Sensors(shop)
    sorted_out = [(raw, sort(raw, shop, tags, sensors)) for raw in raws]
    if any(one.waits_for for _, one in sorted_out) and (now := shop.register.known(again=True)) != tags:
        sorted_out = [
            (raw, sort(raw, shop, now, sensors) if one.waits_for else one) for raw, one in sorted_out
        ]
    sorted_out = repeats.unstored(sorted_out, shop)
    readings = [reading for _, one in sorted_out for reading in one.readings]
    rejected = [(raw, one.reason, one.waits_for) for raw, one in sorted_out if one.reason]
    if rejected:  # one line for a batch: a flood must not fill the log as well
        raw, reason, _ = rejected[0]
        more = f" (and {len(rejected) - 1} more)" if len(rejected) > 1 else ""
        log.warning("into quarantine, from %s: %s%s", printable(raw.topic[:120]), printable(reason), more)
    flagged = checks.flag(readings, shop.store)
    new = shop.store.save(flagged, rejected)
    repeats.committed(raws)
    for sensor in sensors.changed():  # while this was stored; its readings were looked for too early
        follow(shop, sensor)
    if heard is not None:
        _remember(heard, sorted_out, flagged)
    return new


def _remember(
    heard: MutableMapping[str, tuple[RawMessage, Sorted]],
    sorted_out: list[tuple[RawMessage, Sorted]],
    flagged: Iterable[Reading],
) -> None:
    """Keep the last message of each topic, its readings with the flags that the checks gave them."""
    last = {raw.topic: (raw, one) for raw, one in sorted_out}
    marked = {(one.series, one.taken_utc): one for one in flagged if one.flags}
    for topic, (raw, one) in last.items():
        readings = tuple(marked.get((each.series, each.taken_utc), each) for each in one.readings)
        heard[topic] = raw, (replace(one, readings=readings) if marked else one)


def sort(
    raw: RawMessage, shop: Shop, tags: frozenset[str], sensors: ingest_sensors.Sensors | None = None
) -> Sorted:
    """Decide what of a message can be stored and why the rest can't."""
    try:
        decoded = ingest_sensors.set_aside(raw) or wire.understand(
            raw, slug=shop.config.slug, sources=shop.config.source
        )
    except WireError as err:
        return Sorted(reason=str(err))
    except Exception as err:  # noqa: BLE001 - a mistake of ours must not lose the message
        return Sorted(reason=f"Baulk itself failed on this message, please report it: {err!r}")
    problems = list(decoded.problems)
    possible = []
    for reading in decoded.readings:
        if why := checks.impossible(reading):
            problems.append(why)
        else:
            possible.append(reading)
    sensors = sensors or ingest_sensors.Sensors(shop)
    possible, homeless = sensors.sort(possible)
    if homeless is not None:
        why = ingest_sensors.why_not_words(homeless, sensors.known)
        reason = "; ".join([why, *problems][:_SHOWN])
        return Sorted(readings=tuple(possible), reason=reason, waits_for=ingest_sensors.waits_for(homeless))
    unknown = {
        one.series.name
        for one in possible
        if one.series.name not in tags and one.series.owner is Owner.TIMBER
    }
    if unknown:
        first = min(unknown)
        stored = tuple(one for one in possible if one.series.name not in unknown)
        reason = "; ".join([_not_entered(first), *problems][:_SHOWN])
        return Sorted(readings=stored, reason=reason, waits_for=first)
    return Sorted(readings=tuple(possible), reason=_reason(problems))


def _not_entered(tag: str) -> str:
    """Say that a tag is unknown; no likely name is looked for, since a flood of tags would pay for each."""
    return f"no timber called {tag!r}; enter it, or put the tag right at its sensor"


def _reason(problems: list[str]) -> str | None:
    if not problems:
        return None
    more = f"; and {len(problems) - _SHOWN} more" if len(problems) > _SHOWN else ""
    return "; ".join(problems[:_SHOWN]) + more


def follow(shop: Shop, sensor: str) -> ingest_sensors.Settled:
    """Let every reading of a sensor, stored or waiting, follow what the register says of where it was."""
    moved = ingest_sensors.move(shop, sensor)
    return replace(moved, came=replay(shop, tag=ingest_sensors.waits_for(sensor)))


def replay(shop: Shop, *, tag: str | None = None, stop: Callable[[], bool] = lambda: False) -> int:
    """Try quarantined messages again, oldest first; return how many readings were new.

    A message that is wholly understood by now leaves quarantine; of any other what can be stored is stored,
    and it stays.

    Parameters
    ----------
    shop : Shop
        An open shop.
    tag : str, optional
        Only the messages that wait for this tag, or for this sensor (`sensors.waits_for`).
    stop : callable
        Whether to leave the rest for the next time; asked after every few hundred messages.
    """
    new, after = 0, 0
    tags, sensors = frozenset(shop.register.tags()), ingest_sensors.Sensors(shop)
    while not stop() and (rows := shop.store.quarantined(_AT_ONCE, waits_for=tag, after=after)):
        after = rows[-1].number
        sorted_out = [(row.number, sort(row.raw, shop, tags, sensors)) for row in rows]
        readings = [reading for _, one in sorted_out for reading in one.readings]
        new += shop.store.save(checks.flag(readings, shop.store))
        if done := [number for number, one in sorted_out if one.reason is None]:
            shop.store.release(*done)
        if still := [number for number, one in sorted_out if one.reason and not one.waits_for]:
            shop.store.stop_waiting(*still)
    return new
