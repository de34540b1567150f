"""A sensor that moves between timbers: each reading belongs to the one it was on when it was taken."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import operations, pipeline, sensors, shop
from baulk.ingest.errors import RegisterError
from baulk.ingest.sensors import Settled
from baulk.ingest.wire import RawMessage
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import from_end_mm, sensor_flag, sensor_of
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Event, EventKind, Timber

NOON = datetime(2026, 5, 14, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
SOURCES = """
[[source]]
topic = "probe/+/pins"
value = "ohm"
time = "at"
quantity = "resistance"
unit = "ohm"
sensor = "{1}"

[[source]]
topic = "probe/+/wood"
value = "t"
time = "at"
quantity = "wood-temp"
unit = "degC"
sensor = "{1}"
"""


@pytest.fixture
def folder(request, tmp_path):
    """Make a shop on SQLite, or as the parameter says on PostgreSQL."""
    made = shop.init(tmp_path / "yard", name="Ferry yard")
    path = made / "baulk.toml"
    text = path.read_text()
    if getattr(request, "param", "sqlite") == "postgres":
        url = request.getfixturevalue("postgres_url")
        text = text.replace('kind = "sqlite"', f'kind = "postgres"\nurl = "{url}"')
    path.write_text(text + SOURCES)
    return made


@pytest.fixture
def yard(folder):
    with shop.open(folder) as opened:
        for tag in ("A-1", "B-1"):
            opened.register.add(
                Timber(
                    tag=tag,
                    species="white oak",
                    section=Section(width_mm=203, depth_mm=178),
                    length_mm=3000,
                    finished=Finished(width_mm=152, depth_mm=152),
                    use_class="frame-outdoors",
                    place="shed",
                    arrived_utc=NOON - 30 * DAY,
                )
            )
        yield opened


def send(yard, hours, ohm=None, sensor="S7"):
    """Let the sensor speak so many hours after noon; it arrives at once."""
    at = NOON + hours * HOUR
    body = {"ohm": ohm if ohm is not None else 1e6 + 1000 * hours, "at": at.isoformat()}
    raw = RawMessage(topic=f"probe/{sensor}/pins", payload=json.dumps(body).encode(), arrived_utc=at)
    return pipeline.handle(raw, yard)


def attach(yard, tag, hours, sensor="S7", noted=None, **more):
    given = {"depth_mm": 45.0, "face": Face.B, "move": True, "sure": True, **more}
    return operations.attach_sensor(
        yard,
        sensor,
        tag,
        at_utc=NOON + hours * HOUR,
        now_utc=NOON + (hours if noted is None else noted) * HOUR,
        **given,
    )


def taken(yard, tag):
    """Hours after noon of the readings of a timber."""
    return [(each.taken_utc - NOON) / HOUR for each in yard.store.readings(Owner.TIMBER, tag)]


both = pytest.mark.parametrize("folder", ["sqlite", "postgres"], indirect=True)


@both
def test_a_sensor_moved_at_noon_speaks_of_one_before_and_of_the_other_after(yard):
    attach(yard, "A-1", -24)
    send(yard, -2), send(yard, -1)
    attach(yard, "B-1", 0, depth_mm=60.0, face=Face.A)
    send(yard, 1), send(yard, 2)
    assert (taken(yard, "A-1"), taken(yard, "B-1")) == ([-2, -1], [1, 2])
    assert {str(each.series) for each in yard.store.latest(Owner.TIMBER, "B-1")} == {
        "timber/B-1/pin-60/a/resistance"
    }
    assert yard.store.quarantine_count() == 0


@both
def test_said_the_next_day_the_readings_since_noon_go_over(yard):
    attach(yard, "A-1", -24)
    for hours in (-2, -1, 1, 2):
        send(yard, hours)
    assert taken(yard, "A-1") == [-2, -1, 1, 2]
    for tag in ("A-1", "B-1"):
        yard.store.save_evaluation(tag, NOON + 3 * HOUR, b"{}", revision=yard.store.revision())
    _, settled = attach(yard, "B-1", 0, noted=24, depth_mm=60.0)
    assert settled == Settled(moved=2)
    assert (taken(yard, "A-1"), taken(yard, "B-1")) == ([-2, -1], [1, 2])
    assert [each.value for each in yard.store.readings(Owner.TIMBER, "B-1")] == [1e6 + 1000, 1e6 + 2000]
    assert sorted(yard.store.stale()) == ["A-1", "B-1"]


def test_taking_that_back_brings_the_readings_back(yard):
    attach(yard, "A-1", -24)
    for hours in (-1, 1):
        send(yard, hours)
    before = yard.store.readings(Owner.TIMBER, "A-1")
    event, _ = attach(yard, "B-1", 0, noted=24, depth_mm=60.0, face=Face.C)
    _, settled = operations.undo(yard, event.number, by="ann", now_utc=NOON + DAY)
    assert settled == Settled(moved=1)
    assert yard.store.readings(Owner.TIMBER, "A-1") == before
    assert yard.store.readings(Owner.TIMBER, "B-1") == []


@both
def test_what_a_sensor_says_before_anybody_said_where_it_is_waits_and_is_stored_then(yard):
    assert [send(yard, hours) for hours in (-2, 1)] == [0, 0]
    (row, _) = yard.store.quarantined()
    assert row.waits_for == "sensor:S7"
    assert "the sensor S7 was on no timber at 2026-05-14 13:00; say where it was" in row.reason
    assert "`baulk timber attach TAG S7" in row.reason
    _, settled = attach(yard, "A-1", 0, noted=24)
    assert settled == Settled(came=1)
    assert taken(yard, "A-1") == [1]
    assert yard.store.quarantine_count() == 1  # from before noon, when it was on nothing
    _, settled = attach(yard, "B-1", -3, noted=25)
    assert settled == Settled(came=1)
    assert (taken(yard, "A-1"), taken(yard, "B-1"), yard.store.quarantine_count()) == ([1], [-2], 0)


@both
def test_what_was_said_after_it_was_taken_off_is_set_aside_and_not_lost(yard):
    attach(yard, "A-1", -24)
    for hours in (-1, 1, 2):
        send(yard, hours)
    off, settled = operations.add_event(
        yard,
        Event(
            tag="A-1",
            kind=EventKind.SENSOR_DETACHED,
            at_utc=NOON,
            noted_utc=NOON + DAY,
            detail={"sensor": "S7"},
        ),
    )
    assert settled == Settled(set_aside=2)
    assert taken(yard, "A-1") == [-1]
    assert {row.waits_for for row in yard.store.quarantined()} == {"sensor:S7"}
    _, settled = attach(yard, "B-1", 1.5, noted=25)
    assert settled == Settled(came=1)
    assert (taken(yard, "A-1"), taken(yard, "B-1")) == ([-1], [2])
    _, settled = operations.undo(yard, off.number, by="ann", now_utc=NOON + DAY)
    assert (taken(yard, "A-1"), taken(yard, "B-1")) == ([-1, 1], [2])
    assert yard.store.quarantine_count() == 0


def test_two_sensors_that_changed_places_are_sorted_out_one_after_the_other(yard):
    attach(yard, "A-1", -24), attach(yard, "B-1", -24, sensor="S8")
    for hours in (-1, 1):  # both speak in the same moment
        send(yard, hours, 1e6), send(yard, hours, 2e6, sensor="S8")
    _, first = attach(yard, "B-1", 0, noted=24)
    assert first == Settled(set_aside=1)
    (row,) = yard.store.quarantined()
    assert row.waits_for == "sensor:S8"
    _, second = attach(yard, "A-1", 0, noted=24, sensor="S8")
    assert second == Settled(came=1, moved=1)
    values = {tag: [each.value for each in yard.store.readings(Owner.TIMBER, tag)] for tag in ("A-1", "B-1")}
    assert values == {"A-1": [1e6, 2e6], "B-1": [2e6, 1e6]}
    assert yard.store.quarantine_count() == 0


def test_a_reading_carries_its_sensor_and_how_near_an_end_that_is(yard):
    attach(yard, "A-1", -24, from_end_mm=300.0)
    send(yard, 0)
    (reading,) = yard.store.readings(Owner.TIMBER, "A-1")
    assert (sensor_of(reading.flags), from_end_mm(reading.flags)) == ("S7", 300.0)
    attach(yard, "A-1", -1, noted=24, from_end_mm=500.0)
    (reading,) = yard.store.readings(Owner.TIMBER, "A-1")
    assert (sensor_of(reading.flags), from_end_mm(reading.flags)) == ("S7", 500.0)


def test_a_quantity_without_depth_needs_none_and_pins_say_so(yard):
    attach(yard, "A-1", -24, depth_mm=None, face=None)
    at = NOON.isoformat()
    wood = RawMessage(
        topic="probe/S7/wood", payload=json.dumps({"t": 14.5, "at": at}).encode(), arrived_utc=NOON
    )
    assert pipeline.handle(wood, yard) == 1
    assert send(yard, 1) == 0
    (row,) = yard.store.quarantined()
    assert "the sensor S7 is on A-1 and its depth is unknown; take number 3 of its history back" in row.reason
    operations.undo(yard, 3, by="", now_utc=NOON + 2 * HOUR)
    attach(yard, "A-1", -24, noted=3)
    assert yard.store.quarantine_count() == 0
    assert [str(each.series) for each in yard.store.readings(Owner.TIMBER, "A-1")] == [
        "timber/A-1/wood-temp",
        "timber/A-1/pin-45/b/resistance",
    ]


def test_a_sensor_is_on_one_timber_at_a_time_and_taken_off_only_where_it_is(yard):
    attach(yard, "A-1", -24)
    attach(yard, "B-1", 0)
    assert yard.register.attached("S7", NOON - HOUR).tag == "A-1"
    at = yard.register.attached("S7", NOON)
    assert (at.tag, at.depth_mm, at.face, at.since_utc) == ("B-1", 45.0, Face.B, NOON)
    assert yard.register.attached("S7", NOON - 25 * HOUR) is None
    assert yard.register.attached("S9", NOON) is None
    known = yard.register.attachments()
    assert [known.find("S7", NOON + h * HOUR) for h in (-1, 0)] == [
        yard.register.attached("S7", NOON + h * HOUR) for h in (-1, 0)
    ]
    off = Event(tag="A-1", kind=EventKind.SENSOR_DETACHED, at_utc=NOON + HOUR, detail={"sensor": "S7"})
    with pytest.raises(RegisterError, match="sensor S7 is not on A-1 at 2026-05-14 13:00; it is on B-1"):
        operations.add_event(yard, off)


def test_an_attachment_that_a_detaching_ends_is_not_taken_back_alone(yard):
    on, _ = attach(yard, "A-1", -24)
    off, _ = operations.add_event(
        yard, Event(tag="A-1", kind=EventKind.SENSOR_DETACHED, at_utc=NOON, detail={"sensor": "S7"})
    )
    with pytest.raises(RegisterError, match=f"take back number {off.number} first"):
        operations.undo(yard, on.number, by="", now_utc=NOON)


def test_readings_sent_to_the_tag_itself_stay_with_the_tag(yard):
    attach(yard, "A-1", -24)
    pack = json.dumps([{"n": "weight", "u": "kg", "v": 96.4, "t": NOON.timestamp()}]).encode()
    pipeline.handle(RawMessage(topic="baulk/v1/ferry-yard/timber/A-1", payload=pack, arrived_utc=NOON), yard)
    attach(yard, "B-1", -1, noted=24)
    assert taken(yard, "A-1") == [0]


def test_a_message_that_only_looks_set_aside_is_quarantined(yard):
    raw = RawMessage(topic="set-aside/S7", payload=b'{"series": "air"}', arrived_utc=NOON)
    assert pipeline.handle(raw, yard) == 0
    (row,) = yard.store.quarantined()
    assert row.waits_for is None


@pytest.mark.parametrize("name", ["S 7", "", "a,b", "x" * 65])
def test_a_name_that_is_no_sensors_is_refused(name):
    with pytest.raises(OutOfRange, match="the name of a sensor"):
        sensor_flag(name)


@both
def test_what_a_power_cut_left_between_event_and_readings_is_made_good(yard):
    attach(yard, "A-1", -24)
    send(yard, 1)
    # the register has the event, and then the light goes out
    event = yard.register.add_event(
        Event(
            tag="B-1",
            kind=EventKind.SENSOR_ATTACHED,
            at_utc=NOON,
            noted_utc=NOON + DAY,
            detail={"sensor": "S7", "depth_mm": 60},
        )
    )
    assert (yard.register.unsettled(), taken(yard, "A-1")) == ({event.number: "S7"}, [1])
    with shop.open(yard.config.shop_dir) as again:
        assert operations.settle(again) == Settled(moved=1)
        assert (taken(again, "A-1"), taken(again, "B-1")) == ([], [1])
        assert (operations.settle(again), again.register.unsettled()) == (Settled(), {})


def test_a_sensor_attached_while_its_message_is_being_stored_is_followed_all_the_same(yard, monkeypatch):
    attach(yard, "A-1", -24)
    save = yard.store.save

    def slow(readings, rejected=(), **more):
        monkeypatch.undo()
        attach(yard, "B-1", 0, noted=24)  # looks for readings before these are there
        return save(readings, rejected, **more)

    monkeypatch.setattr(type(yard.store), "save", lambda _, *given, **more: slow(*given, **more))
    send(yard, 1)
    assert (taken(yard, "A-1"), taken(yard, "B-1")) == ([], [1])
    monkeypatch.setattr(
        type(yard.store),
        "save",
        lambda _, *given, **more: (
            monkeypatch.undo(),
            attach(yard, "A-1", 24, sensor="S9"),
            save(*given, **more),
        )[2],
    )
    send(yard, 25, sensor="S9")
    assert (taken(yard, "A-1"), yard.store.quarantine_count()) == ([25], 0)


def waiting(yard, hours, sensor="S7"):
    """Let messages lie in quarantine that came while the sensor was on nothing."""
    raws = []
    for hour in hours:
        at = NOON + hour * HOUR
        body = json.dumps({"ohm": 1e6 + hour, "at": at.isoformat()}).encode()
        raws.append(RawMessage(topic=f"probe/{sensor}/pins", payload=body, arrived_utc=at))
    pipeline.handle_batch(raws, yard)


def test_what_waited_for_a_sensor_follows_in_stretches_and_goes_on_where_it_was_broken_off(yard, monkeypatch):
    monkeypatch.setattr(operations, "_STRETCH_S", 0.0)  # each stretch is one question to quarantine
    hours = range(-20, 1180)
    waiting(yard, hours)
    moves = []
    move = sensors.move
    monkeypatch.setattr(sensors, "move", lambda *which: moves.append(which) or move(*which))
    _, first = attach(yard, "A-1", -10, noted=1200, stop=lambda: True)
    assert not first.is_done
    assert 0 < first.came < 1190
    told = []
    waiting(yard, [1180, -30])  # news, and one more that nobody can place
    second = operations.settle(yard, stop=lambda: True, tell=told.append)
    assert (second.is_done, told) == (False, [second.came])
    third = operations.settle(yard, tell=told.append)
    assert (third.is_done, len(moves)) == (True, 1)
    assert first.came + second.came + third.came == 1190
    assert taken(yard, "A-1") == list(range(-10, 1181))
    assert yard.store.quarantine_count() == 11
    assert operations.settle(yard) == Settled()


def test_an_event_that_comes_meanwhile_is_followed_from_the_beginning(yard, monkeypatch):
    monkeypatch.setattr(operations, "_STRETCH_S", 0.0)
    waiting(yard, range(1200))
    attach(yard, "A-1", 600, noted=1200, stop=lambda: True)
    attach(yard, "B-1", 0, noted=1200, stop=lambda: True)  # said late: before it was on the other
    while not operations.settle(yard, stop=lambda: True).is_done:
        pass
    assert (taken(yard, "B-1"), taken(yard, "A-1")) == (list(range(600)), list(range(600, 1200)))
    assert yard.store.quarantine_count() == 0


def test_a_gauge_that_moves_measures_where_it_was_put(yard):
    where = {"at_utc": NOON - DAY, "now_utc": NOON}
    operations.attach_sensor(yard, "S9", "A-1", **where, face=Face.C, from_end_mm=900, sure=True)
    pack = [{"bt": NOON.timestamp(), "bu": "m", "n": "width", "v": 0.2}, {"n": "depth", "v": 0.176}]
    topic = "baulk/v1/ferry-yard/sensor/S9"
    assert (
        pipeline.handle(RawMessage(topic=topic, payload=json.dumps(pack).encode(), arrived_utc=NOON), yard)
        == 2
    )
    # no depth is measured along face c: that one is taken as mid-face
    assert {str(one.series) for one in yard.store.latest(Owner.TIMBER, "A-1")} == {
        "timber/A-1/end-900/c/width", "timber/A-1/end-900/depth",
    }  # fmt: skip
