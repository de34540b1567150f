"""Foreign sensors: plain numbers and JSON, by a mapping that declares unit and time zone."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import topics, wire
from baulk.ingest.errors import WireError
from baulk.ingest.source import Source

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
    assert (reading.taken_utc, reading.flags) == (NOW, ("clock",))


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
