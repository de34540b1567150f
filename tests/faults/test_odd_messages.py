"""Clocks that jump, messages twice and out of order, a flood of garbage: each true reading is found once."""

from __future__ import annotations

import json
import random
from datetime import UTC, datetime, timedelta

import pytest

pytestmark = pytest.mark.broker


def test_messages_twice_and_out_of_order_are_stored_once(kit, listen, sender, yard_dir):
    chance = random.Random(3)  # noqa: S311
    payloads = kit.timed(0, 2000) + kit.timed(0, 700)
    chance.shuffle(payloads)
    one = listen(yard_dir)
    assert one.ready.wait(60)
    sender.send(payloads)
    assert kit.until(lambda: kit.stored(yard_dir) >= 2000)
    sender.send(kit.timed(2000, 2001))
    assert kit.until(lambda: kit.stored(yard_dir) == 2001)
    assert kit.count(yard_dir, 2001) == kit.Count(sent=2001, lost=0, doubled=0)
    assert kit.quarantined(yard_dir) == []


def test_our_own_clock_that_steps_loses_nothing(kit, listen, sender, yard_dir):
    clock = {"step": timedelta(0)}
    one = listen(yard_dir, now=lambda: datetime.now(UTC) + clock["step"])
    assert one.ready.wait(60)
    for part, step in enumerate((0, 7200, -7200, -86_400, 0)):
        clock["step"] = timedelta(seconds=step)
        first, last = 100 * part, 100 * (part + 1)
        sender.send([*kit.timed(first, last), *kit.untimed(first, last)])
        assert kit.until(lambda last=last: kit.stored(yard_dir) == 2 * last)
    assert kit.count(yard_dir, 500, 500) == kit.Count(sent=1000, lost=0, doubled=0)


def test_device_clocks_that_jump_lose_nothing(kit, listen, sender, yard_dir):
    now = datetime.now(UTC).timestamp()
    wrong = (1.0, 3e8, now * 1000, now + 86_400, 4e9, 946_684_799)  # uptime, never set, milliseconds, ahead
    payloads = [
        json.dumps([{"n": "weight", "u": "kg", "t": clock + turn, "v": 100 + (6 * turn + k) / 1000}])
        for turn in range(100)
        for k, clock in enumerate(wrong)
    ]
    one = listen(yard_dir)
    assert one.ready.wait(60)
    sender.send(payloads)
    assert kit.until(lambda: kit.stored(yard_dir) == 600)
    assert kit.count(yard_dir, 0, 600) == kit.Count(sent=600, lost=0, doubled=0)


def test_a_flood_of_garbage_hides_no_reading(kit, listen, sender, yard_dir):
    chance = random.Random(4)  # noqa: S311
    garbage = [chance.randbytes(chance.randrange(300)) for _ in range(1500)]
    garbage += [b"[" * 3000, b'[{"n":"weight","u":"kg","v":NaN}]', b"null", b"{}", bytes(100_000)]
    mixed = garbage + kit.timed(0, 1500)
    chance.shuffle(mixed)
    one = listen(yard_dir)
    assert one.ready.wait(60)
    sender.send(mixed)
    assert kit.until(lambda: kit.stored(yard_dir) == 1500)
    assert kit.until(lambda: len(kit.quarantined(yard_dir)) == len(garbage))
    assert kit.count(yard_dir, 1500) == kit.Count(sent=1500, lost=0, doubled=0)


def test_garbage_that_the_broker_sends_again_lies_in_quarantine_once(kit, nursery, sender, yard_dir):
    pid = nursery.start(yard_dir)
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    for part in range(4):
        sender.send([f"garbage {number}" for number in range(200 * part, 200 * (part + 1))])
        nursery.kill(pid)
        pid = nursery.start(yard_dir)
    assert kit.until(lambda: len(kit.quarantined(yard_dir)) >= 800)
    sender.send(kit.timed(0, 1))
    assert kit.until(lambda: kit.stored(yard_dir) == 1)
    assert len(kit.quarantined(yard_dir)) == 800
