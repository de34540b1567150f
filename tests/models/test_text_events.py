"""Events, series, values and flags in words, in both systems of units."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest

from baulk.models.formatting import in_reader_units
from baulk.models.reading import Reading, Series
from baulk.models.text import events
from baulk.models.text import series as series_text
from baulk.models.timber import Event, EventKind

NOW = datetime(2026, 1, 5, tzinfo=UTC)


def reading(series, value, *flags):
    return Reading(series=Series.parse(series), value=value, taken_utc=NOW, arrived_utc=NOW, flags=flags)


@pytest.mark.parametrize(
    ("text", "inch", "metric"),
    [
        (
            "timber/FER-03/pin-50.8/b/moisture",
            "pins 2 in deep in face b of FER-03",
            "pins 51 mm deep in face b of FER-03",
        ),
        ("timber/FER-03/pin-32/resistance", "pins 1 1/4 in deep of FER-03", "pins 32 mm deep of FER-03"),
        ("timber/FER-03/weight", "weight of FER-03", "weight of FER-03"),
        ("air/shed/humidity", "air humidity in shed", "air humidity in shed"),
        ("timber/FER-03/oven-dry", "oven-dried section of FER-03", "oven-dried section of FER-03"),
        ("no series", "no series", "no series"),
    ],
)
def test_a_series_is_named_with_its_owner(text, inch, metric):
    assert (series_text.named(text, "inch"), series_text.named(text, "metric")) == (inch, metric)


def test_a_series_of_a_known_timber_needs_no_owner():
    assert series_text.called("timber/FER-03/pin-50.8/b/moisture", "inch") == "pins 2 in deep, face b"
    assert series_text.called("timber/FER-03/oven-dry", "metric") == "oven-dried section"
    assert series_text.called("no series", "inch") == "no series"


@pytest.mark.parametrize(
    ("series", "value", "inch", "metric"),
    [
        ("timber/FER-01/weight", 96.16, "212 lb", "96 kg"),
        ("timber/FER-01/wood-temp", 20.0, "68 °F", "20 °C"),
        ("timber/FER-01/pin-45/moisture", 31.0, "31.0 %", "31.0 %"),
        ("timber/FER-01/pin-45/resistance", 2.5e6, "2.5 MΩ", "2.5 MΩ"),
        ("timber/FER-01/pin-45/resistance", 2.5e9, "2,500 MΩ", "2,500 MΩ"),
    ],
)
def test_a_value_is_told_in_the_readers_units(series, value, inch, metric):
    one = reading(series, value)
    assert (events.value(one, "inch", "F"), events.value(one, "metric", "C")) == (inch, metric)


def test_flags_are_told_in_words_and_one_system_only():
    one = reading("timber/FER-01/pin-45/moisture", 31, "end-305", "above-fsp", "sensor-S7", "end-up")
    rest = "from an end; above fibre saturation: at least this wet; sensor S7; end-up"
    assert events.flags(one, "metric") == f"305 mm {rest}"
    assert events.flags(one, "inch") == f"12 in {rest}"


@pytest.mark.parametrize(
    ("kind", "detail", "inch", "metric"),
    [
        ("arrived", {"place": "shed"}, "set on its bearers in shed", None),
        ("moved", {"from": "shed", "to": "loft"}, "moved from shed to loft", None),
        ("turned", {"up": "b"}, "turned, face b up", None),
        ("end-sealed", {}, "ends sealed", None),
        ("coated", {"faces": "ca"}, "coated on faces a, c", None),
        ("coated", {"faces": ""}, "coat taken off", None),
        ("stickered", {"faces": "a"}, "lies on face a", None),
        ("stickered", {"faces": ""}, "lies free on all faces", None),
        (
            "cut",
            {"length_mm": 3606.8, "weight_before_kg": 96.16, "weight_after_kg": 90.72},
            "cut to 11 ft 10 in, 212 lb before and 200 lb after",
            "cut to 3.61 m, 96 kg before and 91 kg after",
        ),
        (
            "measured",
            {"width_mm": 196.85, "depth_mm": 171.45, "bow_mm": 6.35, "length_mm": 3048.0, "check_mm": 12.7},
            "measured: 7 3/4 x 6 3/4 in, bow 1/4 in over 10 ft, checks 1/2 in deep",
            "measured: 196.8 x 171.4 mm, bow 6.3 mm over 3.05 m, checks 13 mm deep",
        ),
        ("coated", {"faces": "ca", "coat": "wax"}, "waxed on faces a, c", None),
        ("coated", {"faces": "", "coat": "wrap"}, "film taken off", None),
        (
            "measured",
            {
                "width_mm": 198.4375,
                "face": "a",
                "from_end_mm": 1219.2,
                "twist_mm": 4.7625,
                "length_mm": 609.6,
                "cup_mm": 1.5875,
            },
            "measured: width 7 13/16 in along face a, 4 ft from an end, twist 3/16 in over 2 ft, cup 1/16 in",
            "measured: width 198.4 mm along face a, 1.22 m from an end, twist 4.8 mm over 0.61 m, cup 1.6 mm",
        ),
        (
            "measured",
            {"out_of_square_mm": 3.175},
            "measured: out of square by 1/8 in",
            "measured: out of square by 3.2 mm",
        ),
        (
            "measured",
            {"wane_ab_mm": 38.1, "wane_ab_down_mm": 25.4, "wane_cd_mm": 0.0},
            "measured: wane at corner ab 1 1/2 x 1 in, no wane at corner cd",
            "measured: wane at corner ab 38 x 25 mm, no wane at corner cd",
        ),
        (
            "checked",
            {
                "face": "b",
                "name": "north",
                "length_mm": 609.6,
                "width_mm": 3.2,
                "depth_mm": 50.8,
                "since": "2026-01-02",
            },
            "check north in face b: 24 in long, 0.13 in wide, 2 in deep, there since 2026-01-02",
            "check north in face b: 610 mm long, 3.2 mm wide, 51 mm deep, there since 2026-01-02",
        ),
        (
            "checked",
            {"face": "a", "depth_mm": 25.4, "from_d_mm": 50.8},
            "check in face a, 2 in from face d: 1 in deep",
            "check in face a, 51 mm from face d: 25 mm deep",
        ),
        (
            "defect",
            {"what": "knot", "from_d_mm": 50.8, "from_a_mm": 25.4, "width_mm": 25.4, "depth_mm": 38.1},
            "knot, 1 x 1 1/2 in, 2 in from face d and 1 in from face a",
            "knot, 25 x 38 mm, 51 mm from face d and 25 mm from face a",
        ),
        (
            "checked",
            {"opening": "split", "from_end_mm": 304.8},
            "split, 1 ft from an end",
            "split, 0.30 m from an end",
        ),
        (
            "kerfed",
            {"face": "c", "depth_mm": 73.025, "width_mm": 4.7625},
            "relief kerf sawn into face c, 2 7/8 in deep, 3/16 in wide",
            "relief kerf sawn into face c, 73 mm deep, 4.8 mm wide",
        ),
        ("planed", {"width_mm": 203.2, "depth_mm": 177.8}, "planed to 8 x 7 in", "planed to 203 x 178 mm"),
        (
            "kerfed",
            {"face": "c", "depth_mm": 76.2},
            "relief kerf sawn into face c, 3 in deep",
            "relief kerf sawn into face c, 76 mm deep",
        ),
        (
            "oven-dried",
            {"mc_pct": 31.4, "from_end_mm": 304.8},
            "section oven-dried: 31 % MC, 12 in from the end",
            "section oven-dried: 31 % MC, 305 mm from the end",
        ),
        ("tared", {"tare_kg": 4.5359237}, "tare set to 10 lb", "tare set to 4.5 kg"),
        (
            "sensor-attached",
            {"sensor": "S7", "depth_mm": 50.8, "face": "a", "from_end_mm": 304.8},
            "sensor S7 attached, 2 in deep, face a, 12 in from an end",
            "sensor S7 attached, 51 mm deep, face a, 305 mm from an end",
        ),
        ("sensor-detached", {"sensor": "S7"}, "sensor S7 taken off", None),
        ("photographed", {"file": "a.jpg"}, "photographed", None),
        (
            "edited",
            {"field": "width_mm", "old": 203.2, "new": 177.8},
            "green width corrected from 8 in to 7 in",
            "green width corrected from 203 mm to 178 mm",
        ),
        (
            "edited",
            {"field": "bark", "old": False, "new": True},
            "bark corrected from no to yes",
            None,
        ),
        (
            "edited",
            {"field": "retired_utc", "old": "2026-01-05T00:00:00+00:00", "new": ""},
            "taken back into the yard",
            None,
        ),
        (
            "edited",
            {"field": "lot", "old": "", "new": "7"},
            "lot corrected from nothing to 7",
            None,
        ),
        ("retired", {"reason": "sold"}, "retired: sold", None),
        ("retired", {}, "retired", None),
    ],
)
def test_each_kind_of_event_is_told_in_a_few_words(kind, detail, inch, metric):
    what = Event(tag="FER-01", kind=EventKind(kind), at_utc=NOW, detail=detail)
    assert events.event(what, "inch") == inch
    assert events.event(what, "metric") == (metric or inch)


def test_a_note_stands_behind_the_event():
    what = Event(tag="FER-01", kind=EventKind.END_SEALED, at_utc=NOW, note="two coats")
    assert events.event(what, "inch") == "ends sealed (two coats)"


def test_where_a_timber_comes_from_is_one_sentence():
    detail = {
        "supplier": "the mill",
        "log": "12",
        "felled": "2026-01-14",
        "part": "stem",
        "vessel": "the ferry",
    }
    what = Event(tag="FER-01", kind=EventKind.SOURCED, at_utc=NOW, detail=detail)
    assert (
        events.event(what, "inch") == "comes from the mill, log 12, felled 2026-01-14, for stem, of the ferry"
    )
    assert events.event(replace(what, detail={"part": "stem"}), "inch") == "for stem"


def test_a_gauge_that_was_read_in_a_fraction_is_told_in_it():
    detail = {"face": "b", "width_mm": 25.4 / 8, "depth_mm": 50.8}
    what = Event(tag="FER-01", kind=EventKind.CHECKED, at_utc=NOW, detail=detail)
    assert events.event(what, "inch") == "check in face b: 1/8 in wide, 2 in deep"
    fine = replace(what, detail={**detail, "width_mm": 0.762})
    assert "0.03 in wide" in events.event(fine, "inch")
    assert "3.2 mm wide" in events.event(what, "metric")


@pytest.mark.parametrize(
    ("said", "inch"),
    [
        ("a check is at most 203 mm deep, not 228.6 mm", "a check is at most 8 in deep, not 9 in"),
        ("152.4 x 152.4 mm is under a tenth of 5080 x 4826 mm", "6 x 6 in is under a tenth of 200 x 190 in"),
        ("a reading of 122.9237 kg stands there", "a reading of 271 lb stands there"),
        ("the length is '12 mm' or \"3 kg\", not 25.4 mm", "the length is '12 mm' or \"3 kg\", not 1 in"),
        ("3 mmol and 4 kgf", "3 mmol and 4 kgf"),
    ],
)
def test_an_error_is_told_in_the_readers_units_and_what_was_typed_stays(said, inch):
    assert in_reader_units(said, "inch") == inch
    assert in_reader_units(said, "metric") == said


def test_every_kind_has_words():
    assert {f"event.{kind.value}" for kind in EventKind} == set(events.SENTENCES)


@pytest.mark.parametrize(
    ("text", "two", "inch", "metric"),
    [
        ("timber/FER-01/weight", (90.1, 95.0), ("199 lb", "209 lb"), ("90 kg", "95 kg")),
        ("timber/FER-01/weight", (90.1, 90.2), ("198.636 lb", "198.857 lb"), ("90.1 kg", "90.2 kg")),
        ("air/shed/temp", (20.0, 20.1), ("68 °F", "68.18 °F"), ("20 °C", "20.1 °C")),
        ("air/shed/humidity", (61.02, 61.04), ("61.02 %RH", "61.04 %RH"), ("61.02 %RH", "61.04 %RH")),
        ("timber/FER-01/width", (150.01, 150.04), ("5.90591 in", "5.90709 in"), ("150.01 mm", "150.04 mm")),
    ],
)
def test_two_values_of_a_moment_are_told_apart_in_the_readers_units(text, two, inch, metric):
    at = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
    stored, other = (
        Reading(series=Series.parse(text), value=value, taken_utc=at, arrived_utc=at) for value in two
    )
    assert events.both_values(stored, other, "inch", "F") == inch
    assert events.both_values(stored, other, "metric", "C") == metric
    said = events.clash(stored, other, "inch", "F", UTC)
    assert said.endswith(f"at 2026-05-14 09:30:00 is stored as {inch[0]} already and came again as {inch[1]}")
