"""The last message of each topic and how it was understood: kept by the listener, shown by `baulk doctor`.

Storing a message costs one reference here; every few seconds they are written out as a note of the store.
"""

from __future__ import annotations

import contextlib
import json
import logging
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final

from baulk.ingest.config import Config
from baulk.ingest.errors import StoreError
from baulk.ingest.pipeline import HEARD
from baulk.ingest.routing import Routed
from baulk.ingest.shop import Shop
from baulk.ingest.wire import topics
from baulk.ingest.wire.message import RawMessage
from baulk.models.formatting import printable
from baulk.models.reading import Reading, Series

log = logging.getLogger("baulk.listener")
_KEY: Final = "heard/"
_FILTERS: Final = "filters/"
_EVERY_S: Final = 5.0
_SHOWN: Final = 160  # bytes of a payload
_READ: Final = 8  # readings of a message


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """A reading of a message, as JSON can hold it: text of its series, value, ISO 8601, flags."""

    series: str
    value: float
    taken_utc: str
    flags: Sequence[str]

    @property
    def reading(self) -> Reading:
        """The reading."""
        taken = datetime.fromisoformat(self.taken_utc)
        return Reading(
            series=Series.parse(self.series),
            value=self.value,
            taken_utc=taken,
            arrived_utc=taken,
            flags=tuple(self.flags),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LastMessage:
    """What was last heard on a topic.

    Parameters
    ----------
    topic : str
        As it came.
    source : str
        "ours", the filter of the [[source]] that it came by, or "nobody's".
    arrived_utc : str
        ISO 8601.
    payload : str
        The beginning, printable.
    size : int
        All of it. [bytes]
    readings : tuple of str
        Each with value, unit as stored, time and flags.
    read : tuple of Understood
        The same, for who shows them in other units; empty of what an older version wrote.
    reason : str or None
        Why it, or a part of it, went to quarantine.
    """

    topic: str
    source: str
    arrived_utc: str
    payload: str
    size: int
    readings: tuple[str, ...]
    reason: str | None
    read: tuple[Understood, ...] = ()


class Heard:
    """What one listener remembers of the messages that it took.

    Parameters
    ----------
    shop : Shop
        An open shop.
    name : str
        The listener's client id.
    """

    def __init__(self, shop: Shop, name: str) -> None:
        self.shop, self._name = shop, name
        self.last: dict[str, tuple[RawMessage, Routed]] = {}
        self._all: dict[str, dict[str, Any]] | None = None
        self._next = 0.0

    def write(self, *, now: bool = False) -> Mapping[str, tuple[RawMessage, Routed]]:
        """Write out what is new, every few seconds, and return it.

        If the store can't be written it is tried again.
        """
        if not self.last or (not now and time.monotonic() < self._next):
            return {}
        self._next = time.monotonic() + _EVERY_S
        new, self.last = self.last, {}
        config = self.shop.config
        sources = [one.topic for one in config.source]
        try:
            every = _read(self.shop.store.noted(_KEY + self._name)) if self._all is None else self._all
            for topic, (raw, understood) in new.items():
                every.pop(topic, None)
                every[topic] = asdict(_said(raw, understood, config, sources))
            for topic in list(every)[:-HEARD]:
                del every[topic]
            self._all = every
            self.shop.store.note(_KEY + self._name, json.dumps(every).encode())
        except StoreError as err:
            log.info("%s", err)
        return new

    def former_filters(self) -> list[str]:
        """Give the filters that a listener of this name subscribed to before."""
        try:
            found = json.loads(self.shop.store.noted(_FILTERS + self._name) or b"[]")
        except (StoreError, ValueError):
            return []
        return [str(one) for one in found]

    def note_filters(self, filters: Sequence[str]) -> None:
        """Remember what we subscribe to, so that the next listener can cancel what it no longer wants."""
        try:
            if self.former_filters() != list(filters):
                self.shop.store.note(_FILTERS + self._name, json.dumps(list(filters)).encode())
        except StoreError as err:
            log.info("%s", err)


def last_messages(shop: Shop) -> list[LastMessage]:
    """Give the last message of each topic, the newest first."""
    found: dict[str, LastMessage] = {}
    for note in shop.store.notes(_KEY).values():
        for body in _read(note).values():
            with contextlib.suppress(ValueError, TypeError, KeyError):  # written by another version
                read = tuple(Understood(**each) for each in body.get("read", ()))
                one = LastMessage(**{**body, "readings": tuple(body["readings"]), "read": read})
                if one.topic not in found or one.arrived_utc > found[one.topic].arrived_utc:
                    found[one.topic] = one
    return sorted(found.values(), key=lambda one: datetime.fromisoformat(one.arrived_utc), reverse=True)


def _read(note: bytes | None) -> dict[str, dict[str, Any]]:
    try:
        found = json.loads(note or b"{}")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def shown(payload: bytes) -> str:
    """Give the beginning of a payload, with nothing in it that a terminal would obey."""
    text = payload[:_SHOWN].decode("utf-8", "backslashreplace")
    return printable(text) + "..." if len(payload) > _SHOWN else printable(text)


def _said(raw: RawMessage, understood: Routed, config: Config, sources: Sequence[str]) -> LastMessage:
    if topics.target(raw.topic, config.slug):
        source = "ours"
    else:
        source = ", ".join(one for one in sources if topics.matches(one, raw.topic)) or "nobody's"
    return LastMessage(
        topic=shown(raw.topic.encode("utf-8", "backslashreplace")),
        source=source,
        arrived_utc=raw.arrived_utc.isoformat(),
        payload=shown(raw.payload),
        size=len(raw.payload),
        readings=tuple(
            f"{one.series} = {one.value:g} {one.unit} at "
            f"{one.taken_utc.astimezone(config.zone):%Y-%m-%d %H:%M:%S}"
            + (f" [{', '.join(one.flags)}]" if one.flags else "")
            for one in understood.readings[:_READ]
        ),
        reason=understood.reason,
        read=tuple(
            Understood(
                series=str(one.series), value=one.value, taken_utc=one.taken_utc.isoformat(), flags=one.flags
            )
            for one in understood.readings[:_READ]
        ),
    )
