"""A device has an account, topics of its own and a name on its readings: TLS, passwords, a real mosquitto."""

from __future__ import annotations

import json
import shutil
import socket
import ssl
import subprocess
import sys
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from urllib.parse import unquote, urlsplit

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

sys.path.insert(0, str(Path(__file__).parent))
from waited import until

from baulk.dashboard.commands import doctor_findings
from baulk.ingest import broker_files, certificates, config, devices, operations, pipeline, shop
from baulk.ingest.errors import ConfigError, DeviceError
from baulk.ingest.monitoring import health, notices
from baulk.ingest.store import notes
from baulk.ingest.wire import RawMessage, topics
from baulk.models.quantity import Owner
from baulk.models.reading import sensor_of

HEAD = "baulk/v1/ferry-yard"
SECRET = "our own secret"
PACK = '[{"n":"pin-45/b/moisture","u":"/100","v":31},{"n":"weight","u":"kg","v":96.5}]'


def now():
    return datetime.now(UTC)


@pytest.fixture
def ours(yard, yard_dir, monkeypatch):
    """A shop whose settings name accounts of its own."""
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("port = 1883", 'port = 1883\nuser = "baulk-{part}"'))
    monkeypatch.setenv(config.PASSWORD, SECRET)
    with shop.open(yard_dir) as opened:
        yield opened


@pytest.fixture
def guarded_yard(guarded, yard, yard_dir, monkeypatch):
    """The same with the guarded broker, over TLS."""
    shutil.copy(guarded.tls / "ca.crt", yard_dir)
    path = yard_dir / "baulk.toml"
    path.write_text(
        path.read_text().replace(
            "port = 1883",
            f'port = {guarded.tls_port}\nuser = "baulk-{{part}}"\ntls = true\nca_file = "ca.crt"',
        )
    )
    monkeypatch.setenv(config.PASSWORD, SECRET)
    return yard_dir


def enrol(folder, *names, **how):
    with shop.open(folder) as opened:
        return [devices.enrol(opened, name, now_utc=now(), **how) for name in names]


class Device:
    """What somebody with an account, or without a right one, can do at the broker."""

    def __init__(self, guarded, name, password, client_id="", *, session_s=0, clean=True, certificate=None):
        self.got, self.refused, self.reasons = [], [], []
        self.client = mqtt.Client(
            mqtt.CallbackAPIVersion.VERSION2, client_id=client_id or name, protocol=mqtt.MQTTv5
        )
        self.client.username_pw_set(name, password)
        crt, key = certificate or (None, None)
        self.client.tls_set(ca_certs=str(guarded.tls / "ca.crt"), certfile=crt, keyfile=key)
        self.client.on_message = lambda _c, _u, message: self.got.append((message.topic, message.payload))
        self.client.on_connect = lambda _c, _u, _f, reason, _p: self.reasons.append(reason.getName())
        self.client.on_publish = lambda _c, _u, mid, reason, _p: (
            reason.is_failure and self.refused.append(mid)
        )
        wanted = Properties(PacketTypes.CONNECT)
        wanted.SessionExpiryInterval = session_s
        self.client.connect("127.0.0.1", guarded.tls_port, clean_start=clean, properties=wanted)
        self.client.loop_start()
        assert until(lambda: self.reasons)

    def send(self, topic, payload=PACK):
        sent = self.client.publish(topic, payload, qos=1)
        sent.wait_for_publish(10)
        return sent.mid not in self.refused

    def end(self):
        self.client.disconnect()
        self.client.loop_stop()


def readings(folder, tag="FER-01", owner=Owner.TIMBER):
    with shop.open(folder) as opened:
        return opened.store.readings(owner, tag)


@pytest.mark.broker
def test_a_device_forges_and_reads_nothing_of_another(guarded, guarded_yard, listen):
    first, second = enrol(guarded_yard, "S7", "S8")
    guarded.apply(guarded_yard)
    with shop.open(guarded_yard) as opened:
        operations.attach_sensor(
            opened, "S7", "FER-01", now_utc=now(), at_utc=now() - timedelta(days=1), sure=True
        )
    one = listen(guarded_yard)
    assert one.ready.wait(60)
    a = Device(guarded, "S7", first.password)
    b = Device(guarded, "S8", second.password)
    b.client.subscribe([("#", 1), (f"{HEAD}/sensor/S7", 1), (f"{HEAD}/timber/+", 1), ("$SYS/#", 1)])
    time.sleep(0.2)
    assert a.send(f"{HEAD}/sensor/S7")
    assert until(lambda: len(readings(guarded_yard)) == 2)
    others = ("sensor/S7", "sensor/S8/air/shed", "sensor/S7/air/shed", "timber/FER-01", "air/shed")
    others += ("timber/FER-01/verdict", "notices", "air/shed/plan", "listener/1/status", "x")
    assert not any(b.send(f"{HEAD}/{topic}") for topic in others)
    b.send(f"{HEAD}/sensor/S8")  # its own: waits for somebody to say where S8 is
    with shop.open(guarded_yard) as opened:
        assert until(lambda: opened.store.quarantine_count() == 1)
        (row,) = opened.store.quarantined(10)
    assert row.raw.topic == f"{HEAD}/sensor/S8"
    assert "the sensor S8 was on no timber" in row.reason
    assert {sensor_of(each.flags) for each in readings(guarded_yard)} == {"S7"}
    assert len(readings(guarded_yard)) == 2
    assert b.got == []
    a.end()
    b.end()


@pytest.mark.broker
@pytest.mark.parametrize("clean", [True, False])
def test_a_stranger_with_the_listeners_client_id_takes_no_waiting_message(
    guarded, guarded_yard, listen, clean
):
    first, second = enrol(guarded_yard, "S7", "S8")
    guarded.apply(guarded_yard)
    with shop.open(guarded_yard) as opened:
        operations.attach_sensor(
            opened, "S7", "FER-01", now_utc=now(), at_utc=now() - timedelta(days=1), sure=True
        )
    one = listen(guarded_yard)
    assert one.ready.wait(60)
    one.end()
    a = Device(guarded, "S7", first.password)
    for k in range(20):
        assert a.send(f"{HEAD}/sensor/S7", f'[{{"n":"weight","u":"kg","v":{100 + k}}}]')
    for name in (config.load(guarded_yard).client_id, "baulk-listener"):
        stranger = Device(guarded, "S8", second.password, name, clean=clean)
        time.sleep(0.2)
        stranger.end()
        assert stranger.got == []
    again = listen(guarded_yard)
    assert until(lambda: len(readings(guarded_yard)) == 20)
    again.end()
    assert not any("no longer knew" in said for said in one.said + again.said)
    a.end()


@pytest.mark.broker
def test_two_listeners_each_have_an_account_and_a_session(guarded, guarded_yard, listen):
    path = guarded_yard / "baulk.toml"
    path.write_text(path.read_text().replace("\ntls = true", '\nshare = "yard"\ntls = true'))
    (first,) = enrol(guarded_yard, "S7", more_topics=[f"{HEAD}/timber/FER-01"])
    guarded.apply(guarded_yard)
    both = [listen(guarded_yard, number=number) for number in (1, 2)]
    assert all(one.ready.wait(60) for one in both)
    a = Device(guarded, "S7", first.password)
    start = now().timestamp() - 3600
    for k in range(30):
        assert a.send(f"{HEAD}/timber/FER-01", f'[{{"n":"weight","u":"kg","t":{start + k},"v":{100 + k}}}]')
    assert until(lambda: len(readings(guarded_yard)) == 30)
    assert not any("ended the connection" in said for one in both for said in one.said)
    a.end()


@pytest.mark.broker
def test_what_is_revoked_is_thrown_out_at_once_and_stays_out(guarded, guarded_yard):
    first, second = enrol(guarded_yard, "S7", "S8")
    guarded.apply(guarded_yard)
    a, b = Device(guarded, "S7", first.password), Device(guarded, "S8", second.password)
    assert a.client.is_connected()
    with shop.open(guarded_yard) as opened:
        devices.revoke(opened, "S7", now_utc=now())
    guarded.apply(guarded_yard)
    assert until(lambda: not a.client.is_connected())
    assert b.client.is_connected()
    a.end()
    again = Device(guarded, "S7", first.password)
    assert again.reasons[-1] in {"Not authorized", "Bad user name or password"}
    again.end()
    (fresh,) = enrol(guarded_yard, "S7")
    guarded.apply(guarded_yard)
    back = Device(guarded, "S7", fresh.password)
    assert back.reasons == ["Success"]
    assert b.client.is_connected()
    back.end()
    b.end()


def first_byte(port, context):
    """What the broker says to whoever shows no certificate."""
    with (
        socket.create_connection(("127.0.0.1", port), 5) as plain,
        context.wrap_socket(plain, server_hostname="localhost") as bare,
    ):
        bare.sendall(bytes.fromhex("101000044d5154540502003c0000047061726b"))  # CONNECT
        if not (said := bare.recv(1)):
            raise ConnectionError("closed without an answer")
        return said


@pytest.mark.broker
def test_a_certificate_made_at_enrolment_opens_a_broker_that_wants_one(guarded, guarded_yard):
    guarded.stop()
    guarded.conf.write_text(
        guarded.conf.read_text().replace("require_certificate false", "require_certificate true")
    )
    guarded.start()
    (first,) = enrol(guarded_yard, "S7")
    guarded.apply(guarded_yard)
    made, key = certificates.for_client(guarded.tls, "S7")
    assert key.stat().st_mode & 0o077 == 0
    a = Device(guarded, "S7", first.password, certificate=(str(made), str(key)))
    assert a.reasons == ["Success"]
    wrong = Device(guarded, "S8", first.password, certificate=(str(made), str(key)))
    assert "Success" not in wrong.reasons
    context = ssl.create_default_context(cafile=guarded.tls / "ca.crt")
    with pytest.raises((ssl.SSLError, ConnectionError)):
        first_byte(guarded.tls_port, context)
    a.end()
    wrong.end()


@pytest.mark.broker
@pytest.mark.parametrize("leaves", [False, True], ids=["in the open", "leaving a session of his own"])
def test_a_session_that_the_broker_lost_is_told_on_health_and_by_a_notice(
    broker_yard_dir, mosquitto, listen, sensor, leaves
):
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    one.end()
    for k in range(20):
        sensor.publish(
            f"{HEAD}/timber/FER-01", f'[{{"n":"weight","u":"kg","v":{100 + k}}}]', qos=1
        ).wait_for_publish(5)
    same = listen(broker_yard_dir)
    assert until(lambda: len(readings(broker_yard_dir)) == 20)
    same.end()
    assert not any("no longer knew" in said for said in [*one.said, *same.said])
    with shop.open(broker_yard_dir) as opened:
        assert health.Trouble.SESSION not in {each.kind for each in health.look(opened, now()).findings}
    thief = mqtt.Client(
        mqtt.CallbackAPIVersion.VERSION2,
        client_id=config.load(broker_yard_dir).client_id,  # an open broker lets anybody
        protocol=mqtt.MQTTv5,
    )
    wanted = Properties(PacketTypes.CONNECT)
    wanted.SessionExpiryInterval = 3600 if leaves else 0
    thief.connect("127.0.0.1", mosquitto.port, clean_start=True, properties=wanted)
    thief.loop_start()
    assert until(thief.is_connected)
    thief.disconnect()
    thief.loop_stop()
    last = listen(broker_yard_dir)
    assert last.ready.wait(60)
    assert until(lambda: any("no longer knew our session" in said for said in last.said))
    time.sleep(0.3)
    last.end()
    assert sum("no longer knew our session" in said for said in last.said) == 1
    with shop.open(broker_yard_dir) as opened:
        found = [each for each in health.look(opened, now()).findings if each.kind is health.Trouble.SESSION]
        assert len(found) == 1
        told = notices.look(opened, now())
        assert next(each.words("metric") for each in told if each.kind == "lost session").startswith(
            "the broker no longer knew the listener when it came back at"
        )
        later = health.look(opened, now() + timedelta(days=8)).findings
        assert health.Trouble.SESSION not in {each.kind for each in later}


def test_a_certificate_that_ends_is_told_a_month_before(yard):
    for days, told in ((31, False), (29, True)):
        kept = notes.KeptSession(
            broker="broker.local:8883", seen_utc=now(), trusted_until_utc=now() + timedelta(days=days)
        )
        notes.keep_session(yard.store, "ours", kept)
        found = {each.kind for each in health.look(yard, now()).findings}
        assert (health.Trouble.CERTIFICATE in found) is told


@pytest.mark.broker
def test_the_listener_knows_when_the_brokers_certificate_ends(guarded, guarded_yard, listen):
    enrol(guarded_yard, "S7")
    guarded.apply(guarded_yard)
    one = listen(guarded_yard)
    assert one.ready.wait(60)
    with shop.open(guarded_yard) as opened:
        assert until(lambda: notes.sessions(opened.store))
        (kept,) = notes.sessions(opened.store).values()
    assert timedelta(days=390) < kept.trusted_until_utc - now() < timedelta(days=398)


def test_readings_on_a_devices_own_topic_bear_its_name(yard):
    def come(topic, payload):
        return pipeline.handle(RawMessage(topic=f"{HEAD}/{topic}", payload=payload, arrived_utc=now()), yard)

    assert come("sensor/S7", b'[{"n":"pin-45/moisture","u":"/100","v":31}]') == 0  # on no timber yet
    assert come("sensor/A1/air/shed", b'[{"n":"temp","u":"Cel","v":18.5}]') == 1
    operations.attach_sensor(yard, "S7", "FER-01", now_utc=now(), at_utc=now() - timedelta(days=1), sure=True)
    (pin,) = yard.store.readings(Owner.TIMBER, "FER-01")
    (air,) = yard.store.readings(Owner.AIR, "shed")
    assert [sensor_of(each.flags) for each in (pin, air)] == ["S7", "A1"]
    assert str(pin.series) == "timber/FER-01/pin-45/moisture"
    # a name in the pack that points to another timber is refused: the register alone says where S7 is
    assert come("sensor/S7", b'[{"n":"timber/FER-02/pin-45/moisture","u":"/100","v":31}]') == 0
    assert "belongs to timber/FER-02" in yard.store.quarantined(1)[0].reason


def test_only_what_is_written_is_allowed(ours):
    devices.enrol(ours, "S7", now_utc=now(), places=["shed"], more_topics=["old/S7"])
    devices.enrol(ours, "hall", now_utc=now(), display=True)
    folder = ours.config.shop_dir / "broker"
    acl = (folder / "acl").read_text()
    assert f"pattern write {HEAD}/sensor/%u\n" in acl
    assert f"user S7\ntopic write {HEAD}/sensor/S7/air/shed\ntopic write old/S7\n" in acl
    assert "user hall\ntopic read" in acl
    passwd = (folder / "passwd").read_text()
    assert {line.partition(":")[0] for line in passwd.splitlines()} == {
        "S7", "hall", "baulk-listener", "baulk-pair", "baulk-plan",
    }  # fmt: skip
    assert SECRET not in passwd
    assert all(each.stat().st_mode & 0o077 == 0 for each in (folder, folder / "acl", folder / "passwd"))
    before = passwd
    devices.write_files(ours)
    assert (folder / "passwd").read_text() == before  # nobody's password changed
    devices.revoke(ours, "S7", now_utc=now())
    assert "S7" not in (folder / "acl").read_text()
    assert "S7:" not in (folder / "passwd").read_text()
    assert [one.name for one in devices.enrolled(ours) if one.revoked_utc] == ["S7"]


def test_a_hash_is_one_that_mosquitto_itself_would_take(tmp_path):
    if shutil.which("mosquitto_passwd") is None:
        pytest.skip("mosquitto is not on this machine")
    theirs = tmp_path / "theirs"
    theirs.touch(mode=0o600)
    subprocess.run(["mosquitto_passwd", "-b", theirs, "x", "a password"], check=True, capture_output=True)
    kept = theirs.read_text().strip().partition(":")[2]
    assert broker_files._fits(kept, "a password")
    assert not broker_files._fits(kept, "another")
    assert [len(part) for part in broker_files.hashed("a password").split("$")] == [
        len(p) for p in kept.split("$")
    ]


@pytest.mark.parametrize(
    ("name", "how", "why"),
    [
        ("S7\n", {}, "is made of up to 64"),
        ("a:b", {}, "is made of up to 64"),
        ("+", {}, "is made of up to 64"),
        ("%u", {}, "is made of up to 64"),
        ("baulk-listener", {}, "account of Baulk's own"),
        ("Baulk-Plan", {}, "account of Baulk's own"),
        ("S7", {"places": ["shed/x"]}, "a place is made of"),
        ("S7", {"more_topics": ["baulk/#"]}, "no single topic"),
        ("S7", {"more_topics": ["a\nuser x"]}, "no single topic"),
        ("S7", {"more_topics": [f"{HEAD}/notices"]}, "Baulk itself publishes"),
        ("s9", {}, "by capitals only"),
        ("S9", {}, "--again"),
    ],
)
def test_what_can_be_no_account_is_refused_in_a_sentence(ours, name, how, why):
    devices.enrol(ours, "S9", now_utc=now())
    with pytest.raises(DeviceError, match=why):
        devices.enrol(ours, name, now_utc=now(), **how)


def test_without_accounts_of_our_own_or_after_a_restore_nothing_is_written(yard, ours):
    with pytest.raises(ConfigError, match=r'set user = "baulk-\{part\}" in \[broker\]'):
        devices.enrol(yard, "S7", now_utc=now())
    devices.enrol(ours, "S7", now_utc=now())
    path = ours.config.shop_dir / "broker" / "passwd"
    path.unlink()
    with pytest.raises(ConfigError, match=r"lacks S7, as after a restore"):
        devices.write_files(ours)
    assert not path.exists()
    devices.enrol(ours, "S7", now_utc=now(), again=True)
    assert "S7:" in path.read_text()


def test_a_device_is_enrolled_without_baulks_own_password_once_its_accounts_are_written(ours):
    passwd = ours.config.shop_dir / "broker" / "passwd"
    bare = replace(
        ours,
        config=ours.config.model_copy(
            update={"broker": ours.config.broker.model_copy(update={"password": None})}
        ),
    )
    with pytest.raises(ConfigError, match="a password in BAULK_BROKER_PASSWORD first"):
        devices.enrol(bare, "S7", now_utc=now())
    devices.write_files(ours)  # as deploy/mosquitto/set-up does, with the password that it drew
    before = passwd.read_text()
    devices.enrol(bare, "S7", now_utc=now())
    after = passwd.read_text()
    assert set(before.splitlines()) < set(after.splitlines())
    assert "\nS7:" in f"\n{after}"


def test_the_command_hands_over_once_and_its_code_can_be_read(baulk, ours, tmp_path):
    zxing = pytest.importorskip("zxingcpp")
    image = pytest.importorskip("PIL.Image")
    folder, code = ours.config.shop_dir, tmp_path / "s7.png"
    path = folder / "baulk.toml"
    path.write_text(path.read_text().replace("# devices_at =", "devices_at ="))
    done = baulk("sensor", "enrol", "S7", "--place", "shed", "-o", str(code), "--shop", str(folder), "--json")
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    (read,) = zxing.read_barcodes(image.open(code).convert("L"))
    parts = urlsplit(read.text)
    assert read.text == said["address"]
    assert (parts.scheme, parts.hostname, parts.port) == ("mqtts", "broker.local", 8883)
    assert (unquote(parts.username), unquote(parts.password)) == ("S7", said["password"])
    assert parts.path == f"/{HEAD}/sensor/S7"
    assert code.stat().st_mode & 0o077 == 0
    everything = "".join(each.read_bytes().decode("latin-1") for each in folder.rglob("*") if each.is_file())
    assert said["password"] not in everything
    assert "S7" in baulk("sensor", "list", "--shop", str(folder)).stdout
    assert baulk("sensor", "revoke", "S7", "--shop", str(folder)).returncode == 0
    refused = baulk("sensor", "revoke", "S7", "--shop", str(folder))
    assert refused.returncode == 1
    assert "has no account at the broker; those that have: none has" in refused.stderr


def test_a_forwarder_may_publish_wherever_readings_come_and_nowhere_else(ours):
    devices.enrol(ours, "shed", now_utc=now(), forwards=True)
    mine = (
        broker_files.rules(ours.config, devices.enrolled(ours))
        .split("user shed\n")[1]
        .split("\n\n")[0]
        .split()[2::3]
    )
    assert f"{HEAD}/timber/+" in mine
    assert f"{HEAD}/sensor/+/air/+" in mine
    assert f"{HEAD}/forward/shed/status" in mine
    for one in mine:
        for answer in (f"{HEAD}/timber/FER-01/verdict", f"{HEAD}/air/shed/plan", f"{HEAD}/notices"):
            assert not topics.matches(one, answer)


def test_an_access_list_of_an_older_version_is_told_with_its_cure(ours, yard_dir):
    assert broker_files.lacking(ours.config, devices.enrolled(ours)) == []  # none was written yet
    devices.enrol(ours, "S7", now_utc=now())
    devices.write_files(ours)
    assert broker_files.lacking(ours.config, devices.enrolled(ours)) == []
    path = yard_dir / broker_files.FOLDER / broker_files.ACL
    written = path.read_text()
    path.write_text(written.replace("topic write baulk/v1/ferry-yard/air/+/plan\n", ""))
    assert broker_files.lacking(ours.config, devices.enrolled(ours)) == ["baulk-listener", "baulk-plan"]
    told = [each["sentence"] for each in doctor_findings.findings(yard_dir) if each["kind"] == "access list"]
    assert len(told) == 1
    assert "baulk-listener, baulk-plan" in told[0]
    assert "`baulk sensor accounts`" in told[0]
    path.write_text(written.split("user baulk-plan")[0])
    assert "baulk-plan" in broker_files.lacking(ours.config, devices.enrolled(ours))
