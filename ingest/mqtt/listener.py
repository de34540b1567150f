"""The listener: takes messages from the broker and acknowledges each only after its readings are committed.

The broker keeps our session under a fixed client id, so that what comes while we are away waits there.
`Session` puts messages into an inbox; the caller's thread stores them in batches and acknowledges in order of
arrival, once `MessageWriter` has them in the store or, while a store on a server is away, in the local spool.
"""

from __future__ import annotations

import contextlib
import gc
import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from paho.mqtt.enums import MQTTProtocolVersion

from baulk.ingest import operations, pipeline, service_manager, wire
from baulk.ingest import shop as shops
from baulk.ingest.errors import BrokerError, ConfigError, StoreAway, StoreError, StoreLocked, StoreMoved
from baulk.ingest.mqtt import connection
from baulk.ingest.mqtt.answers import Answers
from baulk.ingest.mqtt.last_messages import Heard
from baulk.ingest.mqtt.message_writer import RETRY_S, MessageWriter
from baulk.ingest.mqtt.pairing_watch import PairingWatch
from baulk.ingest.mqtt.session import Session
from baulk.ingest.mqtt.session_watch import SessionWatch
from baulk.ingest.pipeline import Replayed
from baulk.ingest.shop import Shop
from baulk.ingest.store import forwarders, mappings
from baulk.ingest.store.rejected import Which
from baulk.ingest.wire.message import MOST_LISTENERS, RawMessage
from baulk.models.formatting import count, printable
from baulk.models.reading import Reading

log = logging.getLogger("baulk.listener")

_BATCH: Final = 1000
_IDLE_S: Final = 1.0
_TAKE_S: Final = 0.25  # what comes is taken at once; a stop may wait so long
_FIRST_S: Final = 10.0
_BOUND_S: Final = 60.0
_REPLAY_S: Final = 0.5  # of a second's turn; the next messages wait for it
# A locked store holds every write for seconds, whether we are asked to stop or not. After a turn that took
# longer than this the last write, a mere note of what came last, is left out: it would hold up the end.
_PATIENCE_S: Final = 1.5
_VERSIONS: Final = {connection.V5: "5", connection.V311: "3.1.1"}


def settle_memory() -> None:
    """Have Python look for cycles seldom, in a program that does nothing but listen.

    Readings hold none, and looking through those of a batch takes a fifteenth of the time that they take.
    """
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)


def opened(
    folder: Path | str, stop: threading.Event, *, say: Callable[[str], None] = log.warning, once: bool = False
) -> Shop:
    """Open a shop to listen for; while its store is away or locked, messages wait at the broker.

    Parameters
    ----------
    folder : Path or str
        The shop folder.
    stop : Event
        Set it to give up.
    say : callable
        Takes one sentence when the store can't be had.
    once : bool
        Fail at the first try.

    Raises
    ------
    StoreAway, StoreLocked
        With ``once``, or after the stop.
    """
    tries, said = 0, None
    while True:
        service_manager.alive()
        try:
            return shops.open(folder, durable=True)
        except (StoreAway, StoreLocked) as err:
            if once or stop.is_set():
                raise
            if str(err) != said:
                said = str(err)
                say(f"{said}; messages wait at the broker")
            stop.wait(RETRY_S[min(tries, len(RETRY_S) - 1)])
            tries += 1


def run(  # noqa: PLR0913 - what tests and commands set
    shop: Shop,
    stop: threading.Event,
    *,
    on_ready: Callable[[], None] | None = None,
    say: Callable[[str], None] = log.warning,
    once: bool = False,
    number: int | None = None,
    now: Callable[[], datetime] = lambda: datetime.now(UTC),
) -> None:
    """Listen until ``stop`` is set.

    Parameters
    ----------
    shop : Shop
        An open shop.
    stop : Event
        Set it to end; what is not committed by then stays with the broker.
    on_ready : callable, optional
        Called once, when the broker has confirmed the subscriptions.
    say : callable
        Takes one sentence whenever broker or store come or go.
    once : bool
        Fail if the broker can't be reached in the first ten seconds, instead of trying on.
    number : int, optional
        Which of several listeners this is, from 1 to 7; they take turns by the ``share`` of [broker].
    now : callable
        The clock.

    Raises
    ------
    BrokerError
        With ``once``, if there is no broker or it refuses us.
    ConfigError
        If it is one of several, and [broker] has no ``share``, or there are too many.
    """
    if number is not None and not 1 <= number <= MOST_LISTENERS:
        raise ConfigError(f"a listener can't have the number {number}; give one from 1 to {MOST_LISTENERS}")
    if number is not None and shop.config.broker.share is None:
        raise ConfigError(
            'several listeners would each take every message; set share = "yard" in [broker] of baulk.toml'
        )
    protocol = connection.V5
    with contextlib.ExitStack() as ours:  # the shop that it was given belongs to the caller
        while not stop.is_set():
            listener = _Listener(
                shop, stop, say=say, on_ready=on_ready, now=now, protocol=protocol, number=number
            )
            listener.run(once=once)
            on_ready = None if listener.was_ready else on_ready
            shop = _anew(listener, ours)
            if listener.session.wrong_version:
                protocol = connection.V311 if protocol == connection.V5 else connection.V5
                say(f"the broker does not take our version of MQTT; going on with MQTT {_VERSIONS[protocol]}")


def _anew(listener: _Listener, ours: contextlib.ExitStack) -> Shop:
    """Give the shop to go on with, where its store or its mappings are others now."""
    shop, stop = listener.shop, listener.stop
    if listener.safe.is_moved and not stop.is_set():
        with contextlib.suppress(StoreError):  # at the stop
            shop = opened(shop.config.shop_dir, stop, say=listener.say)
            ours.close()
            ours.enter_context(shop)
            listener.say(
                f"the shop was moved; going on with what baulk.toml names now ({shop.config.store.kind})"
            )
    elif listener.is_mapped_anew:
        before, shop = shop, _with_mappings(shop, stop)
        if shop.config.source != before.config.source:
            listener.say("the mappings of sensors have changed; going on with the new ones")
    return shop


def _with_mappings(shop: Shop, stop: threading.Event) -> Shop:
    """Give the shop with the mappings in force now, which may have to be waited for."""
    while not stop.is_set():
        try:
            return shops.read_mappings(shop)
        except StoreError:
            service_manager.alive()
            stop.wait(RETRY_S[-1])
    return shop


class _Listener:
    def __init__(  # noqa: PLR0913
        self,
        shop: Shop,
        stop: threading.Event,
        *,
        say: Callable[[str], None],
        on_ready: Callable[[], None] | None,
        now: Callable[[], datetime],
        protocol: MQTTProtocolVersion,
        number: int | None,
    ) -> None:
        self.shop, self.stop, self.say, self.on_ready, self.now = shop, stop, say, on_ready, now
        self.was_ready = self.is_mapped_anew = False
        self._stamp = self._stamp_now()
        self._pairing = PairingWatch(shop, protocol, now, number=number or 1)
        self._said: str | None = None
        self._revision = -1
        self._replayed: dict[str, Replayed] = {}
        self._next_idle = self._next_bound = 0.0
        name = shop.config.client_id if number is None else f"{shop.config.client_id}-{number}"
        self._heard = Heard(shop, name)
        self._session_watch = SessionWatch(shop, name, now)
        self.safe = MessageWriter(shop, name, self._heard, stop, say)
        self.session = Session(
            shop.config,
            name,
            number=number,
            protocol=protocol,
            now=now,
            former=self._heard.former_filters(),
        )
        self._answers = Answers(shop, self.session, now)
        self._heard.note_filters(self.session.filters)

    def run(self, *, once: bool) -> None:
        session, slow = self.session, False
        session.start()
        deadline = time.monotonic() + _FIRST_S
        try:
            while not self.stop.is_set() and session.alive and not session.wrong_version:
                service_manager.alive()
                if self.is_mapped_anew or self.safe.is_moved:
                    break
                self._tell()
                if self.safe.spool.waiting:
                    self.safe.drain()
                began = time.monotonic()
                batch = session.take(_BATCH, _TAKE_S)
                if batch.raws:
                    raws = self._wanted(batch.raws)
                    if raws and (lost := self._session_watch.took(session)):
                        self.say(lost)
                    if not raws or self.safe.until_safe(raws):
                        session.acknowledge(batch)
                if once and not session.wrong_version and not session.ready.is_set():
                    self._fail_at(deadline)
                if not self.stop.is_set():
                    self._idle()
                slow = time.monotonic() - began > _PATIENCE_S
        finally:
            session.leave()
            self._pairing.close()
            if not slow:
                self._heard.write(now=True)
            self.safe.spool.close()

    def _wanted(self, raws: list[RawMessage]) -> list[RawMessage]:
        """Give those that anybody asked for; our subscriptions may be wider (`topics.disjoint`)."""
        slug, sources = self.shop.config.slug, self.shop.config.source
        topics = {raw.topic for raw in raws}
        nobodys = {one for one in topics if not wire.wanted(one, slug=slug, sources=sources)}
        if nobodys:
            self._hear_forwarders([raw for raw in raws if raw.topic in nobodys])
        return [raw for raw in raws if raw.topic not in nobodys] if nobodys else raws

    def _hear_forwarders(self, raws: Sequence[RawMessage]) -> None:
        """Keep what forwarders say of themselves; it is said again, whatever the store does now."""
        last = {raw.topic: raw for raw in raws}
        for raw in last.values():
            with contextlib.suppress(StoreError):
                forwarders.keep(self.shop.store, raw, self.shop.config.slug)

    def _fail_at(self, deadline: float) -> None:
        if self.session.problem or time.monotonic() > deadline:
            raise BrokerError(self.session.problem or connection.away(self.shop.config.broker))

    def _tell(self) -> None:
        if self.session.ready.is_set() and not self.was_ready:
            self.was_ready = True
            if self.on_ready:
                self.on_ready()
        if (problem := self.session.problem) != self._said:
            where = f"{self.shop.config.broker.host}:{self.shop.config.broker.port}"
            self.say(problem or f"connected to the broker at {where} again")
            self._said = problem
        if lost := self._session_watch.look(self.session):
            self.say(lost)

    # --- now and then

    def _trim(self) -> None:
        room = self.shop.config.store.quarantine_mb
        if gone := self.shop.store.trim_quarantine(room * 1e6, None, self.now()):
            self.say(
                f"quarantine is full ({room:g} MB): deleted {count(gone, 'message')}, the oldest of "
                "the sender that filled it"
            )

    def _bound(self) -> None:
        """Keep the log of messages to its size, which a flood would pass before the night."""
        if time.monotonic() < self._next_bound:
            return
        self._next_bound = time.monotonic() + _BOUND_S
        part = self.shop.config.store
        if self.shop.store.raw.extent().size > 1.1e6 * part.messages_mb:
            days, most = part.messages_days, 1e6 * part.messages_mb
            self.shop.store.raw.tidy(datetime.now(UTC), days=days, most_bytes=most)

    def _settle(self) -> bool:
        """Let readings follow their sensors for a moment; return whether that was all."""
        end = time.monotonic() + _REPLAY_S
        return operations.settle(self.shop, stop=lambda: self.stop.is_set() or time.monotonic() > end).is_done

    def _replay(self) -> bool:
        """Store for a moment what waited for tags entered since; return whether that was all."""
        end = time.monotonic() + _REPLAY_S
        for tag in self.shop.store.replayable_tags():
            last = self._replayed.pop(tag, None) or Replayed()
            done = pipeline.replay(
                self.shop,
                Which(waits_for=tag),
                after=last.after,
                upto=last.upto or None,
                stop=lambda: self.stop.is_set() or time.monotonic() > end,
            )
            if not done.is_done:
                self._replayed[tag] = replace(done, stored=last.stored + done.stored)
                return False
            new = last.stored + done.stored
            self.say(f"timber {tag} is entered now: {count(new, 'reading')} came out of quarantine")
        return True

    def _look_for_sensors(self) -> None:
        """Hear every topic while somebody looks for a new sensor, and see whether one was mapped."""
        if said := self._pairing.look():
            self.say(said)
        now = mappings.stamp(self.shop.store)
        self.is_mapped_anew = now != self._stamp  # also where it could not be asked at the start

    def _stamp_now(self) -> bytes | None:
        try:
            return mappings.stamp(self.shop.store)
        except StoreError:
            return None

    def _watch_clocks(self, last: dict[str, tuple[RawMessage, tuple[Reading, ...]]]) -> None:
        devices = self.safe.device_watch
        for topic in devices.look(last):
            minutes = devices.corrected[topic] / 60
            way = "behind" if minutes > 0 else "ahead"
            off = f"{count(round(abs(minutes)), 'minute')} {way}"
            self.say(f"the clock behind {printable(topic)} is {off}; its readings are moved by that")
        known = devices.corrected  # these say nothing of our own clock, nor do those of another's
        direct = {topic for topic, (raw, _) in last.items() if not raw.forwarded}
        if told := self.safe.host_watch.look({topic: last[topic] for topic in direct - known.keys()}):
            self.say(told)

    def _idle(self) -> None:
        """Replay what waited for a tag and publish new verdicts; a fault here waits for the next turn."""
        if time.monotonic() < self._next_idle:
            return
        self._next_idle = time.monotonic() + _IDLE_S
        heard = self._heard.write()
        if self.stop.is_set():
            return
        try:
            self.shop.store.check_here()
            self._look_for_sensors()
            self._watch_clocks({topic: (raw, one.readings) for topic, (raw, one) in heard.items()})
            self._bound()
            if self._answers.begin_anew():
                self._revision = -1
            self._answers.tell_plans()
            revision = self.shop.store.revision()
            if revision == self._revision:
                return
            self._trim()
            is_done = self._settle() and self._replay()
            if self._answers.tell(self.stop.is_set) and is_done:
                self._revision = revision
        except StoreMoved:
            self.safe.is_moved = True
        except StoreError as err:
            log.info("%s", err)
