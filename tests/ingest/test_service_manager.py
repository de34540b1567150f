"""What systemd hears of a part, by a real socket; its units are tried in tests/deploy."""

import os
import signal
import socket
import subprocess
import sys
import time

import pytest

from baulk.ingest import service_manager
from baulk.ingest.config import FILE


@pytest.fixture
def heard(tmp_path, monkeypatch):
    """A socket as systemd opens one for each service; gives what has come so far."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sock:
        sock.bind(str(tmp_path / "notify"))
        sock.settimeout(20)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        yield sock


def test_without_systemd_nothing_is_sent_and_nothing_fails(monkeypatch, tmp_path):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    service_manager.ready("well")
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "gone"))
    service_manager.ending()


@pytest.mark.parametrize(
    ("usec", "pid", "s"), [("4000000", None, 4.0), ("x", None, 0.0), ("4000000", "1", 0.0)]
)
def test_the_watchdog_is_told_only_where_it_watches_us(monkeypatch, usec, pid, s):
    monkeypatch.setenv("WATCHDOG_USEC", usec)
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    if pid:
        monkeypatch.setenv("WATCHDOG_PID", pid)
    assert service_manager.patience_s() == s


def test_a_listener_tells_that_it_is_ready_lives_while_the_broker_is_away_and_ends(heard, yard_dir):
    settings = yard_dir / FILE
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))  # bound, not listening: nobody answers there
        settings.write_text(settings.read_text().replace("port = 1883", f"port = {probe.getsockname()[1]}"))
        command = [sys.executable, "-P", "-m", "baulk.dashboard.commands", "listen", "--shop", str(yard_dir)]
        env = os.environ | {"WATCHDOG_USEC": "1200000"}
        with subprocess.Popen(command, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as part:
            try:
                while (said := heard.recv(500)) == b"WATCHDOG=1":  # while it opens the shop
                    pass
                assert said.startswith(b"READY=1\nSTATUS=for the broker at 127.0.0.1")
                began = time.monotonic()
                assert {heard.recv(500) for _ in range(4)} == {b"WATCHDOG=1"}
                assert 0.5 < time.monotonic() - began < 8
            finally:
                part.send_signal(signal.SIGTERM)
            while (last := heard.recv(500)) == b"WATCHDOG=1":
                pass
            assert last == b"STOPPING=1"


def test_a_forwarder_tells_that_it_is_ready_lives_while_both_brokers_are_away_and_ends(heard, tmp_path):
    (tmp_path / FILE).write_text(
        '[broker]\nport = 1\n[forward]\nhost = "127.0.0.1"\nport = 2\nname = "shed"\n'
    )
    command = [sys.executable, "-P", "-m", "baulk.dashboard.commands", "forward", "--shop", str(tmp_path)]
    env = os.environ | {"WATCHDOG_USEC": "1200000"}
    with subprocess.Popen(command, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as part:
        try:
            assert heard.recv(500) == b"READY=1\nSTATUS=from 127.0.0.1:1 to 127.0.0.1:2"
            assert {heard.recv(500) for _ in range(4)} == {b"WATCHDOG=1"}
        finally:
            part.send_signal(signal.SIGTERM)
        while (last := heard.recv(500)) == b"WATCHDOG=1":
            pass
        assert last == b"STOPPING=1"
        assert part.wait(10) == 0
