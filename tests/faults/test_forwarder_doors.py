"""A yard far away behind doors: TLS and accounts at both brokers, made by `baulk sensor` and deploy/tls."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import threading
from datetime import UTC, datetime, timedelta

import paho.mqtt.client as mqtt
import pytest

from baulk.ingest import config, devices, operations, shop
from baulk.ingest.mqtt import forwarder
from baulk.ingest.store import forwarders
from baulk.models.quantity import Owner

pytestmark = pytest.mark.broker
HEAD = "baulk/v1/ferry-yard"
SECRET = "the program's own"
YESTERDAY = (datetime.now(UTC) - timedelta(days=1)).isoformat()
CHECK = {"face": "b", "width_mm": 3, "length_mm": 600}
EVENT = {"kind": "checked", "at_utc": YESTERDAY, "by": "Ann", "detail": CHECK}
OURS = 'user = "baulk-{part}"\ntls = true\nca_file = "ca.crt"'


@pytest.fixture(scope="module")
def authorities(root, tmp_path_factory):
    """One of the yard and one of the shop: neither is good for the other's broker."""
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not on this machine")
    made = [tmp_path_factory.mktemp(name) for name in ("yard", "shop")]
    for each in made:
        command = [root / "deploy" / "tls" / "make", each, "localhost", "127.0.0.1"]
        subprocess.run(command, check=True, capture_output=True, timeout=60)
    return made


class Door:
    """A broker that lets in by TLS and account only, with what a shop folder says of accounts."""

    def __init__(self, folder, kit, authority):
        folder.mkdir()
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.passwd, self.acl, self.authority = folder / "passwd", folder / "acl", authority
        for each in (self.passwd, self.acl):
            each.touch(0o600)
        pem = authority / "for-broker"
        self.broker = kit.Broker(
            folder,
            f"listener {self.port} 127.0.0.1\ncafile {pem / 'ca.crt'}\ncertfile {pem / 'server.crt'}\n"
            f"keyfile {pem / 'server.key'}\nuse_username_as_clientid true\npassword_file {self.passwd}\n"
            f"acl_file {self.acl}\n",
        )
        self.broker.stop()
        text = self.broker.conf.read_text().replace("allow_anonymous true", "allow_anonymous false")
        self.broker.conf.write_text(text)
        self.broker.start()

    def take(self, folder):
        shutil.copy(folder / "broker" / "passwd", self.passwd)
        shutil.copy(folder / "broker" / "acl", self.acl)
        os.kill(self.broker.process.pid, signal.SIGHUP)

    def send(self, name, password, *messages):
        """Publish with an account; return how many the broker did not take."""
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)
        refused = []
        client.on_publish = lambda _c, _u, mid, reason, _p: reason.is_failure and refused.append(mid)
        client.username_pw_set(name, password)
        client.tls_set(ca_certs=str(self.authority / "ca.crt"))
        client.connect("localhost", self.port)
        client.loop_start()
        for topic, payload in messages:
            client.publish(topic, payload, qos=1).wait_for_publish(10)
        client.disconnect()
        client.loop_stop()
        return len(refused)


@pytest.fixture
def both(tmp_path, kit, authorities, monkeypatch):
    """Both brokers, the shop with an account for the forwarder, and the folder of the machine at the yard."""
    monkeypatch.setenv(config.PASSWORD, SECRET)
    far = Door(tmp_path / "far", kit, authorities[0])
    near = Door(tmp_path / "near", kit, authorities[1])
    home = kit.make_yard(tmp_path / "shop", near.port)
    path = home / "baulk.toml"
    path.write_text(path.read_text().replace('host = "127.0.0.1"', f'host = "localhost"\n{OURS}', 1))
    shutil.copy(authorities[1] / "ca.crt", home)
    with shop.open(home) as opened:
        account = devices.enrol(opened, "mill", now_utc=datetime.now(UTC), forwards=True)
        since = datetime.now(UTC) - timedelta(days=1)
        operations.attach_sensor(opened, "S7", "FER-01", now_utc=datetime.now(UTC), at_utc=since, sure=True)
    near.take(home)
    shed = shop.init(tmp_path / "shed", name="Ferry yard", units="metric")
    for name, which in (("ca.crt", 0), ("shop-ca.crt", 1)):
        shutil.copy(authorities[which] / "ca.crt", shed / name)
    yield far, near, home, shed, account.password
    for each in (far, near):
        each.broker.stop()


def settle(shed, far, near, *, name="mill", trusts="shop-ca.crt"):
    (shed / "baulk.toml").write_text(
        f'[shop]\nname = "Ferry yard"\n[broker]\nhost = "localhost"\nport = {far.port}\n{OURS}\n'
        f'[forward]\nhost = "localhost"\nport = {near.port}\nuser = "mill"\ntls = true\n'
        f'ca_file = "{trusts}"\nname = "{name}"\n'
    )


@contextlib.contextmanager
def forwarding(shed, password, kit):
    said, stop, ready = [], threading.Event(), threading.Event()
    settings = config.load(shed, env={**os.environ, "BAULK_FORWARD_PASSWORD": password})
    how = {"say": said.append, "on_ready": ready.set}
    thread = threading.Thread(target=forwarder.run, args=(settings, stop), kwargs=how, daemon=True)
    thread.start()
    try:
        assert kit.until(ready.is_set), said
        yield said
    finally:
        stop.set()
        thread.join(15)
    assert not thread.is_alive()


def enrol_at_the_yard(shed, far):
    """Accounts of the yard's own broker, from the same folder: a sensor and a telephone that tells events."""
    with shop.open(shed) as opened:
        sensor = devices.enrol(opened, "S7", now_utc=datetime.now(UTC), places=["shed"])
        telephone = devices.enrol(opened, "hand", now_utc=datetime.now(UTC), events=True)
    far.take(shed)
    return sensor.password, telephone.password


def test_readings_and_events_of_enrolled_devices_arrive_through_two_doors(both, kit, listen):
    far, near, home, shed, password = both
    settle(shed, far, near)
    sensor, telephone = enrol_at_the_yard(shed, far)
    one = listen(home)
    assert one.ready.wait(60)
    with forwarding(shed, password, kit) as said:
        weight = '[{"n":"weight","u":"kg","v":96.5}]'
        air = '[{"n":"temp","u":"Cel","v":14.5}]'
        mine = [(f"{HEAD}/sensor/S7", weight), (f"{HEAD}/sensor/S7/air/shed", air)]
        assert far.send("S7", sensor, *mine) == 0
        told = f"{HEAD}/timber/FER-01/event", json.dumps(EVENT)
        assert far.send("S7", sensor, told) == 1  # only who was enrolled for it
        assert far.send("hand", telephone, told, told) == 0  # twice: entered once
        assert far.send("hand", telephone, (f"{HEAD}/timber/FER-01", weight)) == 1

        def arrived():
            with shop.open(home) as opened:
                checks = [each for each in opened.register.events("FER-01") if each.kind.value == "checked"]
                weights = opened.store.readings(Owner.TIMBER, "FER-01")
                return len(checks), len(weights), len(opened.store.readings(Owner.AIR, "shed"))

        assert kit.until(lambda: arrived() == (1, 1, 1)), (arrived(), said)

        def state():
            with shop.open(home) as opened:
                return [(each.name, each.here) for each in forwarders.all_of(opened.store)]

        assert kit.until(lambda: state() == [("mill", True)]), said
    assert kit.until(lambda: state() == [("mill", False)])
    with shop.open(home) as opened:
        assert opened.store.quarantine_count() == 0


def test_a_certificate_of_somebody_else_is_told_and_nothing_lost(both, kit, listen):
    far, near, home, shed, password = both
    settle(shed, far, near, trusts="ca.crt")
    sensor, _ = enrol_at_the_yard(shed, far)
    with forwarding(shed, password, kit) as said:
        packs = [f'[{{"n":"weight","u":"kg","v":{90 + k}}}]' for k in range(5)]
        far.send("S7", sensor, *((f"{HEAD}/sensor/S7", each) for each in packs))
        assert kit.until(lambda: any("certificate" in each and "none is lost" in each for each in said)), said
    settle(shed, far, near)
    one = listen(home)
    assert one.ready.wait(60)
    with forwarding(shed, password, kit):
        assert kit.until(lambda: kit.stored(home) == 5)
    with shop.open(home) as opened:
        assert [one.value for one in opened.store.readings(Owner.TIMBER, "FER-01")] == [90, 91, 92, 93, 94]


def test_a_name_that_is_not_the_accounts_is_said_and_holds_nothing_up(both, kit, listen):
    far, near, home, shed, password = both
    settle(shed, far, near, name="shed")
    sensor, _ = enrol_at_the_yard(shed, far)
    one = listen(home)
    assert one.ready.wait(60)
    with forwarding(shed, password, kit) as said:
        assert any('set name = "mill" in [forward]' in each for each in said), said
        far.send("S7", sensor, (f"{HEAD}/sensor/S7", '[{"n":"weight","u":"kg","v":96.5}]'))
        assert kit.until(lambda: kit.stored(home) == 1), said
    with shop.open(home) as opened:
        assert forwarders.all_of(opened.store) == []
