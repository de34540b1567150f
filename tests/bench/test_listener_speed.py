"""The listener against a bare subscriber that stores nothing, in the same run, through one mosquitto.

Every message is a pack of three records; the listener resolves and checks it and acknowledges after commit.
The sender is paho, 500 messages in flight, as fast as the broker takes them.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import statistics
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from baulk.ingest import shop

pytestmark = [pytest.mark.bench, pytest.mark.broker, pytest.mark.timeout(1200)]
PEERS = Path(__file__).with_name("listener_peers.py")
TIMBERS = 20


@pytest.fixture
def port(tmp_path):
    binary = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    if not Path(binary).exists():
        said = "mosquitto is not on this machine; tests/run installs it"
        pytest.fail(said) if os.environ.get("CI") == "true" else pytest.skip(said)
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        free = probe.getsockname()[1]
    conf = tmp_path / "mosquitto.conf"
    user = "user root\n" if os.geteuid() == 0 else ""
    conf.write_text(
        f"listener {free} 127.0.0.1\nallow_anonymous true\n{user}max_queued_messages 1000000\n"
        f"log_dest none\nset_tcp_nodelay true\n"
    )
    process = subprocess.Popen([binary, "-c", str(conf)], stderr=subprocess.DEVNULL)
    end = time.monotonic() + 10
    while time.monotonic() < end:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", free), 0.3):
            break
        time.sleep(0.05)
    yield free
    process.terminate()
    process.wait(10)


class Yard:
    """A shop of its own, with its own name at the broker."""

    def __init__(self, folder, port, oak, more=""):
        self.folder = shop.init(folder, name="Ferry yard")
        path = self.folder / "baulk.toml"
        path.write_text(path.read_text().replace("port = 1883", f"port = {port}\n{more}"))
        with shop.open(self.folder) as opened:
            for number in range(TIMBERS):
                opened.register.add(oak(f"FER-{number:02d}"))

    def stored(self):
        with shop.open(self.folder) as opened:
            return len(opened.store.series())


@pytest.fixture
def named_oak(oak):
    from dataclasses import replace  # noqa: PLC0415

    return lambda tag: replace(oak, tag=tag)


def start(*words):
    child = subprocess.Popen(
        [sys.executable, str(PEERS), *(str(word) for word in words)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert child.stdout.readline() == "ready\n"
    return child


def finish(child):
    told = json.loads(child.stdout.readline())
    child.stdin.close()
    child.stdout.close()
    child.wait(60)
    return told


def rate(port, count, *words):
    """Messages per second from the first sent to the last through."""
    taker, sender = start(*words), start("send", port, count)
    sender.stdin.write("go\n")
    sender.stdin.flush()
    began = json.loads(sender.stdout.readline())["first"]
    told = finish(taker)
    finish(sender)
    return count / (told["last"] - began), told


def test_the_listener_keeps_up_with_a_bare_subscriber(port, tmp_path, named_oak, capsys):
    count, ratios, ours, bares, memory = 40_000, [], [], [], []
    for turn in range(3):
        bare, _ = rate(port, count, "bare", port, count)
        yard = Yard(tmp_path / f"yard{turn}", port, named_oak)
        own, told = rate(port, count, "listener", yard.folder, count)
        assert yard.stored() == 3 * TIMBERS
        ratios.append(own / bare)
        ours.append(own)
        bares.append(bare)
        memory.append(told["rss_mb"])
    with capsys.disabled():
        print(f"\nbare {[round(one) for one in bares]} msg/s, listener {[round(one) for one in ours]} msg/s,")
        print(f"ratios {[round(one, 2) for one in ratios]}, resident {max(memory):.0f} MB")
    assert statistics.median(ratios) >= 0.8


SENDERS = 8
GOAL_PAHO = 1.3  # set below what was measured, for a busy machine shares its time out by threads, not by need
GOAL_C = 0.45
GOAL_CPU = 1.8


def c_rate(port, files, begin):
    """Messages per second that a taker gets from eight senders in C, from their start to the last through."""
    count = sum(file.read_bytes().count(b"\n") for file in files)
    taker = begin(count)
    began = time.time()
    senders = []
    for number, file in enumerate(files):
        words = f"mosquitto_pub -p {port} -V 5 -q 1 -l -t baulk/v1/ferry-yard/timber/FER-{number:02d}".split()
        with file.open() as packs:
            senders.append(subprocess.Popen(words, stdin=packs))
    told = taker()
    for sender in senders:
        sender.wait(60)
    return count / (told["last"] - began), told


def program(*words):
    child = start(*words)
    return lambda: finish(child)


def in_c(port, count, out):
    """The broker's own subscriber, which writes to a file."""
    with out.open("wb") as file:
        child = subprocess.Popen(
            f"mosquitto_sub -p {port} -V 5 -q 1 -C {count} -i in-c -t baulk/v1/ferry-yard/timber/+".split(),
            stdout=file,
        )
    time.sleep(0.5)  # it does not say when it has subscribed

    def end():
        child.wait(300)
        return {"last": time.time()}

    return end


def test_eight_senders_in_c_against_subscribers_in_python_and_in_c(port, tmp_path, named_oak, capsys):
    if shutil.which("mosquitto_pub") is None:
        said = "mosquitto-clients is not on this machine; tests/run installs it"
        pytest.fail(said) if os.environ.get("CI") == "true" else pytest.skip(said)
    each, turns = 6_000, []
    began = time.time() - 8_000_000
    files = [tmp_path / f"sender{number}" for number in range(SENDERS)]
    for file in files:
        packs = (
            [
                {"bt": began + 60 * k, "n": "pin-45/b/moisture", "u": "/", "v": 0.2 + k % 100 / 1000},
                {"n": "weight", "u": "kg", "v": 96.2},
            ]
            for k in range(each)
        )
        file.write_text("".join(json.dumps(pack) + "\n" for pack in packs))
    for turn in range(5):
        bare, paho = c_rate(port, files, lambda count: program("bare", port, count))
        plain, _ = c_rate(port, files, lambda count, turn=turn: in_c(port, count, tmp_path / f"out{turn}"))
        yard = Yard(tmp_path / f"eight{turn}", port, named_oak)
        own, told = c_rate(port, files, lambda count, yard=yard: program("listener", yard.folder, count))
        assert yard.stored() == 2 * SENDERS
        cost, theirs = (1e6 * one["cpu_s"] / one["count"] for one in (told, paho))
        turns.append((own, bare, plain, cost, theirs))
    with capsys.disabled():
        for own, bare, plain, cost, theirs in turns:
            print(
                f"\nlistener {own:.0f}/s, bare {bare:.0f}/s, in C {plain:.0f}/s:"
                f" {own / bare:.2f} and {own / plain:.2f} times;"
                f" processor a pack {cost:.1f} and bare {theirs:.1f} us: {theirs / cost:.2f} times",
                end="",
            )
        print(
            f"\nmedians {statistics.median(own / bare for own, bare, *_ in turns):.2f}"
            f" and {statistics.median(own / plain for own, _, plain, *_ in turns):.2f} times,"
            f" processor {statistics.median(theirs / cost for *_, cost, theirs in turns):.2f}"
        )
    assert statistics.median(own / bare for own, bare, *_ in turns) >= GOAL_PAHO
    assert statistics.median(theirs / cost for *_, cost, theirs in turns) >= GOAL_CPU
    assert statistics.median(own / plain for own, _, plain, *_ in turns) >= GOAL_C


def test_two_listeners_that_take_turns_against_one(port, tmp_path, named_oak, capsys):
    count = 40_000
    one = Yard(tmp_path / "one", port, named_oak)
    alone, _ = rate(port, count, "listener", one.folder, count)
    two = Yard(tmp_path / "two", port, named_oak, more='share = "yard"')
    takers = [start("listener", two.folder, 0, number) for number in (1, 2)]
    sender = start("send", port, count)
    sender.stdin.write("go\n")
    sender.stdin.flush()
    began = json.loads(sender.stdout.readline())["first"]
    finish(sender)
    end = time.monotonic() + 120
    seen = 0
    while seen < 3 * count and time.monotonic() < end:
        with shop.open(two.folder) as opened:
            seen = sum(len(opened.store.read(series)) for series in opened.store.series())
        time.sleep(0.2)
    last = time.time()
    told = []
    for taker in takers:
        taker.stdin.close()
        told.append(json.loads(taker.stdout.readline()))
        taker.stdout.close()
        taker.wait(60)
    together = count / (last - began)
    with capsys.disabled():
        print(f"\none {alone:.0f} msg/s, two {together:.0f} msg/s, taken {[each['count'] for each in told]}")
    assert seen == 3 * count
    assert sum(each["count"] for each in told) == count
    assert min(each["count"] for each in told) > count / 5


def test_the_lag_after_a_burst_of_a_hundred_thousand(port, tmp_path, named_oak, capsys):
    count = 100_000
    yard = Yard(tmp_path / "yard", port, named_oak)
    taker, sender = start("listener", yard.folder, count), start("send", port, count)
    sender.stdin.write("go\n")
    sender.stdin.flush()
    began = json.loads(sender.stdout.readline())["first"]
    sent, told = finish(sender), finish(taker)
    lag = told["last"] - sent["last"]
    with capsys.disabled():
        print(f"\nburst of {count}: sent in {sent['last'] - began:.1f} s, the last stored {lag:.1f} s later,")
        print(f"resident {told['rss_mb']:.0f} MB")
    assert lag < 60
    assert told["rss_mb"] < 300
    assert datetime.now(UTC).timestamp() > began
