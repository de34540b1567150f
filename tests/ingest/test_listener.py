"""The listener against a real mosquitto: nothing lost, nothing doubled, one sentence for every fault."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import documents
from waited import until

from baulk.ingest import config, pipeline, shop
from baulk.ingest.errors import BrokerError, ConfigError
from baulk.ingest.mqtt import listener, session
from baulk.models.quantity import Owner
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

TOPIC = "baulk/v1/ferry-yard/timber/FER-01"


def weights(first, last):
    """Packs of one weight each, a minute apart, each with its device's time."""
    start = datetime.now(UTC).timestamp() - 400_000
    return [
        json.dumps([{"n": "weight", "u": "kg", "t": start + 60 * k, "v": 100 + k / 1000}])
        for k in range(first, last)
    ]


def send(client, payloads, topic=TOPIC, *, retain=False):
    sent = [client.publish(topic, payload, qos=1, retain=retain) for payload in payloads]
    for one in sent:
        one.wait_for_publish(20)


def stored(folder):
    with shop.open(folder) as opened:
        return [one.value for one in opened.store.readings(Owner.TIMBER, "FER-01")]


def heard(mosquitto, topic):
    """Collect what is published to a topic, the retained message first."""
    got = []
    client = mosquitto.client("looker")
    client.on_message = lambda _c, _u, message: got.append(message.payload)
    client.subscribe(topic, qos=1)
    return client, got


@pytest.mark.broker
def test_what_is_published_is_stored(broker_yard_dir, sensor, listen):
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    send(sensor, weights(0, 50))
    assert until(lambda: len(stored(broker_yard_dir)) == 50)


@pytest.mark.broker
def test_what_is_stored_is_acknowledged_and_not_sent_again(broker_yard_dir, mosquitto, sensor, listen):
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    send(sensor, weights(0, 1200))
    assert until(lambda: len(stored(broker_yard_dir)) == 1200)
    one.end()
    send(sensor, weights(1200, 1201))
    again = []
    heir = mqtt.Client(
        mqtt.CallbackAPIVersion.VERSION2,
        client_id=config.load(broker_yard_dir).client_id,
        protocol=mqtt.MQTTv5,
    )
    heir.on_message = lambda _c, _u, message: again.append(message.payload)
    heir.connect("127.0.0.1", mosquitto.port, clean_start=False)
    heir.loop_start()
    assert until(lambda: again)
    time.sleep(0.3)
    heir.disconnect()
    heir.loop_stop()
    assert [json.loads(one)[0]["v"] for one in again] == [101.2]


@pytest.mark.broker
def test_what_comes_while_the_listener_is_away_waits_at_the_broker(broker_yard_dir, sensor, listen):
    first = listen(broker_yard_dir)
    assert first.ready.wait(60)
    first.end()
    send(sensor, weights(0, 1500))
    listen(broker_yard_dir)
    assert until(lambda: len(stored(broker_yard_dir)) == 1500)


@pytest.mark.broker
def test_a_flood_beyond_our_room_is_kept_when_it_is_of_qos_1(broker_yard_dir, sensor, listen, monkeypatch):
    # mosquitto 2.0.11 was seen to go beyond our receive maximum here; turned away, messages stall
    first = listen(broker_yard_dir)
    assert first.ready.wait(60)
    first.end()
    send(sensor, weights(0, 1500))
    store_a_batch = pipeline.handle_batch

    def slowly(raws, yard, **more):
        time.sleep(0.1)
        return store_a_batch(raws, yard, **more)

    monkeypatch.setattr(session, "ROOM", 5)
    monkeypatch.setattr(pipeline, "handle_batch", slowly)
    again = listen(broker_yard_dir)
    assert until(lambda: len(stored(broker_yard_dir)) == 1500)
    assert not [words for words in again.said if "were lost" in words]


@pytest.mark.broker
def test_a_locked_store_holds_messages_and_loses_none(broker_yard_dir, sensor, listen):
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    with closing(sqlite3.connect(broker_yard_dir / "shop.db")) as other:
        other.execute("BEGIN IMMEDIATE")
        send(sensor, weights(0, 800))
        assert until(lambda: any("locked by another program" in words for words in one.said))
        time.sleep(1.0)
        other.rollback()
    assert until(lambda: len(stored(broker_yard_dir)) == 800)
    assert any("can be written again" in words for words in one.said)


@pytest.mark.broker
def test_stopping_while_the_store_is_locked_leaves_the_messages_at_the_broker(
    broker_yard_dir, sensor, listen
):
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    with closing(sqlite3.connect(broker_yard_dir / "shop.db")) as other:
        other.execute("BEGIN IMMEDIATE")
        send(sensor, weights(0, 30))
        assert until(lambda: any("locked" in words for words in one.said))
        one.end()
        other.rollback()
    assert stored(broker_yard_dir) == []
    listen(broker_yard_dir)
    assert until(lambda: len(stored(broker_yard_dir)) == 30)


@pytest.mark.broker
def test_a_store_taken_away_under_the_listener_loses_nothing(broker_yard_dir, sensor, listen):
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    (broker_yard_dir / "shop.db").rename(broker_yard_dir / "aside.db")
    send(sensor, weights(0, 20))
    assert until(lambda: any("there is no store at" in words for words in one.said))
    (broker_yard_dir / "aside.db").rename(broker_yard_dir / "shop.db")
    assert until(lambda: len(stored(broker_yard_dir)) == 20)


@pytest.mark.broker
def test_a_broker_that_refuses_our_name_is_one_sentence(broker_yard_dir, mosquitto):
    mosquitto.stop()
    mosquitto.conf.write_text(mosquitto.conf.read_text().replace("anonymous true", "anonymous false"))
    mosquitto.start()
    with (
        shop.open(broker_yard_dir) as opened,
        pytest.raises(BrokerError, match="refuses our user name or password; correct user"),
    ):
        listener.run(opened, threading.Event(), once=True)


_CHILD = """
import sys, threading
from baulk.ingest import shop
from baulk.ingest.mqtt import listener
with shop.open(sys.argv[1]) as opened:
    listener.run(opened, threading.Event(), on_ready=lambda: print("ready", flush=True))
"""


@pytest.mark.broker
def test_killing_the_listener_in_mid_stream_loses_and_doubles_nothing(broker_yard_dir, sensor, listen):
    payloads = weights(0, 3000)
    for part in range(3):
        child = subprocess.Popen(
            [sys.executable, "-c", _CHILD, str(broker_yard_dir)],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        assert child.stdout.readline() == b"ready\n"
        sending = threading.Thread(target=send, args=(sensor, payloads[part * 1000 : (part + 1) * 1000]))
        sending.start()
        before = 1000 * part
        assert until(lambda before=before: len(stored(broker_yard_dir)) > before)
        os.kill(child.pid, signal.SIGKILL)
        child.wait()
        child.stdout.close()
        sending.join()
    listen(broker_yard_dir)
    assert until(lambda: len(stored(broker_yard_dir)) == 3000)
    with shop.open(broker_yard_dir) as opened:
        assert opened.store.quarantine_count() == 0


@pytest.mark.broker
def test_a_broker_that_comes_back_is_listened_to_again(broker_yard_dir, mosquitto, listen):
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    mosquitto.stop()
    assert until(lambda: one.said)
    mosquitto.start()
    assert until(lambda: any("again" in words for words in one.said))
    sensor = mosquitto.client("late")
    send(sensor, weights(0, 5))
    assert until(lambda: len(stored(broker_yard_dir)) == 5)
    sensor.disconnect()
    sensor.loop_stop()


@pytest.mark.broker
def test_garbage_goes_to_quarantine_and_the_next_message_is_stored(broker_yard_dir, sensor, listen):
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    send(sensor, [b"", b"\xff\xfe\x00", b"[" * 5000, b'[{"n":"weight","u":"kg","v":NaN}]'])
    send(sensor, weights(0, 1))
    assert until(lambda: len(stored(broker_yard_dir)) == 1)
    with shop.open(broker_yard_dir) as opened:
        assert opened.store.quarantine_count() == 4


@pytest.mark.broker
def test_a_tag_entered_later_brings_its_readings_out_of_quarantine(broker_yard_dir, sensor, listen):
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    send(sensor, weights(0, 3), TOPIC.replace("FER-01", "FER-02"))
    with shop.open(broker_yard_dir) as opened:
        assert until(lambda: opened.store.quarantine_count() == 3)
        opened.register.add(
            Timber(
                tag="FER-02",
                species="white oak",
                section=Section(width_mm=203, depth_mm=178),
                length_mm=2700,
                finished=Finished(width_mm=152, depth_mm=152),
                use_class="frame-outdoors",
                place="shed",
                arrived_utc=datetime(2026, 5, 1, tzinfo=UTC),
            )
        )
        assert until(lambda: len(opened.store.readings(Owner.TIMBER, "FER-02")) == 3)
        assert until(lambda: opened.store.quarantine_count() == 0)


@pytest.mark.broker
def test_a_retained_value_without_a_time_is_not_stored_when_the_listener_arrives(
    broker_yard_dir, sensor, listen
):
    send(sensor, ['[{"n":"weight","u":"kg","v":91}]'], retain=True)
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    send(sensor, ['[{"n":"weight","u":"kg","v":92}]'])
    assert until(lambda: stored(broker_yard_dir) == [92])


@pytest.mark.broker
def test_the_status_topic_tells_of_birth_leave_and_death(broker_yard_dir, mosquitto, listen):
    client, got = heard(mosquitto, "baulk/v1/ferry-yard/listener/+/status")
    one = listen(broker_yard_dir)
    assert until(lambda: got[-1:] == [b"online"])
    one.end()
    assert until(lambda: got[-1:] == [b"offline"])
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(broker_yard_dir)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
    )
    assert until(lambda: got[-1:] == [b"online"])
    child.kill()
    child.wait()
    child.stdout.close()
    assert until(lambda: got[-1:] == [b"offline"])
    client.disconnect()
    client.loop_stop()


@pytest.mark.broker
def test_a_new_verdict_is_published_and_retained(broker_yard_dir, mosquitto, listen):
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    made = datetime(2026, 5, 14, tzinfo=UTC)
    with shop.open(broker_yard_dir) as opened:
        opened.store.save_evaluation("FER-01", made, documents.stored("FER-01", made))
    client, got = heard(mosquitto, f"{TOPIC}/verdict")
    assert until(lambda: got)
    said = json.loads(got[0])
    assert (said["tag"], said["made_utc"], said["step"]) == ("FER-01", made.isoformat(), "leave")
    assert said["reasons"] == ["Wet."]
    later = made + timedelta(days=1)
    with shop.open(broker_yard_dir) as opened:
        square = documents.stored("FER-01", later, verdict={"step": "square"})
        opened.store.save_evaluation("FER-01", later, square)
    assert until(lambda: json.loads(got[-1])["step"] == "square")
    client.disconnect()
    client.loop_stop()


def test_a_broker_that_is_away_is_one_sentence_and_the_listener_tries_on(yard_dir, free_port, listen):
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("1883", str(free_port)))
    one = listen(yard_dir)
    assert until(lambda: one.said)
    assert one.said == [
        f"the broker at 127.0.0.1:{free_port} can't be reached; start it, or correct [broker] in baulk.toml"
    ]
    assert one.thread.is_alive()
    began = time.monotonic()
    one.end()
    assert time.monotonic() - began < 5


def test_once_fails_with_that_sentence(yard_dir, free_port):
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("1883", str(free_port)))
    with shop.open(yard_dir) as opened, pytest.raises(BrokerError, match="can't be reached"):
        listener.run(opened, threading.Event(), once=True)


@pytest.fixture
def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def test_the_listener_is_known_to_the_broker_by_a_fixed_name(yard_dir):
    assert config.load(yard_dir).client_id == config.load(yard_dir).client_id


def test_no_stranger_can_guess_the_name_of_a_new_shops_listener(tmp_path):
    ours = [config.load(shop.init(tmp_path / each, name="Ferry yard")).client_id for each in "ab"]
    assert ours[0] != ours[1]
    assert all(re.fullmatch(r"baulk-ferry-yard-[0-9a-f]{12}", one) for one in ours)


class OldBroker(threading.Thread):
    """Speaks just enough MQTT 3.1.1 to let a client in; refuses MQTT 5, in words or by hanging up."""

    def __init__(self, *, polite):
        super().__init__(daemon=True)
        self.polite, self.levels = polite, []
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self.start()

    def run(self):
        with contextlib.suppress(OSError):
            while True:
                link, _ = self.server.accept()
                threading.Thread(target=self.talk, args=(link,), daemon=True).start()

    def talk(self, link):
        with link, contextlib.suppress(OSError):
            while data := link.recv(4096):
                kind = data[0] >> 4
                if kind == 1:
                    level = data[data.index(b"MQTT") + 4]
                    self.levels.append(level)
                    if level != 4:
                        if self.polite:
                            link.sendall(bytes([0x20, 2, 0, 1]))  # CONNACK: unacceptable protocol version
                        return
                    link.sendall(bytes([0x20, 2, 0, 0]))
                elif kind == 8:
                    link.sendall(bytes([0x90, 4, data[2], data[3], 1, 1]))


@pytest.mark.parametrize("polite", [True, False])
def test_a_broker_without_mqtt_5_is_spoken_to_in_3_1_1(yard_dir, listen, polite):
    old = OldBroker(polite=polite)
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("1883", str(old.port)))
    one = listen(yard_dir)
    assert one.ready.wait(60)
    assert old.levels[0] == 5
    assert old.levels[-1] == 4
    assert any("MQTT 3.1.1" in words for words in one.said)
    one.end()
    old.server.close()


@pytest.mark.broker
def test_two_listeners_take_turns_and_store_each_reading_once(broker_yard_dir, sensor, listen):
    path = broker_yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("[broker]", '[broker]\nshare = "yard"'))
    one, two = listen(broker_yard_dir, number=1), listen(broker_yard_dir, number=2)
    assert one.ready.wait(60)
    assert two.ready.wait(60)
    send(sensor, weights(0, 600))
    assert until(lambda: len(stored(broker_yard_dir)) == 600)
    two.end()
    send(sensor, weights(600, 700))  # half of these are dealt to the one that left, and wait for it
    listen(broker_yard_dir, number=2)
    assert until(lambda: len(stored(broker_yard_dir)) == 700)


def test_one_of_several_without_a_share_is_refused_in_a_sentence(yard_dir):
    with shop.open(yard_dir) as opened, pytest.raises(ConfigError, match='set share = "yard" in'):
        listener.run(opened, threading.Event(), number=2)


@pytest.mark.broker
def test_a_source_taken_out_of_the_settings_is_no_longer_subscribed_to(
    broker_yard_dir, mosquitto, sensor, listen
):
    path = broker_yard_dir / "baulk.toml"
    before = path.read_text()
    path.write_text(
        f'{before}\n[[source]]\ntopic = "scale/1"\nformat = "plain"\nquantity = "weight"\nunit = "kg"\n'
        'tag = "FER-01"\n'
    )
    first = listen(broker_yard_dir)
    assert first.ready.wait(60)
    send(sensor, ["91"], "scale/1")
    assert until(lambda: stored(broker_yard_dir) == [91])
    first.end()
    path.write_text(before)
    second = listen(broker_yard_dir)
    assert second.ready.wait(60)
    second.end()
    send(sensor, ["92"], "scale/1")
    kept = []
    heir = mqtt.Client(
        mqtt.CallbackAPIVersion.VERSION2,
        client_id=config.load(broker_yard_dir).client_id,
        protocol=mqtt.MQTTv5,
    )
    heir.on_message = lambda _c, _u, message: kept.append(message.topic)
    heir.connect("127.0.0.1", mosquitto.port, clean_start=False)
    heir.loop_start()
    send(sensor, weights(0, 1))
    assert until(lambda: kept)
    heir.disconnect()
    heir.loop_stop()
    assert kept == [TOPIC]
