"""Our session at the broker: one network thread that fills an inbox of bounded size.

With the inbox full it stops reading, so that the broker keeps what it has, and still sends pings and
acknowledgements. Each message's arrival carries its packet identifier in the last 65 ms (see `_arrived`):
the broker sends a message that was not acknowledged again under the same identifier (MQTT 5.0 4.4), and by
it a reading without a time of its own is known again. Messages of QoS 0 have no identifier and are counted.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import random
import select
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.client import ConnectFlags
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from baulk.ingest.config import Config
from baulk.ingest.mqtt import connection
from baulk.ingest.wire import forwarding, topics
from baulk.ingest.wire.message import RawMessage, floor_of, message_of, stamped

log = logging.getLogger("baulk.listener")

ROOM: Final = 4000  # messages that may wait in memory, and
ROOM_BYTES: Final = 32_000_000
_BURST: Final = 250  # packets, or a bufferful if that is more
_MOST_NAMES: Final = 4096  # topics whose text is kept: those of a shop come again and again
_LONG_NAME: Final = 200  # bytes; a longer one is not kept
_TURN_S: Final = 0.25
_PLENTY: Final = (
    250  # messages that wait in memory: no hurry to read, and a turn costs as much as ten of them
)
_REST_S: Final = 0.002
_SEVERAL: Final = 8  # messages in one read: they come thick
_COLLECT_S: Final = 0.008  # a broker that is read in fewer and larger pieces sends a tenth more
_FLOOD: Final = 50  # messages at once: more are on their way, and a commit costs as much as a hundred of them
_GATHER_S: Final = 0.01
_ANSWER_S: Final = 20.0
_LONGEST_S: Final = 15.0  # between two tries to connect
_CLOSED: Final = 2  # connections closed without an answer before the other version is tried
_LEAVE_S: Final = 1.0
_BARE: Final = 32_768  # half of the identifiers away from where a broker begins
_LAST: Final = 65_535  # packet identifier
_END_S: Final = 4.0  # that `leave` waits for the network thread


@dataclass(frozen=True, slots=True)
class Batch:
    """Messages not acknowledged yet, in order of arrival, and the number of the connection they came by."""

    raws: list[RawMessage]
    link: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Role:
    """What a session is for.

    Parameters
    ----------
    part : str
        Of the program, by which it signs in.
    status : str
        Topic that says whether it is there, retained.
    filters : sequence of str
        What it asks for; no topic fits two of them.
    """

    part: str
    status: str
    filters: Sequence[str]


def listening(config: Config, number: int | None) -> Role:
    """Return the role of a listener, or of one of several."""
    return Role(
        part="listener" if number is None else f"listener-{number}",
        status=topics.status(str(number or 1), config.slug),
        filters=topics.subscriptions(config.slug, config.source, config.broker.share),
    )


class Session:
    """One connection after another under one client id, until `leave`.

    Parameters
    ----------
    config : Config
        The shop's settings.
    client_id : str
        Our name at the broker, by which it keeps our session.
    number : int or None
        Which of several listeners this is.
    protocol : MQTTProtocolVersion
        5 or 3.1.1.
    now : callable
        The clock.
    role : Role or None
        What it is for, if not a listener's.
    former : sequence of str
        Filters that an earlier listener of this name asked for; those not asked for now are cancelled.
    """

    def __init__(  # noqa: PLR0913 - what makes one listener another than the next
        self,
        config: Config,
        client_id: str,
        *,
        number: int | None = None,
        protocol: MQTTProtocolVersion,
        now: Callable[[], datetime],
        role: Role | None = None,
        former: Sequence[str] = (),
    ) -> None:
        role = role or listening(config, number)
        self.protocol, self.now = protocol, now
        self.problem: str | None = None
        self.wrong_version = False
        self.ready = threading.Event()
        self.link = 0
        self.filters = list(role.filters)
        self._former = [one for one in former if one not in self.filters]
        self._broker = config.broker
        self.met = 0  # times that the broker has let us in
        self.kept = False  # whether it still knew our session the last time, and all that we had asked for
        self.trusted_until_s: float | None = None  # when the broker's certificate ends
        self._status = role.status
        # not SimpleQueue: a signal at the end of its timeout makes its `get` wait for ever (CPython 3.11)
        self._inbox: queue.Queue[Batch] = queue.Queue()
        self._left: Batch | None = None
        self._names: dict[bytes, str] = {}
        self._in = self._in_bytes = 0  # counted by the network thread
        self._out = self._out_bytes = 0  # counted by the taker
        self._acks: deque[tuple[int, list[int]]] = deque()
        self._leaving = threading.Event()
        self._answered = self._accepted = False
        self._closed = 0
        self._linked = now()
        self._lane = 0 if number is None and config.broker.share else number
        self._bare = _BARE
        self._floor = floor_of(self._linked, self._lane)
        self._near, self._far = socket.socketpair()
        self._near.settimeout(0)
        self._far.settimeout(0)
        self.client = connection.client(config, client_id, part=role.part, protocol=protocol, keep=True)
        self.client.will_set(self._status, "offline", qos=1, retain=True, properties=_will(protocol))
        self.client.on_connect = self._connected
        self.client.on_disconnect = self._parted
        self.client.on_subscribe = self._subscribed
        self.client.on_packets = self._arrived
        self.client.on_socket_register_write = lambda *_: self._wake()
        connection.start(self.client, config, protocol=protocol, keep=True)
        self._thread = threading.Thread(target=self._run, name="baulk-network", daemon=True)

    # --- for the taker's thread

    def start(self) -> None:
        """Begin to connect."""
        self._thread.start()

    @property
    def alive(self) -> bool:
        """Whether the network thread runs."""
        return self._thread.is_alive()

    @property
    def connected(self) -> bool:
        """Whether the broker has let us in."""
        return self._accepted

    def take(self, most: int, wait_s: float) -> Batch:
        """Give up to ``most`` messages of one connection: what is there, or the first to come in time."""
        taken, self._left = self._left or Batch([], self.link), None
        with contextlib.suppress(queue.Empty):
            if not taken.raws:
                taken = self._inbox.get(timeout=wait_s)
            self._add_to(taken, most)
            if _FLOOD <= len(taken.raws) < most and self._left is None:
                self._leaving.wait(_GATHER_S)
                self._add_to(taken, most)
        if len(taken.raws) > most:
            self._left = Batch(taken.raws[most:], taken.link)
            del taken.raws[most:]
        was_full = not self._room()
        self._out += len(taken.raws)
        self._out_bytes += _size(taken.raws)
        if was_full and taken.raws:
            self._wake()
        return taken

    def _add_to(self, taken: Batch, most: int) -> None:
        """Put what waits behind it, by the same connection."""
        with contextlib.suppress(queue.Empty):
            while len(taken.raws) < most and self._left is None:
                more = self._inbox.get_nowait()
                if more.link == taken.link:
                    taken.raws.extend(more.raws)
                else:
                    self._left = more

    def acknowledge(self, batch: Batch) -> None:
        """Acknowledge in order of arrival (MQTT 5.0 4.6) what came by the connection that still stands."""
        if batch.link == self.link and (mids := [raw.mid for raw in batch.raws if raw.mid]):
            self._acks.append((batch.link, mids))
            self._wake()

    def publish(self, topic: str, payload: bytes, lapses_s: int | None = None) -> None:
        """Publish retained, QoS 1, with an expiry where one is given, which MQTT 5 alone has. [s]."""
        lapse = None
        if lapses_s is not None:
            lapse = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            lapse.MessageExpiryInterval = lapses_s
        self.client.publish(topic, payload, qos=1, retain=True, properties=lapse)

    def leave(self) -> None:
        """Say goodbye and end the network thread."""
        self._leaving.set()
        self._wake()
        if self._thread.is_alive():
            self._thread.join(_END_S)  # longer only while it connects: then nothing is on its way
        self._near.close()
        self._far.close()

    def _wake(self) -> None:
        with contextlib.suppress(OSError):  # full: it is awake already; closed: it has ended
            self._far.send(b"\0")

    # --- on the network thread

    def _run(self) -> None:
        try:
            self._serve()
        except Exception as err:  # noqa: BLE001 - the taker sees that it ended, and makes a new session
            log.warning("the network thread ended (%r); starting it again", err)

    def _serve(self) -> None:
        tries = 0
        while not self._leaving.is_set():
            if self._reach():
                self._talk()
            tries = 0 if self._accepted else tries + 1
            self._accepted = False
            longest = min(2.0**tries, _LONGEST_S)
            if not self._leaving.is_set():
                self._leaving.wait(longest * random.uniform(0.5, 1.0))  # noqa: S311 - spreads the crowd
        self._farewell()

    def _reach(self) -> bool:
        try:
            self.client.reconnect()
        except ssl.SSLError as err:
            self.problem = connection.distrusted(self._broker, err)
        except (OSError, ValueError):
            self.problem = connection.away(self._broker)
        else:
            return True
        self.link += 1
        return False

    def _talk(self) -> None:
        began = time.monotonic()
        while (now := self.client.socket()) is not None and not self._leaving.is_set():
            self._turn(now)
            if not self._answered and time.monotonic() - began > _ANSWER_S:
                self.problem = connection.silent(self._broker)
                self.link += 1
                return

    def _turn(self, sock: mqtt.SocketLike) -> None:
        """Write what is to be written; read only while there is room."""
        client = self.client
        if self._in - self._out >= _PLENTY:
            select.select([self._near], [], [], _REST_S)
        room = self._room()
        more = room and not client.dry
        readers = [self._near, sock] if room else [self._near]
        writers = [sock] if client.want_write() else []
        ready, _, _ = select.select(readers, writers, [], 0 if more else _TURN_S)
        if self._near in ready:
            with contextlib.suppress(BlockingIOError):
                self._near.recv(4096)
        self._send_acks()
        if more or sock in ready:
            self._floor = floor_of(self.now(), self._lane)
            before = self._in
            client.read(_BURST)
            if self._in - before >= _SEVERAL:  # what comes meanwhile is read in one go; we may go on at once
                select.select([self._near], [], [], _COLLECT_S)
        if client.want_write():
            client.loop_write()
        if not room:
            client.hold_back()
        client.loop_misc()

    def _room(self) -> bool:
        return self._in - self._out < ROOM and self._in_bytes - self._out_bytes < ROOM_BYTES

    def _send_acks(self) -> None:
        while self._acks:
            link, mids = self._acks.popleft()
            if link == self.link:
                self.client.ack_all(mids)

    def _farewell(self) -> None:
        """Send the last acknowledgements and our leave; wait a moment for the broker's answer."""
        if self.client.socket() is None or not self.client.is_connected():
            return
        said = self.client.publish(self._status, "offline", qos=1, retain=True)
        until = time.monotonic() + _LEAVE_S
        while not said.is_published() and time.monotonic() < until and (sock := self.client.socket()):
            self._send_acks()
            if self.client.want_write():
                self.client.loop_write()
            if self._room() and select.select([sock], [], [], 0.05)[0]:
                self.client.read(_BURST)  # what comes now is not acknowledged: the broker keeps it
        self.client.disconnect()
        if self.client.socket() is not None:
            self.client.loop_write()

    # --- called back by paho: none of these may raise or wait

    def _connected(
        self, client: mqtt.Client, _data: object, flags: ConnectFlags, reason: ReasonCode, _properties: object
    ) -> None:
        self._answered, self._closed, self._linked = True, 0, self.now()
        if reason.is_failure:
            unknown = reason.getName() == "Unsupported protocol version"
            self.wrong_version = self.protocol == connection.V5 and unknown
            self.problem = connection.refused(self._broker, reason)
            return
        self.problem, self._accepted = None, True
        self.kept, self.trusted_until_s = flags.session_present, connection.trusted_until_s(client)
        self.met += 1
        if self.protocol == connection.V5:
            options = SubscribeOptions(
                qos=1,
                noLocal=self._broker.share
                is None,  # our verdicts; on a shared one MQTT 5.0 3.8.3.1 forbids it
                retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB,
            )
            tell = SubscribeOptions(qos=0, retainHandling=SubscribeOptions.RETAIN_SEND_IF_NEW_SUB)
            client.subscribe([*((one, options) for one in self.filters), (self._status, tell)])
        else:
            client.subscribe([(one, 1) for one in self.filters])
        if self._former:  # last, so that what comes in between reaches one of them
            client.unsubscribe(self._former)
        client.publish(self._status, "online", qos=1, retain=True)

    def _parted(
        self, _client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        self.link += 1
        answered, self._answered = self._answered, False
        if tls := self.client.tls_error:
            self.problem = connection.tls_ended(self._broker, tls)
            return
        if not answered:
            self._closed += 1
            self.wrong_version = self._closed >= _CLOSED  # no answer at all: perhaps it knows only the other
        if reason.is_failure and self.problem is None:
            where = f"{self._broker.host}:{self._broker.port}"
            self.problem = (
                f"the broker at {where} ended the connection ({reason.getName()}); connecting again"
            )

    def _subscribed(
        self, _client: mqtt.Client, _data: object, _mid: int, reasons: list[ReasonCode], _properties: object
    ) -> None:
        if refused := [one for one, why in zip(self.filters, reasons, strict=False) if why.is_failure]:
            self.problem = f"the broker refuses our subscription to {' and '.join(refused)}"
        self.ready.set()

    def _arrived(self, packets: Sequence[connection.Packet]) -> None:
        if len(self._names) > _MOST_NAMES:
            self._names.clear()
        names, floor, linked = self._names, self._floor, self._linked
        burst: list[RawMessage] = []
        size = 0
        for topic, payload, mid, first, forwarded in packets:
            name = names.get(topic)
            if name is None:
                name = _name_of(topic)
                if len(topic) <= _LONG_NAME:
                    names[topic] = name
            retained = first & connection.RETAINED != 0
            if retained and name == self._status and self.protocol == connection.V5:
                # Sent for a new subscription only: somebody has cleared our session and left his own there.
                self.kept = False
            if not mid:
                self._bare = self._bare % _LAST + 1
            arrived = stamped(floor, mid or self._bare)
            again = first & connection.AGAIN != 0
            made = message_of(name, payload, arrived, mid, linked, retained=retained, again=again)
            if forwarded:
                forwarding.apply(made, forwarded)
            burst.append(made)
            size += len(payload)
        self._in += len(burst)
        self._in_bytes += size
        self._inbox.put(Batch(burst, self.link))


def _name_of(topic: bytes) -> str:
    try:
        return topic.decode()
    except UnicodeDecodeError:
        return "(not UTF-8)"


def _size(raws: Sequence[RawMessage]) -> int:
    return sum([len(raw.payload) for raw in raws])


def _will(protocol: MQTTProtocolVersion) -> Properties | None:
    return Properties(PacketTypes.WILLMESSAGE) if protocol == connection.V5 else None  # type: ignore[no-untyped-call]
