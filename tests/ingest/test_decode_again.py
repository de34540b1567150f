"""Mistakes of a mapping are put right from what was sent, shown before, and can be taken back."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import decode_again, hand_readings, pipeline, shop
from baulk.ingest.wire import RawMessage
from baulk.models.errors import NotFound
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series
from baulk.models.timber import Place

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
LATER = NOW + timedelta(hours=6)
MAPPED = """
[[source]]
topic = "sensors/+/climate"
value = "t"
quantity = "temp"
unit = "{unit}"
place = "{place}"
"""
PIN = """
[[source]]
topic = "pins/one"
format = "plain"
quantity = "moisture"
unit = "percent"
tag = "FER-01"
depth_mm = {depth}
"""


def settings(folder, text):
    path = folder / "baulk.toml"
    kept = path.read_text().split("\n[[source]]")[0]
    path.write_text(kept + text)


def climate(shed, degrees, minute, mid=0):
    return RawMessage(
        topic=f"sensors/{shed}/climate",
        payload=json.dumps({"t": degrees}).encode(),
        arrived_utc=NOW + timedelta(minutes=minute, microseconds=mid),
        mid=mid,
    )


def everything(opened):
    found = [
        one for place in opened.store.places() for one in opened.store.readings(Owner.AIR, place)
    ] + opened.store.readings(Owner.TIMBER, "FER-01")
    return sorted(
        (str(one.series), one.taken_utc, one.value, one.source, one.flags, one.arrived_utc) for one in found
    )


def quarantined(opened):
    return [(one.raw.topic, one.raw.payload, one.reason) for one in opened.store.quarantined(100)]


@pytest.fixture
def mistaken(yard, yard_dir):
    """A sensor that sends Celsius is mapped as Fahrenheit, and one reading was taken by hand."""
    yard.close()
    settings(yard_dir, MAPPED.format(unit="degF", place="{1}"))
    with shop.open(yard_dir) as opened:
        pipeline.handle_batch([climate("shed", 20 + k / 10, k, k + 1) for k in range(30)], opened)
        series = Series(owner=Owner.AIR, name="shed", quantity=Quantity.TEMP)
        hand_readings.add(opened, series, 19.0, now_utc=LATER, taken_utc=NOW + timedelta(hours=1))
    return yard_dir


def test_a_wrong_unit_is_put_right_and_can_be_taken_back(mistaken):
    settings(mistaken, MAPPED.format(unit="degC", place="{1}"))
    with shop.open(mistaken) as opened:
        before = everything(opened)
        found = decode_again.look(opened, LATER)
        assert (found.messages, found.added, found.changed, found.set_aside) == (30, 0, 30, 0)
        assert "-6.66667 degC" in found.examples[0]
        assert "20 degC" in found.examples[0]
        assert everything(opened) == before  # nothing was changed
        done = decode_again.put_right(opened, LATER)
        assert (done.changed, done.number) == (30, 1)
        values = [one[2] for one in everything(opened)]
        assert sorted(values) == pytest.approx([19.0, *(20 + k / 10 for k in range(30))])
        assert not decode_again.look(opened, LATER).anything  # once more does nothing
        assert decode_again.put_right(opened, LATER).number is None
        decode_again.undo(opened)
        assert everything(opened) == before
        with pytest.raises(NotFound, match="decoding again"):
            decode_again.undo(opened)


def test_a_wrong_place_moves_its_readings_and_leaves_others_alone(mistaken):
    settings(mistaken, MAPPED.format(unit="degF", place="loft"))
    with shop.open(mistaken) as opened:
        before = everything(opened)
        found = decode_again.put_right(opened, LATER, since=NOW + timedelta(minutes=10))
        assert (found.changed, found.added, found.set_aside) == (20, 0, 0)
        assert len(opened.store.readings(Owner.AIR, "loft")) == 20
        assert len(opened.store.readings(Owner.AIR, "shed")) == 11
        rest = decode_again.put_right(opened, LATER)
        assert rest.changed == 10
        assert [one.source for one in opened.store.readings(Owner.AIR, "shed")] == ["hand"]
        decode_again.undo(opened)
        decode_again.undo(opened)
        assert everything(opened) == before


def test_messages_that_nothing_asks_for_any_more_stay_as_they_were(mistaken):
    settings(mistaken, "")
    with shop.open(mistaken) as opened:
        assert not decode_again.look(opened, LATER).anything


def test_what_could_not_be_understood_leaves_quarantine_and_comes_back_when_undone(yard, yard_dir):
    yard.close()
    settings(yard_dir, MAPPED.format(unit="degC", place="{1}").replace('"t"', '"temperature"'))
    with shop.open(yard_dir) as opened:
        pipeline.handle_batch([climate("shed", 20 + k, k, k + 1) for k in range(5)], opened)
        assert opened.store.quarantine_count() == 5
    settings(yard_dir, MAPPED.format(unit="degC", place="{1}"))
    with shop.open(yard_dir) as opened:
        before, waiting = everything(opened), quarantined(opened)
        found = decode_again.put_right(opened, LATER)
        assert (found.added, found.released) == (5, 5)
        assert opened.store.quarantine_count() == 0
        assert len(everything(opened)) == 5
        decode_again.undo(opened)
        assert everything(opened) == before
        assert sorted(quarantined(opened)) == sorted(waiting)


def test_what_becomes_impossible_is_set_aside_and_waits_with_its_reason(mistaken):
    settings(mistaken, MAPPED.format(unit="K", place="{1}"))
    with shop.open(mistaken) as opened:
        before = everything(opened)
        found = decode_again.put_right(opened, LATER)
        assert (found.set_aside, found.changed) == (30, 0)
        assert opened.store.quarantine_count() == 30
        decode_again.undo(opened)
        assert everything(opened) == before


def test_a_reading_whose_time_another_one_has_is_held_and_said(yard, yard_dir):
    yard.close()
    settings(yard_dir, PIN.format(depth=20))
    with shop.open(yard_dir) as opened:
        pipeline.handle(RawMessage(topic="pins/one", payload=b"31.5", arrived_utc=NOW), opened)
        series = Series(owner=Owner.TIMBER, name="FER-01", quantity=Quantity.MOISTURE, depth_mm=45.0)
        hand_readings.add(opened, series, 30.0, now_utc=LATER, taken_utc=NOW)
    settings(yard_dir, PIN.format(depth=45))
    with shop.open(yard_dir) as opened:
        before = everything(opened)
        found = decode_again.put_right(opened, LATER)
        assert (found.held, found.anything) == (1, False)
        assert everything(opened) == before


def test_many_messages_are_put_right_in_several_pieces(mistaken, monkeypatch):
    settings(mistaken, MAPPED.format(unit="degC", place="{1}"))
    with shop.open(mistaken) as opened:
        for k in range(20):
            opened.register.save_place(Place(name=f"s{k}"))
        for start in range(0, 4000, 500):
            raws = [climate(f"s{k % 20}", k / 1000, 60 + k, k % 65_536) for k in range(start, start + 500)]
            pipeline.handle_batch(raws, opened)
        assert len(everything(opened)) == 4031
    settings(mistaken, MAPPED.format(unit="degF", place="{1}"))
    with shop.open(mistaken) as opened:
        monkeypatch.setattr(decode_again, "_AT_ONCE", 1000)
        found = decode_again.put_right(opened, LATER)
        assert found.changed == 4000
        decode_again.undo(opened)
        assert decode_again.put_right(opened, LATER).changed == 4000
        assert not decode_again.look(opened, LATER).anything
