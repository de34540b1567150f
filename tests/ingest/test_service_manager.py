"""What systemd hears of a part, by a real socket, and what its units and the installing script do."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time

import pytest

from baulk.ingest import service_manager, shop
from baulk.ingest.config import FILE

PARTS = ("listener", "forecasts", "pages", "forward")
LOOSEST = 2.0  # of systemd's own scale to 10, on which 2 and less is called OK


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


def test_the_units_are_what_systemd_takes_and_shut_in(root, tmp_path):
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("no systemd on this machine")  # a Mac, and a container that has none
    for name in [f"baulk-{part}.service" for part in PARTS] + ["baulk.target"]:
        text = (root / "deploy/systemd" / name).read_text()
        assert "/opt/baulk/.venv/bin/baulk" in text or name == "baulk.target"
        (tmp_path / name).write_text(text.replace("/opt/baulk/.venv/bin/baulk", "/bin/true"))
    units = [str(tmp_path / f"baulk-{part}.service") for part in PARTS]
    done = subprocess.run(
        [analyze, "verify", "--man=no", *units, tmp_path / "baulk.target"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    ours = [line for line in done.stderr.splitlines() if "baulk" in line]
    assert (done.returncode, ours) == (0, [])
    for unit in units:
        done = subprocess.run(
            [analyze, "security", "--offline=true", f"--threshold={LOOSEST * 10:.0f}", "--no-pager", unit],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout[-300:]


def _environment(folder, *, opens=True):
    """Make a Python environment that is this one, or one whose program can't open a shop."""
    (folder / "bin").mkdir(parents=True)
    program = folder / "bin" / "baulk"
    stop = (
        'case "$*" in *"timber list"*) echo "this one opens nothing" >&2; exit 1;; esac\n'
        if not opens
        else ""
    )
    program.write_text(
        f'#!/bin/sh\n{stop}exec env {_path()} "{sys.executable}" -P -m baulk.dashboard.commands "$@"\n'
    )
    program.chmod(0o755)
    return folder


def _path():
    return f"PYTHONPATH={os.environ['PYTHONPATH']}" if "PYTHONPATH" in os.environ else ""


def test_install_moves_a_shop_in_upgrades_it_with_a_backup_and_puts_the_old_one_back(
    root, tmp_path, yard, yard_dir
):
    tag = yard.register.list()[0].tag
    yard.close()
    (yard_dir / "pages.password").write_text("secret")
    place = tmp_path / "machine"
    script = root / "deploy/systemd/install"

    def install(*words, environment):
        return subprocess.run(
            [script, "--root", place, "--environment", environment, *words],
            capture_output=True, text=True, timeout=120, check=False,
        )  # fmt: skip

    first, second = _environment(tmp_path / "first"), _environment(tmp_path / "second", opens=False)
    done = install("--shop", yard_dir, environment=first)
    assert done.returncode == 0, done.stderr
    shop_dir, program = place / "var/lib/baulk/shop", place / "opt/baulk"
    with shop.open(shop_dir) as opened:
        assert opened.register.get(tag).tag == tag
    assert {each.name for each in (place / "etc/systemd/system").iterdir()} == {
        "baulk.target", *(f"baulk-{part}.service" for part in PARTS),
    }  # fmt: skip
    assert (program / "models/units.py").is_file()
    assert "move it away" in install("--shop", yard_dir, environment=first).stderr

    done = install(environment=second)  # an upgrade to a program that can't open the shop
    assert done.returncode == 1
    assert "the older one runs again" in done.stderr.replace("older program", "older one")
    assert list((place / "var/lib/baulk").glob("before-install-*.zip"))
    assert (program / ".venv").resolve() == first
    with shop.open(shop_dir) as opened:
        assert opened.register.get(tag).tag == tag
    assert (shop_dir / "pages.password").read_text() == "secret"

    done = install(environment=first)
    assert done.returncode == 0, done.stderr
    with shop.open(shop_dir) as opened:
        assert opened.register.get(tag).tag == tag

    done = subprocess.run(
        [script, "--root", place, "--remove"], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    assert not list((place / "opt").iterdir())
    assert not list((place / "etc/systemd/system").iterdir())
    with shop.open(shop_dir) as opened:  # what the shop knows is nobody's to take away with the program
        assert opened.register.get(tag).tag == tag


def test_install_says_that_there_is_no_python_before_it_touches_anything(root, tmp_path):
    tools = tmp_path / "tools"
    tools.mkdir()
    for each in ("bash", "env", "dirname", "realpath", "id", "mkdir", "install", "rm", "cp", "mv", "find"):
        (tools / each).symlink_to(shutil.which(each))
    place = tmp_path / "machine"
    done = subprocess.run(
        [root / "deploy/systemd/install", "--root", place],
        capture_output=True, text=True, timeout=60, check=False, env={"PATH": str(tools)},
    )  # fmt: skip
    assert done.returncode == 1
    assert "Python 3.11 or newer is needed and none is on the path" in done.stderr
    assert "older program" not in done.stderr
    assert not (place / "opt").exists()
