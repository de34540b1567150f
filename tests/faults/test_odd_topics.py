"""Messages to topics that nothing fits wait in quarantine; our own answers never come back as readings."""

from __future__ import annotations

import json

import pytest

from baulk.ingest.mqtt import session
from baulk.ingest.wire import topics

PACK = json.dumps([{"n": "weight", "u": "kg", "v": 90}])
HEAD = "baulk/v1/ferry-yard"
ODD = (
    f"{HEAD}/timber/FER-01/extra",
    f"{HEAD}/timber/FER-01/pin-45/b/moisture",
    f"{HEAD}/timber",
    f"{HEAD}/air/shed/climate",
    f"{HEAD}/timbers/FER-01",
    f"{HEAD}/timber//FER-01",
    f"{HEAD}/verdict",
    f"{HEAD}/notices/one",
    HEAD,
)
OURS = (
    f"{HEAD}/timber/FER-01/verdict",
    f"{HEAD}/air/shed/plan",
    f"{HEAD}/notices",
    f"{HEAD}/listener/1/status",
)


@pytest.mark.broker
@pytest.mark.parametrize("share", [None, "yard"])
def test_a_topic_of_the_wrong_depth_is_seen(kit, listen, sender, yard_dir, share):
    if share:
        settings = yard_dir / "baulk.toml"
        settings.write_text(settings.read_text().replace("[broker]", f'[broker]\nshare = "{share}"'))
    for topic in OURS:  # what another listener or command left, before we ask for the first time
        sender.client.publish(topic, PACK, qos=1, retain=True).wait_for_publish(10)
    one = listen(yard_dir)
    assert one.ready.wait(60)
    for topic in ODD:
        sender.send([PACK], topic)
    for topic in OURS:
        sender.send([PACK], topic)
    sender.send([PACK], "baulk/v1/other-yard/timber/FER-01/extra")
    sender.send(kit.timed(0, 20))
    assert kit.until(lambda: kit.stored(yard_dir) == 20)
    assert kit.until(lambda: len(kit.quarantined(yard_dir)) >= len(ODD))
    found = kit.quarantined(yard_dir)
    assert sorted(topic for topic, _ in found) == sorted(ODD)
    for _, reason in found:
        assert f"publish to {HEAD}/timber/TAG or {HEAD}/air/PLACE" in reason or "no timber" in reason
    assert kit.stored(yard_dir) == 20


@pytest.mark.broker
def test_a_listener_that_asked_for_less_loses_nothing_when_it_asks_for_more(
    kit, listen, sender, yard_dir, monkeypatch
):
    with monkeypatch.context() as narrow:
        narrow.setattr(
            session.topics, "subscriptions", lambda *_: [f"{HEAD}/timber/+", f"{HEAD}/air/+"]
        )  # of 0.1.0
        one = listen(yard_dir)
        assert one.ready.wait(60)
        one.end()
    sender.send(kit.timed(0, 30))
    again = listen(yard_dir)
    assert again.ready.wait(60)
    sender.send(kit.timed(30, 60))
    sender.send([PACK], ODD[0])
    assert kit.until(lambda: len(kit.quarantined(yard_dir)) == 1)
    assert kit.until(lambda: kit.stored(yard_dir) == 60)
    assert kit.count(yard_dir, 60) == kit.Count(sent=60, lost=0, doubled=0)


def test_our_own_topics_are_known_from_a_sensors():
    for topic in OURS:
        assert topics.is_answer(topic, "ferry-yard")
    for topic in (*ODD, f"{HEAD}/timber/FER-01", f"{HEAD}/air/shed", "baulk/v1/other-yard/notices"):
        assert not topics.is_answer(topic, "ferry-yard")
