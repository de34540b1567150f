"""Passwords, certificates and the rules of who may do what, each right and wrong, at a real mosquitto."""

from __future__ import annotations

import contextlib
import shutil
import socket
import ssl
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest

sys.path.insert(0, str(Path(__file__).parent))
from waited import until

from baulk.ingest import config, devices, shop
from baulk.ingest.errors import BrokerError
from baulk.ingest.mqtt import connection, listener, session
from baulk.models.quantity import Owner

pytestmark = pytest.mark.broker
OURS = 'user = "baulk-{part}"'
TOPIC = "baulk/v1/ferry-yard/timber/FER-01"


def set_up(folder, monkeypatch, *lines, port, password="our own secret"):  # noqa: S107
    path = folder / "baulk.toml"
    text = path.read_text()
    start = text.index("[broker]")
    stop = text.index("[store]")
    broker_part = "\n".join(["[broker]", 'host = "127.0.0.1"', f"port = {port}", *lines])
    path.write_text(f"{text[:start]}{broker_part}\n\n{text[stop:]}")
    monkeypatch.setenv("BAULK_BROKER_PASSWORD", password)


def accounts(guarded, folder):
    """Give the broker our own accounts and one of a sensor that publishes to a timber's topic."""
    with shop.open(folder) as opened:
        made = devices.enrol(opened, "sensor", now_utc=datetime.now(UTC), more_topics=[TOPIC])
    guarded.apply(folder)
    guarded.secret = made.password


def refused(folder):
    with shop.open(folder) as opened, pytest.raises(BrokerError) as caught:
        listener.run(opened, threading.Event(), once=True)
    return str(caught.value)


def sensor(guarded, *, tls=None, port=None):
    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="s", protocol=mqtt.MQTTv5)
    client.username_pw_set("sensor", guarded.secret)
    if tls:
        client.tls_set(ca_certs=str(tls / "ca.crt"))
    client.connect("127.0.0.1", port or guarded.port)
    client.loop_start()
    return client


def weights(folder):
    with shop.open(folder) as opened:
        return [one.value for one in opened.store.readings(Owner.TIMBER, "FER-01")]


def send(guarded, kg, **how):
    client = sensor(guarded, **how)
    client.publish(TOPIC, f'[{{"n":"weight","u":"kg","v":{kg}}}]', qos=1).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def test_the_right_password_is_let_in_and_the_rules_allow_what_is_needed(
    guarded, yard, yard_dir, listen, monkeypatch
):
    set_up(yard_dir, monkeypatch, OURS, port=guarded.port)
    accounts(guarded, yard_dir)
    one = listen(yard_dir)
    assert one.ready.wait(60)
    send(guarded, 96)
    assert until(lambda: weights(yard_dir) == [96])


@pytest.mark.parametrize(("user", "password"), [("baulk-listener", "wrong"), ("stranger", "our own secret")])
def test_a_wrong_password_is_one_sentence(guarded, yard, yard_dir, monkeypatch, user, password):
    set_up(yard_dir, monkeypatch, OURS, port=guarded.port)
    accounts(guarded, yard_dir)
    set_up(yard_dir, monkeypatch, f'user = "{user}"', port=guarded.port, password=password)
    assert "refuses our user name or password; correct user in [broker]" in refused(yard_dir)


def test_readings_come_over_tls_with_the_shops_own_authority(guarded, yard, yard_dir, listen, monkeypatch):
    shutil.copy(guarded.tls / "ca.crt", yard_dir)
    set_up(yard_dir, monkeypatch, OURS, "tls = true", 'ca_file = "ca.crt"', port=guarded.tls_port)
    accounts(guarded, yard_dir)
    one = listen(yard_dir)
    assert one.ready.wait(60)
    send(guarded, 95, tls=guarded.tls, port=guarded.tls_port)
    assert until(lambda: weights(yard_dir) == [95])


def test_a_thousand_readings_over_tls_are_all_there(guarded, yard, yard_dir, listen, monkeypatch):
    shutil.copy(guarded.tls / "ca.crt", yard_dir)
    set_up(yard_dir, monkeypatch, OURS, "tls = true", 'ca_file = "ca.crt"', port=guarded.tls_port)
    accounts(guarded, yard_dir)
    one = listen(yard_dir)
    assert one.ready.wait(60)
    client = sensor(guarded)
    start = time.time() - 400_000
    for k in range(1000):
        client.publish(TOPIC, f'[{{"n":"weight","u":"kg","t":{start + k},"v":96}}]', qos=1)
    assert until(lambda: len(weights(yard_dir)) == 1000, 30)
    client.disconnect()
    client.loop_stop()


def test_an_authority_that_did_not_sign_the_broker_is_one_sentence(guarded, yard, yard_dir, monkeypatch):
    shutil.copy(guarded.other / "ca.crt", yard_dir)
    set_up(yard_dir, monkeypatch, OURS, "tls = true", 'ca_file = "ca.crt"', port=guarded.tls_port)
    accounts(guarded, yard_dir)
    said = refused(yard_dir)
    assert "is not trusted" in said
    assert "set ca_file in [broker] to the certificate of the shop's own CA" in said


def test_a_broker_under_another_name_is_one_sentence(guarded, yard, yard_dir, monkeypatch):
    shutil.copy(guarded.tls / "ca.crt", yard_dir)
    set_up(yard_dir, monkeypatch, OURS, "tls = true", 'ca_file = "ca.crt"', port=guarded.tls_port)
    accounts(guarded, yard_dir)
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace('"127.0.0.1"', '"127.0.0.2"'))
    guarded.stop()
    guarded.conf.write_text(
        guarded.conf.read_text().replace(
            f"listener {guarded.tls_port} 127.0.0.1", f"listener {guarded.tls_port}"
        )
    )
    guarded.start()
    assert "has a certificate for another name" in refused(yard_dir)


def test_tls_towards_a_plain_port_is_one_sentence(guarded, yard, yard_dir, monkeypatch):
    set_up(yard_dir, monkeypatch, "tls = true", port=guarded.port)
    said = refused(yard_dir)
    assert "does not speak TLS" in said or "can't be reached" in said


def test_a_plain_client_at_the_tls_port_is_one_sentence(guarded, yard, yard_dir, monkeypatch):
    set_up(yard_dir, monkeypatch, OURS, port=guarded.tls_port)
    assert f"127.0.0.1:{guarded.tls_port}" in refused(yard_dir)


def test_a_broker_that_wants_a_certificate_says_so_and_takes_ours(
    guarded, yard, yard_dir, listen, monkeypatch
):
    guarded.stop()
    guarded.conf.write_text(
        guarded.conf.read_text().replace("require_certificate false", "require_certificate true")
    )
    guarded.start()
    for name in ("ca.crt", "listener.crt", "listener.key"):
        shutil.copy(guarded.tls / name, yard_dir)
    secure = (OURS, "tls = true", 'ca_file = "ca.crt"')
    set_up(yard_dir, monkeypatch, *secure, port=guarded.tls_port)
    accounts(guarded, yard_dir)
    assert "set cert_file and key_file in [broker]" in refused(yard_dir)
    own = ('cert_file = "listener.crt"', 'key_file = "listener.key"')
    set_up(yard_dir, monkeypatch, *secure, *own, port=guarded.tls_port)
    one = listen(yard_dir)
    assert one.ready.wait(60)


def test_a_certificate_file_that_is_not_there_is_one_sentence(yard_dir, monkeypatch):
    set_up(yard_dir, monkeypatch, "tls = true", 'ca_file = "nowhere.crt"', port=1)
    with pytest.raises(BrokerError, match="certificate or key file can't be used"):
        connection.client(config.load(yard_dir), "x", part="plan", protocol=connection.V5, keep=False)


def test_a_port_that_never_answers_is_one_sentence(yard, yard_dir, monkeypatch):
    monkeypatch.setattr(session, "_ANSWER_S", 1.0)
    with socket.create_server(("127.0.0.1", 0)) as mute:
        set_up(yard_dir, monkeypatch, port=mute.getsockname()[1])
        said = refused(yard_dir)
    assert "takes the connection and does not answer; correct port in [broker], or try tls = true" in said


def test_a_sensor_may_not_read_what_others_publish(guarded, yard, yard_dir, monkeypatch):
    set_up(yard_dir, monkeypatch, OURS, port=guarded.port)
    accounts(guarded, yard_dir)
    got = []
    client = sensor(guarded)
    client.on_message = lambda _c, _u, message: got.append(message.payload)
    client.subscribe("#", qos=1)
    client.publish(TOPIC, "[]", qos=1).wait_for_publish(10)
    time.sleep(0.3)
    client.disconnect()
    client.loop_stop()
    assert got == []


def test_the_certificate_names_every_name_it_was_made_for(tls):
    folder, _ = tls
    text = subprocess.run(
        ["openssl", "x509", "-in", folder / "for-broker" / "server.crt", "-noout", "-ext", "subjectAltName"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    assert "DNS:localhost, IP Address:127.0.0.1" in text
    with contextlib.suppress(ssl.SSLError):
        ssl.create_default_context(cafile=folder / "ca.crt")
    assert (folder / "ca.key").stat().st_mode & 0o077 == 0
    assert (folder / "sensor-7.crt").exists()
