"""A flood of bad messages fills neither memory nor the disk, and a good one behind it is stored."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import pytest

ROOM_MB = 10
FLOOD_MB = 60


def rss_mb(pid):
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


@pytest.mark.bench
@pytest.mark.timeout(900)
def test_half_a_gigabyte_of_bad_messages(kit, nursery, sender, yard_dir, capsys):
    """With the room that the settings give by default."""
    pid = nursery.start(yard_dir)
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    before, most, disk_mb = rss_mb(pid), 0.0, 0.0
    for k in range(500):
        sender.send([b"[" + json.dumps(k).encode() + b"x" * 1_000_000])
        most = max(most, rss_mb(pid))
        disk_mb = max(disk_mb, sum(each.stat().st_size for each in yard_dir.glob("shop.db*")) / 1e6)
    sender.send(kit.timed(0, 1))
    assert kit.until(lambda: kit.stored(yard_dir) == 1)
    with capsys.disabled():
        print(f"\n| 500 MB of bad messages | memory {before:.0f} -> {most:.0f} MB, disk {disk_mb:.0f} MB |")
    assert most - before < 150


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is read from /proc")
@pytest.mark.parametrize("topics", ["one", "many"])
def test_a_flood_of_long_messages_is_bounded(topics, kit, nursery, sender, yard_dir):
    path = yard_dir / "baulk.toml"
    path.write_text(path.read_text().replace("[store]\n", f"[store]\nquarantine_mb = {ROOM_MB}\n"))
    pid = nursery.start(yard_dir)
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    before, most = rss_mb(pid), 0.0
    for k in range(FLOOD_MB):
        topic = (
            "baulk/v1/ferry-yard/timber/FER-01" if topics == "one" else f"baulk/v1/ferry-yard/timber/X-{k}"
        )
        sender.send([b"[" + json.dumps(k).encode() + b"x" * 1_000_000], topic=topic)
        most = max(most, rss_mb(pid))
    sender.send(kit.timed(0, 1))
    assert kit.until(lambda: kit.stored(yard_dir) == 1)
    assert kit.until(lambda: any("quarantine is full" in each for each in kit.said(yard_dir)))
    time.sleep(2.5)  # two turns of tidying
    disk_mb = sum(each.stat().st_size for each in yard_dir.glob("shop.db*")) / 1e6
    print(f"{FLOOD_MB} MB sent: memory {before:.0f} to {most:.0f} MB, disk {disk_mb:.0f} MB")
    assert most - before < 90
    assert len(kit.quarantined(yard_dir)) * 1.0 <= ROOM_MB
    assert disk_mb < 6 * ROOM_MB
