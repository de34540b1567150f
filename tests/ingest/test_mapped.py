"""Foreign sensors: plain numbers and JSON, by a mapping that declares unit and time zone."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import wire
from baulk.ingest.errors import WireError
from baulk.ingest.wire import topics
from baulk.ingest.wire.source import Source
from baulk.models.reading import AT_LEAST

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)


def read(source, payload, topic="sensors/loft/climate", *, retained=False):
    body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    message = wire.RawMessage(topic=topic, payload=body, arrived_utc=NOW, retained=retained)
    return wire.understand(message, slug="ferry-yard", sources=(Source.model_validate(source),))


WARMTH = {"topic": "sensors/+/climate", "value": "air.t", "quantity": "temp", "unit": "degF", "place": "{1}"}


def test_nested_json_in_fahrenheit_at_a_place_of_the_topic():
    (reading,) = read(WARMTH, {"air": {"t": 68}}).readings
    assert (str(reading.series), reading.value) == ("air/loft/temp", 20.0)  # 68 degF is 20 degC by definition
    assert reading.taken_utc == NOW


PINS = {
    "topic": "pins/1",
    "format": "plain",
    "quantity": "moisture",
    "unit": "ratio",
    "tag": "FER-01",
    "depth_mm": 45,
}


@pytest.mark.parametrize(
    ("payload", "basis", "value"),
    [
        (b" OL\n", "dry", 30.0),
        (b">0.28", "dry", 28.0),
        (b">0.2", "wet", 25.0),  # 20 of 100 parts are water: 20 on 80 of wood
        (b"over", "wet", 30.0),  # the end of a scale is of the wood, whatever the numbers count from
    ],
)
def test_a_text_that_says_the_scale_ended_is_at_least(payload, basis, value):
    body = {**PINS, "basis": basis}
    (reading,) = read(body, payload, "pins/1").readings
    assert (reading.value, reading.flags) == (value, (AT_LEAST,))
    nested = {**body, "format": "json", "value": "pins.mc", "time": "at"}
    words = {"pins": {"mc": payload.decode()}, "at": "2026-05-14T08:00:00Z"}
    (reading,) = read(nested, words, "pins/1").readings
    assert (reading.value, reading.flags) == (value, (AT_LEAST,))
    assert reading.taken_utc == datetime(2026, 5, 14, 8, tzinfo=UTC)


def test_only_of_moisture_can_a_text_say_so():
    with pytest.raises(WireError, match="not a number"):
        read(WARMTH, {"air": {"t": "OL"}})


def test_a_plain_number_in_pounds():
    source = {"topic": "scale/1", "format": "plain", "quantity": "weight", "unit": "lb", "tag": "FER-01"}
    (reading,) = read(source, b" 212 \n", "scale/1").readings
    assert reading.value == pytest.approx(212 * 0.45359237, rel=1e-11)  # the pound by definition
    assert str(reading.series) == "timber/FER-01/weight"


@pytest.mark.parametrize("payload", [b"21,5", b"nan", b"", b"0x10", b"1_000", b"inf", b"\xff", b"12 kg"])
def test_a_plain_payload_that_is_no_number_is_refused(payload):
    source = {"topic": "scale/1", "format": "plain", "quantity": "weight", "unit": "lb", "tag": "FER-01"}
    with pytest.raises(WireError, match=r"not a number|UTF-8"):
        read(source, payload, "scale/1")


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({}, "nothing at"),
        ({"air": {"t": None}}, "nothing at"),
        ({"air": {"t": "unavailable"}}, "'unavailable', not a number"),
        ({"air": {"t": [1]}}, "list, not a number"),
        ({"air": {"t": True}}, "True, not a number"),
    ],
)
def test_json_without_the_number_is_refused(body, words):
    with pytest.raises(WireError, match=words):
        read(WARMTH, body)


def test_a_local_time_counts_in_its_declared_zone():
    source = {**WARMTH, "time": "at", "time_zone": "Europe/Lisbon"}  # UTC+1 in May
    (reading,) = read(source, {"air": {"t": 68}, "at": "2026-05-14T10:00:00"}).readings
    assert reading.taken_utc == datetime(2026, 5, 14, 9, 0, tzinfo=UTC)


def test_a_local_time_of_nobody_s_zone_gives_way_to_the_arrival():
    (reading,) = read({**WARMTH, "time": "at"}, {"air": {"t": 68}, "at": "2026-05-14T10:00:00"}).readings
    assert reading.taken_utc == NOW


@pytest.mark.parametrize(("time_as", "at"), [("unix_s", 1_778_750_000), ("unix_ms", 1_778_750_000_000)])
def test_unix_times_in_their_declared_unit(time_as, at):
    (reading,) = read({**WARMTH, "time": "at", "time_as": time_as}, {"air": {"t": 68}, "at": at}).readings
    assert reading.taken_utc.timestamp() == 1_778_750_000


def test_milliseconds_taken_for_seconds_are_flagged():
    source = {**WARMTH, "time": "at", "time_as": "unix_s"}
    (reading,) = read(source, {"air": {"t": 68}, "at": 1_778_750_000_000}).readings
    assert (reading.taken_utc, reading.flags) == (NOW, ("clock", "device-1.77875e+12"))


def test_a_retained_copy_without_a_time_is_not_news():
    assert read(WARMTH, {"air": {"t": 68}}, retained=True).old == 1


def test_a_place_that_can_be_no_name_is_refused():
    with pytest.raises(WireError, match="a tag or place"):
        read(WARMTH, {"air": {"t": 68}}, "sensors/a b/climate")


def test_a_topic_of_nobody_is_refused():
    with pytest.raises(WireError, match="neither ours nor"):
        read(WARMTH, {}, "elsewhere")


@pytest.mark.parametrize("pattern", ["+/b/c/d", "a/+/c/d", "#", "a/b/c/#", "+/b/c/#"])
def test_filters_that_fit_the_topic(pattern):
    assert topics.matches(pattern, "a/b/c/d")  # mosquitto manual page mqtt(7), C22


@pytest.mark.parametrize("pattern", ["a/b/c", "b/+/c/d", "+/+/+"])
def test_filters_that_do_not_fit_the_topic(pattern):
    assert not topics.matches(pattern, "a/b/c/d")  # mosquitto manual page mqtt(7), C22


def test_a_wildcard_at_the_front_leaves_the_brokers_own_topics_alone():
    assert not topics.matches("#", "$SYS/broker")  # MQTT 5.0 section 4.7.2


def test_the_time_of_a_buffered_reading_is_kept():
    at = (NOW - timedelta(hours=3)).isoformat()
    (reading,) = read({**WARMTH, "time": "at"}, {"air": {"t": 68}, "at": at}).readings
    assert reading.taken_utc == NOW - timedelta(hours=3)


def test_a_pack_on_a_foreign_topic_is_read_by_its_own_names():
    source = {
        "topic": "lora/+/up",
        "format": "senml",
        "place": "{1}",
        "names": {"t": "temp", "rh": "humidity"},
    }
    pack = [
        {"bn": "urn:dev:mac:0024befffe804ff1/", "n": "t", "u": "Cel", "v": 21},
        {"n": "rh", "u": "%RH", "v": 60},
    ]
    got = read(source, pack, "lora/loft/up")
    assert {str(one.series): one.value for one in got.readings} == {
        "air/loft/temp": 21,
        "air/loft/humidity": 60,
    }


def test_a_pack_of_a_sensor_that_moves_carries_its_flag_and_waits_for_the_register_to_place_it():
    source = {"topic": "lora/+/up", "format": "senml", "sensor": "{1}", "names": {"mc": "moisture"}}
    (reading,) = read(source, [{"n": "mc", "u": "/100", "v": 31}], "lora/S7/up").readings
    assert (reading.series.name, reading.value, reading.flags) == ("S7", 31, ("sensor-S7",))


def test_a_pack_of_one_timber_takes_depth_and_face_from_the_mapping():
    source = {"topic": "pins/1", "format": "senml", "tag": "FER-01", "depth_mm": 45, "face": "b"}
    (reading,) = read(source, [{"n": "moisture", "u": "/", "v": 0.31}], "pins/1").readings
    assert str(reading.series) == "timber/FER-01/pin-45/b/moisture"


def test_every_mapping_that_fits_a_topic_takes_its_own_value():
    message = wire.RawMessage(
        topic="sensors/loft/climate", payload=b'{"air": {"t": 68, "rh": 55}}', arrived_utc=NOW
    )
    humid = {**WARMTH, "value": "air.rh", "quantity": "humidity", "unit": "percent"}
    sources = tuple(Source.model_validate(one) for one in (WARMTH, humid))
    got = wire.understand(message, slug="ferry-yard", sources=sources)
    assert [(str(one.series), one.value) for one in got.readings] == [
        ("air/loft/temp", 20),
        ("air/loft/humidity", 55),
    ]


def test_of_several_mappings_one_that_fails_spoils_nothing_of_the_others():
    message = wire.RawMessage(topic="sensors/loft/climate", payload=b'{"air": {"t": 68}}', arrived_utc=NOW)
    humid = {**WARMTH, "value": "air.rh", "quantity": "humidity", "unit": "percent"}
    sources = tuple(Source.model_validate(one) for one in (WARMTH, humid))
    got = wire.understand(message, slug="ferry-yard", sources=sources)
    assert [one.value for one in got.readings] == [20]
    assert got.problems == ("there is nothing at 'air.rh' in the payload",)


def test_a_wet_basis_becomes_percent_of_the_oven_dry_mass():
    # 50 % of the whole mass is as much water as wood: 100 % (Wood Handbook eq. 4-1)
    source = {
        "topic": "meter",
        "format": "plain",
        "quantity": "moisture",
        "unit": "percent",
        "basis": "wet",
        "tag": "FER-01",
        "depth_mm": 45,
    }
    (reading,) = read(source, b"50", "meter").readings
    assert reading.value == 100
    with pytest.raises(WireError, match="wet basis"):
        read(source, b"100", "meter")


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"format": "senml", "unit": "Cel"}, "says unit in the message; leave that out"),
        ({"format": "senml", "names": {"t": "warmth"}}, "'warmth' is not one of our names"),
        ({"format": "plain", "unit": "degC"}, "needs quantity and unit, for nothing is guessed"),
        (
            {"format": "plain", "quantity": "temp", "unit": "degC", "names": {"t": "temp"}},
            "belong to format senml",
        ),
        ({"format": "plain", "quantity": "temp", "unit": "degC", "basis": "wet"}, "basis is for moisture"),
        ({"format": "senml", "tag": "FER-01"}, "needs one of tag"),
    ],
)
def test_a_mapping_that_can_not_be_meant_is_named(changes, words):
    with pytest.raises(ValueError, match=words):
        Source.model_validate({"topic": "a/+", "place": "{1}", **changes})


@pytest.mark.parametrize(
    ("given", "apart"),
    [
        (["a/+", "a/+"], ["a/+"]),
        (["a/+/c", "a/#"], ["a/#"]),
        (["a/b", "a/+"], ["a/+"]),
        (["a/+/c", "a/b/+"], ["a/+/+"]),
        (["a/b/c", "a/b/d"], ["a/b/c", "a/b/d"]),
        (["a/b", "a/b/c"], ["a/b", "a/b/c"]),
        (["a/#", "b/#", "+/x"], ["+/#"]),  # fits a alone as well
        (["$SYS/x", "+/x"], ["$SYS/x", "+/x"]),
    ],
)
def test_filters_that_overlap_are_put_together(given, apart):
    # MQTT 5.0 3.3.4: a broker may send a message once for each filter that it fits
    assert topics.disjoint(given) == apart
    for topic in ("a/b", "a/b/c", "a/x/c", "b/x", "c/x", "a"):
        if any(topics.matches(one, topic) for one in given):
            assert sum(topics.matches(one, topic) for one in apart) == 1


@pytest.mark.parametrize(
    ("said", "kind"), [("1795772025", "unix_s"), ("1795772025123", "unix_ms"), ("noon", "")]
)
def test_a_time_that_looks_like_a_count_says_what_the_mapping_needs(said, kind):
    with pytest.raises(WireError, match="is not ISO 8601") as err:
        read({**WARMTH, "time": "at"}, {"air": {"t": 68}, "at": said})
    assert ("time_as" in str(err.value), kind in str(err.value)) == (bool(kind), True)
