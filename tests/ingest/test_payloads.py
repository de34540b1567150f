"""Payloads of the field by declared layout: bytes, lists, wrappings, texts, and word of the device itself.

All data is made up. What is a published convention is named beside its example; the bytes of the examples
were written down by hand, so that nothing here shares code with the decoder.
"""

from __future__ import annotations

import base64
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from baulk.ingest import pipeline, wire
from baulk.ingest.errors import WireError
from baulk.ingest.store import presence
from baulk.ingest.wire.source import KeptSource, Source
from baulk.models.reading import AT_LEAST

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
AIR = {"quantity": "temp", "unit": "degC", "place": "loft"}


def read(payload, topic="radio/7/up", *, retained=False, **source):
    asked = Source.model_validate({"topic": topic, **source})
    if not isinstance(payload, bytes):
        payload = (payload if isinstance(payload, str) else json.dumps(payload)).encode()
    raw = wire.RawMessage(topic=topic, payload=payload, arrived_utc=NOW, retained=retained)
    return wire.understand(raw, slug="ferry-yard", sources=(asked,))


def values(decoded):
    return [(one.value, one.taken_utc) for one in decoded.readings]


def at(minute, hour=9):
    return datetime(2026, 5, 14, hour, minute, tzinfo=UTC)


# --- examples of open conventions


def test_an_uplink_of_a_network_server_with_its_frame_in_base64():
    """FPort and FRMPayload as LoRaWAN 1.0.4 (TS001) names them; each server wraps them its own way."""
    frame = bytes.fromhex("01 00d7 0e1a ff")  # version, 21.5 degC in tenths, 3610 mV, spare
    body = {
        "device": {"DevEUI": "70B3D57ED0000001"},
        "uplink": {"FPort": 2, "FRMPayload": base64.b64encode(frame).decode(), "at": "2026-05-14T09:12:30Z"},
    }
    wrapped = {
        "format": "bytes",
        "inside": ["at uplink.FRMPayload", "base64"],
        "only_if": "uplink.FPort == `2`",
        "outer_time": "uplink.at",
    }
    warm = read(body, bytes={"at": 1, "number": "i16be"}, scale=0.1, **wrapped, **AIR)
    assert values(warm) == [(21.5, datetime(2026, 5, 14, 9, 12, 30, tzinfo=UTC))]
    cell = {"quantity": "battery-voltage", "unit": "mV", "place": "loft"}
    assert values(read(body, bytes={"at": 3, "number": "u16be"}, **wrapped, **cell))[0][0] == 3.61
    body["uplink"]["FPort"] = 3  # a frame of another kind is none of this mapping's, and no mistake
    passed = read(body, bytes={"at": 1, "number": "i16be"}, scale=0.1, **wrapped, **AIR)
    assert (passed.readings, passed.problems) == ((), ())


def test_a_property_of_the_homie_convention():
    """Homie 4.0 (homieiot.github.io): a topic a property, retained, a dot in numbers, true or false."""
    topic = "homie/shed-door/contact/open"
    door = {"quantity": "door", "unit": "ratio", "place": "{1}", "format": "plain"}
    door["words"] = {"true": 1, "false": 0}
    (reading,) = read("true", topic, **door).readings
    assert (str(reading.series), reading.value) == ("air/shed-door/door", 100.0)
    assert read("true", topic, **door, retained=True).old == 1  # what the broker kept is not news
    with pytest.raises(WireError, match="'True', not a number"):
        read("True", topic, **door)


@pytest.mark.parametrize(("said", "away"), [("ready", False), ("lost", True), ("disconnected", True)])
def test_the_state_of_a_device_of_the_homie_convention(said, away):
    source = {"format": "status", "place": "{1}", "away": ["lost", "disconnected"], "here": ["ready"]}
    (told,) = read(said, "homie/loft/$state", retained=True, **source).told
    assert (told.about, told.away) == ("air/loft", away)
    with pytest.raises(WireError, match="'alert' says neither away nor here"):
        read("alert", "homie/loft/$state", **source)


def test_metrics_with_names_and_times_of_their_own_in_one_message():
    """A list of named metrics as Eclipse Sparkplug 3.0 has it (there in protobuf), written as JSON."""
    body = {
        "timestamp": 1_778_750_400_000,
        "metrics": [
            {"name": "air/temperature", "timestamp": 1_778_750_100_000, "value": 18.25},
            {"name": "air/humidity", "timestamp": 1_778_750_160_000, "value": 61},
        ],
    }
    found = read(
        body,
        value="metrics[?name=='air/temperature'] | [0].value",
        time="metrics[?name=='air/temperature'] | [0].timestamp",
        time_as="unix_ms",
        **AIR,
    )
    assert values(found) == [(18.25, datetime.fromtimestamp(1_778_750_100, UTC))]


def test_senml_inside_a_gateway_s_json():
    """RFC 8428, as a text inside JSON."""
    pack = json.dumps([{"n": "temp", "u": "Cel", "v": 17.5, "t": 1_778_750_100}])
    found = read({"gw": "g1", "data": pack}, format="senml", inside=["at data"], place="loft")
    assert values(found) == [(17.5, datetime.fromtimestamp(1_778_750_100, UTC))]


def test_telemetry_of_a_switch_s_firmware_with_its_clock_on_the_wall_and_its_last_will():
    """Device in the topic, a part for each chip in nested JSON, a time without offset, the unit said once."""
    body = {"Time": "2026-05-14T11:12:30", "CHIP7": {"Temperature": 64.4, "Humidity": 61.0}, "Unit": "F"}
    source = {"value": "CHIP7.Temperature", "only_if": "Unit == 'F'", "time": "Time", "place": "{1}"}
    source |= {"time_zone": "Europe/Athens", "quantity": "temp", "unit": "degF"}
    (warm,) = read(body, "tele/loft/SENSOR", **source).readings
    assert (warm.value, warm.taken_utc) == (pytest.approx(18), datetime(2026, 5, 14, 8, 12, 30, tzinfo=UTC))
    assert read(body | {"Unit": "C"}, "tele/loft/SENSOR", **source).readings == ()  # set otherwise since
    will = {"format": "status", "place": "{1}", "away": ["Offline"], "here": ["Online"]}
    (told,) = read("Offline", "tele/loft/LWT", retained=True, **will).told
    assert (told.about, told.away) == ("air/loft", True)


def test_a_bridge_of_a_radio_mesh_with_flat_json_and_its_word_in_json():
    """One message with all that a device knows, battery and signal too; whether it is there, beside it."""
    body = {
        "temperature": 17.2,
        "humidity": 66,
        "contact": False,
        "battery": 91,
        "voltage": 2945,
        "signal": 84,
    }
    door = {"value": "contact", "quantity": "door", "unit": "ratio", "words": {"true": 0, "false": 1}}
    cell = {"value": "voltage", "quantity": "battery-voltage", "unit": "mV"}
    for source, value in ((door, 100), (cell, 2.945), ({"value": "temperature", **AIR}, 17.2)):
        assert values(read(body, "bridge/loft", **{"place": "{1}", **source}))[0][0] == value
    state = {"format": "status", "value": "state", "place": "{1}", "away": ["offline"], "here": ["online"]}
    assert read({"state": "offline"}, "bridge/loft/availability", retained=True, **state).told[0].away


def test_an_uplink_that_its_network_server_has_decoded_itself():
    """The values as an object, the frame beside it, the time of the best of several gateways."""
    body = {
        "device": {"id": "pins-7", "class": "A"},
        "uplink": {
            "port": 2, "count": 1041, "frame": "AQDXDhr/", "object": {"pins": {"kohm": 412.5}, "wood_c": 9.5},
            "gateways": [{"id": "g1", "rssi": -109, "at": "2026-05-14T09:12:30Z"}, {"id": "g2", "rssi": -97}],
        },
    }  # fmt: skip
    source = {"value": "uplink.object.pins.kohm", "time": "uplink.gateways[0].at"}
    source |= {"quantity": "resistance", "unit": "kohm", "tag": "FER-01", "depth_mm": 45, "face": "b"}
    (found,) = read(body, **source).readings
    assert (str(found.series), found.value) == ("timber/FER-01/pin-45/b/resistance", 412_500)
    assert found.taken_utc == datetime(2026, 5, 14, 9, 12, 30, tzinfo=UTC)


def test_a_frame_of_channels_each_with_its_kind_in_front():
    """Channel, kind, value, again and again (as IPSO's numbers are packed for radios): a layout by place."""
    frame = "01 67 00d7 02 68 7b 03 02 0127"  # 21.5 degC in tenths, 61.5 % in halves, 2.95 V in hundredths
    told = [({"at": 2, "number": "i16be"}, 0.1, AIR, 21.5)]
    damp = {"quantity": "humidity", "unit": "percent", "place": "loft"}
    told.append(({"at": 6, "number": "u8"}, 0.5, damp, 61.5))
    cell = {"quantity": "battery-voltage", "unit": "V", "place": "loft"}
    told.append(({"at": 9, "number": "i16be"}, 0.01, cell, 2.95))
    for layout, scale, what, value in told:
        found = read(frame, format="bytes", inside=["hex"], bytes=layout, scale=scale, **what)
        assert values(found)[0][0] == pytest.approx(value)


def test_a_plain_value_topic_with_a_topic_for_each_quantity():
    found = read(
        " 63.4\n", "house/loft/humidity", format="plain", quantity="humidity", unit="percent", place="{1}"
    )
    assert [str(one.series) for one in found.readings] == ["air/loft/humidity"]
    assert values(found) == [(63.4, NOW)]


def test_a_line_of_separated_values():
    """RFC 4180, with a semicolon and a decimal comma as in much of Europe."""
    found = read(
        "2026-05-14 09:00:00;21,5;61\r\n2026-05-14 09:10:00;21,7;60\r\n",
        format="csv",
        line={"column": 1, "time": 0, "separator": ";"},
        decimal="comma",
        time_zone="UTC",
        **AIR,
    )
    assert values(found) == [(21.5, at(0)), (21.7, at(10))]


# --- bytes


@pytest.mark.parametrize(
    ("body", "layout", "value"),
    [
        ("fb", {"number": "i8"}, -5),
        ("fb", {"number": "u8"}, 251),
        ("ff38", {"number": "i16be"}, -200),
        ("38ff", {"number": "i16le"}, -200),
        ("010203", {"number": "u24be"}, 66_051),
        ("fdffff", {"number": "i24le"}, -3),
        ("00010000", {"number": "u32be"}, 65_536),
        ("feffffff", {"number": "i32le"}, -2),
        ("41a33333", {"number": "f32be"}, 20.4),
        ("000000000000f03f", {"number": "f64le"}, 1),
        ("aa05", {"number": "u8", "at": -1}, 5),
        ("a0", {"number": "u8", "bit": 5}, 1),
        ("a0", {"number": "u8", "bit": 6}, 0),
        ("0b40", {"number": "u16be", "bit": 6, "bits": 6}, 45),  # 0000 1011 01|00 0000: bits 6 to 11
    ],
)
def test_a_number_in_bytes(body, layout, value):
    for payload, inside in (
        (bytes.fromhex(body), []),
        (body.upper(), ["hex"]),
        (base64.urlsafe_b64encode(bytes.fromhex(body)).decode().rstrip("="), ["base64"]),
    ):
        found = read(payload, format="bytes", inside=inside, bytes={"at": 0, **layout}, **AIR)
        assert values(found) == [(value, NOW)]


def test_several_records_in_one_frame_each_with_its_time():
    first, second = 1_778_749_200, 1_778_749_800
    frame = b"\x01" + first.to_bytes(4, "big") + b"\xd2" + second.to_bytes(4, "big") + b"\xd4"
    layout = {"skip": 1, "record": 5, "at": 4, "number": "u8", "time_at": 0}
    found = read(
        frame.hex(), format="bytes", inside=["hex"], bytes=layout, scale=0.1, time_as="unix_s", **AIR
    )
    assert values(found) == [
        (21.0, datetime.fromtimestamp(first, UTC)),
        (21.2, datetime.fromtimestamp(second, UTC)),
    ]


def test_several_records_at_a_known_distance_end_with_the_arrival():
    layout = {"record": 1, "at": 0, "number": "u8"}
    oldest_first = read(b"\x14\x15\x16", format="bytes", bytes=layout, apart_s=600, **AIR)
    assert values(oldest_first) == [(20, at(10)), (21, at(20)), (22, at(30))]
    newest_first = read(b"\x14\x15\x16", format="bytes", bytes=layout, apart_s=-600, **AIR)
    assert values(newest_first) == [(20, at(30)), (21, at(20)), (22, at(10))]


# --- lists


def test_lists_of_values_and_times_side_by_side():
    body = {"d": {"t": ["2026-05-14T09:00:00Z", "2026-05-14T11:10:00+02:00"], "v": [215, 217]}}
    found = read(body, value="d.v", time="d.t", scale=0.1, **AIR)
    assert values(found) == [(21.5, at(0)), (21.7, at(10))]
    body["d"]["t"].pop()
    with pytest.raises(WireError, match="2 values, that of times 1"):
        read(body, value="d.v", time="d.t", scale=0.1, **AIR)


def test_a_list_of_objects_one_of_which_says_nothing():
    body = {
        "log": [
            {"at": 1_778_749_200, "c": 20},
            {"at": 1_778_749_800, "c": "err"},
            {"at": 1_778_750_400, "c": 21},
        ]
    }
    found = read(body, each="log", value="c", time="at", time_as="unix_s", **AIR)
    assert [value for value, _ in values(found)] == [20, 21]
    assert found.problems == ("the value at 'c' is 'err', not a number with a decimal point",)


def test_a_list_without_times_is_refused_unless_its_distance_is_declared():
    body = {"c": [20, 20.5, 21], "end": "2026-05-14T09:20:00Z"}
    with pytest.raises(WireError, match="a list needs a time for each, or apart_s"):
        read(body, value="c", **AIR)
    found = read(body, value="c", outer_time="end", apart_s=300, **AIR)
    assert values(found) == [(20, at(10)), (20.5, at(15)), (21, at(20))]


def test_a_buffer_whose_clock_is_wrong_keeps_its_distances():
    body = {"t": [100, 700], "v": [20, 21]}  # seconds since the device was switched on
    found = read(body, value="v", time="t", time_as="unix_s", **AIR)
    assert [taken for _, taken in values(found)] == [NOW - timedelta(seconds=600), NOW]
    assert all("clock" in one.flags for one in found.readings)


def test_a_retained_list_counts_as_far_as_its_times_are_known():
    body = {"t": ["2026-05-14T09:00:00Z", None], "v": [20, 21]}
    found = read(body, value="v", time="t", retained=True, **AIR)
    assert (values(found), found.old) == ([(20, at(0))], 1)


# --- texts, booleans, scaled numbers


@pytest.mark.parametrize(
    ("words", "declared", "value"),
    [
        ("21,5 °C", {"decimal": "comma", "ends_in": "°C"}, 21.5),
        ("21 °C", {"decimal": "comma", "ends_in": "°C"}, 21),
        ("-0,5", {"decimal": "comma"}, -0.5),
        ("215", {"scale": 0.1}, 21.5),
        ("-4.0e1", {"scale": -0.5, "add": 1}, 21),
        ("70.7 F", {"unit": "degF", "ends_in": "F"}, 21.5),
    ],
)
def test_a_text_is_read_as_declared(words, declared, value):
    asked = {**AIR, **declared}
    assert values(read(words, format="plain", **asked)) == [(value, NOW)]
    assert values(read({"t": words}, value="t", **asked)) == [(value, NOW)]


@pytest.mark.parametrize(
    ("words", "declared", "said"),
    [
        ("21,5 °C", {}, "not a number with a decimal point"),
        ("21.5", {"decimal": "comma"}, "a point where a decimal comma is declared"),
        ("1.021,5", {"decimal": "comma"}, "a point where a decimal comma is declared"),
        ("21,5 °F", {"decimal": "comma", "ends_in": "°C"}, "without the '°C' behind it"),
        ("21,5", {"decimal": "comma", "ends_in": "°C"}, "without the '°C' behind it"),
    ],
)
def test_a_text_that_is_not_as_declared_is_refused(words, declared, said):
    with pytest.raises(WireError, match=said):
        read(words, format="plain", **{**AIR, **declared})


def test_a_door_in_json():
    door = {"quantity": "door", "unit": "percent", "place": "loft", "words": {"true": 100, "closed": 0}}
    assert values(read({"open": True}, value="open", **door)) == [(100, NOW)]
    assert values(read({"open": "closed"}, value="open", **door)) == [(0, NOW)]
    with pytest.raises(WireError, match="False, not a number"):
        read({"open": False}, value="open", **door)


def test_a_meter_whose_scale_ended_in_a_list():
    pins = {"quantity": "moisture", "unit": "percent", "tag": "FER-01", "depth_mm": 45}
    found = read({"mc": [28, "OL"]}, value="mc", apart_s=60, **pins)
    assert [(one.value, one.flags) for one in found.readings] == [(28, ()), (30, (AT_LEAST,))]


# --- wrappings


def test_json_in_a_text_in_json_in_base64():
    core = json.dumps({"t": 21.5})
    middle = json.dumps({"payload": core})
    body = {"msg": {"blob": base64.b64encode(middle.encode()).decode()}}
    found = read(body, inside=["at msg.blob", "base64", "at payload"], value="t", **AIR)
    assert values(found) == [(21.5, NOW)]


def test_an_object_that_is_taken_out_whole():
    assert values(read({"a": {"t": [1, 2]}}, inside=["at a"], value="t[1]", **AIR)) == [(2, NOW)]


@pytest.mark.parametrize(
    ("body", "steps", "said"),
    [
        ({"d": "!!!"}, ["at d", "base64"], "is not base64"),
        ({"d": "abcde"}, ["at d", "base64"], "is not base64"),
        ({"d": "0g"}, ["at d", "hex"], "is not hex"),
        ({"d": ""}, ["at d", "hex"], "there is no hex"),
        ({"e": ""}, ["at d"], "nothing at 'd'"),
        ("[" * 100_000, ["at d"], "nested too deeply"),
        ({"d": "AQ=="}, ["at d", "base64"], "no i16be at byte 0: the payload has 1 bytes"),
        ({"d": "AQ\ud800"}, ["at d", "base64"], "not UTF-8|not base64"),
    ],
)
def test_a_wrapping_that_does_not_fit_is_refused(body, steps, said):
    with pytest.raises(WireError, match=said):
        read(body, format="bytes", inside=steps, bytes={"at": 0, "number": "i16be"}, **AIR)


# --- hostile input


@pytest.mark.parametrize(
    ("payload", "source"),
    [
        (b"x" * 3_000_000, {"format": "plain"}),
        (b"\0" * 3_000_000, {"format": "bytes", "bytes": {"at": 0, "number": "u8"}}),
        (b"\0" * 30_000, {"format": "bytes", "bytes": {"at": 0, "number": "u8", "record": 1}, "apart_s": 1}),
        (b"1\n" * 30_000, {"format": "csv", "line": {"column": 0}, "apart_s": 1}),
        (json.dumps([1] * 30_000).encode(), {"value": "@", "apart_s": 1}),
        (json.dumps([{"v": 1}] * 30_000).encode(), {"each": "@", "value": "v", "apart_s": 1}),
        (b'{"a":' * 5_000 + b"1" + b"}" * 5_000, {"value": "a"}),
        (b"1,\0\n\x80", {"format": "csv", "line": {"column": 0}}),
        (b"1e999", {"format": "plain"}),
        (b'{"v": NaN}', {"value": "v"}),
        (b"7fc00000", {"format": "bytes", "inside": ["hex"], "bytes": {"at": 0, "number": "f32be"}}),
        (b'{"v": 1, "t": 1e400}', {"value": "v", "time": "t", "time_as": "unix_s"}),
        (b'{"v": 1e300}', {"value": "v", "scale": 1e11}),
    ],
)
def test_hostile_input_ends_in_a_sentence(payload, source):
    with pytest.raises(WireError) as caught:
        read(payload, **source, **AIR)
    assert 10 < len(str(caught.value)) < 300


SOURCES = (
    {"format": "plain", "decimal": "comma", "ends_in": "C"},
    {"value": "v", "time": "t", "apart_s": 60},
    {"each": "@", "value": "v", "time": "t", "time_as": "unix_s"},
    {"format": "bytes", "inside": ["at v", "base64"], "bytes": {"at": 1, "number": "f64be", "record": 9}},
    {"format": "bytes", "inside": ["hex"], "bytes": {"at": -2, "number": "i16le", "bit": 3, "bits": 9}},
    {"format": "csv", "line": {"column": 1, "time": 0}, "time_as": "unix_ms"},
    {"format": "status", "away": ["x"], "value": "v"},
)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.sampled_from(["v", "t", "x"]), inner),
    max_leaves=12,
)


@given(
    payload=st.binary(max_size=60) | JSON.map(lambda body: json.dumps(body).encode()), index=st.integers(0, 6)
)
def test_any_bytes_give_readings_or_a_sentence(payload, index):
    source = {key: value for key, value in AIR.items() if index != 6 or key == "place"}
    try:
        found = read(payload, **SOURCES[index], **source)
    except WireError:
        return
    assert all(
        abs(one.value) < 1e308 and one.taken_utc <= NOW + timedelta(minutes=10) for one in found.readings
    )


# --- what a mapping may not say


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ({"format": "bytes"}, "format bytes needs bytes"),
        ({"format": "plain", "line": {"column": 0}}, "line belongs to format csv"),
        ({"format": "csv", "line": {"column": 0}, "value": "v"}, "value belongs to format json"),
        ({"format": "bytes", "bytes": {"at": 0, "number": "i12"}}, "'i12' is no kind of number"),
        ({"format": "bytes", "bytes": {"at": 0, "number": "u8", "bit": 7, "bits": 2}}, "u8 has no bit 8"),
        ({"format": "bytes", "bytes": {"at": 0, "number": "f32be", "bit": 1}}, "belongs to a whole number"),
        ({"value": "v", "inside": ["rot13"]}, "'rot13' is no step"),
        ({"value": "v", "inside": ["at ]"]}, "is not a JMESPath"),
        ({"value": "v", "inside": ["hex"] * 7}, "at most 6"),
        ({"value": "v", "scale": 0}, "scale can't be 0"),
        ({"value": "v", "apart_s": 0}, "can't be 0"),
        ({"value": "v", "away": ["Off"], "here": ["off"]}, "'off' can't mean both"),
        ({"format": "status", "away": ["off"]}, "leave quantity and unit out"),
        ({"format": "csv", "line": {"column": 0, "separator": '"'}}, "can't separate"),
    ],
)
def test_a_mapping_that_does_not_hang_together_is_refused(source, said):
    with pytest.raises(ValidationError, match=said):
        Source.model_validate({"topic": "a/b", **AIR, **source})


def test_a_status_without_words_is_refused():
    with pytest.raises(ValidationError, match="needs away or here"):
        Source.model_validate({"topic": "a/b", "format": "status", "place": "loft"})


def test_a_mapping_of_baulk_toml_wins_over_one_that_is_kept():
    toml = Source.model_validate({"topic": "a/+", "value": "x", **AIR})
    kept = KeptSource.model_validate({"topic": "a/b", "value": "y", "number": 1, **AIR})
    damp = {"quantity": "humidity", "unit": "percent", "place": "loft"}
    other = KeptSource.model_validate({"topic": "a/b", "value": "h", "number": 2, **damp})
    raw = wire.RawMessage(topic="a/b", payload=b'{"x": 1, "y": 2, "h": 60}', arrived_utc=NOW)
    found = wire.understand(raw, slug="ferry-yard", sources=(toml, kept, other))
    assert [(one.series.quantity.value, one.value) for one in found.readings] == [
        ("temp", 1),
        ("humidity", 60),
    ]
    assert wire.understand(raw, slug="ferry-yard", sources=(kept, other)).readings[0].value == 2


# --- word of the device itself


def test_word_of_the_device_on_the_topic_of_its_values_is_kept_and_no_reading(yard):
    words = {"topic": "scale/1", "format": "plain", "quantity": "weight", "unit": "kg", "tag": "FER-01"}
    source = Source.model_validate({**words, "away": ["offline"], "here": ["online"]})
    shop = _with(yard, source)

    def send(said, minutes):
        raw = wire.RawMessage(topic="scale/1", payload=said, arrived_utc=NOW + timedelta(minutes=minutes))
        return pipeline.handle(raw, shop)

    assert send(b"Offline", 0) == 0
    assert send(b"offline", 5) == 0  # said again: since when stays
    (one,) = presence.all_of(yard.store).values()
    assert (one.about, one.away, one.since_utc) == ("timber/FER-01", True, NOW)
    assert send(b"online", 7) == 0
    assert not presence.all_of(yard.store)["timber/FER-01"].away
    assert send(b"96", 8) == 1
    assert yard.store.quarantine_count() == 0


def _with(shop, *sources):
    return replace(shop, config=shop.config.model_copy(update={"source": sources}))
