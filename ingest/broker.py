"""A client for the shop's broker, set up from the configuration; and what its refusals mean in words."""

from __future__ import annotations

import ssl
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from baulk.ingest.config import PASSWORD, BrokerPart, Config
from baulk.ingest.errors import BrokerError

V5: Final = MQTTProtocolVersion.MQTTv5
V311: Final = MQTTProtocolVersion.MQTTv311
RECEIVE_MAXIMUM: Final = 500  # messages that the broker may send ahead of our acknowledgements
_LONGEST_SESSION_S: Final = 2**32 - 2


def client(config: Config, client_id: str, *, protocol: MQTTProtocolVersion, keep: bool) -> mqtt.Client:
    """Make a client that acknowledges by hand; with ``keep`` the broker keeps its session."""
    broker = config.broker
    made = mqtt.Client(
        CallbackAPIVersion.VERSION2,
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


def start(made: mqtt.Client, config: Config, *, protocol: MQTTProtocolVersion, keep: bool) -> None:
    """Name the broker to the client; its loop then connects and connects again."""
    broker = config.broker
    if protocol == V5:
        wanted = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        wanted.SessionExpiryInterval = (
            min(int(broker.session_days * 86400), _LONGEST_SESSION_S) if keep else 0
        )
        wanted.ReceiveMaximum = RECEIVE_MAXIMUM
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


def _path(config: Config, path: object) -> str | None:
    return str(config.shop_dir / str(path)) if path else None
