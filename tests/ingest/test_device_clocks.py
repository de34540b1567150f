"""Clocks of devices that could be right and are not: an hour, a zone, a day behind, or drifting."""

from __future__ import annotations

import json
import random
import time
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from baulk.ingest import decode_again, device_clock, pipeline, shop, wire
from baulk.ingest.device_clock import DeviceWatch
from baulk.ingest.host_clock import HostWatch
from baulk.ingest.monitoring import health, nightly
from baulk.ingest.monitoring.health import Trouble
from baulk.ingest.wire import RawMessage
from baulk.ingest.wire.delays import Choice
from baulk.ingest.wire.source import Source
from baulk.models.quantity import Owner
from baulk.models.timber import Place

START = datetime(2026, 5, 1, 0, 0, 7, 123_457, tzinfo=UTC)
HOUR, MINUTE, DAY = timedelta(hours=1), timedelta(minutes=1), timedelta(days=1)
TOPIC = "baulk/v1/ferry-yard/air/{}"


def sent(taken, at, value, place="shed"):
    """One reading as it came, or a pack of several."""
    several = taken if isinstance(taken, list) else [taken]
    pack = [
        {"n": "temp", "u": "Cel", "v": value + n / 1000, "t": one.timestamp()}
        for n, one in enumerate(several)
    ]
    at += timedelta(microseconds=321)  # else a time could be one that was counted from the arrival
    return RawMessage(topic=TOPIC.format(place), payload=json.dumps(pack).encode(), arrived_utc=at)


class Listening:
    """Stores message by message as the listener does, and shows each to the watch."""

    def __init__(self, yard, *, is_kept=True, name="one"):
        self.yard, self.watch = yard, DeviceWatch(yard.store, name, lambda: is_kept)

    def take(self, raw):
        raw = replace(raw, device_behind_s=self.watch.corrected.get(raw.topic, 0.0))
        heard = {}
        pipeline.handle_batch([raw], self.yard, heard=heard)
        self.watch.look({topic: (one, each.readings) for topic, (one, each) in heard.items()})

    def hear(self, raw):
        """Show a message to the watch alone, where nothing is asked of the store."""
        decoded = wire.understand(raw, slug=self.yard.config.slug)
        self.watch.look({raw.topic: (raw, decoded.readings)})

    def live(self, count, *, step, behind=timedelta(0), start=START, place="shed", late=2.0):
        """Messages of one reading each, as they are measured, each some seconds on its way."""
        chance = random.Random(7)  # noqa: S311
        for k in range(count):
            true = start + k * step
            at = true + timedelta(seconds=late * chance.uniform(0.2, 1))
            self.take(sent(true - behind, at, k / 8, place))
        return start + count * step


@pytest.fixture
def listening(yard):
    return Listening(yard)


def known(yard, place="shed"):
    return {one.topic: one for one in device_clock.learned(yard.store)}[TOPIC.format(place)]


def until(true, seconds=20.0):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.05)
    return False


def flush(listening):
    """Write down what was learned, as happens every minute."""
    listening.watch._write(0.0)


def taken(yard, place="shed"):
    return {round(one.value, 3): one for one in yard.store.readings(Owner.AIR, place)}


@pytest.mark.parametrize("behind", [HOUR, 5 * HOUR, DAY, -2 * HOUR])
def test_a_clock_that_is_a_zone_or_a_day_off_is_learned_named_and_corrected(yard, listening, behind):
    end = listening.live(60, step=10 * MINUTE, behind=behind)
    flush(listening)
    one = known(yard)
    assert (one.is_wrong, one.is_whole, one.is_corrected) == (True, True, True)
    assert one.behind_s == pytest.approx(behind.total_seconds(), abs=3)
    assert one.since_utc - START < MINUTE
    (found,) = [each for each in health.look(yard, end).findings if each.kind is Trouble.CLOCK]
    assert found.about == "air/shed"
    assert found.reason.code == "health.device_clock"
    assert found.reason.values["behind_s"] == behind.total_seconds()
    assert nightly.mend_times(yard, end) >= 30  # what came before it was sure
    stored = taken(yard)
    assert len(stored) == 60
    for k in range(60):
        reading = stored[k / 8]
        assert abs(reading.taken_utc - (START + 10 * k * MINUTE)) < MINUTE
        assert "clock" in reading.flags
        assert reading.flags[1].startswith("device-")  # what the device said is kept
    assert not decode_again.look(yard, end).anything


def test_a_clock_that_is_right_is_shown_with_its_offset_and_never_moved(yard, listening):
    listening.live(60, step=10 * MINUTE, late=40.0)
    flush(listening)
    one = known(yard)
    assert not one.is_wrong
    assert not one.is_corrected
    assert 0 < one.behind_s < 40
    assert all(each.flags == () for each in yard.store.readings(Owner.AIR, "shed"))


def test_a_drift_is_learned_in_seconds_a_day(yard, listening):
    for k in range(10 * 48):
        true = START + k * 30 * MINUTE
        behind = timedelta(seconds=9.0 * k / 48)
        listening.hear(sent(true - behind, true + timedelta(seconds=2 + k % 5), k / 8))
    flush(listening)
    assert known(yard).drift_s_day == pytest.approx(9.0, abs=0.5)


def test_a_logger_that_sends_each_day_in_the_morning_is_not_behind(yard, listening):
    """Of each day 24 hourly values come next morning at eight: the newest is always eight hours old."""
    for day in range(20):
        at = START + day * DAY + 32 * HOUR
        hours = [START + day * DAY + h * HOUR for h in range(24)]
        if day % 2:
            listening.hear(sent(hours, at, day))
        else:  # one by one, the oldest first
            for h, hour in enumerate(hours):
                listening.hear(sent(hour, at + timedelta(seconds=h), day + h / 1000))
    flush(listening)
    one = known(yard)
    assert not one.is_wrong
    assert not one.is_corrected


def test_a_history_sent_day_by_day_is_not_a_clock_that_is_behind(yard, listening):
    for day in range(300):
        listening.hear(sent(START - (365 - day) * DAY, START + day * 30 * timedelta(seconds=1), day / 8))
    flush(listening)
    assert not known(yard).is_wrong


def test_hourly_means_that_bear_the_beginning_of_their_hour_are_not_behind(yard, listening):
    for k in range(72):
        listening.hear(sent(START + k * HOUR, START + (k + 1) * HOUR + timedelta(seconds=3), k / 8))
    flush(listening)
    assert not known(yard).is_wrong


def test_a_device_that_sends_an_old_value_for_each_new_one_after_a_silence_is_named_but_not_moved(
    yard, listening
):
    """Two hours without a connection, then one waiting value at a time: it is late by two hours for good."""
    end = listening.live(48, step=10 * MINUTE)
    for k in range(60):
        listening.take(sent(end + k * 10 * MINUTE, end + 2 * HOUR + k * 10 * MINUTE, 10 + k / 8))
    flush(listening)
    one = known(yard)
    assert one.behind_s == pytest.approx(7200, abs=5)
    assert not one.is_corrected
    assert all(each.flags == () for each in yard.store.readings(Owner.AIR, "shed"))


def test_a_backlog_among_live_values_says_nothing_of_the_clock(yard, listening):
    end = listening.live(48, step=10 * MINUTE)
    for k in range(60):
        at = end + k * 10 * MINUTE
        listening.hear(sent(at, at + timedelta(seconds=2), 10 + k / 8))
        listening.hear(sent(START - (60 - k) * HOUR, at + timedelta(seconds=4), 30 + k / 8))
    flush(listening)
    assert abs(known(yard).behind_s) < 5
    assert not known(yard).is_wrong


@pytest.mark.parametrize(
    ("zone", "change"),
    [
        ("America/New_York", datetime(2026, 11, 1, 6, tzinfo=UTC)),
        ("Europe/Lisbon", datetime(2026, 10, 25, 1, tzinfo=UTC)),
    ],
)
def test_an_hourly_logger_on_local_time_loses_nothing_when_summer_time_ends(yard, listening, zone, change):
    """It sends the clock on the wall as if it were UTC; the hour that comes twice bears the same times."""
    start = change - 3 * DAY
    for k in range(6 * 24):
        true = start + k * HOUR
        wall = true.astimezone(ZoneInfo(zone)).replace(tzinfo=UTC)
        listening.take(sent(wall, true + timedelta(seconds=2), k // 4 % 2 + k / 100))
    flush(listening)
    end = start + 6 * DAY
    nightly.mend_times(yard, end)
    found = sorted((one.taken_utc, one.value) for one in yard.store.readings(Owner.AIR, "shed"))
    assert [value for _, value in found] == pytest.approx([k // 4 % 2 + k / 100 for k in range(6 * 24)])
    assert max(abs(at - start - k * HOUR) for k, (at, _) in enumerate(found)) < MINUTE
    assert yard.store.quarantine_count() == 0


def test_a_jump_of_an_hourly_clock_is_sure_where_it_was_right_before(yard, listening):
    end = listening.live(30, step=HOUR)
    for k in range(20):
        true = end + k * HOUR
        listening.hear(sent(true - HOUR, true + timedelta(seconds=2), 20 + k / 8))
    flush(listening)
    one = known(yard)
    assert one.is_corrected
    assert one.since_utc - end < MINUTE


def test_a_clock_that_is_set_right_is_believed_at_once(yard, listening):
    end = listening.live(60, step=10 * MINUTE, behind=4 * HOUR)
    assert listening.watch.corrected
    listening.live(3, step=10 * MINUTE, start=end, place="shed")
    assert not listening.watch.corrected
    newest = yard.store.readings(Owner.AIR, "shed")[-1]
    assert abs(newest.taken_utc - (end + 20 * MINUTE)) < MINUTE
    assert newest.flags == ()


def test_a_shop_whose_own_clock_nobody_keeps_corrects_only_with_witnesses(yard):
    alone = Listening(yard, is_kept=False)
    end = alone.live(60, step=10 * MINUTE, behind=HOUR)
    flush(alone)
    assert known(yard).is_wrong
    assert not known(yard).is_corrected
    for place in ("loft", "barn", "quay"):
        yard.register.save_place(Place(name=place))
        alone.live(2, step=10 * MINUTE, start=end, place=place)
    alone.live(2, step=10 * MINUTE, start=end, behind=HOUR)
    flush(alone)
    assert known(yard).is_corrected


def test_devices_of_one_maker_on_local_time_do_not_move_a_clock_that_a_time_server_keeps(yard):
    watch = HostWatch(yard.store, lambda: True)
    for k in range(6):
        heard = {}
        at = START + k * 5 * MINUTE
        raws = [sent(at - 4 * HOUR, at + timedelta(seconds=2), k, f"p{n}") for n in range(5)]
        pipeline.handle_batch(raws, yard, heard=heard)
        assert watch.look({topic: (one, each.readings) for topic, (one, each) in heard.items()}) is None
    assert watch.ahead_s == 0


def test_what_a_person_says_of_a_device_counts_and_takes_the_correction_back(yard, listening):
    end = listening.live(60, step=10 * MINUTE, behind=HOUR)
    flush(listening)
    nightly.mend_times(yard, end)
    device_clock.choose(yard.store, TOPIC.format("shed"), Choice.AS_SENT)
    assert not known(yard).is_wrong
    assert decode_again.put_right(yard, end).changed == 60
    stored = taken(yard)
    assert [stored[k / 8].taken_utc for k in range(60)] == [START - HOUR + 10 * k * MINUTE for k in range(60)]
    assert all(one.flags == () for one in stored.values())
    again = DeviceWatch(yard.store, "one", lambda: True)
    assert not again.corrected
    device_clock.choose(yard.store, TOPIC.format("shed"), None)
    assert known(yard).is_wrong


def test_a_restarted_listener_goes_on_where_it_was(yard, listening):
    listening.live(60, step=10 * MINUTE, behind=HOUR)
    flush(listening)
    again = DeviceWatch(yard.store, "one", lambda: True)
    assert again.corrected == {TOPIC.format("shed"): 3600.0}


def test_made_up_topics_do_not_push_out_what_was_learned(yard, listening, monkeypatch):
    monkeypatch.setattr(device_clock, "_MOST", 5)
    end = listening.live(40, step=10 * MINUTE, behind=HOUR)
    for k in range(20):
        listening.hear(sent(end, end + MINUTE, k, f"made-up-{k}"))
    flush(listening)
    assert len(device_clock.learned(yard.store)) == 5
    assert known(yard).is_corrected


def test_a_note_of_another_version_is_begun_anew(yard):
    yard.store.note("device-clock/one", b'{"a": {"run": 1}}')
    yard.store.note("device-clock-choice", b"[1]")
    assert device_clock.learned(yard.store) == []
    assert DeviceWatch(yard.store, "one", lambda: True).corrected == {}


@pytest.mark.broker
def test_the_listener_moves_what_comes_from_a_clock_that_is_known_to_be_behind(
    broker_yard_dir, mosquitto, sensor, listen
):
    with shop.open(broker_yard_dir) as opened:
        before = Listening(opened, name=opened.config.client_id)
        begin = datetime.now(UTC) - 61 * 10 * MINUTE
        before.live(60, step=10 * MINUTE, behind=HOUR, start=begin)
        flush(before)
    one = listen(broker_yard_dir)
    assert one.ready.wait(60)
    now = datetime.now(UTC)
    packs = [
        json.dumps([{"n": "temp", "u": "Cel", "v": value, "t": (now - behind).timestamp()}])
        for value, behind in ((40.5, HOUR), (41.5, timedelta(seconds=1)))  # then somebody sets it
    ]
    for pack in packs:
        sensor.publish(TOPIC.format("shed"), pack, qos=1).wait_for_publish(10)
    with shop.open(broker_yard_dir) as opened:
        assert until(lambda: {40.5, 41.5} <= taken(opened).keys())
        found = taken(opened)
    assert abs(found[40.5].taken_utc - now) < MINUTE
    assert found[40.5].flags[0] == "clock"
    assert abs(found[41.5].taken_utc - now) < MINUTE
    assert "clock" not in found[41.5].flags


@pytest.mark.parametrize("reader", ["senml", "mapped"])
def test_a_retained_copy_of_a_reading_whose_clock_is_known_is_news(reader):
    at = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
    source = Source(
        topic="sensors/+", value="v", quantity="temp", unit="degC", place="{1}", time="t", time_as="unix_s"
    )
    senml = {"n": "temp", "u": "Cel", "v": 12.5, "t": (at - HOUR).timestamp()}
    topic, pack = (TOPIC.format("shed"), [senml]) if reader == "senml" else ("sensors/shed", senml)
    raw = RawMessage(
        topic=topic,
        payload=json.dumps(pack).encode(),
        arrived_utc=at + timedelta(seconds=2),
        retained=True,
        device_behind_s=3600.0,
    )
    (one,) = wire.understand(raw, slug="ferry-yard", sources=[source]).readings
    assert one.taken_utc == at
    assert one.flags == ("clock", f"device-{(at - HOUR).timestamp():.3f}")
    (one,) = wire.understand(replace(raw, device_behind_s=0.0), slug="ferry-yard", sources=[source]).readings
    assert (one.taken_utc, one.flags) == (at - HOUR, ())
