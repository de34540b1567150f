"""The listener: takes messages from the broker and acknowledges each only after its readings are committed.

The broker keeps our session under a fixed client id, so that what comes while we are away waits there. The
network thread only puts messages into a queue; the caller's thread stores them in batches and acknowledges in
order of arrival. While the store can't be written nothing is acknowledged: the broker holds back after 500.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from baulk.ingest import broker, pipeline, publish, topics
from baulk.ingest.errors import BrokerError, StoreError
from baulk.ingest.shop import Shop
from baulk.ingest.wire.message import RawMessage

log = logging.getLogger("baulk.listener")

_BATCH: Final = 500
# A flood of QoS 0 beyond this is lost, as QoS 0 allows. Not so QoS 1: mosquitto 2.0.11 was seen to send what
# waited in a session beyond our receive maximum; what is turned away comes again only at the next connection.
_ROOM: Final = 5000
_IDLE_S: Final = 1.0
_RETRY_S: Final = (0.2, 0.5, 1.0, 2.0, 5.0)
_FIRST_S: Final = 10.0
_CLOSED: Final = 2  # connections closed without an answer before the other version is tried
_VERSIONS: Final = {broker.V5: "5", broker.V311: "3.1.1"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Held:
    """A message that is not acknowledged yet, and the connection it came by."""

    raw: RawMessage
    mid: int
    qos: int
    link: int
    again: bool

    @property
    def key(self) -> tuple[str, bytes]:
        return self.raw.topic, self.raw.payload


def run(  # noqa: PLR0913 - what tests and commands set
    shop: Shop,
    stop: threading.Event,
    *,
    on_ready: Callable[[], None] | None = None,
    say: Callable[[str], None] = log.warning,
    once: bool = False,
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
    now : callable
        The clock.

    Raises
    ------
    BrokerError
        With ``once``, if there is no broker or it refuses us.
    """
    protocol = broker.V5
    while not stop.is_set():
        listener = _Listener(shop, stop, say=say, on_ready=on_ready, now=now, protocol=protocol)
        listener.run(once=once)
        on_ready = None if listener.was_ready else on_ready
        if listener.wrong_version:
            protocol = broker.V311 if protocol == broker.V5 else broker.V5
            say(f"the broker does not take our version of MQTT; going on with MQTT {_VERSIONS[protocol]}")


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
    ) -> None:
        self.shop, self.stop, self.say, self.on_ready, self.now = shop, stop, say, on_ready, now
        self.protocol = protocol
        self.wrong_version = False
        self._answered = False
        self._closed = 0
        self.was_ready = False
        self.problem: str | None = None
        self._said: str | None = None
        self._inbox: queue.SimpleQueue[_Held] = queue.SimpleQueue()
        self._link = 0
        self._lost = 0
        self._unacked: Counter[tuple[str, bytes]] = Counter()
        self._ready = threading.Event()
        self._sent: dict[str, datetime] = {}
        self._revision = -1
        self._next_idle = 0.0
        config = shop.config
        self._status = topics.status(config.client_id, config.slug)
        self._filters = [*topics.own_filters(config.slug), *(one.topic for one in config.source)]
        self.client = broker.client(config, config.client_id, protocol=protocol, keep=True)
        self.client.will_set(self._status, "offline", qos=1, retain=True)
        self.client.on_connect = self._connected
        self.client.on_connect_fail = self._failed
        self.client.on_disconnect = self._parted
        self.client.on_subscribe = self._subscribed
        self.client.on_message = self._arrived

    # --- on the network thread: none of these may raise or wait

    def _connected(
        self, client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        self._answered, self._closed = True, 0
        if reason.is_failure:
            unknown = reason.getName() == "Unsupported protocol version"
            self.wrong_version = self.protocol == broker.V5 and unknown
            self.problem = broker.refused(self.shop.config.broker, reason)
            return
        self.problem = None
        if self.protocol == broker.V5:
            options = SubscribeOptions(qos=1, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            client.subscribe([(one, options) for one in self._filters])
        else:
            client.subscribe([(one, 1) for one in self._filters])
        client.publish(self._status, "online", qos=1, retain=True)

    def _failed(self, _client: mqtt.Client, _data: object) -> None:
        self._link += 1
        self.problem = broker.away(self.shop.config.broker)

    def _parted(
        self, _client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        self._link += 1
        answered, self._answered = self._answered, False
        if not answered:
            self._closed += 1
            self.wrong_version = self._closed >= _CLOSED  # no answer at all: perhaps it knows only the other
        if reason.is_failure and self.problem is None:
            where = f"{self.shop.config.broker.host}:{self.shop.config.broker.port}"
            self.problem = (
                f"the broker at {where} ended the connection ({reason.getName()}); connecting again"
            )

    def _subscribed(
        self, _client: mqtt.Client, _data: object, _mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        if refused := [one for one, why in zip(self._filters, reasons, strict=False) if why.is_failure]:
            self.problem = f"the broker refuses our subscription to {' and '.join(refused)}"
        self._ready.set()

    def _arrived(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "(not UTF-8)"
        raw = RawMessage(
            topic=topic, payload=bytes(message.payload), arrived_utc=self.now(), retained=message.retain
        )
        if message.qos or self._inbox.qsize() < _ROOM:
            self._inbox.put(
                _Held(raw=raw, mid=message.mid, qos=message.qos, link=self._link, again=message.dup)
            )
        else:
            self._lost += 1

    # --- on the caller's thread

    def run(self, *, once: bool) -> None:
        broker.start(self.client, self.shop.config, protocol=self.protocol, keep=True)
        network = threading.Thread(target=self._network, name="baulk-network", daemon=True)
        network.start()
        deadline = time.monotonic() + _FIRST_S
        try:
            while not self.stop.is_set() and network.is_alive() and not self.wrong_version:
                self._tell()
                if batch := self._batch():
                    self._store(batch)
                if (
                    once
                    and not self.wrong_version
                    and not self._ready.is_set()
                    and (self.problem or time.monotonic() > deadline)
                ):
                    raise BrokerError(self.problem or broker.away(self.shop.config.broker))
                self._idle()
        finally:
            self._leave(network)

    def _network(self) -> None:
        try:
            self.client.loop_forever(retry_first_connection=True)
        except Exception as err:  # noqa: BLE001 - the caller's thread sees it ended, and builds a new client
            log.warning("the network thread ended (%r); starting it again", err)

    def _leave(self, network: threading.Thread) -> None:
        if self.client.is_connected():
            self.client.publish(self._status, "offline", qos=1, retain=True).wait_for_publish(1.0)
        self.client.disconnect()
        self.client._thread_terminate = True  # noqa: SLF001 - ends a loop that waits to connect
        network.join(5.0)

    def _tell(self) -> None:
        if self._ready.is_set() and not self.was_ready:
            self.was_ready = True
            if self.on_ready:
                self.on_ready()
        if self.problem != self._said:
            where = f"{self.shop.config.broker.host}:{self.shop.config.broker.port}"
            self.say(self.problem or f"connected to the broker at {where} again")
            self._said = self.problem
        if self._lost:
            lost, self._lost = self._lost, 0
            self.say(
                f"{lost} messages of QoS 0 were lost for want of room; let the sensors publish with QoS 1"
            )

    def _batch(self) -> list[_Held]:
        batch: list[_Held] = []
        try:
            batch.append(self._inbox.get(timeout=0.1))
            while len(batch) < _BATCH:
                batch.append(self._inbox.get_nowait())
        except queue.Empty:
            pass
        return batch

    def _store(self, batch: list[_Held]) -> None:
        fresh = []
        for held in batch:
            if held.again and self._unacked[held.key] > 0:
                self._unacked[held.key] -= 1
                continue
            fresh.append(held.raw)
            if held.qos and held.link != self._link:
                self._unacked[held.key] += 1  # its connection is gone: the broker will send it again
        if fresh and not self._until_safe(fresh):
            return  # stopping: the broker still has them
        self._acknowledge([held for held in batch if held.qos and held.link == self._link])
        if len(self._unacked) > 2 * _BATCH:
            self._unacked.clear()

    def _acknowledge(self, batch: list[_Held]) -> None:
        """Acknowledge in order of arrival (MQTT 5, 4.6)."""
        for held in batch:
            self.client.ack(held.mid, held.qos)

    def _until_safe(self, raws: list[RawMessage]) -> bool:
        """Commit, however long the store stays away; return whether it was done before the stop."""
        tries, said = 0, None
        while True:
            try:
                pipeline.handle_batch(raws, self.shop)
            except StoreError as err:
                if str(err) != said:
                    said = str(err)
                    self.say(f"{said}; {len(raws)} messages are held, none is lost")
            except Exception as err:  # a mistake of ours: keep the messages, one by one
                log.exception("a batch of %d messages failed", len(raws))
                if self._one_by_one(raws, err):
                    return True
            else:
                if said:
                    self.say("the store can be written again; the held messages are stored")
                return True
            if self.stop.wait(_RETRY_S[min(tries, len(_RETRY_S) - 1)]):
                return False
            tries += 1

    def _one_by_one(self, raws: list[RawMessage], first: Exception) -> bool:
        try:
            for raw in raws:
                try:
                    pipeline.handle(raw, self.shop)
                except StoreError:
                    raise
                except Exception:  # noqa: BLE001
                    self.shop.store.quarantine(
                        raw, f"Baulk itself failed on this message, please report it: {first!r}"
                    )
        except Exception:  # noqa: BLE001 - the store is away: the caller tries again
            return False
        return True

    def _idle(self) -> None:
        """Replay what waited for a tag and publish new verdicts; a fault here waits for the next turn."""
        if time.monotonic() < self._next_idle:
            return
        self._next_idle = time.monotonic() + _IDLE_S
        try:
            revision = self.shop.store.revision()
            if revision == self._revision:
                return
            for tag in self.shop.store.replayable_tags():
                new = pipeline.replay(self.shop, tag=tag)
                self.say(f"timber {tag} is entered now: {new} readings came out of quarantine")
            if self.client.is_connected():
                for one in publish.messages(self.shop, self._sent):
                    self.client.publish(one.topic, one.payload, qos=1, retain=True)
                    self._sent[one.tag] = one.made_utc
                self._revision = revision
        except StoreError as err:
            log.info("%s", err)
