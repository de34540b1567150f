"""A real mosquitto with its memory on disk, listeners that can be killed, and the counting of readings."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

from baulk.ingest import shop
from baulk.ingest.mqtt import listener
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

TOPIC = "baulk/v1/ferry-yard/timber/FER-01"
START = datetime.now(UTC).timestamp() - 100_000_000


def until(true, seconds=60.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.04)
    return False


class Broker:
    """Mosquitto on a free port of this machine, its sessions kept on disk."""

    def __init__(self, folder, more=""):
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
            f"log_dest file {folder / 'mosquitto.log'}\n{more}"
        )
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
        if self.process.poll() is None:
            self.process.terminate()
            self.process.wait(60)

    def save(self):
        """Have it write its memory now."""
        memory = self.conf.with_name("broker") / "mosquitto.db"
        before = memory.stat().st_mtime_ns if memory.exists() else 0
        self.process.send_signal(signal.SIGUSR1)
        assert until(lambda: memory.exists() and memory.stat().st_mtime_ns > before)

    def kill(self):
        """Kill it as a power cut does: what it had saved seconds ago is all that it knows next time."""
        self.process.kill()
        self.process.wait(60)


class Sender:
    """A sensor that publishes with QoS 1 and waits for the broker to confirm."""

    def __init__(self, port):
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="sensor", protocol=mqtt.MQTTv5)
        self.client.max_queued_messages_set(0)
        self.client.max_inflight_messages_set(200)
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert until(self.client.is_connected)

    def send(self, payloads, topic=TOPIC):
        sent = [self.client.publish(topic, payload, qos=1) for payload in payloads]
        for one in sent:
            assert until(one.is_published, 60)

    def close(self):
        self.client.disconnect()
        self.client.loop_stop()


def timed(first, last):
    """Packs of a pin reading, each with its device's time."""
    return [
        json.dumps([{"n": "pin-45/moisture", "u": "/100", "t": START + 60 * k, "v": 20 + k % 100 / 100}])
        for k in range(first, last)
    ]


def untimed(first, last):
    """Packs of one weight each without a time, or with one that counts back from the arrival.

    Each weight is another one, so that a double shows.
    """
    return [
        json.dumps([{"n": "weight", "u": "kg", "v": 100 + k / 1000, **({"t": -30.5} if k % 3 == 0 else {})}])
        for k in range(first, last)
    ]


@dataclass(frozen=True)
class Count:
    """What of the readings sent was found."""

    sent: int
    lost: int
    doubled: int


def count(folder, timed_sent, untimed_sent=0):
    """Compare what was sent with what is stored, each reading for itself."""
    rows = _rows(folder)
    times = Counter(round((taken / 1e6 - START) / 60) for text, taken, _ in rows if "moisture" in text)
    weights = Counter(round((value - 100) * 1000) for text, _, value in rows if "weight" in text)
    lost = len(set(range(timed_sent)) - times.keys()) + len(set(range(untimed_sent)) - weights.keys())
    doubled = sum(times.values()) - len(times) + sum(weights.values()) - len(weights)
    return Count(sent=timed_sent + untimed_sent, lost=lost, doubled=doubled)


def stored(folder):
    """How many readings the store has."""
    with closing(sqlite3.connect(folder / "shop.db", timeout=10)) as base:
        return base.execute("SELECT count(*) FROM reading").fetchone()[0]


def _rows(folder):
    sql = "SELECT s.text, r.taken_us, r.value FROM reading AS r JOIN series AS s ON s.id = r.series"
    with closing(sqlite3.connect(folder / "shop.db", timeout=10)) as base:
        return base.execute(sql).fetchall()


def weights(folder):
    """Give the number of every weight that is stored."""
    return [round((value - 100) * 1000) for text, _, value in _rows(folder) if "weight" in text]


def quarantined(folder):
    with closing(sqlite3.connect(folder / "shop.db", timeout=10)) as base:
        return base.execute("SELECT topic, reason FROM quarantine").fetchall()


@pytest.fixture
def broker(tmp_path):
    one = Broker(tmp_path)
    yield one
    one.stop()


@pytest.fixture
def sender(broker):
    one = Sender(broker.port)
    yield one
    one.close()


@pytest.fixture
def yard_dir(tmp_path, broker):
    return make_yard(tmp_path / "yard", broker.port)


def make_yard(where, port, more=""):
    """Make a shop with one timber and that broker."""
    folder = shop.init(where, name="Ferry yard", units="metric")
    path = folder / "baulk.toml"
    text = path.read_text().replace("port = 1883", f"port = {port}")
    path.write_text(text.replace('path = "shop.db"', 'path = "shop.db"\nwait_s = 0.5') + more)
    with shop.open(folder) as opened:
        opened.register.add(
            Timber(
                tag="FER-01",
                species="white oak",
                section=Section(width_mm=203, depth_mm=178),
                length_mm=2700,
                finished=Finished(width_mm=152, depth_mm=152),
                use_class="frame-outdoors",
                place="shed",
                arrived_utc=datetime.now(UTC) - timedelta(days=30),
            )
        )
    return folder


class Nursery:
    """Listeners as processes of their own, quickly started."""

    def __init__(self):
        self.process = subprocess.Popen(
            [sys.executable, str(Path(__file__).with_name("nursery.py"))],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        self.alive = set()

    def start(self, folder, how=""):
        self.process.stdin.write(f"{folder} {how}\n")
        self.process.stdin.flush()
        pid = int(self.process.stdout.readline())
        self.alive.add(pid)
        return pid

    def kill(self, pid):
        os.kill(pid, signal.SIGKILL)
        self.alive.discard(pid)

    def close(self):
        for pid in list(self.alive):
            with contextlib.suppress(ProcessLookupError):
                self.kill(pid)
        self.process.stdin.close()
        self.process.stdout.close()
        self.process.wait(10)


@pytest.fixture
def nursery():
    one = Nursery()
    yield one
    one.close()


class Listening:
    """A listener on a thread of this process, for what can't be done from outside."""

    def __init__(self, folder, store=lambda one: one, **options):
        self.said, self.errors = [], []
        self.stop, self.ready = threading.Event(), threading.Event()
        self.folder, self.store, self.options = folder, store, options
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self):
        try:
            with shop.open(self.folder) as opened:
                yard = shop.Shop(
                    config=opened.config,
                    store=self.store(opened.store),
                    register=opened.register,
                    woods=opened.woods,
                )
                listener.run(yard, self.stop, on_ready=self.ready.set, say=self.said.append, **self.options)
        except Exception as err:  # noqa: BLE001 - looked at by the test
            self.errors.append(err)

    def heard(self, words):
        return any(words in one for one in self.said)

    def end(self):
        self.stop.set()
        self.thread.join(60)
        assert not self.thread.is_alive()
        assert not self.errors


@pytest.fixture
def listen():
    started = []

    def begin(folder, *args, **options):
        one = Listening(folder, *args, **options)
        started.append(one)
        return one

    yield begin
    for one in started:
        one.end()


class Kit:
    """What the tests of this folder use, for a module of tests can't be imported from another."""

    topic = TOPIC
    until = staticmethod(until)
    timed = staticmethod(timed)
    untimed = staticmethod(untimed)
    count = staticmethod(count)
    stored = staticmethod(stored)
    quarantined = staticmethod(quarantined)
    weights = staticmethod(weights)
    make_yard = staticmethod(make_yard)
    Count = Count
    Broker = Broker
    Sender = Sender

    @staticmethod
    def said(folder):
        """Every sentence of the listeners that the nursery started."""
        path = folder / "said.txt"
        return path.read_text().splitlines() if path.exists() else []


@pytest.fixture
def kit():
    return Kit
