"""Every way a sensor is known to fail (tests/reference/failure-modes.csv) has a test or a reason why not."""

from __future__ import annotations

import csv
import json
import time
from pathlib import Path

import pytest

from baulk.ingest import pipeline, shop
from baulk.ingest.wire import RawMessage, topics
from baulk.ingest.wire.source import Source
from baulk.models.quantity import Owner
from baulk.models.timber import Place

TESTS = Path(__file__).parents[1]
ROWS = list(
    csv.DictReader((TESTS / "reference" / "failure-modes.csv").read_text(encoding="utf-8").splitlines())
)
OURS = "baulk/v1/ferry-yard"


@pytest.mark.parametrize("row", ROWS, ids=[row["failure"] for row in ROWS])
def test_each_failure_has_a_test_or_a_reason(row):
    assert bool(row["test"]) != bool(row["why_not"])
    if row["test"]:
        path, name = row["test"].split("::")
        assert f"\ndef {name}(" in (TESTS.parent / path).read_text(encoding="utf-8")
    else:
        assert len(row["why_not"].split()) > 10


def test_the_table_is_whole():
    assert len(ROWS) == 29
    assert sum(bool(row["why_not"]) for row in ROWS) <= 3


def handle(yard, topic, record, now_utc):
    payload = record if isinstance(record, bytes) else json.dumps([record]).encode()
    new = pipeline.handle(RawMessage(topic=topic, payload=payload, arrived_utc=now_utc), yard)
    return new, [row.reason for row in yard.store.quarantined()]


@pytest.mark.parametrize(
    ("name", "unit", "value"),
    [("pin-45/b/resistance", "Ohm", -2.0), ("pin-45/b/moisture", "/", -0.02), ("weight", "kg", -1)],
)
def test_a_negative_resistance_or_moisture_is_quarantined(yard, now_utc, name, unit, value):
    new, reasons = handle(yard, f"{OURS}/timber/FER-01", {"n": name, "u": unit, "v": value}, now_utc)
    assert new == 0
    assert "lies outside" in reasons[0]


@pytest.mark.parametrize(
    ("name", "unit", "value"),
    [
        ("temp", "Cel", 85),  # one-wire thermometers after power-on
        ("temp", "Cel", -127),  # and when they are not there
        ("temp", "Cel", 999.9),
        ("temp", "Cel", -999),
        ("humidity", "%RH", 999.9),
        ("humidity", "%RH", -1),
    ],
)
def test_the_values_of_a_failed_read_are_quarantined(yard, now_utc, name, unit, value):
    new, reasons = handle(yard, f"{OURS}/air/shed", {"n": name, "u": unit, "v": value}, now_utc)
    assert new == 0
    assert "lies outside" in reasons[0]


@pytest.mark.parametrize(
    "record",
    [
        b'[{"n":"temp","u":"Cel","v":NaN}]',
        b'[{"n":"temp","u":"Cel","v":-Infinity}]',
        b'[{"n":"temp","u":"Cel","v":null}]',
        b'[{"n":"temp","u":"Cel","v":"unavailable"}]',
        b'[{"n":"temp","u":"Cel","vs":"unavailable"}]',
        b'[{"n":"temp","u":"Cel","vb":false}]',
    ],
)
def test_what_is_no_number_is_never_stored_as_one(yard, now_utc, record):
    new, reasons = handle(yard, f"{OURS}/air/shed", record, now_utc)
    assert (new, len(reasons)) == (0, 1)
    assert yard.store.series() == []


@pytest.mark.broker
def test_filters_that_overlap_bring_each_message_once(broker_yard_dir, sensor, listen):
    path = broker_yard_dir / "baulk.toml"
    one = '\n[[source]]\ntopic = "{}"\nformat = "plain"\nquantity = "{}"\nunit = "{}"\nplace = "{{1}}"\n'
    path.write_text(
        path.read_text()
        + one.format("rooms/+/warmth", "temp", "degC")
        + one.format("rooms/loft/+", "humidity", "percent")
    )
    sources = [
        Source(topic=topic, format="plain", quantity="temp", unit="degC", place="{1}")
        for topic in ("rooms/+/warmth", "rooms/loft/+")
    ]
    assert topics.subscriptions("ferry-yard", sources)[-1] == "rooms/+/+"
    with shop.open(broker_yard_dir) as opened:
        opened.register.save_place(Place(name="loft"))
    listening = listen(broker_yard_dir)
    assert listening.ready.wait(60)
    for topic, value in (("rooms/shed/warmth", "20"), ("rooms/loft/damp", "55"), ("rooms/attic/noise", "3")):
        sensor.publish(topic, value, qos=1).wait_for_publish(10)
    end = time.monotonic() + 60
    found = []
    while len(found) < 2 and time.monotonic() < end:
        time.sleep(0.1)
        with shop.open(broker_yard_dir) as opened:
            found = [
                one for place in ("shed", "loft", "attic") for one in opened.store.readings(Owner.AIR, place)
            ]
            waiting = opened.store.quarantine_count()
    assert sorted(one.value for one in found) == [20, 55]
    assert waiting == 0  # nobody asked for the noise
