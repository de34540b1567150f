"""Readings without a time of their own are kept under their arrival, and no two messages share one."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest.wire.message import MOST_LISTENERS, floor_of

COUNT = 600


@pytest.mark.broker
def test_listeners_that_take_turns_never_give_two_messages_one_arrival(kit, listen, sender, yard_dir):
    settings = yard_dir / "baulk.toml"
    settings.write_text(settings.read_text().replace("[broker]", '[broker]\nshare = "yard"'))
    both = [listen(yard_dir, number=number) for number in (1, 2)]
    assert all(one.ready.wait(60) for one in both)
    sender.send(kit.untimed(0, COUNT))
    assert kit.until(lambda: kit.stored(yard_dir) + len(kit.quarantined(yard_dir)) >= COUNT)
    assert kit.quarantined(yard_dir) == []
    assert kit.count(yard_dir, 0, COUNT) == kit.Count(sent=COUNT, lost=0, doubled=0)


@pytest.mark.broker
def test_messages_that_have_no_packet_identifier_have_each_an_arrival(kit, listen, sender, yard_dir):
    one = listen(yard_dir)
    assert one.ready.wait(60)
    for payload in kit.untimed(0, COUNT):
        sender.client.publish(kit.topic, payload, qos=0)
    sender.send(kit.timed(0, 1))
    assert kit.until(lambda: kit.stored(yard_dir) + len(kit.quarantined(yard_dir)) >= COUNT + 1)
    assert kit.quarantined(yard_dir) == []
    assert sorted(kit.weights(yard_dir)) == list(range(COUNT))


def test_every_listener_counts_from_moments_of_its_own():
    began = datetime(2026, 5, 4, 6, 30, tzinfo=UTC)
    counted = {number: set() for number in range(MOST_LISTENERS + 1)}
    for step in range(3000):
        now = began + timedelta(milliseconds=step)
        assert timedelta(0) <= now - floor_of(now) < timedelta(milliseconds=66)
        for number, floors in counted.items():
            floor = floor_of(now, number)
            assert timedelta(0) <= now - floor < timedelta(milliseconds=525)
            assert (floor - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1) % 65_536 == 0
            floors.add(floor)
    assert len(set().union(*counted.values())) == sum(len(floors) for floors in counted.values())
