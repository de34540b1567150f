"""The listener is killed at moments nobody chose; each reading is found exactly once."""

from __future__ import annotations

import random
import threading
import time

import pytest

pytestmark = pytest.mark.broker
EACH = 150  # readings of each kind that are sent for each kill
MOST = 40_000  # of each kind: from 42,883 on the weights are more than the timber can have


def kill_under_load(kit, nursery, sender, yard_dir, runs, seed):
    """Send without a pause, kill listener after listener, and count."""
    chance, enough = random.Random(seed), threading.Event()  # noqa: S311
    sent = 0

    def send():
        nonlocal sent
        while not enough.is_set() and sent < MOST:
            both = [*kit.timed(sent, sent + EACH), *kit.untimed(sent, sent + EACH)]
            chance.shuffle(both)
            sender.send(both)
            sent += EACH
            time.sleep(0.1)

    pid = nursery.start(yard_dir)
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    sending = threading.Thread(target=send)
    sending.start()
    try:
        for _ in range(runs):
            before = kit.said(yard_dir).count("ready")
            time.sleep(chance.uniform(0.0, 0.4))
            nursery.kill(pid)
            pid = nursery.start(yard_dir)
            if chance.random() < 0.8:  # else the next one is killed while it starts
                assert kit.until(lambda before=before: kit.said(yard_dir).count("ready") > before, 60)
    finally:
        enough.set()
        sending.join()
    kit.until(lambda: kit.stored(yard_dir) >= 2 * sent, 60)
    time.sleep(1.0)  # what would come twice would come now
    return kit.count(yard_dir, sent, sent)


def test_ten_kills_lose_and_double_nothing(kit, nursery, sender, yard_dir):
    found = kill_under_load(kit, nursery, sender, yard_dir, runs=10, seed=1)
    assert (found.lost, found.doubled) == (0, 0)
    assert found.sent >= 20 * EACH / 2
    assert kit.quarantined(yard_dir) == []


def test_a_kill_between_commit_and_acknowledgement_doubles_nothing(kit, nursery, sender, yard_dir):
    pid = nursery.start(yard_dir, "mute")
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    sender.send([*kit.timed(0, 200), *kit.untimed(0, 200), *(f"garbage {number}" for number in range(50))])
    assert kit.until(lambda: kit.stored(yard_dir) == 400)
    assert kit.until(lambda: len(kit.quarantined(yard_dir)) == 50)
    nursery.kill(pid)
    nursery.start(yard_dir)  # the broker sends all of it again
    sender.send(kit.untimed(200, 201))
    assert kit.until(lambda: kit.stored(yard_dir) > 400)
    time.sleep(0.5)
    assert kit.count(yard_dir, 200, 201) == kit.Count(sent=401, lost=0, doubled=0)
    assert len(kit.quarantined(yard_dir)) == 50


@pytest.mark.bench
@pytest.mark.timeout(1800)
@pytest.mark.parametrize("kills", [19, 200])
def test_many_kills_lose_and_double_nothing(kit, nursery, sender, yard_dir, capsys, kills):
    found = kill_under_load(kit, nursery, sender, yard_dir, runs=kills, seed=2)
    with capsys.disabled():
        print(f"\n| {kills} listeners killed | {found.sent:,} | {found.lost} | {found.doubled} | |")
    assert (found.lost, found.doubled) == (0, 0)
