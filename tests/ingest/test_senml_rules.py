"""Every field of RFC 8428 and every unit of RFC 8798 that the reference lists, one by one."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import pytest

from baulk.ingest.errors import WireError
from baulk.ingest.wire import senml
from baulk.models.quantity import SPECS, Quantity

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
REFERENCE = Path(__file__).parents[1] / "reference"
FIELDS = list(csv.DictReader((REFERENCE / "senml-fields.csv").read_text(encoding="utf-8").splitlines()))
UNITS = list(csv.DictReader((REFERENCE / "senml-units.csv").read_text(encoding="utf-8").splitlines()))

WRONG = {"string": 1, "number": "1", "boolean": "true"}  # a value of another JSON type


def resolve(*pack):
    return senml.resolve(json.dumps(pack).encode(), NOW)


def values(*pack):
    return [
        (one.name, one.unit, one.value, one.total, one.posix_s - NOW.timestamp()) for one in resolve(*pack)
    ]


# what each field does, by the rule in its row: a pack and what its records resolve to
# (name, unit, value, sum, seconds from now)
DOES = {
    "bn": ([{"bn": "a/", "n": "x", "v": 1}, {"n": "y", "v": 2}, {"bn": "b/", "n": "x", "v": 3}],
           [("a/x", None, 1, None, 0), ("a/y", None, 2, None, 0), ("b/x", None, 3, None, 0)]),
    "bt": ([{"bt": -60, "n": "x", "v": 1}, {"n": "x", "t": 20, "v": 2}],
           [("x", None, 1, None, -60), ("x", None, 2, None, -40)]),
    "bu": ([{"bu": "Cel", "n": "x", "v": 1}, {"n": "y", "u": "%RH", "v": 2}, {"n": "z", "v": 3}],
           [("x", "Cel", 1, None, 0), ("y", "%RH", 2, None, 0), ("z", "Cel", 3, None, 0)]),
    "bv": ([{"bv": 20, "n": "x", "v": 1}, {"n": "y", "v": -2}],
           [("x", None, 21, None, 0), ("y", None, 18, None, 0)]),
    "bs": ([{"bs": 5, "n": "x", "s": 1}, {"n": "y", "v": 3}],
           [("x", None, None, 6, 0), ("y", None, 3, 5, 0)]),
    "bver": ([{"bver": 5, "n": "x", "v": 1}, {"n": "y", "v": 2}],
             [("x", None, 1, None, 0), ("y", None, 2, None, 0)]),
    "n": ([{"bn": "dev/1", "v": 1}, {"n": ":a", "v": 2}],
          [("dev/1", None, 1, None, 0), ("dev/1:a", None, 2, None, 0)]),
    "u": ([{"bu": "Cel", "n": "x", "u": "K", "v": 1}], [("x", "K", 1, None, 0)]),
    "v": ([{"n": "x", "v": -1.5e2}], [("x", None, -150.0, None, 0)]),
    "vs": ([{"n": "x", "vs": "21.5"}], [("x", None, "21.5", None, 0)]),
    "vb": ([{"n": "x", "vb": True}], [("x", None, True, None, 0)]),
    "s": ([{"n": "x", "s": 7}, {"n": "y", "v": 1, "s": 7}],
          [("x", None, None, 7, 0), ("y", None, 1, 7, 0)]),
    "t": ([{"n": "x", "t": -5, "v": 1}, {"n": "y", "t": 2**28, "v": 2}],
          [("x", None, 1, None, -5), ("y", None, 2, None, 2**28 - NOW.timestamp())]),
    "ut": ([{"n": "x", "v": 1, "ut": 3600}], [("x", None, 1, None, 0)]),
    "vd": ([{"n": "x", "vd": "aGkgCg"}], [("x", None, "aGkgCg", None, 0)]),
}  # fmt: skip


def test_the_reference_lists_every_field_that_is_tested():
    assert {row["label"] for row in FIELDS} == set(DOES)


@pytest.mark.parametrize("row", FIELDS, ids=[row["label"] for row in FIELDS])
def test_a_field_does_what_its_row_says(row):
    pack, wanted = DOES[row["label"]]
    found = values(*pack)
    assert [one[:4] for one in found] == [one[:4] for one in wanted]
    assert [one[4] for one in found] == pytest.approx([one[4] for one in wanted], abs=1e-6)


@pytest.mark.parametrize("row", FIELDS, ids=[row["label"] for row in FIELDS])
def test_a_field_of_another_type_is_refused(row):
    record = {"n": "x", "v": 1, row["label"]: WRONG[row["json_type"]]}
    if row["label"] in {"vs", "vb", "vd"}:
        del record["v"]
    if row["label"].startswith("b"):
        with pytest.raises(WireError, match=f"^{row['label']} of SenML record 0"):
            resolve(record)
    else:
        (one,) = resolve(record)
        assert one.problem is not None
        assert one.problem.startswith(f"{row['label']} of SenML record 0")


@pytest.mark.parametrize("version", [1, 9, 10, 10.0])
def test_a_version_that_is_understood(version):
    assert resolve({"bver": version, "n": "x", "v": 1})[0].value == 1


@pytest.mark.parametrize("version", [10.5, 11, 1e9])
def test_a_version_beyond_ours_makes_the_pack_unusable(version):
    with pytest.raises(WireError, match="is the last one understood"):
        resolve({"bver": version, "n": "x", "v": 1})


def test_the_update_time_is_kept_with_the_record():
    assert resolve({"n": "x", "v": 1, "ut": 3600})[0].update_s == 3600


def test_times_of_the_base_and_of_the_record_count_together_as_absolute_or_relative():
    # RFC 8428 4.5.3: the sum decides
    half = 2.0**27
    (one,) = resolve({"bt": half, "n": "x", "t": half, "v": 1})
    assert (one.own_time, one.posix_s) == (True, 2.0**28)


def test_every_secondary_unit_that_a_quantity_of_ours_takes_has_the_scale_of_its_row():
    rows = {row["symbol"]: row for row in UNITS}
    checked = 0
    for scales in (spec.senml for spec in SPECS.values()):
        for symbol, (scale, offset) in scales.items():
            row = rows[symbol]
            if row["kind"] != "secondary":
                continue
            base = scales.get(row["description_or_base"], (1, 0))
            if row["description_or_base"] not in scales:  # a logarithm: dBm is kept as sent, never as dBW
                assert (symbol, scale, offset) == ("dBm", 1, 0)
                continue
            expected = float(Fraction(row["scale"]) * Fraction(base[0]))
            assert scale == pytest.approx(expected, rel=1e-12)
            assert offset == float(Fraction(row["offset"]) * Fraction(base[0])) + base[1]
            checked += 1
    assert checked == 7


TAKEN = {
    Quantity.RESISTANCE: {"Ohm"},
    Quantity.MOISTURE: {"/", "%", "/100", "/1000", "ppm"},
    Quantity.WOOD_TEMP: {"Cel", "K"},
    Quantity.WEIGHT: {"kg", "g"},
    Quantity.TEMP: {"Cel", "K"},
    Quantity.HUMIDITY: {"%RH"},
    Quantity.BATTERY: {"%EL"},
    Quantity.BATTERY_VOLTAGE: {"V", "mV"},
    Quantity.WIDTH: {"m"},
    Quantity.DEPTH: {"m"},
    Quantity.DOOR: {"/", "%", "/100", "/1000", "ppm"},
    Quantity.SIGNAL: {"dBm"},
}


def test_every_unit_of_the_reference_is_taken_by_its_quantity_or_by_none():
    symbols = {row["symbol"] for row in UNITS}
    assert {
        quantity: set(scales) for quantity, scales in ((one, spec.senml) for one, spec in SPECS.items())
    } == TAKEN
    assert set().union(*TAKEN.values()) <= symbols


def test_no_time_and_a_base_time_may_stand_in_any_record():
    got = values({"n": "x", "v": 1}, {"bt": -10, "n": "x", "v": 2}, {"bt": -5, "n": "x", "t": 1, "v": 3})
    assert [one[4] for one in got] == [pytest.approx(k, abs=1e-6) for k in (0, -10, -4)]
