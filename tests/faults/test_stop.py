"""A listener that is asked to end does so soon, whatever it is doing, and loses nothing confirmed."""

from __future__ import annotations

import random
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import closing

import pytest

pytestmark = pytest.mark.broker
SOON_S = 10.0
EACH = 400


@pytest.fixture
def start(kit, yard_dir):
    """Start `baulk listen` as a shop does; returns once it takes readings."""
    started = []

    def begin():
        log = yard_dir / f"said-{len(started)}.txt"
        with log.open("w") as out:
            child = subprocess.Popen(
                [sys.executable, "-P", "-m", "baulk.dashboard.commands", "listen", "--shop", str(yard_dir)],
                stdout=out,
                stderr=subprocess.STDOUT,
            )
        started.append(child)
        assert kit.until(lambda: "taking readings" in log.read_text(), 60)
        return child

    yield begin
    for child in started:
        child.kill()
        child.wait(10)


def end(child):
    """Ask it to end; return how long that took."""
    began = time.monotonic()
    child.send_signal(signal.SIGTERM)
    assert child.wait(3 * SOON_S) == 0
    return time.monotonic() - began


@pytest.fixture
def load(kit, sender):
    """Publish without a pause; `end` gives how many readings the broker has confirmed."""

    class Load:
        sent = 0
        enough = threading.Event()

        def begin(self):
            self.sending = threading.Thread(target=self.send)
            self.sending.start()

        def send(self):
            while not self.enough.is_set():
                sender.send(kit.timed(self.sent, self.sent + EACH))
                self.sent += EACH
                time.sleep(0.05)

        def end(self):
            self.enough.set()
            self.sending.join(60)
            assert not self.sending.is_alive()
            return self.sent

    one = Load()
    yield one
    one.enough.set()


def test_a_listener_under_load_ends_soon_and_the_next_one_finds_everything(kit, load, start, yard_dir):
    chance, took = random.Random(7), []  # noqa: S311
    child = start()  # from now on the broker keeps what comes while we are away
    load.begin()
    for _ in range(4):
        time.sleep(chance.uniform(0.0, 1.0))
        took.append(end(child))
        child = start()
    sent = load.end()
    assert kit.until(lambda: kit.stored(yard_dir) >= sent, 60)
    took.append(end(child))
    assert kit.count(yard_dir, sent) == kit.Count(sent=sent, lost=0, doubled=0)
    assert max(took) < SOON_S


@pytest.mark.parametrize("after_s", [0.1, 2.0])
def test_a_locked_store_does_not_hold_up_the_end(kit, load, start, yard_dir, after_s):
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("wait_s = 0.5", "wait_s = 5"))  # as a shop has it
    child = start()
    load.begin()
    assert kit.until(lambda: kit.stored(yard_dir) > 0)
    with closing(sqlite3.connect(yard_dir / "shop.db", isolation_level=None, timeout=20)) as other:
        other.execute("BEGIN IMMEDIATE")
        time.sleep(after_s)
        took = end(child)
        sent = load.end()
        other.execute("ROLLBACK")
    last = start()
    assert kit.until(lambda: kit.stored(yard_dir) >= sent, 60)
    end(last)
    assert kit.count(yard_dir, sent) == kit.Count(sent=sent, lost=0, doubled=0)
    assert took < SOON_S


def test_a_signal_in_the_middle_of_a_wait_is_not_waited_for_by_itself():
    code = (
        "import os, signal\n"
        "from baulk.dashboard.commands.children import stop_signals\n"
        "with stop_signals() as stop:\n"
        "    with stop._cond:  # where the main thread is for a moment in every wait of this event\n"
        "        os.kill(os.getpid(), signal.SIGTERM)\n"
        "    assert stop.wait(5)\n"
        "    try:\n"
        "        os.kill(os.getpid(), signal.SIGTERM)\n"
        "        raise SystemExit('a second signal was not obeyed')\n"
        "    except KeyboardInterrupt:\n"
        "        print('ended')\n"
    )
    done = subprocess.run(
        [sys.executable, "-P", "-c", code],
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
    assert (done.stdout, done.returncode) == ("ended\n", 0), done.stderr
