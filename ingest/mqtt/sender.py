"""The forwarder's connection to the shop's broker: sends in order, QoS 1, and tells what was confirmed.

Only so many messages are under way as the broker allows; paho sends those again, in order, when the link
comes back. What is said of a message goes with it as a user property, which MQTT 3.1.1 does not know.
"""

from __future__ import annotations

import contextlib
import ssl
from collections import deque
from collections.abc import Sequence
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.client import ConnectFlags
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from baulk.ingest.config import Config, ForwardPart
from baulk.ingest.mqtt import connection
from baulk.ingest.wire import forwarding
from baulk.ingest.wire.message import RawMessage

UNDER_WAY: Final = 200  # messages at most
_LONGEST_S: Final = 60  # between two tries to connect
_HEAD: Final = 400  # bytes of a packet beside topic and payload, at the most
_LEAVE_S: Final = 2.0
# refused for good: not authorized, topic name invalid, packet too large, payload format invalid
_NOBODY: Final = 0x10  # confirmed, and thrown away: nobody subscribes (MQTT 5.0 3.4.2.1)
_FOR_GOOD: Final = frozenset({0x87, 0x90, 0x95, 0x99})


class Sender:
    """One connection after another to the shop's broker.

    Parameters
    ----------
    config : Config
        The settings, with a [forward].
    part : ForwardPart
        That part.
    status : str
        Topic of our own state there.
    will : bytes
        What the broker says there when we are gone.
    """

    def __init__(self, config: Config, part: ForwardPart, *, status: str, will: bytes) -> None:
        self._part, self._status = part, status
        self.problem: str | None = None
        self.connected = False
        self.met = 0  # times that the broker has let us in
        self.again = False  # whether the broker put off a message, which has to be sent once more
        self._room = UNDER_WAY
        self._largest: int | None = None
        self._under_way: deque[tuple[int, int]] = deque()  # number in the spool, packet identifier
        self._answers: deque[tuple[int, int]] = deque()  # packet identifier, reason
        self._answered: dict[int, int] = {}
        client_id = part.client_id or f"{config.client_id}-{part.name}"[:64]
        self.client = connection.client(
            config, client_id, part="forward", protocol=connection.V5, keep=False, broker=part
        )
        self.client.max_inflight_messages_set(UNDER_WAY)
        self.client.reconnect_delay_set(1, _LONGEST_S)
        beside = Properties(PacketTypes.WILLMESSAGE)  # type: ignore[no-untyped-call]
        self.client.will_set(status, will, qos=1, retain=True, properties=beside)
        self.client.on_connect = self._connected
        self.client.on_connect_fail = self._failed
        self.client.on_disconnect = self._parted
        self.client.on_publish = self._published
        connection.start(self.client, config, protocol=connection.V5, keep=False, broker=part)

    # --- for the caller's thread

    def start(self) -> None:
        """Begin to connect."""
        self.client.loop_start()

    @property
    def room(self) -> int:
        """How many more messages may be under way now."""
        return max(0, self._room - len(self._under_way)) if self.connected and not self.again else 0

    @property
    def under_way(self) -> set[int]:
        """Numbers of the messages that are not confirmed yet."""
        return {number for number, _ in self._under_way}

    def send(self, those: Sequence[tuple[int, RawMessage]]) -> list[int]:
        """Send messages, and return the numbers of those that the broker takes no message as long as."""
        too_long = []
        for number, raw in those:
            if self._largest is not None and len(raw.payload) + len(raw.topic) * 3 + _HEAD > self._largest:
                too_long.append(number)
                continue
            beside = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            beside.UserProperty = [(forwarding.KEY, forwarding.value(raw, self._part.name))]
            try:
                sent = self.client.publish(raw.topic, raw.payload, qos=1, properties=beside)
            except ValueError:  # no topic that may be published to
                too_long.append(number)
                continue
            self._under_way.append((number, sent.mid))
        return too_long

    def confirmed(self) -> tuple[list[int], list[int], list[int]]:
        """Return the numbers of what the broker has, what nobody there asks for, and what it refuses."""
        while self._answers:
            mid, reason = self._answers.popleft()
            self._answered[mid] = reason
        had, unasked, refused = [], [], []
        while self._under_way and self._under_way[0][1] in self._answered:
            number, mid = self._under_way.popleft()
            reason = self._answered.pop(mid)
            if reason == _NOBODY:
                unasked.append(number)
            elif reason < 0x80:
                had.append(number)
            elif reason in _FOR_GOOD:
                refused.append(number)
            else:
                self.again = True
        return had, unasked, refused

    def tell(self, payload: bytes) -> None:
        """Publish our own state, retained; one that was not sent yet is not kept for later."""
        if self.connected:
            self.client.publish(self._status, payload, qos=0, retain=True)

    def leave(self, last_words: bytes) -> None:
        """Say how we are, and goodbye; what is not confirmed stays in the spool."""
        if self.connected:
            said = self.client.publish(self._status, last_words, qos=1, retain=True)
            if not self._under_way:  # else it waits behind them
                with contextlib.suppress(RuntimeError, ValueError):
                    said.wait_for_publish(_LEAVE_S)
        self.client.disconnect()
        self.client.loop_stop()

    # --- called back by paho: none of these may raise or wait

    def _connected(
        self,
        _client: mqtt.Client,
        _data: object,
        _flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            if reason.getName() == "Unsupported protocol version":
                where = f"{self._part.host}:{self._part.port}"
                self.problem = (
                    f"the broker at {where} does not speak MQTT 5, by which the time of each message goes "
                    "with it; take a newer one"
                )
            else:
                self.problem = connection.refused(self._part, reason)
            return
        self._room = min(UNDER_WAY, getattr(properties, "ReceiveMaximum", UNDER_WAY))
        self._largest = getattr(properties, "MaximumPacketSize", None)
        self.problem, self.connected = None, True
        self.met += 1

    def _failed(self, _client: mqtt.Client, _data: object) -> None:
        err = self.client.failed
        if isinstance(err, ssl.SSLError):
            self.problem = connection.distrusted(self._part, err)
        else:
            self.problem = connection.away(self._part)

    def _parted(
        self, _client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, _properties: object
    ) -> None:
        was, self.connected = self.connected, False
        if tls := self.client.tls_error:
            self.problem = connection.tls_ended(self._part, tls)
        elif was and reason.is_failure:
            self.problem = f"the link to {self._part.host}:{self._part.port} is gone ({reason.getName()})"

    def _published(
        self, _client: mqtt.Client, _data: object, mid: int, reason: ReasonCode, _properties: object
    ) -> None:
        self._answers.append((mid, reason.value))
