"""paho's client, reading by the bufferful and acknowledging by the batch, for a loop of our own.

paho asks the socket three times for each packet, builds an object of twenty-seven properties for each message
and gives its network thread no way to stop reading. This client reads what is there once; a message that lies
whole in the buffer is taken apart here, everything else by paho, from the same buffer. `Session` calls `read`
only while there is room, so that TCP itself holds back a broker that sends more than it should.
"""

from __future__ import annotations

import socket
import ssl
import struct
import time
from collections.abc import Callable, Sequence
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion

_CHUNK: Final = 65_536
_PUBLISH: Final = 0x30
_PUBACK: Final = 0x40
_KIND: Final = 0xF0


class Link(mqtt.Client):
    """A paho client whose bytes come from a buffer.

    ``dry`` says that the socket had nothing more; ``tls_error`` what TLS said when it ended the connection.
    ``on_packet`` takes topic, payload, packet identifier (0 for QoS 0), whether it is a repeat and whether
    it is a retained copy; it may not raise.
    """

    on_packet: Callable[[bytes, bytes, int, bool, bool], None]

    def __init__(self, **options: Any) -> None:  # noqa: ANN401 - handed on to paho
        self.dry = True
        self.tls_error: str | None = None
        self._chunk = b""
        self._at = 0
        super().__init__(CallbackAPIVersion.VERSION2, **options)
        self.on_packet = lambda *_: None
        self.on_message = self._by_paho

    def reconnect(self) -> MQTTErrorCode:
        """Connect anew, with an empty buffer."""
        self._chunk, self._at, self.dry, self.tls_error = b"", 0, True, None
        return super().reconnect()

    def _ssl_wrap_socket(self, tcp_sock: socket.socket) -> ssl.SSLSocket:
        """Shake hands as paho does, and close the socket if that fails (paho leaves it open)."""
        if self._ssl_context is None:
            raise ValueError("TLS was not set up")
        made = self._ssl_context.wrap_socket(
            tcp_sock, server_hostname=self._host, do_handshake_on_connect=False
        )
        try:
            made.settimeout(self._connect_timeout)
            made.do_handshake()
        except BaseException:
            made.close()
            raise
        return made

    def _sock_recv(self, bufsize: int) -> bytes:
        if self._at >= len(self._chunk):
            try:
                self._chunk, self._at = super()._sock_recv(_CHUNK), 0
            except BlockingIOError:
                self.dry = True
                raise
            except ssl.SSLError as err:
                self.tls_error = err.reason or str(err)
                raise
        piece = self._chunk[self._at : self._at + bufsize]
        self._at += len(piece)
        return piece

    def read(self, most: int) -> None:
        """Take in packets until the socket is dry, the connection gone or ``most`` are read."""
        self.dry = False
        for _ in range(most):
            if self._in_packet["command"] == 0 and self._publish():
                continue
            if self.dry or self.socket() is None:
                break
            self.loop_read()
        self._last_bytes_received = time.monotonic()

    def _publish(self) -> bool:
        """Hand out the message that comes next if it lies whole in the buffer and is of QoS 0 or 1."""
        chunk, at = self._chunk, self._at
        if at >= len(chunk) or chunk[at] & _KIND != _PUBLISH or chunk[at] & 6 > 2:
            return False
        first = chunk[at]
        try:
            length, at = _varint(chunk, at + 1)
            end = at + length
            topic_end = at + 2 + (chunk[at] << 8 | chunk[at + 1])
            topic = chunk[at + 2 : topic_end]
            at, mid = topic_end, 0
            if first & 2:
                mid = chunk[at] << 8 | chunk[at + 1]
                at += 2
            if self._protocol == MQTTProtocolVersion.MQTTv5:
                length, at = _varint(chunk, at)
                at += length  # properties: none changes what the message says
        except IndexError:
            return False
        if at > end or end > len(chunk) or not topic or (first & 2 and not mid):
            return False  # not whole, or malformed: paho sees to it
        self._at = end
        self.on_packet(topic, chunk[at:end], mid, bool(first & 8), bool(first & 1))
        return True

    def _by_paho(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        mid = message.mid if message.qos else 0
        self.on_packet(message._topic, bytes(message.payload), mid, message.dup, message.retain)  # noqa: SLF001

    def ack_all(self, mids: Sequence[int]) -> None:
        """Acknowledge QoS 1 messages in the order given, in one piece (four bytes each, MQTT 5.0 3.4)."""
        packet = b"".join(struct.pack("!BBH", _PUBACK, 2, mid) for mid in mids)
        self._packet_queue(_PUBACK, packet, mids[-1], 1)

    def hold_back(self) -> None:
        """Do not count it against the broker that its answer to our ping lies unread."""
        self._ping_t = 0.0


def _varint(chunk: bytes, at: int) -> tuple[int, int]:
    """Read a number of one to four bytes (MQTT 5.0 1.5.5) and where it ends."""
    value = 0
    for shift in (0, 7, 14, 21):
        byte = chunk[at]
        at += 1
        value |= (byte & 127) << shift
        if byte < 128:
            return value, at
    raise IndexError("no such number")
