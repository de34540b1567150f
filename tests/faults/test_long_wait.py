"""What waited for a tag in its thousands is stored in short turns: the next messages do not wait for it."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from baulk.ingest import pipeline, shop
from baulk.ingest.mqtt import listener
from baulk.ingest.wire import RawMessage
from baulk.models.quantity import Owner

WAITING = 1300


@pytest.mark.broker
def test_messages_are_stored_between_turns_of_trying_again(kit, listen, sender, yard_dir, monkeypatch):
    monkeypatch.setattr(listener, "_REPLAY_S", 0.0)
    one = listen(yard_dir)
    assert one.ready.wait(60)
    packs = [
        RawMessage(
            topic=kit.topic.replace("FER-01", "FER-02"),
            payload=pack.encode(),
            arrived_utc=datetime.now(UTC),
        )
        for pack in kit.timed(0, WAITING)
    ]
    with shop.open(yard_dir) as opened:
        pipeline.handle_batch(packs, opened)
        assert opened.store.quarantine_count() == WAITING
        oak = opened.register.get("FER-01")
        opened.register.add(
            type(oak)(**{name: getattr(oak, name) for name in oak.__dataclass_fields__} | {"tag": "FER-02"})
        )
        assert kit.until(lambda: 0 < opened.store.quarantine_count() < WAITING)
        sender.send(kit.timed(0, 5))
        assert kit.until(lambda: len(opened.store.readings(Owner.TIMBER, "FER-01")) == 5, 5)
        assert opened.store.quarantine_count() > 0
    assert kit.until(lambda: kit.stored(yard_dir) == WAITING + 5)
    assert kit.until(lambda: one.heard(f"FER-02 is entered now: {WAITING} readings"))
    assert kit.quarantined(yard_dir) == []
