"""One check for what people, files and sensors say: refused with the limit, asked about, listed, flagged."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from baulk.ingest import hand_readings, operations, pipeline, plausibility
from baulk.ingest.errors import Unlikely
from baulk.ingest.exchange import import_readings, import_timbers
from baulk.ingest.store.rejected import Cause
from baulk.ingest.wire.message import RawMessage
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Series
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Event, EventKind

from .conftest import NOW, raw, timber

DAY = timedelta(days=1)
PIN = Series.parse("timber/FER-01/pin-45/moisture")
WEIGHT = Series.parse("timber/FER-01/weight")  # 203 x 178 mm, 2.74 m of white oak: 60 kg oven-dry


def by_hand(yard, series, value, at=NOW, **more):
    return hand_readings.add(yard, series, value, now_utc=NOW, taken_utc=at, **more)


@pytest.mark.parametrize(
    ("series", "value", "limit"),
    [
        (WEIGHT, 590, "with every pore full"),
        (WEIGHT, 10, "oven-dry"),
        (PIN, 235, "173 %"),
        (replace(PIN, depth_mm=635), 20, "the piece is 178 mm there"),
        (replace(PIN, depth_mm=190, face=Face.A), 20, "the piece is 178 mm there"),
    ],
)
def test_what_a_timber_cannot_be_is_refused_with_the_limit_and_no_yes_helps(yard, series, value, limit):
    with pytest.raises(OutOfRange, match=limit):
        by_hand(yard, series, value, sure=True)
    assert yard.store.readings(Owner.TIMBER, "FER-01") == []


def event(kind, **detail):
    return Event(tag="FER-01", kind=EventKind(kind), at_utc=NOW - DAY, detail=detail)


CANNOT = [  # 203 x 178 mm, 2.74 m of white oak: 60 kg oven-dry, 145 kg with every pore full
    (event("cut", length_mm=2000.0, weight_before_kg=590.0), "with every pore full"),
    (event("cut", length_mm=2000.0, weight_before_kg=100.0, weight_after_kg=20.0), "oven-dry"),
    (event("planed", width_mm=180.0, depth_mm=160.0, weight_after_kg=20.0), "oven-dry"),
    (event("oven-dried", mc_pct=235.0), "173 %"),
]
HARDLY = [
    (event("oven-dried", mc_pct=0.78), "Is 78 % meant"),
    (event("tared", tare_kg=400.0), "more than FER-01 itself usually weighs"),
    (event("cut", length_mm=250.0), "A length of"),
    (event("measured", bow_mm=150.0), "The bow of 150 mm is unusual"),
    (event("measured", bow_mm=40.0, length_mm=1000.0), "The bow of 40 mm is unusual"),
    (event("measured", cup_mm=30.0), "The cup of 30 mm is unusual"),
    (event("measured", width_mm=170.0), "far below the 203 mm"),
    (event("measured", depth_mm=185.0), "more than the 178 mm"),
    (event("checked", face="b", width_mm=30.0), "The opening of 30 mm is unusual"),
]
MAY_BE = [
    event("cut", length_mm=2000.0, weight_before_kg=110.0, weight_after_kg=80.0),
    event("oven-dried", mc_pct=78.0),
    event("tared", tare_kg=8.0),
    event("measured", width_mm=195.0, bow_mm=20.0, cup_mm=4.0),
    event("checked", face="b", width_mm=4.0, depth_mm=50.0),
]


@pytest.mark.parametrize(("one", "limit"), CANNOT)
def test_what_an_event_cannot_say_is_refused_and_no_yes_helps(yard, one, limit):
    with pytest.raises(OutOfRange, match=limit):
        operations.add_event(yard, one, sure=True)
    assert len(yard.register.events("FER-01")) == 1


@pytest.mark.parametrize(("one", "why"), HARDLY)
def test_what_an_event_can_hardly_say_is_asked_about(yard, one, why):
    with pytest.raises(Unlikely, match=why):
        operations.add_event(yard, one)
    operations.add_event(yard, one, sure=True)


@pytest.mark.parametrize("one", MAY_BE)
def test_what_an_event_may_say_goes_in(yard, one):
    operations.add_event(yard, one)


def test_a_timber_that_was_entered_before_is_asked_about_unless_weights_differ(yard):
    again = replace(timber("FER-07"), arrived_utc=timber("FER-01").arrived_utc + timedelta(hours=3))
    by_hand(yard, WEIGHT, 100.0, again.arrived_utc)
    for kg in (None, 100.2):
        with pytest.raises(Unlikely, match="FER-01 is of the same wood and size"):
            operations.add_timber(yard, again, weight_kg=kg)
    operations.add_timber(yard, again, weight_kg=104.0)
    operations.add_timber(yard, replace(again, tag="FER-08", arrived_utc=again.arrived_utc + 2 * DAY))
    with pytest.raises(Unlikely, match="fer_8 is spelt almost like FER-08"):
        operations.add_timber(yard, replace(again, tag="fer_8", length_mm=2000.0))
    operations.add_timber(yard, replace(again, tag="fer_8", length_mm=2000.0), sure=True)


@pytest.mark.parametrize(
    ("series", "value", "why"),
    [
        (PIN, 0.23, "Is 23 % meant"),
        (Series.parse("air/shed/humidity"), 0.82, "Is 82 %RH meant"),
        (Series.parse("air/shed/humidity"), 110, "no air holds more than 100 %"),
        (WEIGHT, 128, "28 % more"),
        (WEIGHT, 60, "fast loss"),
    ],
)
def test_what_is_unlikely_is_said_back_and_stored_when_the_person_is_sure(yard, series, value, why):
    by_hand(yard, WEIGHT, 100, NOW - DAY)
    with pytest.raises(Unlikely, match=why):
        by_hand(yard, series, value)
    assert not yard.store.readings(series.owner, series.name, NOW)
    assert by_hand(yard, series, value, sure=True)
    assert [one.value for one in yard.store.readings(series.owner, series.name, NOW)] == [value]


def test_a_weight_from_a_year_before_the_arrival_is_asked_about(yard):
    with pytest.raises(Unlikely, match=r"before FER-01 arrived on 14 April 2026"):
        by_hand(yard, WEIGHT, 100, NOW - 365 * DAY)


def test_the_same_number_again_and_another_number_at_the_same_time_are_noticed(yard):
    assert by_hand(yard, PIN, 23.5, NOW - timedelta(minutes=10))
    with pytest.raises(Unlikely, match="entered twice"):
        by_hand(yard, PIN, 23.5)
    assert by_hand(yard, PIN, 23.5, NOW - timedelta(minutes=10)) is False
    with pytest.raises(OutOfRange, match=r"23\.5 % stands at that time already"):
        by_hand(yard, PIN, 27, NOW - timedelta(minutes=10))
    assert yard.store.quarantine_count() == 0


def test_a_weight_after_a_cut_or_a_tare_is_held_against_none_from_before(yard):
    by_hand(yard, WEIGHT, 100, NOW - 3 * DAY)
    cut = Event(tag="FER-01", kind=EventKind.CUT, at_utc=NOW - DAY, detail={"length_mm": 1800.0})
    operations.add_event(yard, cut)
    assert by_hand(yard, WEIGHT, 66)
    tare = Event(tag="FER-01", kind=EventKind.TARED, at_utc=NOW - DAY / 2, detail={"tare_kg": 40.0})
    operations.add_event(yard, replace(tare, noted_utc=NOW))
    assert by_hand(yard, WEIGHT, 105, NOW - DAY / 4), "with the sling that was tared"


def test_a_pin_entered_late_is_held_to_the_section_that_the_timber_had_then(yard):
    planed = {"width_mm": 160.0, "depth_mm": 160.0}
    event = Event(tag="FER-01", kind=EventKind.PLANED, at_utc=NOW - DAY, detail=planed)
    operations.add_event(yard, event)
    deep = replace(PIN, depth_mm=170)
    with pytest.raises(OutOfRange, match="160 mm there"):
        by_hand(yard, deep, 30)
    assert by_hand(yard, deep, 30, NOW - 2 * DAY)


def test_what_a_sensor_cannot_mean_waits_with_the_limit_and_what_is_unlikely_is_flagged(yard):
    says = [
        """[{"n":"pin-635/moisture","u":"/","v":0.2},{"n":"weight","u":"kg","v":590},
        {"n":"pin-45/moisture","u":"/","v":0.0023}]""",
        '[{"n":"weight","u":"kg","v":100,"t":1700000000}]',
    ]
    for text in says:
        pipeline.handle(raw(text), yard)
    (row,) = yard.store.quarantined()
    assert row.cause is Cause.IMPOSSIBLE
    assert "the piece is 178 mm there" in row.reason
    assert "with every pore full" in row.reason
    flags = {str(one.series): one.flags for one in yard.store.readings(Owner.TIMBER, "FER-01")}
    assert "ratio" in flags["timber/FER-01/pin-45/moisture"]
    assert flags["timber/FER-01/weight"] == ("before-arrival",)
    air = RawMessage(topic="baulk/v1/ferry-yard/air/shed", payload=says[0].encode(), arrived_utc=NOW)
    dry = b'[{"n":"humidity","u":"%RH","v":0.82}]'
    pipeline.handle(replace(air, payload=dry), yard)
    assert yard.store.readings(Owner.AIR, "shed")[0].flags == ("ratio",)
    later = NOW + timedelta(hours=1)
    pipeline.handle(replace(air, payload=b'[{"n":"humidity","u":"%RH","v":110}]', arrived_utc=later), yard)
    assert yard.store.readings(Owner.AIR, "shed")[-1].flags == ("wet-sensor",)


def test_a_message_waits_no_longer_once_the_timber_was_put_right(yard):
    pipeline.handle(raw('[{"n":"pin-190/moisture","u":"/","v":0.2}]'), yard)
    assert yard.store.quarantine_count() == 1
    larger = Section(width_mm=203.2, depth_mm=203.2)
    operations.edit_timber(yard, "FER-01", now_utc=NOW, section=larger)
    assert pipeline.replay(yard).stored == 1


FILE = """tag,quantity,depth mm,taken,value,unit
FER-01,weight,,2026-05-01T10:00Z,90,kg
FER-01,weight,,2026-05-02T10:00Z,115.2,kg
FER-01,weight,,2026-05-03T10:00Z,590,kg
FER-01,moisture,45,2025-05-03T10:00Z,24,%
FER-01,moisture,45,2026-05-04T10:00Z,0.23,%
FER-01,moisture,635,2026-05-04T10:00Z,24,%
"""
AIR_FILE = """place,quantity,taken,value,unit
shed,humidity,2026-05-01T10:00Z,98,%RH
shed,humidity,2026-05-01T11:00Z,104,%RH
shed,humidity,2026-05-01T12:00Z,112,%RH
"""


def test_a_file_is_told_what_cannot_be_and_what_is_unlikely_line_by_line(yard, tmp_path):
    path = tmp_path / "readings.csv"
    path.write_text(FILE)
    bringing = import_readings.of_long(path, yard)
    report = bringing.look(yard, NOW)
    assert [each.line for each in report.refused_rows] == [4, 7]
    assert "with every pore full" in report.refused_rows[0].reason
    assert "178 mm there" in report.refused_rows[1].reason
    assert report.unlikely == 3
    told = "\n".join(sorted(report.unlikely_rows))
    assert "line 3: weight of FER-01: It was 90 kg 24 hours before, and this is 28 % more" in told
    assert "line 5: pins 45 mm deep of FER-01: It is dated 3 May 2025" in told
    assert "line 6: pins 45 mm deep of FER-01: 0.23 %: no meter reads wood so dry" in told
    assert bringing.bring(yard, NOW, report).stored == 4


def test_a_file_of_air_is_told_where_it_holds_more_than_air_can(yard, tmp_path):
    path = tmp_path / "air.csv"
    path.write_text(AIR_FILE)
    bringing = import_readings.of_long(path, yard)
    report = bringing.look(yard, NOW)
    assert [each.line for each in report.refused_rows] == [4]
    assert "outside 0 to 110 %RH" in report.refused_rows[0].reason
    (told,) = report.unlikely_rows
    assert told.startswith("line 3: ")
    assert "104 %RH: no air holds more than 100 %" in told
    assert bringing.bring(yard, NOW, report).stored == 2


TIMBERS = """tag,species,green,finished,length,use,arrived
A-1,white oak,8 x 8,6 x 6,3 m,frame-outdoors,2026-05-01
A-2,white oak,20 x 60,18 x 50,3 m,frame-outdoors,2026-05-01
"""


def test_a_file_of_timbers_in_another_unit_is_refused_with_the_one_that_is_meant(yard, tmp_path):
    path = tmp_path / "timbers.csv"
    path.write_text(TIMBERS)
    eight, lath = import_timbers.of_file(path).look(yard, NOW).rows
    assert 'Did you mean "8 x 8 in"?' in eight.reason
    assert (lath.reason, "no usual timber" in lath.doubt) == ("", True)


def test_a_timber_of_odd_sizes_is_asked_about_when_it_is_entered_and_when_it_is_edited(yard):
    lath = timber(
        "FER-02", section=Section(width_mm=60, depth_mm=20), finished=Finished(width_mm=50, depth_mm=18)
    )
    with pytest.raises(Unlikely, match="a side measures"):
        operations.add_timber(yard, lath)
    operations.add_timber(yard, lath, sure=True)
    with pytest.raises(Unlikely, match="unusual"):
        operations.edit_timber(yard, "FER-02", now_utc=NOW, length_mm=30_000)
    operations.edit_timber(yard, "FER-02", now_utc=NOW, length_mm=30_000, sure=True)
    operations.edit_timber(
        yard, "FER-02", now_utc=NOW, place="loft", new_place=True
    )  # what stays is not asked about again


def test_what_is_expected_follows_the_picture_of_the_section():
    edges = np.array([-100.0, -60.0, 60.0, 100.0])
    median = [[10.0, 12.0, 10.0], [14.0, 40.0, 18.0], [10.0, 12.0, 10.0]]
    field = (median, [[1.0] * 3] * 3)
    piece = timber(section=Section(width_mm=200, depth_mm=200))

    def expected(depth_mm, face):
        return plausibility.at_tips(piece, (edges, edges), field, depth_mm, face)

    assert expected(20, Face.B) == pytest.approx((18 - 1.645, 18, 18 + 1.645))
    assert expected(90, Face.B)[1] == 40
    assert expected(20, None)[1] == pytest.approx((12 + 18 + 12 + 14) / 4)
    with pytest.raises(OutOfRange):
        expected(400, None)
