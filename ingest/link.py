"""paho's client, reading by the bufferful and acknowledging by the batch, for a loop of our own.

paho asks the socket three times for each packet and hands its network thread no way to stop reading. This
client reads what is there once and lets paho's parser take its bytes from memory; `Session` calls it only
while there is room, so that TCP itself holds back a broker that sends more than it should.
"""

from __future__ import annotations

import ssl
import struct
from collections.abc import Sequence
from typing import Any, Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

_CHUNK: Final = 65_536
_PUBACK: Final = 0x40


class Link(mqtt.Client):
    """A paho client whose bytes come from a buffer.

    ``dry`` says that the socket had nothing more; ``tls_error`` what TLS said when it ended the connection.
    """

    def __init__(self, **options: Any) -> None:  # noqa: ANN401 - handed on to paho
        self.dry = True
        self.tls_error: str | None = None
        self._chunk = b""
        self._at = 0
        super().__init__(CallbackAPIVersion.VERSION2, **options)

    def reconnect(self) -> MQTTErrorCode:
        """Connect anew, with an empty buffer."""
        self._chunk, self._at, self.dry, self.tls_error = b"", 0, True, None
        return super().reconnect()

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
            if self.dry or self.socket() is None:
                break
            self.loop_read()

    def ack_all(self, mids: Sequence[int]) -> None:
        """Acknowledge QoS 1 messages in the order given, in one piece (four bytes each, MQTT 5.0 3.4)."""
        packet = b"".join(struct.pack("!BBH", _PUBACK, 2, mid) for mid in mids)
        self._packet_queue(_PUBACK, packet, mids[-1], 1)

    def hold_back(self) -> None:
        """Do not count it against the broker that its answer to our ping lies unread."""
        self._ping_t = 0.0
