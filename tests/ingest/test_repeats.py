"""What a broker sends again after it was killed is told from news, equal numbers of a sensor among them.

The broker here is a model that knows of each message which one it is, so that doubling and loss are seen
even where bytes are equal. It keeps a session as mosquitto 2.0.11 does, against which
tests/faults/test_broker_killed.py runs: identifiers are given out in order when a message is queued and saved
with it, so is whether it was sent before; what is sent again comes first and in order.
"""

from __future__ import annotations

import copy
import random
import sqlite3
from collections import Counter
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import pipeline
from baulk.ingest.mqtt.spool import Spool
from baulk.ingest.repeats import Repeats
from baulk.ingest.store.raw_parts import Taken
from baulk.ingest.wire.message import RawMessage, floor_of, stamped

START = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)


@dataclass
class Queued:
    """One message of the session."""

    which: int
    topic: str
    payload: bytes
    mid: int
    sent_before: bool = False
    under_way: bool = False


class Broker:
    """The session of our listener at a broker that forgets what it had not saved."""

    def __init__(self, window=1000):
        self.window, self.queue, self.last_mid = window, [], 0
        self.saved = ([], 0)

    def publish(self, which, topic, payload):
        self.last_mid = self.last_mid % 65_535 + 1
        self.queue.append(Queued(which, topic, payload, self.last_mid))

    def save(self):
        self.saved = copy.deepcopy((self.queue, self.last_mid))

    def killed(self):
        self.queue, self.last_mid = copy.deepcopy(self.saved)

    def let_in(self):
        for one in self.queue:
            one.under_way = False

    def send(self):
        room = self.window - sum(one.under_way for one in self.queue)
        those = [one for one in self.queue if not one.under_way][:room]
        given = [copy.copy(one) for one in those]
        for one in those:
            one.under_way = one.sent_before = True
        return given

    def acknowledged(self, mids):
        self.queue = [one for one in self.queue if not (one.under_way and one.mid in mids)]


class Listener:
    """Ours, with the real store and the real knowledge of repeats."""

    def __init__(self, store):
        self.store, self.kept, self.gone = store, Counter(), Counter()
        self.inbox = []
        self.linked = None
        self.start()

    def start(self):
        self.repeats = Repeats("one")
        self.inbox = []

    def connect(self, now):
        self.linked, self.inbox = now, [one for one in self.inbox if one[1].linked_utc == self.linked]

    def hear(self, given, now):
        floor = floor_of(now)
        for one in given:
            raw = RawMessage(
                topic=one.topic,
                payload=one.payload,
                arrived_utc=stamped(floor, one.mid),
                mid=one.mid,
                again=one.sent_before,
                linked_utc=self.linked,
            )
            self.inbox.append((one.which, raw))

    def store_some(self, most, now):
        """Commit up to so many; give the identifiers to acknowledge."""
        some, self.inbox = self.inbox[:most], self.inbox[most:]
        if not some:
            return []
        raws = [raw for _, raw in some]
        fresh = self.repeats.fresh(raws, self.store)
        if fresh:
            self.store.save((), taken=Taken(client="one", raws=fresh, now_utc=now))
        self.repeats.committed(fresh, now)
        new = {id(raw) for raw in fresh}
        self.kept.update(which for which, raw in some if id(raw) in new)
        self.gone.update(which for which, raw in some if id(raw) not in new)
        return [raw.mid for raw in raws]

    @property
    def thrown_away(self):
        return len(self.gone.keys() - self.kept.keys())


def numbers(kind, turn):
    """Payloads of this turn of 50 ms."""
    if kind == "alike":  # one sensor, the same number once a second
        return [("a/one", b"21.4")] if turn % 20 == 0 else []
    if kind == "a yard alike":  # thirty sensors through one gateway, the same numbers every two seconds
        return [(f"a/{k}", b"%d" % k) for k in range(30)] if turn % 40 == 0 else []
    if kind == "coarse":  # a number that changes now and then
        return [("a/coarse", b"%.1f" % (20 + turn // 70 / 10))] if turn % 4 == 0 else []
    return [(f"a/{k}", b"%d.%d" % (turn, k)) for k in range(40)]  # all different, eight hundred a second


class Yard:
    """Sensors, broker and listener in a time of our own; broker and listener are killed again and again."""

    def __init__(self, store, kinds, seed, window=1000):
        self.chance = random.Random(seed)  # noqa: S311
        self.broker, self.listener = Broker(window), Listener(store)
        self.kinds, self.sent = kinds, []  # the kind of every message
        self.broker_back = self.listener_back = 0
        self.save_at, self.connected = 100, False

    def run(self, minutes):
        for turn in range(round(minutes * 1200)):
            now = START + timedelta(milliseconds=50 * turn)
            if turn >= self.broker_back:
                self.publish(turn)
                if turn >= self.listener_back and not self.connected and self.chance.random() < 0.3:
                    self.broker.let_in()
                    self.listener.connect(now)
                    self.connected = True
            if self.connected:
                self.listen(now, turn)
            if turn >= self.broker_back and self.chance.random() < 0.008:
                self.broker.killed()
                self.connected, self.broker_back = False, turn + self.chance.randrange(2, 20)
                self.save_at = self.broker_back + 100
        return self

    def publish(self, turn):
        for kind in self.kinds:
            for topic, payload in numbers(kind, turn):
                self.broker.publish(len(self.sent), topic, payload)
                self.sent.append(kind)
        if turn >= self.save_at:
            self.broker.save()
            self.save_at = turn + 100

    def listen(self, now, turn):
        self.listener.hear(self.broker.send(), now)
        mids = self.listener.store_some(400, now)
        if self.chance.random() < 0.006:  # killed, half the times between commit and acknowledgement
            self.listener.start()
            self.connected, self.listener_back = False, turn + self.chance.randrange(60)
            if self.chance.random() < 0.5:
                return
        self.broker.acknowledged(set(mids))

    @property
    def doubled(self):
        kept = self.listener.kept.items()
        return Counter(self.sent[which] for which, count in kept for _ in range(count - 1))


@pytest.mark.parametrize(
    ("kinds", "window", "minutes"),
    [(("different",), 1000, 1), (("coarse", "different"), 1000, 1), (("different", "alike"), 20, 0.5)],
)
def test_nothing_that_a_killed_broker_repeats_is_doubled_and_no_news_is_thrown_away(
    yard, kinds, window, minutes
):
    tried = Yard(yard.store, kinds, 3, window).run(minutes)
    assert sum(tried.listener.gone.values()) > 100  # so much was repeated
    assert tried.listener.thrown_away == 0
    assert tried.doubled["different"] == 0
    assert tried.doubled.total() <= 5  # equal numbers, where a run ends


@pytest.mark.parametrize("kind", ["alike", "a yard alike", "coarse"])
@pytest.mark.parametrize("seed", [1, 2])
def test_equal_numbers_of_a_sensor_are_all_kept_and_hardly_any_is_kept_twice(yard, kind, seed):
    tried = Yard(yard.store, (kind,), seed).run(minutes=4)
    assert tried.listener.thrown_away == 0
    assert tried.doubled.total() <= 0.1 * len(tried.sent)  # the broker is killed every six seconds


def test_what_a_sender_repeats_to_a_new_broker_is_known_where_its_numbers_all_differ(yard):
    broker, listener = Broker(), Listener(yard.store)
    listener.connect(START)
    for which in range(12):
        broker.publish(which, "a/differs", b"%d" % which)
        broker.publish(100 + which, "a/alike", b"7")
    now = START + timedelta(seconds=1)
    listener.hear(broker.send(), now)
    broker.acknowledged(set(listener.store_some(100, now)))
    now += timedelta(seconds=2)
    listener.connect(now)
    broker.last_mid = 5000
    for which in (10, 11, 12):  # it had heard of no confirmation of the last two
        broker.publish(which, "a/differs", b"%d" % which)
        broker.publish(100 + which, "a/alike", b"7")
    listener.hear(broker.send(), now)
    broker.acknowledged(set(listener.store_some(100, now)))
    assert {which: count for which, count in listener.kept.items() if count > 1} == {110: 2, 111: 2}
    assert listener.kept.keys() == {*range(13), *range(100, 113)}


def test_a_store_that_fails_and_is_tried_again_changes_nothing_of_what_is_known(yard):
    broker, listener = Broker(), Listener(yard.store)
    listener.connect(START)
    for which in range(40):
        broker.publish(which, f"a/{which % 4}", b"%d" % which)
    broker.save()
    listener.hear(broker.send(), START)
    listener.store_some(100, START)
    listener.connect(START + timedelta(seconds=1))
    for which in range(40, 60):
        broker.publish(which, f"a/{which % 4}", b"%d" % which)
    listener.hear(broker.send(), START + timedelta(seconds=1))
    raws = [raw for _, raw in listener.inbox]
    assert [len(listener.repeats.fresh(raws, yard.store)) for _ in range(3)] == [20, 20, 20]  # it is news
    listener.store_some(100, START + timedelta(seconds=1))
    broker.killed()  # nothing was under way when it saved: none of it is marked
    now = START + timedelta(seconds=2)
    broker.let_in()
    listener.connect(now)
    listener.hear(broker.send(), now)
    raws = [raw for _, raw in listener.inbox]
    assert len(raws) == 40
    assert [len(listener.repeats.fresh(raws, yard.store)) for _ in range(3)] == [0, 0, 0]


def test_of_a_long_message_that_lies_in_quarantine_the_log_keeps_enough_to_know_it_again(yard):
    long = RawMessage(
        topic="baulk/v1/ferry-yard/timber/FER-01",
        payload=random.Random(1).randbytes(200_000),  # noqa: S311
        arrived_utc=START,
        mid=7,
        linked_utc=START,
    )
    assert pipeline.handle(long, yard, repeats=Repeats("one")) == 0
    assert yard.store.quarantine_count() == 1
    assert yard.store.raw.extent().size < 1000
    assert yard.store.raw.between(START, START + timedelta(days=1)) == []  # it is not decoded from there
    again = replace(long, again=True, linked_utc=START + timedelta(seconds=5))
    assert Repeats("one").fresh([again], yard.store) == []
    other = replace(again, payload=long.payload[:-1] + b"?")
    assert Repeats("one").fresh([other], yard.store) == [other]


def test_the_log_gives_back_what_came_and_stays_within_its_limits(yard):
    raws = [
        RawMessage(
            topic=f"a/{k % 3}",
            payload=bytes([k % 256]) * (k % 50),
            arrived_utc=START + timedelta(minutes=k),
            mid=k % 65_536,
            retained=k % 7 == 0,
            again=k % 5 == 0,
            linked_utc=START,
        )
        for k in range(3000)
    ]
    for raw in raws:
        yard.store.save((), taken=Taken(client="one", raws=(raw,), now_utc=raw.arrived_utc))
    log, end = yard.store.raw, START + timedelta(minutes=3000)
    before = log.extent()
    assert (before.count, before.first_utc) == (3000, START)
    assert log.tidy(end + timedelta(days=3), days=28, most_bytes=1e9) == 0
    assert log.extent().size < before.size / 3  # put together
    assert log.extent().count == 3000

    def told(those):
        return [(one.topic, one.payload, one.arrived_utc, one.mid, one.retained, one.again) for one in those]

    assert told(log.between(START, end)) == told(raws)
    pieces = list(log.spans(START, end, 700))
    assert len(pieces) > 2
    assert [one for piece in pieces for one in told(log.between(*piece))] == told(raws)
    assert log.tidy(end, days=1, most_bytes=1e9) > 0
    assert log.extent().count >= 1440
    assert log.tidy(end, days=1, most_bytes=0) > 0
    assert log.extent().count == 0


def test_a_spool_of_an_earlier_version_is_read_and_a_new_one_knows_the_connections(tmp_path):
    path = tmp_path / "spool-one.db"
    with closing(sqlite3.connect(path)) as base, base:
        base.execute(
            "CREATE TABLE message (id INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, payload BLOB"
            " NOT NULL, arrived_us INTEGER NOT NULL, retained INTEGER NOT NULL, mid INTEGER NOT NULL,"
            " again INTEGER NOT NULL)"
        )
        base.execute("INSERT INTO message VALUES (1, 'a/b', X'31', 1000, 0, 7, 1)")
    spool = Spool(path, room_mb=10)
    new = RawMessage(topic="a/c", payload=b"2", arrived_utc=START, mid=8, linked_utc=START)
    spool.keep([new])
    raws, last = spool.oldest(10)
    spool.drop(last)
    spool.close()
    assert [(raw.topic, raw.mid, raw.again, raw.linked_utc) for raw in raws] == [
        ("a/b", 7, True, None),
        ("a/c", 8, False, START),
    ]
