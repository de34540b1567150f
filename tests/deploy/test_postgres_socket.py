"""A shop in PostgreSQL reached by its local socket, with the operating system's word for who one is (peer).

The server is a real one, in a folder of the test; pg_hba.conf says `local all all peer`, as Debian has
it. It could not have found what another user's rights to the socket's folder do.
"""

from __future__ import annotations

import getpass
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from baulk.ingest.config import FILE, STORE_PASSWORD

HBA = "local all keeper trust\nlocal all all {how}\n"  # the test's own superuser besides


@pytest.fixture(scope="module")
def server():
    """A real PostgreSQL that answers at a socket only; its folder."""
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin/postgres"))
    if not programs:
        pytest.skip("PostgreSQL is not on this machine; tests/run installs it")
    folder = Path(tempfile.mkdtemp(prefix="baulk-socket-"))
    folder.chmod(0o755)
    data, as_whom = folder / "data", {}
    if os.geteuid() == 0:  # the server refuses to run as root
        shutil.chown(folder, "postgres", "postgres")
        as_whom = {"user": "postgres", "group": "postgres"}
    words = [
        programs[-1].parent / "initdb",
        "-D",
        data,
        "-U",
        "keeper",
        "-A",
        "trust",
        "-E",
        "UTF8",
        "--no-sync",
    ]
    subprocess.run(words, check=True, capture_output=True, cwd="/", **as_whom)
    settings = ("fsync=off", f"unix_socket_directories={folder}", "listen_addresses=", "port=5432")
    process = subprocess.Popen(
        [programs[-1], "-D", data, *(word for each in settings for word in ("-c", each))],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/", **as_whom,
    )  # fmt: skip
    try:
        until = time.monotonic() + 30
        while not (folder / ".s.PGSQL.5432").exists():
            assert time.monotonic() < until, "PostgreSQL did not start within 30 s"
            time.sleep(0.05)
        yield folder
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(20)
        shutil.rmtree(folder)


@pytest.fixture
def ask(server):
    """Say something to the server as its superuser, by a program of its own."""

    def say(text):
        words = ["psql", "-h", server, "-U", "keeper", "-d", "postgres", "-v", "ON_ERROR_STOP=1", "-c", text]
        subprocess.run(words, check=True, capture_output=True, timeout=30, cwd="/")

    return say


@pytest.fixture(params=["peer", "scram-sha-256"])
def how(request, server, ask):
    """What the server asks of whoever comes by its socket."""
    hba = server / "data" / "pg_hba.conf"
    hba.write_text(HBA.format(how=request.param))
    ask("SELECT pg_reload_conf()")
    time.sleep(0.3)  # a reload is asked for, not waited for
    return request.param


@pytest.fixture
def socket_shop(server, ask, how, shop_dir, mosquitto, monkeypatch):
    """A shop whose store is behind the socket, and whose broker is a real one."""
    role = getpass.getuser() if how == "peer" else "ferry"
    name = f"yard_{how[:4]}"
    ask(f"CREATE ROLE \"{role}\" LOGIN PASSWORD 'tried & true'")
    ask(f'CREATE DATABASE {name} OWNER "{role}"')
    if how != "peer":
        monkeypatch.setenv(STORE_PASSWORD, "tried & true")
    settings = shop_dir / FILE
    text = settings.read_text().replace("port = 1883", f"port = {mosquitto.port}")
    url = f"postgresql://{role}@/{name}?host={server}"
    assert 'kind = "sqlite"' in text
    text = text.replace('kind = "sqlite"', f'kind = "postgres"\nurl = "{url}"', 1)
    settings.write_text(text)
    return shop_dir


@pytest.fixture
def done(socket_shop, baulk):
    """Run a command on that shop; what it said."""

    def run(*words, seconds=120):
        told = baulk(*words, "--shop", str(socket_shop), seconds=seconds)
        assert told.returncode == 0, told.stderr
        return told.stdout

    return run


def fill(done, socket_shop, mosquitto):
    """Add a timber, and let a real listener take in a reading of it and the air beside it."""
    done(
        "timber", "add", "FER-01", "--species", "white oak", "--size", "8 x 7 3/4 in", "--finished",
        "6 x 6 in", "--length", "8 ft", "--use", "backbone-above-water", "--place", "shed", "--new-place",
    )  # fmt: skip
    done("timber", "attach", "FER-01", "pins-1", "--depth", "1 3/4 in", "--face", "b")
    command = [sys.executable, "-P", "-m", "baulk.dashboard.commands", "listen", "--shop", str(socket_shop)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as listener:
        try:
            client = paho.Client(paho.CallbackAPIVersion.VERSION2, client_id="pins-1")
            client.connect(mosquitto.host, mosquitto.port)
            client.loop_start()
            pins = json.dumps([{"n": "moisture", "u": "/100", "v": 38}])
            air = json.dumps([{"n": "temp", "u": "Cel", "v": 12}, {"n": "humidity", "u": "%RH", "v": 71}])
            topic = "baulk/v1/test-yard"
            until = time.monotonic() + 90
            while ",38" not in done("export", "readings", "FER-01"):
                assert time.monotonic() < until, "the reading did not come"
                client.publish(f"{topic}/air/shed", air, qos=1).wait_for_publish(10)
                client.publish(f"{topic}/sensor/pins-1", pins, qos=1).wait_for_publish(10)
                time.sleep(1)
            client.disconnect()
            client.loop_stop()
        finally:
            listener.send_signal(signal.SIGTERM)
            said = listener.communicate(timeout=60)[0]
    assert listener.returncode == 0, said


def test_commands_and_a_listener_work_by_the_socket(done, socket_shop, mosquitto):
    fill(done, socket_shop, mosquitto)
    assert "the socket in" not in done("timber", "list")


@pytest.mark.bench  # half a minute of processor, most of it compiling
@pytest.mark.timeout(1200)
@pytest.mark.parametrize("how", ["peer"], indirect=True)
def test_a_forecast_and_a_backup_work_by_the_socket(done, socket_shop, mosquitto, tmp_path):
    fill(done, socket_shop, mosquitto)
    done("forecast", seconds=900)
    assert json.loads(done("verdict", "FER-01", "--json"))[0]["verdict"]["step"] in {
        "leave",
        "rough out",
        "square",
    }
    done("backup", "-o", str(tmp_path / "now.zip"), seconds=300)


def test_a_socket_at_which_nobody_answers_is_named_as_one(shop_dir, baulk, tmp_path):
    settings = shop_dir / FILE
    url = f"postgresql:///ferry?host={tmp_path}"
    settings.write_text(
        settings.read_text().replace('kind = "sqlite"', f'kind = "postgres"\nurl = "{url}"', 1)
    )
    told = baulk("timber", "list", "--shop", str(shop_dir))
    assert told.returncode == 1
    assert f"the store ferry at the socket in {tmp_path} is away" in " ".join(told.stderr.split())
