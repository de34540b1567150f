"""Clocks that are wrong, a device's or our own: order and distances stay, and so does what was said."""

from __future__ import annotations

import ctypes
import json
import random
import time
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from baulk.ingest import decode_again, host_clock, pipeline
from baulk.ingest.host_clock import HostWatch
from baulk.ingest.monitoring import nightly
from baulk.ingest.wire import RawMessage, clock
from baulk.models.quantity import Owner
from baulk.models.timber import Place

NOW = datetime(2026, 5, 14, 9, 30, 0, 123_457, tzinfo=UTC)
HOUR = timedelta(hours=1)


def sent(pack, at=NOW, place="shed", mid=1):
    return RawMessage(
        topic=f"baulk/v1/ferry-yard/air/{place}",
        payload=json.dumps(pack).encode(),
        arrived_utc=at + timedelta(microseconds=mid),
        mid=mid,
    )


@pytest.fixture(autouse=True)
def entered(yard):
    """Enter the places whose air is sent."""
    for name in ("loft", *(f"{letter}{k}" for letter in "pqr" for k in range(9))):
        yard.register.save_place(Place(name=name))


def temp(seconds, value):
    return {"n": "temp", "u": "Cel", "v": value, **({} if seconds is None else {"t": seconds})}


def taken(yard, place="shed"):
    return {round(one.value, 3): one.taken_utc for one in yard.store.readings(Owner.AIR, place)}


def unset(k):
    """What a logger says whose clock began at nothing when it was switched on."""
    return 3e8 + 3600.0 * k


@pytest.mark.parametrize("hours", [72, 3000])
def test_a_buffer_of_an_unset_clock_keeps_order_and_distances_however_long(yard, hours):
    raw = sent([temp(unset(k), k / 1000) for k in range(hours)])
    assert pipeline.handle(raw, yard) == hours
    found = taken(yard)
    assert [found[k / 1000] for k in range(hours)] == [
        raw.arrived_utc - (hours - 1 - k) * HOUR for k in range(hours)
    ]
    assert yard.store.quarantine_count() == 0
    first = yard.store.readings(Owner.AIR, "shed")[0]
    assert clock.device_s(first.flags) == unset(0)  # what the device said is kept with the reading
    assert pipeline.handle(raw, yard) == 0


def test_where_the_clock_was_set_on_the_way_the_buffer_comes_before(yard):
    right = NOW.timestamp() - 7200
    pack = [*(temp(unset(k), k) for k in range(5)), temp(right, 5), temp(right + 3600, 6)]
    assert pipeline.handle(sent(pack), yard) == 7
    found = taken(yard)
    times = [found[k] for k in range(7)]
    assert times == sorted(times)
    assert [b - a for a, b in pairwise(times[:6])] == [HOUR] * 5


def test_a_time_before_and_one_after_what_can_be_are_not_of_one_clock(yard):
    assert pipeline.handle(sent([temp(unset(0), 1), temp(4e9, 2), temp(unset(1), 3)]), yard) == 2
    found = taken(yard)  # both newest ones are the arrival: one of them waits in quarantine
    assert found[1] == NOW + timedelta(microseconds=1) - HOUR
    assert yard.store.quarantine_count() == 1


def test_a_buffer_sent_message_by_message_is_put_right_once_the_clock_is_learned(yard):
    boot = NOW.timestamp() - 80 * 3600  # when the logger's clock began
    for k in range(72):  # sent in one go, the oldest first, after three days without a connection
        raw = sent([temp(unset(k), k / 2)], NOW - 8 * HOUR + timedelta(milliseconds=70 * k), mid=k + 1)
        pipeline.handle(raw, yard)
    for k in range(72, 80):  # then live
        at = datetime.fromtimestamp(boot + 3600 * k, UTC)
        pipeline.handle(sent([temp(unset(k), k / 2)], at, mid=k + 1), yard)
    watch = HostWatch(yard.store, lambda: False)
    watch.look({raw.topic: (raw, yard.store.latest(Owner.AIR, "shed"))})
    assert nightly.mend_times(yard, NOW + HOUR) >= 71
    found = taken(yard)
    off = [abs((found[k / 2].timestamp() - boot) - 3600 * k) for k in range(80)]
    assert max(off) < 10
    assert not decode_again.look(yard, NOW + HOUR).anything
    assert nightly.mend_times(yard, NOW + HOUR) == 0


def test_offset_and_drift_of_a_clock_are_learned_through_delays():
    chance = random.Random(2)  # noqa: S311
    arrived = [1.7e9 + 600 * k for k in range(14 * 144)]
    points = [
        (at + delay, at - 1.4e9 + 3.0 * (at - arrived[0]) / 86_400)
        for at in arrived
        for delay in (chance.expovariate(1 / 20),)
    ]
    (one,) = clock.learn(points)
    assert one.drift_s_day == pytest.approx(3.0, abs=0.5)
    assert one.at(points[-1][0]) == pytest.approx(-1.4e9 + 3.0 * 14, abs=5)
    assert one.at(points[0][0]) == pytest.approx(-1.4e9, abs=8)


def test_a_clock_that_begins_anew_is_learned_anew():
    points = [(1.7e9 + 60 * k, 100.0 + 60 * k) for k in range(30)]
    points += [(1.7e9 + 3600 + 60 * k, 5.0 + 60 * k) for k in range(30)]
    one, other = clock.learn(points)
    assert one.ahead_s == pytest.approx(100 - 1.7e9)
    assert other.ahead_s == pytest.approx(5 - 1.7e9 - 3600)
    assert clock.ahead_of([one, other], 1.7e9 + 60, 160.0) is None  # on time
    assert clock.ahead_of([one, other], 1.7e9 + 600, 100.0) == one.ahead_s  # ten minutes late


def test_a_device_whose_clock_goes_back_with_every_message_is_looked_up_quickly():
    """Two loggers behind one topic: each message begins a clock of its own, among a month of minutes."""
    points = [(1.7e9 + 60 * k, 100.0 + 9 * (k % 2 == 0)) for k in range(40_000)]
    courses = clock.learn(points)
    assert len(courses) > 19_000
    began = time.process_time()
    assert [clock.ahead_of(courses, at, said) for at, said in points] == [None] * len(points)
    assert time.process_time() - began < 1.0  # 6 when each was looked for from the first


# --- our own clock


def heard(yard, raws):
    """Store messages as the listener does, and show the last of each topic to the watch."""
    last = {}
    pipeline.handle_batch(raws, yard, heard=last)
    return {topic: (raw, one.readings) for topic, (raw, one) in last.items()}


def yard_of(devices, true, host_ahead, *, start=0):
    """Packs of devices whose clocks are right, as they reach a host whose clock is not."""
    return [
        sent([temp((true - timedelta(seconds=2)).timestamp(), k + start)], true + host_ahead, f"p{k}", k + 1)
        for k in range(devices)
    ]


@pytest.mark.parametrize("host_ahead", [-3 * HOUR, 5 * HOUR])
def test_many_devices_against_our_clock_are_believed_and_earlier_times_are_mended(yard, host_ahead):
    watch, earlier = HostWatch(yard.store, lambda: False), NOW - timedelta(minutes=15)
    assert watch.look(heard(yard, yard_of(4, earlier, host_ahead, start=1))) is None
    untimed = sent([temp(None, 99.0 / 4)], NOW + host_ahead, "loft", 77)
    told = watch.look(heard(yard, [*yard_of(4, NOW, host_ahead), untimed]))
    assert "4 sensors agree that this machine's clock is" in told
    assert watch.ahead_s == pytest.approx(host_ahead.total_seconds(), abs=5)
    assert HostWatch(yard.store, lambda: False).ahead_s == watch.ahead_s  # the next listener knows it too
    done = decode_again.put_right(yard, NOW + host_ahead + HOUR)
    assert done.anything
    for k in range(4):
        found = [(one.taken_utc, one.flags) for one in yard.store.readings(Owner.AIR, f"p{k}")]
        assert found == [(at - timedelta(seconds=2), ()) for at in (earlier, NOW)]
    (one,) = yard.store.readings(Owner.AIR, "loft")
    assert abs(one.taken_utc - NOW) < timedelta(seconds=5)
    assert one.arrived_utc == untimed.arrived_utc
    assert not decode_again.look(yard, NOW + host_ahead + HOUR).anything
    later = NOW + 2 * HOUR
    assert "agrees with the sensors again" in watch.look(
        heard(yard, yard_of(4, later, timedelta(0), start=10))
    )
    assert watch.ahead_s == 0


def test_a_few_devices_or_devices_that_differ_prove_nothing(yard):
    watch = HostWatch(yard.store, lambda: False)
    assert watch.look(heard(yard, yard_of(2, NOW, -3 * HOUR))) is None
    assert watch.ahead_s == 0
    apart = [yard_of(1, NOW, -k * HOUR)[0] for k in range(2, 7)]
    apart = [sent(json.loads(one.payload), one.arrived_utc, f"q{k}", k + 1) for k, one in enumerate(apart)]
    assert watch.look(heard(yard, apart)) is None
    right = yard_of(6, NOW, timedelta(0), start=20)
    assert watch.look(heard(yard, right)) is None


def test_times_counted_from_the_arrival_say_nothing_of_our_clock(yard):
    watch = HostWatch(yard.store, lambda: False)
    told = None
    for start, at in enumerate((NOW - timedelta(minutes=20), NOW)):
        relative = [sent([temp(-30.5, 20 * start + k)], at - 3 * HOUR, f"r{k}", k + 1) for k in range(9)]
        told = watch.look(heard(yard, [*relative, *yard_of(3, at, -3 * HOUR, start=20 * start)]))
    assert "3 sensors agree" in told


def test_what_was_measured_long_ago_and_is_sent_only_now_says_nothing_of_our_clock(yard):
    """Loggers that hand over a year, day by day, agree in every moment on a time that is long past."""
    watch = HostWatch(yard.store, lambda: False)
    for day in range(40):
        arrived = NOW + timedelta(seconds=30 * day)
        taken_at = NOW - timedelta(days=365 - day)
        raws = [
            sent([temp((taken_at - timedelta(seconds=2)).timestamp(), day + k / 8)], arrived, f"p{k}", k + 1)
            for k in range(5)
        ]
        assert watch.look(heard(yard, raws)) is None
    assert watch.ahead_s == 0


@pytest.mark.parametrize(("state", "status", "answer"), [(0, 0x2001, True), (5, 0x40, False), (-1, 0, None)])
def test_whether_a_time_server_keeps_our_clock_is_asked_of_the_kernel(monkeypatch, state, status, answer):
    class Libc:
        @staticmethod
        def adjtimex(asked):
            asked._obj[5] = status
            return state

    if host_clock.sys.platform.startswith("linux"):
        assert host_clock.synchronised() in {True, False, None}
    monkeypatch.setattr(host_clock.sys, "platform", "linux")
    monkeypatch.setattr(ctypes, "CDLL", lambda *_, **__: Libc)
    assert host_clock.synchronised() is answer
    monkeypatch.setattr(host_clock.sys, "platform", "plan9")
    assert host_clock.synchronised() is None
