"""The disk fills up, the broker restarts, the store is locked while much waits: nothing lost, little held."""

from __future__ import annotations

import resource
import subprocess
import threading
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.broker


def rss_mb(pid):
    lines = Path(f"/proc/{pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmRSS"))


def test_a_full_disk_holds_the_messages_until_there_is_room(kit, nursery, sender, yard_dir):
    pid = nursery.start(yard_dir)
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    sender.send(kit.timed(0, 100))
    assert kit.until(lambda: kit.stored(yard_dir) == 100)
    largest = max(one.stat().st_size for one in yard_dir.glob("shop.db*"))
    unlimited = (resource.RLIM_INFINITY, resource.RLIM_INFINITY)
    resource.prlimit(pid, resource.RLIMIT_FSIZE, (largest + 8192, resource.RLIM_INFINITY))
    sender.send(kit.timed(100, 3000))
    assert kit.until(lambda: any("can't be written" in words for words in kit.said(yard_dir)))
    assert kit.stored(yard_dir) < 3000
    resource.prlimit(pid, resource.RLIMIT_FSIZE, unlimited)
    assert kit.until(lambda: kit.stored(yard_dir) == 3000)
    assert kit.count(yard_dir, 3000) == kit.Count(sent=3000, lost=0, doubled=0)
    assert any("can be written again" in words for words in kit.said(yard_dir))


def test_a_broker_that_restarts_in_mid_stream_loses_nothing(kit, nursery, broker, sender, yard_dir):
    nursery.start(yard_dir)
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    sending = threading.Thread(target=sender.send, args=(kit.timed(0, 6000),))
    sending.start()
    for _ in range(2):
        time.sleep(0.2)
        broker.stop()
        broker.start()
    sending.join(60)
    assert not sending.is_alive()
    assert kit.until(lambda: kit.stored(yard_dir) == 6000)
    assert kit.count(yard_dir, 6000) == kit.Count(sent=6000, lost=0, doubled=0)
    assert any("again" in words for words in kit.said(yard_dir))


def stalled(kit, nursery, broker, yard_dir, tmp_path, waiting):
    """Let much wait at the broker, start a listener on a locked store; return its memory before and after."""
    first = nursery.start(yard_dir)
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    nursery.kill(first)
    lines = tmp_path / "lines"
    for first in range(
        0, waiting, 20_000
    ):  # mosquitto_pub ends early where its packet identifiers start anew
        lines.write_text("\n".join(kit.timed(first, first + 20_000)) + "\n")
        with lines.open() as given:
            sent = ["mosquitto_pub", "-p", str(broker.port), "-q", "1", "-V", "5", "-l", "-t", kit.topic]
            subprocess.run(sent, stdin=given, check=True, timeout=300)
    (yard_dir / "locked").touch()
    pid = nursery.start(yard_dir, "faulty")
    time.sleep(0.2)
    before = rss_mb(pid)
    assert kit.until(lambda: any("locked by another" in words for words in kit.said(yard_dir)))
    time.sleep(3.0)
    after = rss_mb(pid)
    (yard_dir / "locked").unlink()
    assert kit.until(lambda: kit.stored(yard_dir) == waiting, 300)
    return before, after


def test_what_waits_stays_at_the_broker_while_the_store_is_locked(kit, nursery, broker, yard_dir, tmp_path):
    before, after = stalled(kit, nursery, broker, yard_dir, tmp_path, 20_000)
    assert after < before + 15  # MB: four thousand messages and no more


@pytest.mark.bench
@pytest.mark.timeout(900)
def test_two_hundred_thousand_waiting_messages_do_not_fill_the_memory(
    kit, nursery, broker, yard_dir, tmp_path, capsys
):
    before, after = stalled(kit, nursery, broker, yard_dir, tmp_path, 200_000)
    with capsys.disabled():
        print(f"\nstore stalled, 200,000 waiting: {before:.0f} MB before, {after:.0f} MB after")
    assert after < before + 15
