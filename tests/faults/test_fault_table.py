"""The fault table of tests/README.md: hard faults at full size, each line counted.

`python -m pytest -s -m bench tests/faults` prints every line; the kills stand in `test_kill` and
`test_broker_killed`, the fuzzed messages in `test_fuzz`. BAULK_BENCH_MINUTES sets how long all parts run
together.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from baulk.ingest import shop
from baulk.models.quantity import Owner
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

pytestmark = [pytest.mark.broker, pytest.mark.bench, pytest.mark.timeout(1800)]
DISK_MB, ROOM_MB = 96, 2
FULL, LOCKED, AWAY = 80_000, 10_500, 30_000
MINUTES = float(os.environ.get("BAULK_BENCH_MINUTES", "10"))
HERE = Path(__file__).parent
PIECE = Timber(
    tag="FER-01",
    species="white oak",
    section=Section(width_mm=203, depth_mm=178),
    length_mm=2700,
    finished=Finished(width_mm=152, depth_mm=152),
    use_class="frame-outdoors",
    place="shed",
    arrived_utc=datetime.now(UTC) - timedelta(days=30),
)
AIR = json.dumps([{"n": "temp", "u": "Cel", "v": 12.5}, {"n": "humidity", "u": "%RH", "v": 71}])
COMMANDS = (
    ("timber", "list"),
    ("reading", "add", "FER-01", "moisture", "21.5", "--depth", "45mm"),
    ("verdict", "FER-01"),
    ("notices",),
    ("quarantine", "groups"),
    ("sensor", "clock"),
    ("doctor",),
    ("reading", "decode-again"),
)


@pytest.fixture
def row(capsys):
    """Print a line of the table."""

    def print_row(fault, count, more=""):
        with capsys.disabled():
            print(f"\n| {fault} | {count.sent:,} | {count.lost} | {count.doubled} | {more} |")

    return print_row


def publish(broker, topic, lines, folder):
    """Send lines with QoS 1 from a program of its own, which waits for each to be confirmed."""
    given = folder / "lines"
    for first in range(0, len(lines), 20_000):  # mosquitto_pub ends early where its identifiers start anew
        given.write_text("\n".join(lines[first : first + 20_000]) + "\n")
        with given.open() as opened:
            words = ["mosquitto_pub", "-p", str(broker.port), "-q", "1", "-V", "5", "-l", "-t", topic]
            subprocess.run(words, stdin=opened, check=True, timeout=600)


@pytest.fixture
def small_disk(tmp_path):
    """A file system of its own with little room."""
    folder = tmp_path / "small"
    folder.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(words, check=False, capture_output=True).returncode != 0:
        pytest.skip("only root can make a small file system here")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk(kit, nursery, broker, yard_dir, small_disk, tmp_path, row):
    folder = yard_dir.rename(tmp_path / "moved")
    subprocess.run(["cp", "-a", f"{folder}/.", str(small_disk)], check=True)
    filler = small_disk / "filler"
    with contextlib.suppress(OSError), filler.open("wb") as file:
        while os.statvfs(small_disk).f_bavail * os.statvfs(small_disk).f_frsize > ROOM_MB * 1_000_000:
            file.write(bytes(100_000))
            file.flush()
    nursery.start(small_disk)
    (small_disk / "said.txt").touch()
    assert kit.until(lambda: "ready" in kit.said(small_disk))
    publish(broker, kit.topic, kit.timed(0, FULL), tmp_path)
    assert kit.until(lambda: any("can't be written" in words for words in kit.said(small_disk)), 60)
    time.sleep(5.0)
    held = kit.stored(small_disk)
    assert held < FULL
    filler.unlink()
    assert kit.until(lambda: kit.stored(small_disk) == FULL, 300)
    found = kit.count(small_disk, FULL)
    row("disk full until room was made", found, f"{held:,} stored when it was full")
    assert found == kit.Count(sent=FULL, lost=0, doubled=0)


def test_a_locked_database(kit, nursery, broker, yard_dir, tmp_path, row):
    nursery.start(yard_dir)
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    with contextlib.closing(sqlite3.connect(yard_dir / "shop.db", isolation_level=None)) as base:
        base.execute("BEGIN IMMEDIATE")
        begun = time.monotonic()
        publish(broker, kit.topic, kit.timed(0, LOCKED), tmp_path)
        time.sleep(max(0.0, begun + 60 - time.monotonic()))
        assert base.execute("SELECT count(*) FROM reading").fetchone() == (0,)
        base.execute("ROLLBACK")
    assert kit.until(lambda: kit.stored(yard_dir) == LOCKED, 120)
    found = kit.count(yard_dir, LOCKED)
    row("database locked for 60 s by another program", found)
    assert found == kit.Count(sent=LOCKED, lost=0, doubled=0)


def test_postgresql_stopped_twice(
    postgres_server, postgres_url, kit, nursery, broker, yard_dir, tmp_path, row
):
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace('kind = "sqlite"', f'kind = "postgres"\nurl = "{postgres_url}"'))
    with shop.open(yard_dir) as opened:
        opened.register.add(PIECE)
    nursery.start(yard_dir)
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    lines = kit.timed(0, AWAY)
    sending = threading.Thread(target=publish, args=(broker, kit.topic, lines, tmp_path))
    sending.start()
    for _ in range(2):
        time.sleep(1.0)
        postgres_server.stop()
        time.sleep(5.0)
        postgres_server.start()
    sending.join(300)
    with shop.open(yard_dir) as opened:

        def stored():
            return len(opened.store.readings(Owner.TIMBER, "FER-01"))

        assert kit.until(lambda: stored() >= AWAY, 120)
        times = [one.taken_utc for one in opened.store.readings(Owner.TIMBER, "FER-01")]
    found = kit.Count(sent=AWAY, lost=AWAY - len(set(times)), doubled=len(times) - len(set(times)))
    spooled = sum(
        "wait in the spool" in words or "waiting in the spool" in words for words in kit.said(yard_dir)
    )
    row("PostgreSQL stopped twice for 5 s", found, f"{spooled} times into the spool")
    assert found == kit.Count(sent=AWAY, lost=0, doubled=0)


class Together:
    """Programs of one shop that run beside each other; what they say lies in a file each."""

    def __init__(self, folder, logs):
        self.folder, self.logs, self.running = folder, logs, {}
        logs.mkdir()
        self.env = {**os.environ, "BAULK_SHOP": str(folder), "NO_COLOR": "1"}

    def start(self, name, *words):
        with (self.logs / name).open("ab") as log:
            self.running[name] = subprocess.Popen(
                [sys.executable, *words], stdin=subprocess.DEVNULL, stdout=log, stderr=log, env=self.env
            )

    def command(self, words):
        """Run one command; keep what it said if it failed."""
        done = subprocess.run(
            [sys.executable, "-P", "-m", "baulk.dashboard.commands", *words],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            env=self.env,
            check=False,
            timeout=300,
        )
        with (self.logs / "commands").open("a") as log:
            log.write(f"{' '.join(words)}: {done.returncode} {done.stderr}\n")
        return done.returncode

    def end(self):
        for each in self.running.values():
            each.terminate()
        for each in self.running.values():
            each.wait(60)


@pytest.fixture
def together(yard_dir, tmp_path):
    path = yard_dir / "baulk.toml"
    path.write_text(
        path.read_text().replace("[broker]", '[broker]\nshare = "yard"').replace("wait_s = 0.5", "")
    )
    one = Together(yard_dir, tmp_path / "logs")
    yield one
    one.end()


def test_everything_at_once(kit, sender, yard_dir, together, row):
    """Two listeners, forecasts, pages and commands on one SQLite file."""
    module = ("-P", "-m", "baulk.dashboard.commands")
    for number in ("1", "2"):
        together.start(f"listener-{number}", *module, "listen", "--number", number)
    together.start("forecasts", *module, "forecast", "--watch")
    together.start("pages", str(HERE / "pages_child.py"), str(HERE.parents[1] / "dashboard" / "app.py"))
    time.sleep(15)
    end, sent, failed, ran = time.monotonic() + 60 * MINUTES, 0, 0, 0

    def commands():
        nonlocal failed, ran
        while time.monotonic() < end:
            for words in COMMANDS:
                failed += together.command(words) != 0
                ran += 1

    working = threading.Thread(target=commands)
    working.start()
    while time.monotonic() < end:
        sender.send(kit.timed(sent, sent + 50))
        sender.send([AIR], topic="baulk/v1/ferry-yard/air/shed")
        sent += 50
        time.sleep(0.5)
    working.join()
    assert kit.until(lambda: len(_times(yard_dir)) >= sent, 60)
    times = _times(yard_dir)
    said = {each.name: each.read_text() for each in together.logs.iterdir()}
    locked = sum(words.count("locked") for words in said.values())
    pages = [line for line in said["pages"].splitlines() if line.startswith("page ")]
    found = kit.Count(sent=sent, lost=sent - len(set(times)), doubled=len(times) - len(set(times)))
    row(
        f"two listeners, forecasts, pages and commands for {MINUTES:g} minutes",
        found,
        f"`locked` said {locked} times; {ran} commands, {failed} failed; {len(pages)} pages",
    )
    assert (locked, failed) == (0, 0), said["commands"][-2000:]
    assert all(line.endswith(": fine") for line in pages), [line for line in pages if "fine" not in line][:5]
    assert found == kit.Count(sent=sent, lost=0, doubled=0)


def _times(folder):
    sql = (
        "SELECT r.taken_us FROM reading AS r JOIN series AS s ON s.id = r.series"
        " WHERE s.text LIKE '%moisture' AND r.source = 'mqtt'"
    )
    with contextlib.closing(sqlite3.connect(folder / "shop.db", timeout=30)) as base:
        return [taken for (taken,) in base.execute(sql)]
