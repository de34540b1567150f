"""deploy/mosquitto/set-up, and a real mosquitto started with what it makes."""

import json
import os
import shutil
import socket
import ssl
import subprocess
import sys
import time

import paho.mqtt.client as paho
import pytest

from baulk.ingest import config
from baulk.ingest.config import FILE
from baulk.ingest.demo import broker

# What Debian's package puts into mosquitto.conf (2.0.11-1.2+deb12u2), but for the file of its own log: the
# folder of ours is read after it, and mosquitto ends on a second persistence_location.
PACKAGED = """\
pid_file {at}/mosquitto.pid

persistence true
persistence_location {at}/

include_dir {etc}/conf.d
"""


def _free():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _asks_in(port, authority, user, password):
    """Say as whom a client was taken in: the broker's own reason."""
    client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="x", protocol=paho.MQTTv5)
    client.tls_set_context(ssl.create_default_context(cafile=str(authority / "ca.crt")))
    if user:
        client.username_pw_set(user, password)
    said = []
    client.on_connect = lambda _c, _d, _f, reason, _p: said.append(str(reason))
    client.connect("localhost", port)
    client.loop_start()
    until = time.monotonic() + 15
    while not said and time.monotonic() < until:
        time.sleep(0.02)
    client.disconnect()
    client.loop_stop()
    return said[0]


@pytest.mark.broker
def test_one_command_makes_a_broker_that_takes_in_whom_it_knows(root, tmp_path, yard, yard_dir):
    program = broker.find_mosquitto()
    if program is None:
        pytest.skip("mosquitto is not on this machine")
    yard.close()
    wrapper = tmp_path / "baulk"
    path = f"env PYTHONPATH={os.environ['PYTHONPATH']} " if "PYTHONPATH" in os.environ else ""
    wrapper.write_text(f'#!/bin/sh\nexec {path}"{sys.executable}" -P -m baulk.dashboard.commands "$@"\n')
    wrapper.chmod(0o755)
    etc, authority, secrets = tmp_path / "etc", tmp_path / "authority", tmp_path / "kept" / "secrets"
    etc.mkdir()
    (etc / "mosquitto.conf").write_text(PACKAGED.format(etc=etc, at=tmp_path))
    words = [
        root / "deploy/mosquitto/set-up", yard_dir, "localhost", "--etc", etc, "--authority", authority,
        "--secrets", secrets, "--baulk", wrapper,
    ]  # fmt: skip
    env = {name: value for name, value in os.environ.items() if name != "BAULK_BROKER_PASSWORD"}
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False, env=env)
    assert done.returncode == 0, done.stderr
    password = secrets.read_text()
    assert secrets.stat().st_mode & 0o777 == 0o600
    told = subprocess.run(
        [wrapper, "--shop", yard_dir, "sensor", "enrol", "S7", "--json"],
        capture_output=True, text=True, timeout=60, check=True, env=env,
    )  # fmt: skip
    made = json.loads(told.stdout)
    again = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False, env=env)
    assert again.returncode == 0, again.stderr
    assert secrets.read_text() == password, "the password stays"
    assert (yard_dir / FILE).read_text().count('\nuser = "baulk-{part}"') == 1
    assert not list(etc.rglob("ca.key")), "the authority's key is not for the broker"
    assert (etc / "baulk.passwd").stat().st_mode & 0o777 == 0o600

    conf, ports = etc / "conf.d" / "baulk.conf", (_free(), _free())
    text = conf.read_text()
    for old, new in (
        ("listener 1883 127.0.0.1", f"listener {ports[0]} 127.0.0.1"),
        ("listener 8883", f"listener {ports[1]} 127.0.0.1"),
        ("log_dest syslog", "log_dest none"),
    ):
        assert old in text
        text = text.replace(old, new)
    conf.write_text(text + ("user root\n" if os.geteuid() == 0 else ""))
    if os.geteuid() == 0:
        for each in [*etc.glob("baulk.*"), etc / "tls", *(etc / "tls").iterdir()]:
            shutil.chown(each, "root", "root")  # a package of mosquitto brings a user of that name
    with subprocess.Popen([program, "-c", etc / "mosquitto.conf"], stderr=subprocess.DEVNULL) as running:
        try:
            until = time.monotonic() + 15
            while not broker.answers(ports[1]):
                assert time.monotonic() < until, "mosquitto did not start with it"
                time.sleep(0.05)
            assert _asks_in(ports[1], authority, made["name"], made["password"]) == "Success"
            assert _asks_in(ports[1], authority, made["name"], "wrong") == "Not authorized"
            assert _asks_in(ports[1], authority, None, None) == "Not authorized"
        finally:
            running.terminate()


@pytest.mark.broker
def test_a_broker_in_a_container_of_its_own_lets_the_parts_in_by_its_name_and_tls(
    root, tmp_path, yard, yard_dir
):
    """As deploy/container runs it, but without the container: the broker's name there leads here."""
    program = broker.find_mosquitto()
    if program is None:
        pytest.fail("mosquitto is not on this machine") if os.environ.get("CI") else pytest.skip(
            "no mosquitto"
        )
    yard.close()
    wrapper = tmp_path / "baulk"
    path = f"env PYTHONPATH={os.environ['PYTHONPATH']} " if "PYTHONPATH" in os.environ else ""
    wrapper.write_text(f'#!/bin/sh\nexec {path}"{sys.executable}" -P -m baulk.dashboard.commands "$@"\n')
    wrapper.chmod(0o755)
    etc, authority = tmp_path / "etc", tmp_path / "authority"
    words = [
        root / "deploy/mosquitto/set-up", "--container", "localhost", "--authority", authority, "--etc", etc,
        "--baulk", wrapper, yard_dir, "ferry.local",
    ]  # fmt: skip
    env = {name: value for name, value in os.environ.items() if name != "BAULK_BROKER_PASSWORD"}
    done = subprocess.run(words, capture_output=True, text=True, timeout=120, check=False, env=env)
    assert (done.returncode, "BAULK_BROKER_PASSWORD is not set" in done.stderr) == (1, True)
    for _ in range(2):  # again it renews, and the settings stay as they are
        done = subprocess.run(
            words, capture_output=True, text=True, timeout=120, check=False,
            env=env | {"BAULK_BROKER_PASSWORD": "drawn by the person"},
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
    part = config.load(yard_dir).broker
    assert (part.host, part.port, part.tls) == ("localhost", 8883, True)
    assert part.devices_at == "mqtts://ferry.local:8883"

    conf, port = etc / "conf.d" / "baulk.conf", _free()
    text = conf.read_text()
    assert "log_dest stderr" in text
    text = text.replace("listener 8883", f"listener {port}").replace("listener 1883", f"listener {_free()}")
    text = text.replace("/var/lib/mosquitto/", f"{tmp_path}/")
    conf.write_text(text + ("user root\n" if os.geteuid() == 0 else ""))
    if os.geteuid() == 0:
        for each in [*etc.glob("baulk.*"), etc / "tls", *(etc / "tls").iterdir()]:
            shutil.chown(each, "root", "root")
    with subprocess.Popen([program, "-c", conf], stderr=subprocess.DEVNULL) as running:
        try:
            until = time.monotonic() + 15
            while not broker.answers(port):
                assert time.monotonic() < until, "mosquitto did not start with it"
                time.sleep(0.05)
            for password, said in (("drawn by the person", "Success"), ("another", "Not authorized")):
                assert _asks_in(port, yard_dir, "baulk-listener", password) == said
        finally:
            running.terminate()


def test_it_makes_no_broker_for_a_shop_whose_broker_is_elsewhere(root, tmp_path, yard, yard_dir):
    yard.close()
    settings = yard_dir / FILE
    settings.write_text(
        settings.read_text().replace('host = "127.0.0.1"\nport', 'host = "broker.local"\nport')
    )
    before = settings.read_text()
    done = subprocess.run(
        [root / "deploy/mosquitto/set-up", yard_dir, "localhost", "--etc", tmp_path / "etc",
         "--authority", tmp_path / "authority", "--secrets", tmp_path / "s", "--baulk", sys.executable],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "names another machine" in done.stderr
    assert settings.read_text() == before
    assert not (tmp_path / "authority").exists()


def test_it_says_when_mosquitto_would_not_read_what_it_makes(root, tmp_path, yard, yard_dir):
    yard.close()
    etc = tmp_path / "etc"
    etc.mkdir()
    (etc / "mosquitto.conf").write_text("persistence true\n")
    path = f"{os.environ['PATH']}:/usr/sbin"
    if shutil.which("mosquitto", path=path) is None:
        pytest.skip("mosquitto is not on this machine")
    before = (yard_dir / FILE).read_text()
    done = subprocess.run(
        [root / "deploy/mosquitto/set-up", yard_dir, "localhost", "--etc", etc,
         "--authority", tmp_path / "authority", "--secrets", tmp_path / "s", "--baulk", sys.executable],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert f"add the line: include_dir {etc}/conf.d" in done.stderr
    assert (yard_dir / FILE).read_text() == before
    assert not (tmp_path / "authority").exists()
