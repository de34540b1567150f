"""CBOR and SenML in CBOR: the examples of RFC 8949 and RFC 8428, mappings, and hostile bytes."""

from __future__ import annotations

import base64
import csv
import json
import time
import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

import cbor2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.ingest import wire
from baulk.ingest.errors import WireError
from baulk.ingest.pairing import spots
from baulk.ingest.wire import cbor, senml
from baulk.ingest.wire.source import Source

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
REFERENCE = Path(__file__).parents[1] / "reference"
AIR = {"quantity": "temp", "unit": "degC", "place": "loft"}


def rows(name):
    return list(csv.DictReader((REFERENCE / name).read_text(encoding="utf-8").splitlines()))


@pytest.mark.parametrize("row", rows("cbor-examples.csv"), ids=lambda row: row["hex"][:24])
def test_the_examples_of_rfc_8949(row):
    if row["json"] == "refused":
        with pytest.raises(WireError, match="is not read"):
            cbor.parse(bytes.fromhex(row["hex"]))
        return
    found = cbor.parse(bytes.fromhex(row["hex"]))
    assert found == json.loads(row["json"])
    assert type(found) is type(json.loads(row["json"]))
    assert json.loads(cbor.as_json(bytes.fromhex(row["hex"]))) == found


def test_the_example_of_rfc_8428_section_6():
    """Its bytes, and the same pack in JSON (section 5.1.2): both resolve to the same records.

    The bytes were read where tests of four other libraries quote the section, all alike; the JSON is that of
    tests/reference/senml-examples.csv.
    """
    packed = bytes.fromhex(
        "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b00106223614120050067766f"
        "6c7461676501615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333a3006763757272656e7406"
        "2302fb3ff4cccccccccccda3006763757272656e74062202fb3ff6666666666666a3006763757272656e74062102f93e00a300"
        "6763757272656e74062002fb3ff999999999999aa3006763757272656e74060002fb3ffb333333333333"
    )
    examples = [
        row for row in rows("senml-examples.csv") if row["example"] == "5.1.2b" and row["kind"] == "input"
    ]
    written = json.dumps([json.loads(row["raw_json"]) for row in examples])
    assert senml.resolve(packed, NOW) == senml.resolve(written.encode(), NOW)
    assert [one.value for one in senml.resolve(packed, NOW)] == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]


@pytest.mark.parametrize("field", rows("senml-fields.csv"), ids=lambda row: row["label"])
def test_each_label_of_rfc_8428_table_4(field):
    value = {"number": 7, "string": "a", "boolean": True}[field["json_type"]]
    given_ = b"\x00\x01" if field["label"] == "vd" else value
    (record,) = cbor.pack(cbor2.dumps([{int(field["cbor_label"]): given_}]))
    assert record == {field["label"]: "AAE" if field["label"] == "vd" else value}


def heard(payload, topic="baulk/v1/ferry-yard/timber/FER-01", *sources):
    raw = wire.RawMessage(topic=topic, payload=payload, arrived_utc=NOW)
    return wire.understand(raw, slug="ferry-yard", sources=sources)


def mapped(body, **source):
    payload = body if isinstance(body, bytes) else cbor2.dumps(body)
    return heard(payload, "radio/7/up", Source.model_validate({"topic": "radio/7/up", **source}))


def values(decoded):
    return [(str(one.series), one.value) for one in decoded.readings]


PACK = [
    {"bn": "", "bt": 1_778_750_000, "n": "weight", "u": "kg", "v": 96.5},
    {"n": "pin-45/b/moisture", "u": "/", "v": 0.31},
]
LABELS = {"bn": -2, "bt": -3, "n": 0, "u": 1, "v": 2}


def labelled(pack):
    return [{LABELS[key]: value for key, value in record.items()} for record in pack]


@pytest.mark.parametrize(
    "payload",
    [
        cbor2.dumps(labelled(PACK)),
        b"\xd9\xd9\xf7" + cbor2.dumps(labelled(PACK)),  # says that it is CBOR
        cbor2.dumps(labelled(PACK), indefinite_containers=True),  # as section 6 has it for a stream
        cbor2.dumps(PACK),  # labels of JSON
    ],
)
def test_senml_in_cbor_on_our_own_topic(payload):
    found = heard(payload)
    assert values(found) == values(heard(json.dumps(PACK).encode()))
    assert len(found.readings) == 2
    assert {one.taken_utc for one in found.readings} == {datetime.fromtimestamp(1_778_750_000, UTC)}


def test_a_decimal_fraction_is_a_value_of_senml():
    """RFC 8428 section 6 allows tag 4, as RFC 8949 section 3.4.4 writes 273.15."""
    pack = b"\x81\xa3\x00\x64temp\x01\x61K\x02" + bytes.fromhex("c48221196ab3")
    ((_, value),) = values(heard(pack, "baulk/v1/ferry-yard/air/loft"))
    assert value == pytest.approx(0, abs=1e-9)


def test_senml_in_cbor_of_somebody_else_in_base64_in_json():
    body = json.dumps({"gw": 1, "data": base64.b64encode(cbor2.dumps(labelled(PACK))).decode()}).encode()
    source = {"format": "senml", "inside": ["at data", "base64"], "tag": "FER-01"}
    assert values(mapped(body, **source)) == values(heard(json.dumps(PACK).encode()))


def test_cbor_by_mapping_with_numbers_as_keys_and_times_of_its_own():
    body = {1: {"t": 21.5, "at": datetime(2026, 5, 14, 9, 12, tzinfo=UTC)}, "port": 2}
    source = {"inside": ["cbor"], "value": '"1".t', "only_if": "port == `2`", "outer_time": '"1".at', **AIR}
    (one,) = mapped(body, **source).readings
    assert (one.value, one.taken_utc) == (21.5, datetime(2026, 5, 14, 9, 12, tzinfo=UTC))
    assert mapped(body | {"port": 3}, **source).readings == ()


def test_bytes_in_cbor_by_their_layout():
    body = {"raw": bytes.fromhex("0100d7")}
    source = {
        "format": "bytes",
        "inside": ["cbor", "at raw", "base64"],
        "bytes": {"at": 1, "number": "i16be"},
    }
    assert values(mapped(body, **source, scale=0.1, **AIR)) == [("air/loft/temp", 21.5)]


@pytest.mark.parametrize(
    "wrap", [bytes, lambda inner: inner.hex().encode(), lambda inner: json.dumps({"d": inner.hex()}).encode()]
)
def test_a_person_taps_a_value_in_cbor(wrap):
    payload = wrap(cbor2.dumps({"air": {"t": 21.5}}))
    spot = next(one for one in spots.spots(payload, NOW) if one.shown == "21.5")
    assert values(mapped(payload, **spot.finds, **AIR)) == [("air/loft/temp", 21.5)]


def test_bytes_that_only_begin_like_cbor_are_bytes():
    (spot,) = spots.spots(b"\x85\x01\x02", NOW)
    assert (spot.kind, spot.finds) == (spots.Kind.BYTES, {"format": "bytes"})


# --- hostile


def colliding(count):
    """A map whose keys are pairs of numbers that Python hashes alike (its tuples' hash is no secret)."""
    one, two, start, whole = 11400714785074694791, 14029467366897019727, 2870177450012600261, 2**64
    keys, at = [], 0
    while len(keys) < count:
        at += 1
        lane = (start + at * two) % whole
        lane = (lane << 31 | lane >> 33) % whole * one % whole
        other = (12345 - lane) * pow(two, -1, whole) % whole
        other -= whole if other >= whole // 2 else 0
        if abs(other) < 2**61 - 1:
            keys.append((at, other))
    assert len({hash(key) for key in keys}) == 1
    body = b"".join(b"\x82" + cbor2.dumps(a) + cbor2.dumps(b) + b"\x00" for a, b in keys)
    return b"\xb9" + count.to_bytes(2, "big") + body


HOSTILE = {
    "deep arrays": b"\x81" * 100_000,
    "deep maps": b"\xa1\x01" * 60_000,
    "deep tags": b"\x81" + b"\xc6" * 100_000,
    "deep and without end": b"\x9f" * 100_000,
    "an array of 2^64 - 1": bytes.fromhex("9bffffffffffffffff"),
    "a map of 2^63": bytes.fromhex("bb8000000000000000"),
    "bytes of 2^63 - 1": bytes.fromhex("815b7fffffffffffffff"),
    "a text of 2^31": bytes.fromhex("817a80000000"),
    "a text without end": b"\x81\x7f" + b"\x61a" * 60_000,
    "a cycle": bytes.fromhex("d81c81d81d00"),
    "references that double": b"\x82" * 30 + bytes.fromhex("d81c8100") + bytes.fromhex("d81d00") * 30,
    "a text given out again": bytes.fromhex("d9010082")
    + b"\x79\x90\x00"
    + b"a" * 36_864
    + bytes.fromhex("d81900"),
    "a number of 100 kB": b"\x81\xc2\x5a\x00\x01\x86\xa0" + b"\xff" * 100_000,
    "a power of ten of a milliard": bytes.fromhex("81c4821a3b9aca0001"),
    "a pattern": bytes.fromhex("81d8236928612b292b2b62612b"),
    "a set": bytes.fromhex("81d90102820102"),
    "keys that hash alike": colliding(4_000),
    "most empty maps": b"\x9a\x00\x01\xf3\x00" + b"\xa0" * 127_744,
    "too long": b"\x80" * 128_001,
    "a key twice": bytes.fromhex("a201010102"),
    "1 and '1'": bytes.fromhex("a2010161310a"),
    "goes on": bytes.fromhex("8001"),
    "a lonely half of a sign": bytes.fromhex("8163eda080"),
    "ends early": bytes.fromhex("8201"),
    "a time of text": bytes.fromhex("81c16161"),
    "a time of 1e300": bytes.fromhex("81c1fb7e37e43c8800759c"),
    "no label of SenML": bytes.fromhex("81a1182a01"),
    "a number as a map": bytes.fromhex("81a102a0"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_cbor_ends_in_a_sentence_soon_and_takes_little(name):
    payload = HOSTILE[name]
    began = time.process_time()
    tracemalloc.start()
    try:
        decoded = heard(payload)
        said = "; ".join(decoded.problems)
        assert not decoded.readings
    except WireError as err:
        said = str(err)
    finally:
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert 10 < len(said) < 400 or name == "most empty maps"
    assert most < 60e6  # a hundred times what most of them hold, and nothing of what they claim
    assert time.process_time() - began < 8  # most took 1.3 s, most of it the measuring of memory


@given(
    st.binary(max_size=80),
    st.sampled_from([b"", b"\x81", b"\x81\xa1\x02", b"\xa1\x61v", b"\xd9\xd9\xf7\x82"]),
)
def test_any_bytes_give_json_or_a_sentence(body, head):
    try:
        found = cbor.as_json(head + body)
    except WireError:
        return
    json.loads(found)
