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
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from baulk.ingest.config import PASSWORD, BrokerPart, Config
from baulk.ingest.errors import BrokerError

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


V5: Final = MQTTProtocolVersion.MQTTv5
V311: Final = MQTTProtocolVersion.MQTTv311
RECEIVE_MAXIMUM: Final = 1000  # messages that the broker may send ahead of our acknowledgements
LARGEST: Final = (
    4_000_000  # bytes of a message; the broker does not send us a larger one (MQTT 5.0 3.1.2.11.4)
)
_LONGEST_SESSION_S: Final = 2**32 - 2


def client(config: Config, client_id: str, *, part: str, protocol: MQTTProtocolVersion, keep: bool) -> Link:
    """Make a part's client, which acknowledges by hand; with ``keep`` the broker keeps its session."""
    broker = config.broker
    made = Link(
        client_id=client_id,
        protocol=protocol,
        manual_ack=True,
        clean_session=None if protocol == V5 else not keep,
    )
    made.suppress_exceptions = True  # an exception in a callback would end the network thread in silence
    made.reconnect_delay_set(1, 15)
    if broker.user is not None:
        password = broker.password.get_secret_value() if broker.password else None
        made.username_pw_set(broker.account(part), password)
    if broker.tls:
        try:
            made.tls_set(
                ca_certs=_path(config, broker.ca_file),
                certfile=_path(config, broker.cert_file),
                keyfile=_path(config, broker.key_file),
            )
        except (OSError, ssl.SSLError, ValueError) as err:
            raise BrokerError(f"the [broker] certificate or key file can't be used: {err}") from err
    return made


def start(made: Link, config: Config, *, protocol: MQTTProtocolVersion, keep: bool) -> None:
    """Name the broker to the client; its loop then connects and connects again."""
    broker = config.broker
    if protocol == V5:
        wanted = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        wanted.SessionExpiryInterval = (
            min(int(broker.session_days * 86400), _LONGEST_SESSION_S) if keep else 0
        )
        wanted.ReceiveMaximum = RECEIVE_MAXIMUM
        wanted.MaximumPacketSize = LARGEST
        made.connect_async(
            broker.host, broker.port, broker.keepalive_s, clean_start=not keep, properties=wanted
        )
    else:
        made.connect_async(broker.host, broker.port, broker.keepalive_s)


def trusted_until_s(made: mqtt.Client) -> float | None:
    """Return when the broker's certificate ends, in seconds since 1970; None without TLS."""
    sock: object = made.socket()
    if isinstance(sock, ssl.SSLSocket) and (until := (sock.getpeercert() or {}).get("notAfter")):
        return float(ssl.cert_time_to_seconds(str(until)))
    return None


def away(broker: BrokerPart) -> str:
    """Say that the broker can't be reached."""
    secure = " with TLS" if broker.tls else ""
    where = f"the broker at {broker.host}:{broker.port}{secure}"
    return f"{where} can't be reached; start it, or correct [broker] in baulk.toml"


def refused(broker: BrokerPart, reason: ReasonCode) -> str:
    """Say why the broker does not let us in."""
    where = f"the broker at {broker.host}:{broker.port}"
    if reason.getName() in {"Not authorized", "Bad user name or password"}:
        return f"{where} refuses our user name or password; correct user in [broker] and {PASSWORD}"
    return f"{where} refuses us: {reason.getName()}"


def distrusted(broker: BrokerPart, err: ssl.SSLError) -> str:
    """Say why TLS did not come about."""
    where = f"the broker at {broker.host}:{broker.port}"
    if isinstance(err, ssl.SSLCertVerificationError):
        if "mismatch" in err.verify_message.lower():
            return (
                f"{where} has a certificate for another name ({err.verify_message}); correct host in [broker]"
            )
        return (
            f"{where} is not trusted: {err.verify_message}; "
            "set ca_file in [broker] to the certificate of the shop's own CA"
        )
    return f"{where} does not speak TLS ({err.reason or err}); correct port or tls in [broker]"


def tls_ended(broker: BrokerPart, reason: str) -> str:
    """Say why TLS ended, which may come after the connection stood (TLS 1.3)."""
    where = f"the broker at {broker.host}:{broker.port}"
    if "CERTIFICATE" in reason.upper() or "UNKNOWN_CA" in reason.upper():
        return (
            f"{where} does not accept our certificate ({reason}); "
            "set cert_file and key_file in [broker] to those made for this client by the broker's CA"
        )
    return f"TLS with {where} ended ({reason}); connecting again"


def silent(broker: BrokerPart) -> str:
    """Say that something took the connection and does not answer."""
    tls = "tls = true" if not broker.tls else "tls = false"
    return (
        f"the broker at {broker.host}:{broker.port} takes the connection and does not answer; "
        f"correct port in [broker], or try {tls}"
    )


def _path(config: Config, path: object) -> str | None:
    return str(config.shop_dir / str(path)) if path else None
