"""Packs read in one pass give what they give record by record; what is unusual is left to that way."""

from __future__ import annotations

import json
import math
import random
import struct
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.ingest.errors import WireError
from baulk.ingest.wire import RawMessage, message, senml, senml_quick
from baulk.ingest.wire.topics import Target
from baulk.models.quantity import Owner

NOW = datetime(2026, 5, 14, 9, 30, 0, 123_457, tzinfo=UTC)
TIMBER = Target(owner=Owner.TIMBER, name="FER-01")
ODD = {
    "n": [
        "",
        "weight",
        "pin-45/b/moisture",
        "wood-temp",
        "temp",
        "pin-5000/moisture",
        "-x",
        "w" * 256,
        7,
        None,
        {},
    ],
    "u": ["kg", "g", "/", "%RH", "Cel", "K", "", "x" * 300, 1, None, []],
    "v": [96.2, 0, -40, 12, 1e299, 10**400, float("nan"), "1", None, True],
    "t": [NOW.timestamp() - 60, NOW.timestamp() + 599, NOW.timestamp() + 700, 0, -5.5, 1e8, 9e17, "x"],
    "bn": ["", "timber/FER-01/", "timber/FER-02/", "S7:", "b" * 256],
    "bt": [NOW.timestamp() - 3600, 0, 5, 1e15],
    "bu": ["kg", "/", "", None],
    "bv": [1.5],
    "bs": [2],
    "s": [3],
    "ut": [60],
    "bver": [10, 11, 5],
    "vs": ["open"],
    "vb": [True],
    "x_": [1],
    "x": [[]],
}
USUAL = {
    "n": ["weight", "pin-45/b/moisture", "pin-90/moisture", "wood-temp"],
    "u": ["kg", "/", "Cel", "%RH"],
    "v": [96.2, 0.21, 12, 14.375],
    "t": [0.0, -60.0, 60],
    "bt": [NOW.timestamp() - 3600, NOW.timestamp() - 86_400.5],
    "bn": ["timber/FER-01/", ""],
}


def said(decode, raw, target, asked):
    try:
        return decode(raw, target, asked)
    except WireError as err:
        return str(err)


def packs(chance, odds):
    for _ in range(4000):
        records = []
        for _ in range(chance.randint(1, 4)):
            record = {key: chance.choice(values) for key, values in USUAL.items() if chance.random() < 0.8}
            while chance.random() < odds:
                key = chance.choice(list(ODD))
                record[key] = chance.choice(ODD[key])
            records.append(record)
        if chance.random() < odds / 50:
            records.append(chance.choice([7, [], None]))
        yield json.dumps(records).encode()


@pytest.mark.parametrize("asked", [senml.PLAIN, senml.asked_of("S7")])
@pytest.mark.parametrize("retained", [False, True])
@pytest.mark.parametrize("odds", [0, 0.3])
def test_both_ways_read_the_same(odds, retained, asked):
    chance, quick = random.Random(5), 0  # noqa: S311
    for payload in packs(chance, odds):
        raw = RawMessage(topic="t", payload=payload, arrived_utc=NOW, retained=retained)
        raw = replace(raw, host_ahead_s=chance.choice([0.0, 0.0, -120.25]))
        assert said(senml_quick.decode, raw, TIMBER, asked) == said(senml.decode, raw, TIMBER, asked)
        pack = json.loads(payload)
        quick += senml_quick._readings(pack, raw, senml_quick.any_way(TIMBER, asked)) is not None
    assert quick > 50


def test_the_usual_pack_takes_the_quick_way(monkeypatch):
    monkeypatch.setattr(senml, "decode", None)
    for time in ({"bt": NOW.timestamp() - 60}, {}):
        pack = [{"n": "pin-45/b/moisture", "u": "/", "v": 0.2, **time}, {"n": "weight", "u": "kg", "v": 96}]
        raw = RawMessage(topic="t", payload=json.dumps(pack).encode(), arrived_utc=NOW)
        assert [one.value for one in senml_quick.decode(raw, TIMBER).readings] == [20.0, 96.0]


def test_names_that_a_device_makes_up_fill_no_memory():
    for k in range(1000):
        pack = [{"n": f"pin-{1 + k % 900}.{k % 10}/moisture", "u": "/", "v": 0.2, "bt": NOW.timestamp()}]
        raw = RawMessage(topic="t", payload=json.dumps(pack).encode(), arrived_utc=NOW)
        assert len(senml_quick.decode(raw, TIMBER).readings) == 1
    assert len(senml_quick.any_way(TIMBER, senml.PLAIN).places) <= senml_quick._MOST_KNOWN


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(min_value=-(10**25), max_value=10**25)
    | st.floats(allow_nan=False)
    | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("abn:"), inner, max_size=3),
    max_leaves=12,
)


@given(st.lists(JSON, max_size=3), st.data())
def test_the_quick_parser_gives_what_the_other_gives_and_refuses_what_it_refuses(values, data):
    text = json.dumps(values, ensure_ascii=data.draw(st.booleans()))
    for _ in range(data.draw(st.integers(0, 2))):  # keys given twice, broken off, other signs
        at, end = sorted(data.draw(st.integers(0, len(text))) for _ in range(2))
        text = (
            text[:at]
            + data.draw(st.sampled_from(["", text[at:end] * 2, '"a":1,', "NaN", "1e999", "\\ud800"]))
            + text[end:]
        )
    payload = text.encode("utf-8", "replace")

    def parsed(parse):
        try:
            return repr(parse(payload))
        except WireError as err:
            return str(err)

    assert parsed(message.parse_pack) == parsed(message.parse_json)


def test_the_quick_parser_reads_every_float_to_the_last_digit():
    chance = random.Random(3)  # noqa: S311
    numbers = [struct.unpack("<d", chance.randbytes(8))[0] for _ in range(5000)]
    payload = json.dumps([{"v": one} for one in numbers if math.isfinite(one)]).encode()
    assert message.parse_pack(payload) == json.loads(payload)
