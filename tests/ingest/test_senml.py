"""SenML against the printed examples of RFC 8428, and against the traps that its text names."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from baulk.ingest.errors import WireError
from baulk.ingest.wire import RawMessage, clock, senml
from baulk.ingest.wire.topics import Target
from baulk.models.quantity import Owner
from baulk.models.reading import AT_LEAST

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
TIMBER = Target(owner=Owner.TIMBER, name="FER-01")
SHED = Target(owner=Owner.AIR, name="shed")
EXAMPLES = Path(__file__).parents[1] / "reference" / "senml-examples.csv"
ROWS = list(csv.DictReader(EXAMPLES.read_text(encoding="utf-8").splitlines()))


def decode(pack, target=TIMBER, *, retained=False):
    payload = (pack if isinstance(pack, str) else json.dumps(pack)).encode()
    return senml.decode(RawMessage(topic="t", payload=payload, arrived_utc=NOW, retained=retained), target)


@pytest.mark.parametrize("example", sorted({row["example"] for row in ROWS}))
def test_agrees_with_the_examples_of_rfc_8428(example):
    given = [
        json.loads(row["raw_json"]) for row in ROWS if row["example"] == example and row["kind"] == "input"
    ]
    wanted = [row for row in ROWS if row["example"] == example and row["kind"] == "expected"]
    found = senml.resolve(json.dumps(given).encode(), NOW)
    assert len(found) == len(wanted) > 0
    for got, row in zip(found, wanted, strict=True):
        assert (got.name, got.unit, got.value) == (row["n"], row["u"], float(row["v"]))
        assert got.posix_s == pytest.approx(float(row["t"]), abs=1e-6)  # binary form of .001 s
        assert got.problem is None


def test_the_smallest_absolute_time_is_in_1978():
    # RFC 8428 section 4.5.3: 2^28 and above count from 1970; the date by the calendar, C02
    (absolute,) = senml.resolve(b'[{"n":"weight","u":"kg","t":268435456,"v":1}]', NOW)
    assert datetime.fromtimestamp(absolute.posix_s, UTC) == datetime(1978, 7, 4, 21, 24, 16, tzinfo=UTC)
    (relative,) = senml.resolve(b'[{"n":"weight","u":"kg","t":268435455,"v":1}]', NOW)
    assert relative.posix_s == NOW.timestamp() + 268435455


def test_a_negative_time_counts_back_from_the_arrival():
    (reading,) = decode([{"n": "weight", "u": "kg", "t": -90, "v": 96}]).readings
    assert reading.taken_utc == NOW - timedelta(seconds=90)
    assert reading.flags == ()


@pytest.mark.parametrize(
    ("unit", "value", "percent"),
    [("/", 0.5, 50), ("%", 0.5, 50), ("/100", 50, 50), ("/1000", 285, 28.5), ("ppm", 500_000, 50)],
)
def test_percent_is_a_ratio_in_senml(unit, value, percent):
    # RFC 8428 Table 6 note 2 for %, RFC 8798 section 3 for the rest: C05
    (reading,) = decode([{"n": "pin-45/b/moisture", "u": unit, "v": value}]).readings
    assert reading.value == pytest.approx(percent, abs=1e-9)
    assert str(reading.series) == "timber/FER-01/pin-45/b/moisture"


@pytest.mark.parametrize(
    ("name", "unit", "value", "kept"),
    [
        ("temp", "Cel", 21.5, 21.5),
        ("temp", "K", 293.15, 20.0),  # 0 degC is 273.15 K by definition
        ("humidity", "%RH", 61.0, 61.0),
        ("battery", "V", 3.1, 3.1),
        ("battery", "mV", 3100, 3.1),  # RFC 8798 section 3
        ("battery", "%EL", 88, 88),
    ],
)
def test_air_is_read_in_its_own_units(name, unit, value, kept):
    (reading,) = decode([{"n": name, "u": unit, "v": value}], SHED).readings
    assert reading.value == kept


def test_weight_in_grams_becomes_kilograms():
    (reading,) = decode([{"n": "weight", "u": "g", "v": 96250}]).readings
    assert reading.value == 96.25


@pytest.mark.parametrize(
    ("record", "words"),
    [
        ({"n": "temp", "u": "degF", "v": 68}, "SenML has no Fahrenheit"),
        ({"n": "temp", "v": 20}, "has no unit; send Cel or K"),
        ({"n": "temp", "u": "Cel"}, "has no value"),
        ({"n": "temp", "u": "Cel", "vs": "21.5"}, "has no number in v"),
        ({"n": "temp", "u": "Cel", "v": "21.5"}, "not a number"),
        ({"n": "temp", "u": "Cel", "v": None}, "null"),
        ({"n": "temp", "u": "Cel", "v": True}, "not a number"),
        ({"n": "temp", "u": "Cel", "v": 1, "vb": True}, "several values"),
        ({"n": "", "u": "Cel", "v": 1}, "empty"),
        ({"n": "temp ", "u": "Cel", "v": 1}, "signs not allowed"),
        ({"n": "pressure", "u": "Pa", "v": 1}, "not one of ours"),
        ({"n": "weight", "u": "kg", "v": 1}, "not something that air has"),
        ({"n": "air/loft/temp", "u": "Cel", "v": 1}, "belongs to air/loft"),
    ],
)
def test_a_record_that_makes_no_sense_is_named_and_its_neighbour_kept(record, words):
    got = decode([record, {"n": "humidity", "u": "%RH", "v": 60}], SHED)
    assert [one.value for one in got.readings] == [60]
    (problem,) = got.problems
    assert words in problem


@pytest.mark.parametrize(
    ("record", "value"),
    [
        ({"vs": "OL", "u": "/"}, 30.0),
        ({"vs": "over"}, 30.0),  # it has no number, so needs no unit
        ({"vs": "> 0.28", "u": "/"}, 28.0),
        ({"vs": "28+", "u": "/100"}, 28.0),
    ],
)
def test_a_text_that_says_the_scale_ended_is_at_least(record, value):
    (found,) = decode([{"n": "pin-45/moisture", **record}]).readings
    assert (found.value, found.flags) == (value, (AT_LEAST,))


@pytest.mark.parametrize(
    ("record", "words"),
    [
        ({"n": "pin-45/moisture", "vs": "dry", "u": "/"}, "has no number in v"),
        ({"n": "pin-45/moisture", "vs": ">28"}, "has no number in v"),  # of what, nobody knows
        ({"n": "weight", "vs": "OL", "u": "kg"}, "has no number in v"),
    ],
)
def test_no_other_text_is_a_measurement(record, words):
    got = decode([record])
    assert got.readings == ()
    assert words in got.problems[0]


def test_nan_spoils_its_own_record_only():
    got = decode('[{"n":"temp","u":"Cel","v":NaN},{"n":"humidity","u":"%RH","v":60}]', SHED)
    assert [one.value for one in got.readings] == [60]
    assert "nan, not a number" in got.problems[0]


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ("", "not JSON"),
        ("{}", "array of records"),
        ("[]", "at least one"),
        ("[1]", "not an object"),
        ('[{"n":"temp","u":"Cel","v":1,"must_":1}]', "must be understood"),
        ('[{"bver":11,"n":"temp","u":"Cel","v":1}]', "version 11"),
        ('[{"bver":10,"n":"temp","v":1},{"bver":9,"n":"temp","v":1}]', "changes its SenML version"),
        ('[{"bt":"x","n":"temp","u":"Cel","v":1}]', "counts for the records after it"),
        ("[" * 200_000, "nested too deeply"),
        ('[{"n":"weight","u":"kg","v":' + "9" * 5000 + "}]", "not JSON"),
    ],
)
def test_a_pack_that_is_doubtful_as_a_whole_is_refused(payload, words):
    with pytest.raises(WireError, match=words):
        decode(payload, SHED)


def test_unknown_fields_without_an_underscore_are_ignored():
    # RFC 8428 section 4.4
    assert len(decode([{"n": "weight", "u": "kg", "v": 96, "vendor": {"x": 1}}]).readings) == 1


def test_base_value_and_base_sum_are_added():
    # RFC 8428 section 4.5.4 and 4.5.6: base value plus value; a missing one is zero
    records = senml.resolve(
        b'[{"bv":20,"bs":5,"n":"a","v":1.5,"s":2},{"n":"b","s":1},{"n":"c","bv":0,"v":4}]', NOW
    )
    assert [(one.value, one.total) for one in records] == [(21.5, 7), (20, 6), (4, 5)]


def test_base_fields_change_anywhere_in_the_pack():
    pack = [
        {
            "bn": "urn:dev:mac:0024befffe804ff1:",
            "bu": "Cel",
            "bt": NOW.timestamp() - 60,
            "n": "temp",
            "v": 20,
        },
        {"bn": "urn:dev:mac:0024befffe804ff2:", "bu": "%RH", "n": "humidity", "t": 30, "v": 61},
    ]
    temp, humidity = decode(pack, SHED).readings
    assert (temp.value, temp.taken_utc) == (20, NOW - timedelta(seconds=60))
    assert (humidity.value, humidity.taken_utc) == (61, NOW - timedelta(seconds=30))


@pytest.mark.parametrize("seconds", [946684799, 1.8e12, 4e9, 1e300])
def test_a_clock_that_cannot_be_true_gives_way_to_the_arrival(seconds):
    (reading,) = decode([{"n": "weight", "u": "kg", "t": seconds, "v": 96}]).readings
    assert (reading.taken_utc, reading.flags) == (NOW, ("clock", clock.device_flag(seconds)))
    assert clock.device_s(reading.flags) == pytest.approx(seconds)  # what it said is kept


def test_a_buffer_of_an_unset_clock_stays_in_order():
    pack = [{"bt": 5e8, "n": "weight", "u": "kg", "t": 60 * k, "v": 90 - k} for k in range(3)]
    readings = decode(pack).readings
    assert [one.taken_utc for one in readings] == [NOW - timedelta(minutes=2 - k) for k in range(3)]


def test_ten_minutes_ahead_is_still_believed():
    ahead = NOW.timestamp() + 599
    (reading,) = decode([{"n": "weight", "u": "kg", "t": ahead, "v": 96}]).readings
    assert reading.flags == ()
    assert reading.taken_utc == NOW + timedelta(seconds=599)


def test_a_retained_replay_without_a_time_is_not_news():
    got = decode([{"n": "weight", "u": "kg", "v": 96}], retained=True)
    assert (got.readings, got.problems, got.old) == ((), (), 1)
    timed = [{"n": "weight", "u": "kg", "t": NOW.timestamp() - 3600, "v": 96}]
    assert len(decode(timed, retained=True).readings) == 1


def test_a_gauge_on_a_timber_sends_its_width_and_depth():
    """SenML has metres and no millimetres (RFC 8428 section 12.1)."""
    found = decode(
        [{"bn": "timber/FER-01/", "n": "width", "u": "m", "v": 0.1984}, {"n": "depth", "u": "m", "v": 0.2}]
    )
    assert found.problems == ()
    assert [(str(each.series), each.value, each.unit) for each in found.readings] == [
        ("timber/FER-01/width", 198.4, "mm"), ("timber/FER-01/depth", 200.0, "mm"),
    ]  # fmt: skip
    assert "send m" in decode([{"n": "width", "u": "in", "v": 7.8}]).problems[0]
