"""Each unit's own line with its own environment, as systemd starts it; and that systemd takes the units."""

from __future__ import annotations

import os
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections import defaultdict

import pytest

from baulk.ingest.config import FILE

PARTS = ("listener", "forecasts", "pages", "forward")
LOOSEST = 2.0  # of systemd's own scale to 10, on which 2 and less is called OK
PROGRAM = "/opt/baulk/.venv/bin/baulk"
SHOP, CACHE = "/var/lib/baulk/shop", "/var/cache/baulk"
PATIENCE_S = 4.0  # instead of WatchdogSec, which is minutes
# what systemd gives every service besides its own (systemd.exec(5), on environment variables)
GIVEN = {"PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin", "LANG": "C.UTF-8", "USER": "baulk",
         "LOGNAME": "baulk", "SHELL": "/usr/sbin/nologin"}  # fmt: skip


@pytest.fixture
def unit(root):
    """Read a unit: its settings, of each the values in order."""

    def read(part):
        told = defaultdict(list)
        for line in (root / f"deploy/systemd/baulk-{part}.service").read_text().splitlines():
            name, is_setting, value = line.partition("=")
            if is_setting and not line.startswith(("#", ";")):
                told[name].append(value)
        return told

    return read


def started(unit, yard_dir, tmp_path):
    """Start what ExecStart says, from the folder and with nothing but the environment that the unit gives."""

    def here(text):
        return text.replace(SHOP, str(yard_dir)).replace(CACHE, str(tmp_path / "cache"))

    (line,), (folder,) = unit["ExecStart"], unit["WorkingDirectory"]
    program, *words = shlex.split(line)
    assert program == PROGRAM
    own = dict(each.split("=", 1) for line in unit["Environment"] for each in shlex.split(here(line)))
    told = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": str(int(PATIENCE_S * 1e6))}
    tests = {
        name: os.environ[name] for name in ("PYTHONPATH", "PYTHONDONTWRITEBYTECODE") if name in os.environ
    }
    with (tmp_path / "said").open("wb") as said:
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "baulk.dashboard.commands", *words],
            env=GIVEN | {"HOME": str(tmp_path)} | tests | own | told,
            cwd=here(folder), umask=int(unit["UMask"][0], 8),
            stdin=subprocess.DEVNULL, stdout=said, stderr=subprocess.STDOUT,
        )  # fmt: skip


@pytest.fixture
def settings(shop_dir, free_port):
    """A shop whose broker is away, with a port of its own for the pages and a broker to hand on to."""
    file = shop_dir / FILE
    text = file.read_text().replace("port = 1883", "port = 1")
    ours = f'[dashboard]\nport = {free_port}\n[forward]\nhost = "127.0.0.1"\nport = 2\nname = "shed"\n'
    file.write_text(f"{text}\n{ours}")
    return shop_dir


@pytest.mark.parametrize("part", PARTS)
def test_its_own_line_tells_that_it_is_ready_lives_and_ends_in_time(part, unit, heard, settings, tmp_path):
    told = unit(part)
    assert (told["Type"], told["NotifyAccess"]) == (["notify"], ["main"])
    assert float(told["WatchdogSec"][0]) >= 10 * PATIENCE_S  # what is told in time here is told in time there
    before = set(settings.rglob("*"))
    with started(told, settings, tmp_path) as process:
        try:
            while (said := heard.recv(500)) == b"WATCHDOG=1":  # while it opens the shop
                pass
            assert said.split(b"\n")[0] == b"READY=1", (tmp_path / "said").read_text()
            began = time.monotonic()
            assert {heard.recv(500) for _ in range(3)} == {b"WATCHDOG=1"}
            assert time.monotonic() - began < 3 * PATIENCE_S
        finally:
            process.send_signal(signal.SIGTERM)
            ended = time.monotonic()
        while (last := heard.recv(500)) == b"WATCHDOG=1":
            pass
        assert last == b"STOPPING=1"
        assert process.wait(float(told["TimeoutStopSec"][0])) in {0, -signal.SIGTERM}  # systemd's clean ends
        assert time.monotonic() - ended < float(told["TimeoutStopSec"][0])
    made = set(settings.rglob("*")) - before
    assert [each.name for each in made if each.stat().st_mode & 0o077] == []


def test_systemd_takes_the_units_and_calls_them_shut_in(root, tmp_path):
    analyze = shutil.which("systemd-analyze")
    if analyze is None:
        pytest.skip("no systemd on this machine")  # a Mac, and a container that has none
    for name in [f"baulk-{part}.service" for part in PARTS] + ["baulk.target"]:
        text = (root / "deploy/systemd" / name).read_text()
        assert PROGRAM in text or name == "baulk.target"
        (tmp_path / name).write_text(text.replace(PROGRAM, "/bin/true"))
    units = [str(tmp_path / f"baulk-{part}.service") for part in PARTS]
    done = subprocess.run(
        [analyze, "verify", "--man=no", *units, tmp_path / "baulk.target"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    ours = [line for line in done.stderr.splitlines() if "baulk" in line]
    assert (done.returncode, ours) == (0, [])
    for each in units:
        done = subprocess.run(
            [analyze, "security", "--offline=true", f"--threshold={LOOSEST * 10:.0f}", "--no-pager", each],
            capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout[-300:]
