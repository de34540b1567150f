"""The broker is killed and comes back from what it saved seconds ago; what it repeats is stored once.

What the broker had not saved is lost with it, however often it was confirmed to the sender. What our listener
has acknowledged must be in the store.
"""

from __future__ import annotations

import json
import random
import threading
import time
from collections import Counter, deque

import pytest

pytestmark = pytest.mark.broker


class Stream:
    """Readings without a time of their own, each another number, sent without a pause."""

    def __init__(self, sender, topic, a_second):
        self.sender, self.topic, self.a_second = sender, topic, a_second
        self.handed = []  # when each was handed to the sender
        self.confirmed = {}  # which are confirmed, and when
        self.enough = threading.Event()
        self.thread = threading.Thread(target=self.run)
        self.by_mid = {}
        self.told = deque()  # by the network thread, perhaps before `publish` returns
        sender.client.on_publish = lambda _client, _data, mid, *_: self.told.append((mid, time.monotonic()))
        self.thread.start()

    def listen(self):
        while self.told:
            mid, when = self.told.popleft()
            self.confirmed[self.by_mid.pop(mid)] = when

    def run(self):
        chance = random.Random(5)  # noqa: S311
        while not self.enough.is_set():
            self.listen()
            if len(self.by_mid) > 5000:  # the broker is away
                time.sleep(0.05)
                continue
            for _ in range(max(1, round(self.a_second / 20))):
                number = len(self.handed)
                more = {"t": -30.5} if number % 3 == 0 else {}
                pack = json.dumps([{"n": "weight", "u": "kg", "v": 100 + number / 1000, **more}])
                self.handed.append(time.monotonic())
                sent = self.sender.client.publish(self.topic, pack, qos=1)
                self.by_mid[sent.mid] = number
            time.sleep(chance.uniform(0.02, 0.08))

    def end(self, kit):
        self.enough.set()
        self.thread.join()

        def confirmed():
            self.listen()
            return not self.by_mid

        assert kit.until(confirmed, 60)


def kill_both(kit, nursery, sender, broker, yard_dir, *, brokers, listeners, seconds, a_second, seed):
    """Kill broker and listener again and again while readings come; return what became of these."""
    chance = random.Random(seed)  # noqa: S311
    pid = nursery.start(yard_dir, "noting")
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    stream = Stream(sender, kit.topic, a_second)
    begun = time.monotonic()
    moments = sorted(
        (seconds * (k + chance.uniform(0.2, 0.9)) / count, what)
        for what, count in (("broker", brokers), ("listener", listeners))
        for k in range(count)
    )
    killed = []
    for at, what in moments:
        time.sleep(max(0.0, begun + at - time.monotonic()))
        if what == "broker":
            killed.append(time.monotonic())
            broker.kill()
            time.sleep(chance.uniform(0.1, 1.0))
            broker.start()
        else:
            nursery.kill(pid)
            time.sleep(chance.uniform(0.1, 2.0))  # meanwhile messages wait at the broker
            pid = nursery.start(yard_dir, "noting")
    time.sleep(max(0.0, begun + seconds - time.monotonic()))
    stream.end(kit)
    before = -1
    while before != (before := kit.stored(yard_dir)):  # what comes late still comes
        time.sleep(2.0)
    stored = Counter(kit.weights(yard_dir))
    acknowledged = {
        round((json.loads(line)[0]["v"] - 100) * 1000)
        for line in (yard_dir / "acknowledged.txt").read_text().splitlines()
        if line.startswith("[")  # the broker gives us our own "online" back as well
    }
    missing = [number for number in stream.confirmed if number not in stored]
    ages = [
        min(
            (kill - stream.confirmed[number] for kill in killed if kill >= stream.confirmed[number]),
            default=0,
        )
        for number in missing
    ]
    return {
        "sent": len(stream.handed),
        "doubled": sum(stored.values()) - len(stored),
        "acknowledged and lost": len(acknowledged - stored.keys()),
        "lost by the broker": len(missing),
        "oldest of these, s": round(max(ages, default=0.0), 1),
    }


def test_what_waited_when_a_killed_broker_saved_is_stored_once(kit, nursery, sender, broker, yard_dir):
    first = nursery.start(yard_dir)
    assert kit.until(lambda: "ready" in kit.said(yard_dir))
    nursery.kill(first)
    sender.send(kit.untimed(0, 300))
    broker.save()
    nursery.start(yard_dir)
    assert kit.until(lambda: kit.stored(yard_dir) == 300)
    broker.kill()
    broker.start()  # it knows of no acknowledgement, and marks none of the 300 that it sends again
    assert kit.until(lambda: any("again" in words for words in kit.said(yard_dir)))
    assert kit.until(sender.client.is_connected)
    sender.send(kit.untimed(300, 310))
    assert kit.until(lambda: kit.stored(yard_dir) >= 310)
    time.sleep(0.5)
    assert kit.count(yard_dir, 0, 310) == kit.Count(sent=310, lost=0, doubled=0)


@pytest.mark.bench
@pytest.mark.timeout(900)
@pytest.mark.parametrize(("brokers", "listeners", "seconds"), [(7, 0, 45), (30, 18, 180)])
def test_brokers_and_listeners_killed(
    kit, nursery, sender, broker, yard_dir, capsys, brokers, listeners, seconds
):
    how = {"brokers": brokers, "listeners": listeners, "seconds": seconds, "a_second": 700, "seed": 4}
    found = kill_both(kit, nursery, sender, broker, yard_dir, **how)
    with capsys.disabled():
        what = f"{brokers} brokers" + f" and {listeners} listeners" * bool(listeners)
        print(
            f"\n| {what} killed in {seconds} s | {found['sent']:,} | {found['acknowledged and lost']} "
            f"| {found['doubled']} | lost by the broker {found['lost by the broker']:,}, none older than "
            f"{found['oldest of these, s']} s |"
        )
    assert (found["doubled"], found["acknowledged and lost"]) == (0, 0)
    assert found["oldest of these, s"] < 7  # as deploy/mosquitto/README.md says
