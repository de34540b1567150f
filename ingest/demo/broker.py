"""The demo's broker: mosquitto if it is on the machine, else the one that comes inside a Python package."""

from __future__ import annotations

import importlib.util
import os
import shutil
import socket
import sys
from dataclasses import dataclass
from pathlib import Path

from baulk.ingest.errors import extra_missing
from baulk.models.errors import BaulkError

HOST = "127.0.0.1"

_MOSQUITTO = """\
# written by baulk demo: this machine only, nothing kept
listener {port} {host}
allow_anonymous true
persistence false
set_tcp_nodelay true
max_queued_messages 1000000
log_dest stderr
log_type error
log_type warning
"""

# one MQTT 5 listener: the embedded broker gives each version a port of its own
_EMBEDDED = """\
id = 0

[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 10000
max_segment_size = 104857600
max_segment_count = 10

[v5.1]
name = "demo"
listen = "{host}:{port}"
next_connection_delay_ms = 1

[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 1048576
max_inflight_count = 500
"""


class NoBroker(BaulkError):
    """There is no broker to start on this machine."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerPlan:
    """How to start a broker that listens on this machine only.

    Parameters
    ----------
    kind : str
        "mosquitto" or "embedded".
    host : str
        Address that it will listen on.
    port : int
        Port that it will listen on.
    argv : tuple of str
        The program and its arguments.
    """

    kind: str
    host: str
    port: int
    argv: tuple[str, ...]


def find_mosquitto() -> str | None:
    """Return the path of mosquitto; Debian puts it where an ordinary user's path does not look."""
    return shutil.which("mosquitto", path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/sbin"]))


def plan(folder: Path, port: int, *, mosquitto: str | None) -> BrokerPlan:
    """Write the broker's settings into a folder and say how to start it.

    Parameters
    ----------
    folder : Path
        Where the settings file goes.
    port : int
        A free port of this machine.
    mosquitto : str, optional
        Path of mosquitto; without one the embedded broker is taken.

    Returns
    -------
    BrokerPlan
        Ready to be started.

    Raises
    ------
    NoBroker
        If neither is installed.
    """
    if mosquitto is not None:
        settings = folder / "mosquitto.conf"
        settings.write_text(_MOSQUITTO.format(host=HOST, port=port))
        return BrokerPlan(kind="mosquitto", host=HOST, port=port, argv=(mosquitto, "-c", str(settings)))
    if importlib.util.find_spec("iotcore") is None:
        raise NoBroker(f"{extra_missing('The demo', 'demo')}, or install mosquitto")
    settings = folder / "broker.toml"
    settings.write_text(_EMBEDDED.format(host=HOST, port=port))
    quiet = "import logging; logging.getLogger('rumqttd').setLevel(logging.CRITICAL)"  # it tells every packet
    run = f"{quiet}; import sys; from iotcore import Broker; Broker(config_path=sys.argv[1]).run_forever()"
    return BrokerPlan(
        kind="embedded", host=HOST, port=port, argv=(sys.executable, "-P", "-c", run, str(settings))
    )


def free_port() -> int:
    """Return a port of this machine that nothing listens on at the moment."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
    return port


def answers(port: int, host: str = HOST) -> bool:
    """Whether something takes connections on a port of this machine."""
    try:
        with socket.create_connection((host, port), timeout=0.3):
            return True
    except OSError:
        return False
