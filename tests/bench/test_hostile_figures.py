"""Hostile input in figures: the table of tests/README.md, each line measured on the code as it is.

`python -m pytest -s -m bench tests/bench/test_hostile_figures.py`. Time is the processor's, memory the most
that a program of its own grew by. What must hold is asserted in tests/security and tests/faults.
"""

from __future__ import annotations

import contextlib
import http.client
import os
import re
import sqlite3
import struct
import subprocess
import sys
import threading
import time
import zlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from baulk.dashboard.server import access, process
from baulk.ingest import pipeline, routing, shop
from baulk.ingest.store.rejected import Which
from baulk.ingest.wire import RawMessage

pytestmark = [pytest.mark.bench, pytest.mark.timeout(900)]
MB = 1_000_000
NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
WAITING = 100_000
PACK = """
import json, sys, time
from datetime import UTC, datetime
from pathlib import Path
from baulk.ingest import pipeline, shop
from baulk.ingest.wire import RawMessage

def memory(what):
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1000 for line in lines if line.startswith(what))

size = int(sys.argv[2])
pack = [{"bn": "a" * (size // 2), "v": 1}, *[{"v": 1}] * (size // 16)]
payload = json.dumps(pack, separators=(",", ":")).encode()
del pack
topic = "baulk/v1/test-yard/timber/FER-01"
with shop.open(sys.argv[1]) as opened:
    pipeline.handle(RawMessage(topic=topic, payload=b"[]", arrived_utc=datetime.now(UTC)), opened)
    Path("/proc/self/clear_refs").write_text("5")
    before, began = memory("VmRSS"), time.process_time()
    pipeline.handle(RawMessage(topic=topic, payload=payload, arrived_utc=datetime.now(UTC)), opened)
    took = time.process_time() - began
    print(len(payload), took, memory("VmHWM") - before, opened.store.quarantine_count())
"""
PICTURE = """
import sys, time
from pathlib import Path
from baulk.dashboard.sections import camera
from baulk.ingest import photos

def memory(what):
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1000 for line in lines if line.startswith(what))

picture = Path(sys.argv[1]).read_bytes()
for read in (photos.upright, camera.tag_in):
    try: read(b"no picture")
    except ValueError: pass
Path("/proc/self/clear_refs").write_text("5")
before, began = memory("VmRSS"), time.process_time()
for read in (photos.upright, camera.tag_in):
    try: read(picture)
    except ValueError: continue
    raise SystemExit("it was read")
print(time.process_time() - began, memory("VmHWM") - before)
"""


@pytest.fixture
def row(capsys):
    """Print a line of the table."""

    def print_row(what, now):
        with capsys.disabled():
            print(f"\n| {what} | {now} |")

    return print_row


def child(code, *words):
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code, *map(str, words)],
        capture_output=True,
        text=True,
        check=True,
        timeout=300,
    )
    return [float(word) for word in done.stdout.split()]


@pytest.mark.parametrize("size", [200_000, 399_000])
def test_a_pack_with_a_long_base_name(shop_dir, oak, row, size):
    with shop.open(shop_dir) as opened:
        opened.register.add(oak)
    length, took, grown, waiting = child(PACK, shop_dir, size)
    row(
        f"SenML of {length / 1000:.0f} kB, long base name",
        f"{1000 * took:.1f} ms, {grown:.1f} MB, in quarantine",
    )
    assert waiting >= 1
    assert took < 0.5


def test_a_picture_of_gigabytes(tmp_path, row):
    side = 26_500
    packer = zlib.compressobj(9)
    line = b"\0" * (1 + 3 * side)
    body = b"".join(packer.compress(line) for _ in range(side)) + packer.flush()

    def chunk(kind, held):
        return struct.pack(">I", len(held)) + kind + held + struct.pack(">I", zlib.crc32(kind + held))

    head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    file = tmp_path / "bomb.png"
    file.write_bytes(b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b""))
    took, grown = child(PICTURE, file)
    size = file.stat().st_size
    row(
        f"PNG of {size / 1000:.0f} kB, {3 * side**2 / 1e9:.1f} GB of pixels",
        f"{1000 * took:.1f} ms, {grown:.1f} MB, refused",
    )
    assert grown < 50


def test_uploads_without_a_pass(shop_dir, tmp_path, free_port, row):
    access.set_password(shop_dir, "three wet oaks")
    with (tmp_path / "pages.log").open("wb") as log:
        pages = subprocess.Popen(process.command(shop_dir, free_port), stdout=log, stderr=subprocess.STDOUT)
    try:
        until = time.monotonic() + 120
        while True:
            try:
                where = http.client.HTTPConnection("127.0.0.1", free_port, timeout=5)
                with contextlib.closing(where) as line:
                    line.request("GET", "/_stcore/health")
                    line.getresponse().read()
                break
            except OSError:
                assert time.monotonic() < until
                time.sleep(0.2)
        time.sleep(8.0)  # what it loads by itself after its start

        def resident():
            text = Path(f"/proc/{pages.pid}/status").read_text()
            return int(re.search(r"VmRSS:\s+(\d+)", text)[1]) / 1000

        before, taken, done = resident(), [], threading.Event()
        seen = [before]

        def look():
            while not done.wait(0.01):
                seen.append(resident())

        looking = threading.Thread(target=look)
        team = [threading.Thread(target=lambda: taken.append(put(free_port, 150 * MB))) for _ in range(12)]
        for each in (looking, *team):
            each.start()
        for each in team:
            each.join()
        done.set()
        looking.join()
        most, after = max(seen), resident()
        row(
            "12 x 150 MB uploaded without a pass",
            f"{before:.0f} -> {most:.0f} MB, {after:.0f} after; {max(taken) / MB:.1f} MB of one taken",
        )
        assert most - before < 40
    finally:
        pages.terminate()
        pages.wait(20)


def put(port, size):
    """Send a file of this size; return how much of it was taken."""
    sent, block = 0, os.urandom(MB)
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=60)) as line:
        line.putrequest("PUT", "/_stcore/upload_file/somebody/file")
        line.putheader("content-length", str(size))
        line.endheaders()
        with contextlib.suppress(OSError):  # the server closes
            while sent < size:
                line.send(block)
                sent += len(block)
    return sent


def weight(tag, number):
    topic, payload = (
        f"baulk/v1/test-yard/timber/{tag}",
        b'[{"n":"weight","u":"kg","v":%d.5}]' % (number % 400),
    )
    return RawMessage(topic=topic, payload=payload, arrived_utc=NOW + timedelta(milliseconds=number))


def test_unknown_tags(shop_dir, oak, row):
    with shop.open(shop_dir) as opened:
        for number in range(300):
            opened.register.add(replace(oak, tag=f"FER-{number:04d}"))
        known = opened.register.known(again=True)
        routing.route(weight("FER-X", 0), opened, known)
        began = time.process_time()
        for number in range(1000):
            routing.route(weight(f"FERR-{number}", number), opened, known)
        each = (time.process_time() - began) / 1000
    row("an unknown tag among 300 timbers", f"{1000 * each:.3f} ms")
    assert each < 0.004


def has_passed(moment):
    return time.monotonic() > moment


def test_a_hundred_thousand_waiting_messages_are_tried_again(shop_dir, oak, row):
    with shop.open(shop_dir) as opened:
        for first in range(0, WAITING, 2000):
            pipeline.handle_batch([weight(oak.tag, number) for number in range(first, first + 2000)], opened)
        assert opened.store.quarantine_count() == WAITING
        opened.register.add(oak)
        waits, enough, path = [], threading.Event(), opened.config.store_path

        def page():
            """Write now and then, as a page does, and time how long that takes."""
            while not enough.wait(0.1):
                with contextlib.closing(sqlite3.connect(path, timeout=60, isolation_level=None)) as base:
                    began = time.monotonic()
                    base.execute("BEGIN IMMEDIATE")
                    base.execute("ROLLBACK")
                    waits.append(time.monotonic() - began)

        beside = threading.Thread(target=page)
        beside.start()
        began, turns, after, upto, longest = time.monotonic(), 0, 0, None, 0.0
        while True:
            turn = time.monotonic()
            done = pipeline.replay(
                opened,
                Which(waits_for=oak.tag),
                after=after,
                upto=upto,
                stop=partial(has_passed, turn + 1.5),
            )
            longest = max(longest, time.monotonic() - turn)
            turns, after, upto = turns + 1, done.after, done.upto
            if done.is_done:
                break
        took = time.monotonic() - began
        enough.set()
        beside.join()
        assert opened.store.quarantine_count() == 0
    row(
        "100,000 waiting messages tried again",
        f"{took:.0f} s, {turns} turns of {longest:.1f} s at most; a write beside waits {max(waits):.2f} s",
    )
    assert longest < 6
