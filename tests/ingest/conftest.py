"""A shop of its own for every test of ingest, a stub of a message, and a real mosquitto."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from waited import until

from baulk.ingest import shop
from baulk.ingest.mqtt import listener
from baulk.ingest.wire import RawMessage
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)


def timber(tag="FER-01", **changes):
    given = {
        "species": "white oak",
        "section": Section(width_mm=203.2, depth_mm=177.8, pith_x_mm=12.0, pith_y_mm=-4.0),
        "length_mm": 2743.2,
        "finished": Finished(width_mm=152.4, depth_mm=152.4, centre_y_mm=3.0),
        "use_class": "frame-outdoors",
        "place": "shed",
        "arrived_utc": NOW - timedelta(days=30),
        "ends_sealed": True,
        "green_mc_pct": 78.5,
    }
    return Timber(tag=tag, **{**given, **changes})


def raw(payload, topic="baulk/v1/ferry-yard/timber/FER-01", *, arrived=NOW, retained=False):
    body = payload if isinstance(payload, bytes) else payload.encode()
    return RawMessage(topic=topic, payload=body, arrived_utc=arrived, retained=retained)


@pytest.fixture
def yard_dir(tmp_path):
    return shop.init(tmp_path / "yard", name="Ferry yard", units="metric")


@pytest.fixture
def yard(yard_dir):
    with shop.open(yard_dir) as opened:
        opened.register.add(timber())
        yield opened


class Mosquitto:
    """A broker on a free port that keeps its sessions on disk."""

    def __init__(self, folder: Path) -> None:
        binary = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
        if not Path(binary).exists():
            pytest.skip("mosquitto is not on this machine")
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.binary, self.conf = binary, folder / "mosquitto.conf"
        data = folder / "broker"
        data.mkdir()
        user = "user root\n" if os.geteuid() == 0 else ""
        self.conf.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\n{user}persistence true\n"
            f"persistence_location {data}/\nautosave_interval 5\nmax_queued_messages 1000000\n"
            f"log_dest file {folder / 'mosquitto.log'}\n"
        )
        self.process = None
        self.start()

    def start(self):
        self.process = subprocess.Popen(
            [self.binary, "-c", str(self.conf)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

        def up():
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.3):
                return True
            return False

        assert until(up), "mosquitto did not start"

    def stop(self):
        self.process.terminate()
        self.process.wait(60)

    def client(self, name="sensor"):
        made = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
        made.max_queued_messages_set(0)
        made.connect("127.0.0.1", self.port)
        made.loop_start()
        assert until(made.is_connected)
        return made


@pytest.fixture
def mosquitto(tmp_path):
    broker = Mosquitto(tmp_path)
    yield broker
    if broker.process.poll() is None:
        broker.stop()


@pytest.fixture
def sensor(mosquitto):
    made = mosquitto.client()
    yield made
    made.disconnect()
    made.loop_stop()


@pytest.fixture
def broker_yard_dir(mosquitto, yard_dir):
    """The shop's folder, with the running broker in its settings and an impatient store."""
    path = yard_dir / "baulk.toml"
    text = path.read_text().replace("port = 1883", f"port = {mosquitto.port}")
    path.write_text(text.replace('path = "shop.db"', 'path = "shop.db"\nwait_s = 0.1'))
    with shop.open(yard_dir) as opened:
        opened.register.add(timber())
    return yard_dir


class Listening:
    """A listener on a thread of its own."""

    def __init__(self, folder, **options):
        self.said, self.errors = [], []
        self.stop, self.ready = threading.Event(), threading.Event()
        self.folder, self.options = folder, options
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self):
        try:
            with shop.open(self.folder) as opened:
                listener.run(opened, self.stop, on_ready=self.ready.set, say=self.said.append, **self.options)
        except Exception as err:  # noqa: BLE001 - looked at by the test
            self.errors.append(err)

    def end(self):
        self.stop.set()
        self.thread.join(60)
        assert not self.thread.is_alive()
        assert not self.errors


@pytest.fixture
def listen():
    started = []

    def begin(folder, **options):
        one = Listening(folder, **options)
        started.append(one)
        return one

    yield begin
    for one in started:
        one.end()


@pytest.fixture(scope="module")
def tls(root, tmp_path_factory):
    """Certificates as deploy/tls makes them, and a second authority that nobody trusts."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not on this machine")
    folder, other = tmp_path_factory.mktemp("tls"), tmp_path_factory.mktemp("other")
    make = root / "deploy" / "tls" / "make"
    for where, names in ((folder, ("localhost", "127.0.0.1")), (other, ("elsewhere.example",))):
        subprocess.run([make, where, *names], check=True, capture_output=True, timeout=60)
    subprocess.run([make, folder, "--client", "sensor-7"], check=True, capture_output=True, timeout=60)
    return folder, other


@pytest.fixture
def guarded(root, tmp_path, mosquitto, tls):
    """The settings of deploy/mosquitto with the paths and ports of this test; ``apply`` gives it accounts."""
    folder, other = tls
    etc = tmp_path / "etc"
    etc.mkdir()
    for name in ("baulk.passwd", "baulk.acl"):
        (etc / name).touch(mode=0o600)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        tls_port = probe.getsockname()[1]
    text = (root / "deploy" / "mosquitto" / "mosquitto.conf").read_text()
    for old, new in (
        ("/etc/mosquitto/baulk.passwd", str(etc / "baulk.passwd")),
        ("/etc/mosquitto/baulk.acl", str(etc / "baulk.acl")),
        ("/etc/mosquitto/tls/", f"{folder / 'for-broker'}/"),
        ("/var/lib/mosquitto/", f"{tmp_path / 'broker'}/"),
        ("listener 1883 127.0.0.1", f"listener {mosquitto.port} 127.0.0.1"),
        ("listener 8883", f"listener {tls_port} 127.0.0.1"),
        ("log_dest syslog", f"log_dest file {tmp_path / 'mosquitto.log'}"),
    ):
        assert old in text
        text = text.replace(old, new)
    mosquitto.stop()
    # what it says as it reads its accounts again is information, which a shop's log goes without
    text += "log_type information\n" + ("user root\n" if os.geteuid() == 0 else "")
    mosquitto.conf.write_text(text)
    mosquitto.start()

    def apply(shop_dir):
        """Hand over what `baulk sensor` wrote, as deploy/mosquitto/apply does on a broker's machine."""
        log, reads = tmp_path / "mosquitto.log", "Reloading config"
        before = log.read_text().count(reads)
        subprocess.run(
            [root / "deploy" / "mosquitto" / "apply", shop_dir / "broker", etc],
            env={**os.environ, "BAULK_MOSQUITTO_PID": str(mosquitto.process.pid)},
            check=True,
            capture_output=True,
            timeout=30,
        )
        if os.geteuid() == 0:  # a package of mosquitto brings a user of that name; ours runs as root
            for name in ("baulk.passwd", "baulk.acl"):
                shutil.chown(etc / name, "root", "root")
        # who connects after it has begun is met by what it has read: the broker has one thread
        assert until(lambda: log.read_text().count(reads) > before), "mosquitto did not read its accounts"

    mosquitto.tls_port, mosquitto.tls, mosquitto.other, mosquitto.apply = tls_port, folder, other, apply
    return mosquitto
