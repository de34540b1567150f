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

from baulk.ingest.config import BrokerAt, Config
from baulk.ingest.errors import BrokerError
from baulk.ingest.wire import forwarding

_CHUNK: Final = 65_536
_SHORT: Final = 4096  # bytes of a message that waits for its end here; a longer one is put together by paho
_PUBLISH: Final = 0x30
_PUBACK: Final = 0x40
_KIND: Final = 0xF0
# topic, payload, packet identifier or 0, first byte (MQTT 5.0 3.3.1), what its forwarder says of it
Packet = tuple[bytes, bytes, int, int, bytes]
AGAIN: Final = 8  # in the first byte: sent once more
RETAINED: Final = 1


class Link(mqtt.Client):
    """A paho client whose bytes come from a buffer.

    ``dry`` says that the socket had nothing more; ``tls_error`` what TLS said when it ended the connection;
    ``failed`` why the last try to connect came to nothing.
    ``on_packets`` takes the messages of one reading in order; it may not raise.
    """

    on_packets: Callable[[Sequence[Packet]], None]

    def __init__(self, **options: Any) -> None:  # noqa: ANN401 - handed on to paho
        self.dry = True
        self.tls_error: str | None = None
        self.failed: OSError | None = None
        self._chunk = b""
        self._at = 0
        self._packets: list[Packet] = []
        super().__init__(CallbackAPIVersion.VERSION2, **options)
        self.on_packets = lambda _: None
        self.on_message = self._by_paho

    def reconnect(self) -> MQTTErrorCode:
        """Connect anew, with an empty buffer."""
        self._chunk, self._at, self.dry, self.tls_error, self.failed = b"", 0, True, None, None
        try:
            return super().reconnect()
        except OSError as err:
            self.failed = err
            raise

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
            self._fill()
        piece = self._chunk[self._at : self._at + bufsize]
        self._at += len(piece)
        return piece

    def _fill(self) -> None:
        """Put what the socket has behind what is left of the buffer."""
        rest = self._chunk[self._at :]
        try:
            self._chunk, self._at = rest + super()._sock_recv(_CHUNK), 0
        except BlockingIOError:
            self.dry = True
            raise
        except ssl.SSLError as err:
            self.tls_error = self.tls_error or err.reason or str(err)
            raise

    def read(self, most: int) -> None:
        """Take in packets until the socket is dry, the connection gone or about ``most`` are read."""
        self.dry, left = False, most
        while left > 0 and not self.dry and self.socket() is not None:
            if self._in_packet["command"] == 0:
                found = self._messages()
                left -= found
                if found or self._is_filled():
                    continue
                if self.dry and self._at >= len(self._chunk):
                    break
            self._hand_out()  # before paho can find that the connection is gone
            self.loop_read()
            left -= 1
        self._hand_out()
        self._last_bytes_received = time.monotonic()

    def _is_filled(self) -> bool:
        """Get more behind a message of which only the beginning is there; return whether more came.

        Anything else that is there is left to paho, and so is what goes wrong, which it meets once more.
        """
        rest = len(self._chunk) - self._at
        if rest and (rest > _SHORT or not _is_plain(self._chunk[self._at])):
            return False
        try:
            self._fill()
        except OSError:
            return False
        return len(self._chunk) > rest

    def _hand_out(self) -> None:
        if self._packets:
            packets, self._packets = self._packets, []
            self.on_packets(packets)

    def _messages(self) -> int:
        """Take out the messages of QoS 0 and 1 that lie whole in the buffer next; return how many."""
        chunk, at, packets = self._chunk, self._at, self._packets
        size, before, is_5 = len(chunk), len(packets), self._protocol == MQTTProtocolVersion.MQTTv5
        while at < size:
            first = chunk[at]
            if not _is_plain(first):
                break
            try:
                length, begin = chunk[at + 1], at + 2
                if length > 127:
                    length, begin = _varint(chunk, at + 1)
                end = begin + length
                topic_end = begin + 2 + (chunk[begin] << 8 | chunk[begin + 1])
                body, mid, forwarded = topic_end, 0, b""
                if first & 2:
                    mid = chunk[body] << 8 | chunk[body + 1]
                    body += 2
                if is_5:  # properties: none changes what the message says, one where it comes from
                    properties = chunk[body]
                    body += 1
                    if properties > 127:
                        properties, body = _varint(chunk, body - 1)
                    if properties > forwarding.LEAST:
                        forwarded = forwarding.found(chunk[body : body + properties])
                    body += properties
            except IndexError:
                break
            if body > end or end > size or topic_end == begin + 2 or (first & 2 and not mid):
                break  # not whole, or malformed: paho sees to it
            packets.append((chunk[begin + 2 : topic_end], chunk[body:end], mid, first, forwarded))
            at = end
        self._at = at
        return len(packets) - before

    def _by_paho(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        first = _PUBLISH | message.dup << 3 | message.qos << 1 | message.retain
        mid = message.mid if message.qos else 0
        said = dict(getattr(message.properties, "UserProperty", ()))
        forwarded = said.get(forwarding.KEY, "").encode()
        self._packets.append((message._topic, bytes(message.payload), mid, first, forwarded))  # noqa: SLF001
        self._hand_out()

    def ack_all(self, mids: Sequence[int]) -> None:
        """Acknowledge QoS 1 messages in the order given, in one piece (four bytes each, MQTT 5.0 3.4)."""
        packet = struct.pack(f"!{len(mids)}I", *[_PUBACK << 24 | 2 << 16 | mid for mid in mids])
        self._packet_queue(_PUBACK, packet, mids[-1], 1)

    def hold_back(self) -> None:
        """Do not count it against the broker that its answer to our ping lies unread."""
        self._ping_t = 0.0


def _is_plain(first: int) -> bool:
    """Whether the first byte of a packet begins a message of QoS 0 or 1."""
    return first & _KIND == _PUBLISH and first & 6 <= 2


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
RECEIVE_MAXIMUM: Final = 2000  # messages that the broker may send ahead of our acknowledgements
LARGEST: Final = (
    4_000_000  # bytes of a message; the broker does not send us a larger one (MQTT 5.0 3.1.2.11.4)
)
_LONGEST_SESSION_S: Final = 2**32 - 2


def client(  # noqa: PLR0913 - what makes one client another than the next
    config: Config,
    client_id: str,
    *,
    part: str,
    protocol: MQTTProtocolVersion,
    keep: bool,
    broker: BrokerAt | None = None,
) -> Link:
    """Make a part's client, which acknowledges by hand; with ``keep`` the broker keeps its session.

    Without a ``broker`` it is that of [broker].
    """
    broker = broker or config.broker
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
            raise BrokerError(f"the [{broker.section}] certificate or key file can't be used: {err}") from err
    return made


def start(
    made: Link,
    config: Config,
    *,
    protocol: MQTTProtocolVersion,
    keep: bool,
    broker: BrokerAt | None = None,
) -> None:
    """Name the broker to the client; its loop then connects and connects again."""
    broker = broker or config.broker
    if protocol == V5:
        wanted = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        wanted.SessionExpiryInterval = (
            min(int(config.broker.session_days * 86400), _LONGEST_SESSION_S) if keep else 0
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


def away(broker: BrokerAt) -> str:
    """Say that the broker can't be reached."""
    secure = " with TLS" if broker.tls else ""
    where = f"the broker at {broker.host}:{broker.port}{secure}"
    return f"{where} can't be reached; start it, or correct [{broker.section}] in baulk.toml"


def refused(broker: BrokerAt, reason: ReasonCode) -> str:
    """Say why the broker does not let us in."""
    where = f"the broker at {broker.host}:{broker.port}"
    if reason.getName() in {"Not authorized", "Bad user name or password"}:
        cure = f"correct user in [{broker.section}] and {broker.secret}"
        return f"{where} refuses our user name or password; {cure}"
    return f"{where} refuses us: {reason.getName()}"


def distrusted(broker: BrokerAt, err: ssl.SSLError) -> str:
    """Say why TLS did not come about."""
    where = f"the broker at {broker.host}:{broker.port}"
    if isinstance(err, ssl.SSLCertVerificationError):
        if "mismatch" in err.verify_message.lower():
            return (
                f"{where} has a certificate for another name ({err.verify_message}); "
                f"correct host in [{broker.section}]"
            )
        return (
            f"{where} is not trusted: {err.verify_message}; "
            f"set ca_file in [{broker.section}] to the certificate of the shop's own CA"
        )
    return f"{where} does not speak TLS ({err.reason or err}); correct port or tls in [{broker.section}]"


def tls_ended(broker: BrokerAt, reason: str) -> str:
    """Say why TLS ended, which may come after the connection stood (TLS 1.3)."""
    where = f"the broker at {broker.host}:{broker.port}"
    if "CERTIFICATE" in reason.upper() or "UNKNOWN_CA" in reason.upper():
        return (
            f"{where} does not accept our certificate ({reason}); "
            f"set cert_file and key_file in [{broker.section}] "
            "to those made for this client by the broker's CA"
        )
    return f"TLS with {where} ended ({reason}); connecting again"


def silent(broker: BrokerAt) -> str:
    """Say that something took the connection and does not answer."""
    tls = "tls = true" if not broker.tls else "tls = false"
    return (
        f"the broker at {broker.host}:{broker.port} takes the connection and does not answer; "
        f"correct port in [{broker.section}], or try {tls}"
    )


def _path(config: Config, path: object) -> str | None:
    return str(config.shop_dir / str(path)) if path else None
