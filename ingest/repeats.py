"""Messages that come once more, told from news by what the log of messages holds.

A message may come again for three reasons. The log, written together with the readings, knows the first time:

* We went away between commit and acknowledgement. The broker marks the message as a repeat and gives it the
  packet identifier that it had (MQTT 5.0 4.4).
* The broker was killed and came back from what it had saved of our session seconds before. It sends again
  what waited for us then: first what was under way, marked; then what had waited behind that or while we were
  away, not marked. Identifiers and order are as before, so these are known as a run: from the first message
  of the connection on, each is the one that followed in the log. Whatever waited at one moment had not been
  acknowledged then, so a run never spans a time in which we had nothing to do. The broker may give out the
  identifiers anew to news, so a run must also say what a sensor that repeats its number would not.
* A sender whose broker was killed sends again what had not been confirmed to it. To the broker that is a new
  message. It is known by its bytes, and only where these prove something: on a topic whose messages have all
  been different.

What proves nothing is news: a reading twice does less harm than one lost.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import Enum, auto
from itertools import islice
from typing import Final, Protocol

import numpy as np

from baulk.ingest.store import Store
from baulk.ingest.store.raw_parts import Part
from baulk.ingest.wire.message import RawMessage, digest
from baulk.models.reading import Reading, Series

_REMEMBERED: Final = 5000  # messages; more than a broker may have under way to us
_MOST: Final = 150_000  # that are looked through after a connection
_SAVED: Final = timedelta(seconds=30)  # further back no broker's memory lies that saves every few seconds
_IDLE: Final = timedelta(seconds=0.5)  # nothing came for so long: nothing was waiting
_BUSY: Final = timedelta(seconds=0.9)  # the same after a batch that took long to store
_WINDOW: Final = (
    20  # messages under way, at the least, before one has to wait (mosquitto's default for 3.1.1)
)
_WATCHED: Final = timedelta(minutes=5)  # after a connection, for senders that come back
_UNCONFIRMED: Final = timedelta(seconds=60)  # that a sender may repeat
_ENOUGH: Final = 8  # messages of a topic, all different, before equal bytes prove anything
_PROVED: Final = 3  # messages of a run that news would hardly have said again
LONG: Final = 4096  # bytes of a payload
_SMALL: Final = 1000  # bytes of topic and payload: so many of a few thousand messages can be held on to
_SPARE: Final = 2000  # messages
_TOLD_BACK: Final = timedelta(days=14)

_Key = tuple[int, int]  # packet identifier, hash of topic and bytes


class _What(Enum):
    """What a message is."""

    REPEAT = auto()
    DOUBTFUL = auto()  # a repeat, if one after it in the run proves that there is one
    NEWS = auto()


@dataclass(slots=True)
class _Topic:
    """What came on a topic: when each of its messages was seen first, and whether one came twice."""

    seen: dict[int, datetime] = field(default_factory=dict)
    differ: bool = True
    last: int = 0  # what the log ends with

    @property
    def telling(self) -> bool:
        """Whether equal bytes prove that they are of one message."""
        return self.differ and len(self.seen) >= _ENOUGH


class _Tail:
    """The last messages of the log, by packet identifier and by topic."""

    def __init__(self, parts: Sequence[Part]) -> None:
        self.keys: list[_Key] = []
        self._stretch: list[int] = []  # where the stretch without idleness began, for each message
        self._waited: set[int] = set()  # beginnings of stretches that began with a connection
        self._by_mid: dict[int, int] = {}
        self._topics: dict[str, _Topic] = {}
        before: Part | None = None
        for part in parts:
            messages = list(part.messages())
            if messages and all(raw.forwarded for raw in messages):
                continue  # known by what their forwarder says, and no sign of what waited here
            linked = before is None or part.linked_utc != before.linked_utc
            idle = before is not None and part.first_utc > before.written_utc + (
                _IDLE if before.count < _WINDOW else _BUSY
            )
            new = len(self.keys)
            if linked or idle:
                begin = new
                if linked and part.linked_utc and part.first_utc < part.linked_utc + _IDLE:
                    self._waited.add(begin)
            for raw in messages:
                self.remember(raw)
                if raw.mid and not raw.retained and not raw.forwarded:
                    self._by_mid[raw.mid] = len(self.keys)
                    self.keys.append(_key(raw))
                    self._stretch.append(begin)
            before = part
        for topic in self._topics.values():
            topic.last = next(reversed(topic.seen))

    def same(self, mid: int, key: _Key) -> int | None:
        """Where the last message with this identifier stands, if it was this one."""
        at = self._by_mid.get(mid)
        return at if at is not None and self.keys[at] == key else None

    def follows(self, at: int) -> bool:
        """Whether a message and the one after it may have waited at one moment."""
        return at + 1 < len(self.keys) and self._stretch[at] == self._stretch[at + 1]

    def leads_to(self, at: int, later: int) -> bool:
        """Whether a later message is one that a next connection began with, where repeats were left out."""
        return later > at and later in self._waited

    def may_have_waited(self, at: int) -> bool:
        """Whether a message may have waited behind others, so that the broker had not tried to send it."""
        begin = self._stretch[at]
        return begin in self._waited or at - begin >= _WINDOW

    def proof(self, raw: RawMessage) -> int:
        """Say how much it proves of a run that a message of the log stands in its place once more.

        News often says what the topic said last; what it said before that, less often.
        """
        topic = self._topics[raw.topic]
        if topic.telling:
            return _PROVED
        return 1 if hash(raw.payload) != topic.last else 0

    def remember(self, raw: RawMessage) -> None:
        """Note what a topic said."""
        topic, said = self._topics.setdefault(raw.topic, _Topic()), hash(raw.payload)
        if said in topic.seen:
            topic.differ = False
            del topic.seen[said]  # to stand last
        topic.seen[said] = raw.arrived_utc

    def sent_twice(self, raw: RawMessage, *, again: bool) -> bool:
        """Whether these very bytes came lately, on a topic where that proves something.

        With ``again`` they are known to stand in the same batch already.
        """
        topic = self._topics.get(raw.topic)
        if topic is None or not topic.telling:
            return False
        if again:
            return True
        at = topic.seen.get(hash(raw.payload))
        return at is not None and abs(raw.arrived_utc - at) <= _UNCONFIRMED


@dataclass(slots=True)
class _Stand:
    """How far a connection has been followed."""

    linked: datetime | None = None
    tail: _Tail | None = None
    begun: bool = False
    run: int | None = None  # where in the tail its last message stands, while all were repeats
    proof: int = 0  # of the run
    last: datetime | None = None  # arrival


def _what(raw: RawMessage, key: _Key, stand: _Stand, tail: _Tail, said: set[int]) -> _What:
    """Say what a message is, and go one step on in the connection."""
    at = _in_the_run(raw, key, stand, tail) if raw.again or stand.run is not None or not stand.begun else None
    stand.run, stand.begun, stand.last = at, True, raw.arrived_utc
    if at is None:
        stand.proof = 0
        return _What.REPEAT if tail.sent_twice(raw, again=key[1] in said) else _What.NEWS
    proves = tail.proof(raw)
    stand.proof += proves
    return _What.REPEAT if raw.again or (proves and stand.proof >= _PROVED) else _What.DOUBTFUL


def _in_the_run(raw: RawMessage, key: _Key, stand: _Stand, tail: _Tail) -> int | None:
    """Where in the log a message stands that the broker repeats."""
    run = stand.run
    if run is not None and not raw.again and tail.follows(run) and tail.keys[run + 1] == key:
        at: int | None = run + 1
    else:
        at = tail.same(raw.mid, key)
    if at is None or raw.again:
        return at
    begins = not stand.begun or (run is not None and (at == run + 1 or tail.leads_to(run, at)))
    together = stand.last is None or raw.arrived_utc <= stand.last + _IDLE
    return at if begins and together and tail.may_have_waited(at) else None


class Log(Protocol):
    """What is asked of a log of messages."""

    def tail(self, client: str, *, count: int, most: int, lasting: timedelta) -> list[Part]:
        """Give the last parts of a listener, oldest first."""


class Kept(Protocol):
    """Whoever has a log of messages."""

    @property
    def raw(self) -> Log:
        """The log."""


class Repeats:
    """What one listener has stored lately, and what those before it under its name had.

    Parameters
    ----------
    client : str
        The listener's name at the broker.
    """

    def __init__(self, client: str) -> None:
        self.client = client
        self._done: dict[_Key, None] = {}
        self._lately: list[RawMessage] = []  # not yet put into it: that is only looked at for a repeat
        self._stand = self._next = _Stand()
        self._stored: dict[tuple[Series, int], set[tuple[float, int]]] = {}

    def fresh(self, raws: Sequence[RawMessage], store: Kept) -> list[RawMessage]:
        """Leave out messages that are stored already, or come twice in the same batch."""
        stand = self._stand
        if stand.tail is None and all(raw.linked_utc is stand.linked and not raw.again for raw in raws):
            return list(raws)
        stand = self._next = copy(stand)
        here: set[_Key] = set()
        said: set[int] = set()
        known: set[int] = set()
        doubtful: list[int] = []  # of a run that proves nothing so far
        for index, raw in enumerate(raws):
            if raw.linked_utc != stand.linked and raw.linked_utc is not None:
                parts = store.raw.tail(self.client, count=_REMEMBERED, most=_MOST, lasting=_SAVED)
                stand = self._next = _Stand(linked=raw.linked_utc, tail=_Tail(parts) if parts else None)
            if not raw.mid or raw.retained or raw.forwarded:
                continue  # sent twice by a forwarder it says the same time, and its readings are the same
            key = _key(raw)
            if raw.again and (key in self._all_done() or key in here):
                what = _What.REPEAT
            elif stand.tail is None:
                what = _What.NEWS
            else:
                what = _what(raw, key, stand, stand.tail, said)
            here.add(key)
            said.add(key[1])
            if what is _What.REPEAT:
                known.update(doubtful, (index,))
            if what is _What.DOUBTFUL:
                doubtful.append(index)
            elif doubtful:
                doubtful = []
        return [raw for index, raw in enumerate(raws) if index not in known] if known else list(raws)

    def committed(self, raws: Sequence[RawMessage], now_utc: datetime) -> None:
        """Remember messages that are safe now, and how far the connection was followed."""
        self._stand = self._next
        if self._stand.last is not None:
            self._stand.last = max(self._stand.last, now_utc)
        if (tail := self._stand.tail) is not None:
            for raw in raws:
                tail.remember(raw)
            if self._stand.linked is not None and now_utc > self._stand.linked + _WATCHED:
                self._stand.tail = None
        self._stored.clear()
        self._lately += raws
        if max([len(raw.payload) + len(raw.topic) for raw in raws], default=0) > _SMALL:
            self._all_done()  # holding on to them would take memory
        elif len(self._lately) > _REMEMBERED + _SPARE:
            del self._lately[:-_REMEMBERED]
            self._done.clear()

    def _all_done(self) -> dict[_Key, None]:
        """Give the keys of the last messages that are safe."""
        self._done.update((_key(raw), None) for raw in self._lately if raw.mid)
        self._lately.clear()
        if len(self._done) > 2 * _REMEMBERED:
            self._done = dict(islice(self._done.items(), len(self._done) - _REMEMBERED, None))
        return self._done

    def unstored(self, raw: RawMessage, readings: Sequence[Reading], store: Store) -> tuple[Reading, ...]:
        """Take out of a message marked as a repeat what a store apart from the log has already.

        There the readings are written ahead of the log, and a kill may come in between. A reading without a
        time of its own is kept under its arrival, whose last 65 ms are the packet identifier: so it is
        stored if the same value lies in its series under an arrival with the same identifier.
        """
        if not raw.again or not raw.mid:
            return tuple(readings)
        return tuple(one for one in readings if not self._has(one, raw, store))

    def _has(self, reading: Reading, raw: RawMessage, store: Store) -> bool:
        """Whether a reading without a time of its own is stored under an arrival with this identifier.

        Its distance from the arrival is nothing, or what the message says in at most milliseconds.
        """
        distance_us = (raw.arrived_utc - reading.taken_utc) // timedelta(microseconds=1)
        if distance_us % 1000:
            return False
        asked = reading.series, distance_us
        if asked not in self._stored:
            times, values = store.values(reading.series, raw.arrived_utc - _TOLD_BACK)
            taken_us = np.rint(times * 1e6).astype(np.int64)
            stamps = (taken_us + distance_us) % 65_536
            self._stored[asked] = set(zip(values.tolist(), stamps.tolist(), strict=True))
        return (reading.value, raw.mid) in self._stored[asked]


def _key(raw: RawMessage) -> _Key:
    long = len(raw.payload) > LONG and not raw.cut
    return raw.mid, hash((raw.topic, digest(raw.payload) if long else raw.payload))


def to_keep(raw: RawMessage, *, understood: bool) -> RawMessage:
    """Give a message as the log keeps it: of a long one in quarantine only enough to know it again."""
    if understood or len(raw.payload) <= LONG:
        return raw
    return replace(raw, payload=digest(raw.payload), cut=True)
