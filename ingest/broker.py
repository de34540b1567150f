"""A client for the shop's broker, set up from the configuration; and what its refusals mean in words."""

from __future__ import annotations

import ssl
from typing import Final

from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from baulk.ingest.config import PASSWORD, BrokerPart, Config
from baulk.ingest.errors import BrokerError
from baulk.ingest.link import Link

V5: Final = MQTTProtocolVersion.MQTTv5
V311: Final = MQTTProtocolVersion.MQTTv311
RECEIVE_MAXIMUM: Final = 1000  # messages that the broker may send ahead of our acknowledgements
LARGEST: Final = (
    4_000_000  # bytes of a message; the broker does not send us a larger one (MQTT 5.0 3.1.2.11.4)
)
_LONGEST_SESSION_S: Final = 2**32 - 2


def client(config: Config, client_id: str, *, protocol: MQTTProtocolVersion, keep: bool) -> Link:
    """Make a client that acknowledges by hand; with ``keep`` the broker keeps its session."""
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
        made.username_pw_set(broker.user, password)
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
