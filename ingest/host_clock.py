"""Our own clock: what this machine's system says of it, and whether the shop's devices agree against it.

A device whose clock is right must not be called wrong because ours is. One device proves nothing; several
that agree with each other, and are most of those that give a time, do, once what they differ from us by has
stood still for a while: what was measured long ago and is sent only now (a logger's buffer, a history)
differs by less and less. What is found is kept with its time, so that readings of that time can be put right
too (`decode_again`).
"""

from __future__ import annotations

import ctypes
import json
import statistics
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from baulk.ingest.errors import StoreError
from baulk.ingest.store import Store
from baulk.ingest.wire.clock import device_s, newest_s
from baulk.ingest.wire.message import AHEAD_S, RawMessage
from baulk.models.reading import Reading

_KEY: Final = "host-clock"
_WRONG_KEY: Final = "wrong-clocks"
_DEVICES: Final = 3  # that must agree
_MOST: Final = 0.6  # of those heard of lately must be among them
_ALIKE_S: Final = 60.0
_STEADY: Final = timedelta(minutes=10)  # that what a device differs by has stood still
_LATELY: Final = timedelta(hours=1)
_KEPT: Final = 50
_UNSYNCHRONISED: Final = 0x40  # STA_UNSYNC of adjtimex(2)
_ROOM: Final = 512  # bytes, more than any struct timex


def synchronised() -> bool | None:
    """Whether the system says that a time server keeps our clock; None where it can't be asked.

    Asked of the kernel, which every keeper of time tells (adjtimex(2), Linux; nothing is changed by asking).
    """
    known = sys.platform.startswith("linux") and sys.byteorder == "little"
    if not known or ctypes.sizeof(ctypes.c_long) != 8:
        return None
    try:
        asked = (ctypes.c_long * (_ROOM // 8))()  # modes = 0: only read
        state = ctypes.CDLL(None, use_errno=True).adjtimex(ctypes.byref(asked))
    except (OSError, AttributeError):
        return None
    if state < 0:
        return None
    status = asked[5] & 0xFFFFFFFF  # after modes, offset, freq, maxerror, esterror; each padded to 8 bytes
    return not status & _UNSYNCHRONISED


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A time in which our clock was wrong.

    Parameters
    ----------
    since_utc, until_utc : datetime
        By that clock; the end is None while it lasts.
    ahead_s : float
        How far it was ahead. [s]
    devices : int
        How many said so.
    """

    since_utc: datetime
    until_utc: datetime | None
    ahead_s: float
    devices: int


def spans(store: Store) -> list[Span]:
    """Return when our clock was wrong, as far as is known."""
    try:
        rows = json.loads(store.noted(_KEY) or b"[]")
        return [
            Span(
                since_utc=datetime.fromisoformat(row["since"]),
                until_utc=datetime.fromisoformat(row["until"]) if row["until"] else None,
                ahead_s=float(row["ahead_s"]),
                devices=int(row["devices"]),
            )
            for row in rows
        ]
    except (ValueError, KeyError, TypeError):  # written by another version
        return []


def ahead_s(those: Sequence[Span], arrived_utc: datetime) -> float:
    """Return how far our clock was ahead when a message came, in seconds."""
    for one in reversed(those):
        if one.since_utc <= arrived_utc and (one.until_utc is None or arrived_utc < one.until_utc):
            return one.ahead_s
    return 0.0


def wrong_clocks(store: Store) -> set[str]:
    """Return the topics on which a device has given a time that can't be true."""
    try:
        return {str(one) for one in json.loads(store.noted(_WRONG_KEY) or b"[]")}
    except (ValueError, TypeError):
        return set()


class HostWatch:
    """Compares our clock with what devices say, now and then.

    Parameters
    ----------
    store : Store
        Where what is found is kept.
    is_kept : callable
        Whether a time server keeps our clock, None where nobody knows. If one does, no number of devices
        speaks against it: those of one maker are set to local time together.
    """

    def __init__(self, store: Store, is_kept: Callable[[], bool | None] = synchronised) -> None:
        self._store, self._is_kept = store, is_kept
        # by topic: last arrival, device less arrival, and since when it has been that
        self._said: dict[str, tuple[datetime, float, datetime]] = {}
        self._since: datetime | None = None
        self._spans: list[Span] | None = None
        with suppress(StoreError):  # it may be away while the listener starts
            self._spans = spans(store)
        self._wrong: set[str] | None = None

    @property
    def ahead_s(self) -> float:
        """How far our clock is ahead in seconds, 0 where nothing speaks against it."""
        last = self._spans[-1] if self._spans else None
        return last.ahead_s if last is not None and last.until_utc is None else 0.0

    def look(self, heard: Mapping[str, tuple[RawMessage, Sequence[Reading]]]) -> str | None:
        """Take in the last message of each topic; return a sentence if our clock is wrong, or right again."""
        if self._spans is None:
            self._spans = spans(self._store)
        for topic, (raw, readings) in heard.items():
            if (newest := newest_s(raw, readings)) is not None:
                self._hear(topic, raw.arrived_utc, newest - raw.arrived_utc.timestamp())
        self._note_wrong(topic for topic, (_, readings) in heard.items() if _is_wrong(readings))
        if not heard:
            return None
        now = max(raw.arrived_utc for raw, _ in heard.values())
        return self._judge(now)

    def _hear(self, topic: str, arrived: datetime, off: float) -> None:
        _, was, since = self._said.get(topic, (arrived, off, arrived))
        if abs(off - was) > _ALIKE_S or arrived < since:
            was, since = off, arrived
        self._said[topic] = arrived, was, since

    def _judge(self, now: datetime) -> str | None:
        lately = {topic: off for topic, (at, off, _) in self._said.items() if abs(now - at) <= _LATELY}
        self._said = {topic: self._said[topic] for topic in lately}
        middle = statistics.median(lately.values()) if lately else 0.0
        alike = [topic for topic, off in lately.items() if abs(off - middle) <= _ALIKE_S]
        if abs(middle) > AHEAD_S:  # that they agree with us is believed at once
            alike = [topic for topic in alike if self._said[topic][0] - self._said[topic][2] >= _STEADY]
        agreed = len(alike) >= _DEVICES and len(alike) >= _MOST * len(lately)
        if not agreed or (abs(middle) > AHEAD_S and self._is_kept()):
            return None
        was = self.ahead_s
        if abs(middle) <= AHEAD_S:
            if not was:
                return None
            self._end(now)
            return "this machine's clock agrees with the sensors again"
        if abs(-middle - was) <= _ALIKE_S:
            return None
        self._end(now)
        first = min(self._said[topic][2] for topic in alike)
        self._keep(
            [
                *(self._spans or ()),
                Span(since_utc=first, until_utc=None, ahead_s=round(-middle, 3), devices=len(alike)),
            ]
        )
        way = "ahead" if middle < 0 else "behind"
        return (
            f"{len(alike)} sensors agree that this machine's clock is {abs(middle) / 60:.0f} minutes {way}; "
            "their times are believed. Set it; `baulk reading decode-again` puts earlier readings right"
        )

    def _end(self, now: datetime) -> None:
        if self._spans and self._spans[-1].until_utc is None:
            last = self._spans[-1]
            ended = Span(since_utc=last.since_utc, until_utc=now, ahead_s=last.ahead_s, devices=last.devices)
            self._keep([*self._spans[:-1], ended])

    def _keep(self, those: list[Span]) -> None:
        self._spans = those[-_KEPT:]
        rows: list[dict[str, Any]] = [
            {
                "since": one.since_utc.isoformat(),
                "until": one.until_utc.isoformat() if one.until_utc else None,
                "ahead_s": one.ahead_s,
                "devices": one.devices,
            }
            for one in self._spans
        ]
        self._store.note(_KEY, json.dumps(rows).encode())

    def _note_wrong(self, found: Iterable[str]) -> None:
        if self._wrong is None:
            self._wrong = wrong_clocks(self._store)
        if new := set(found) - self._wrong:
            self._wrong |= new
            self._store.note(_WRONG_KEY, json.dumps(sorted(self._wrong)[:1000]).encode())


def _is_wrong(readings: Sequence[Reading]) -> bool:
    return any(device_s(one.flags) is not None for one in readings)
