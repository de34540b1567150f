"""A mixed stream, as yards send it and as nobody should, leaves in the store exactly what it always left.

``data/mixed_stream.json`` holds the messages as they arrived and every row that came of them, written down
before the listener was made quicker: a shorter way through the pipeline may not change one byte of them.
"""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from baulk.ingest import operations, pipeline, shop
from baulk.ingest.repeats import Repeats
from baulk.ingest.wire import RawMessage
from baulk.ingest.wire.packed import unpack
from baulk.models.timber import Place

from .conftest import NOW, timber

RECORDED = json.loads((Path(__file__).with_name("data") / "mixed_stream.json").read_text(encoding="utf-8"))
SOURCES = """
[[source]]
topic = "sensors/+/climate"
value = "air.t"
quantity = "temp"
unit = "degF"
place = "{1}"
[[source]]
topic = "scale/+"
format = "plain"
quantity = "weight"
unit = "lb"
tag = "{1}"
[[source]]
topic = "lora/+/up"
format = "senml"
sensor = "{1}"
"""
TABLES = {
    "reading": "SELECT s.text, r.taken_us, r.value, r.arrived_us, r.source, r.flags FROM reading AS r"
    " JOIN series AS s ON s.id = r.series ORDER BY 1, 2",
    "series": "SELECT id, text, owner, name FROM series ORDER BY id",
    "quarantine": "SELECT id, topic, hex(payload), arrived_us, retained, reason, waits_for, cause, size,"
    " hex(once) FROM quarantine ORDER BY id",
    "touched": "SELECT owner, name, arrived_us, first_us, last_us FROM touched ORDER BY 1, 2",
    "raw": "SELECT client, linked_us, first_us, last_us, messages FROM raw ORDER BY id",
}


def message(row):
    topic, payload, ms, retained, mid, again, behind_s, ahead_s = row
    return RawMessage(
        topic=topic,
        payload=bytes.fromhex(payload),
        arrived_utc=NOW + timedelta(milliseconds=ms),
        retained=retained,
        mid=mid,
        again=again,
        linked_utc=NOW,
        device_behind_s=behind_s,
        host_ahead_s=ahead_s,
    )


def open_yard(folder):
    made = shop.init(folder, name="Ferry yard", units="metric")
    toml = made / "baulk.toml"
    toml.write_text(toml.read_text() + SOURCES)
    return shop.open(made)


def enter(yard):
    yard.register.add(timber("FER-01"))
    yard.register.add(timber("FER-02", arrived_utc=NOW - timedelta(days=3)))
    yard.register.add(timber("FER-03", species="Scots pine", length_mm=1800.0))
    yard.register.save_place(Place(name="shed", kind="shed"))
    operations.attach_sensor(yard, "S7", "FER-02", at_utc=NOW - timedelta(days=2), now_utc=NOW, depth_mm=45.0)


def stored(yard):
    with closing(sqlite3.connect(yard.config.store_path)) as base:
        return {name: [list(row) for row in base.execute(sql)] for name, sql in TABLES.items()}


def take(yard, heard):
    repeats = Repeats("one")
    for batch in RECORDED["batches"]:
        pipeline.handle_batch([message(row) for row in batch], yard, heard=heard, repeats=repeats)
    return heard


@pytest.fixture
def yard(tmp_path):
    with open_yard(tmp_path / "yard") as opened:
        enter(opened)
        yield opened


def test_what_the_stream_leaves_in_the_store_has_not_changed(yard):
    take(yard, {})
    found = stored(yard)
    for table, rows in RECORDED["stored"].items():
        assert found[table] == rows, table


def test_the_stream_holds_what_is_usual_and_what_is_not(yard):
    take(yard, {})
    found = stored(yard)
    flags = {flag for row in found["reading"] for flag in row[5].split(",") if flag}
    assert {
        "above-fsp",
        "below-meter",
        "ratio",
        "wet-sensor",
        "jump",
        "weight-gain",
        "before-arrival",
    } <= flags
    assert {row[7] for row in found["quarantine"]} >= {
        "not-understood",
        "impossible",
        "unknown-timber",
        "unknown-place",
        "unplaced-sensor",
        "clash",
    }
    assert sum(not row[5] for row in found["reading"]) > 200


def test_the_log_holds_every_message_as_it_came(yard):
    take(yard, {})
    with closing(sqlite3.connect(yard.config.store_path)) as base:
        bodies = [body for (body,) in base.execute("SELECT body FROM raw ORDER BY id")]
    logged = [one for body in bodies for one in unpack(body)]
    sent = [message(row) for batch in RECORDED["batches"] for row in batch]
    news = [one for one in sent if not one.again]
    assert [(one.topic, one.payload, one.arrived_utc, one.mid) for one in logged if not one.cut] == [
        (one.topic, one.payload, one.arrived_utc, one.mid) for one in news
    ]


def test_what_doctor_is_shown_of_a_topic_is_how_its_last_message_was_understood(yard):
    heard = take(yard, {})
    assert {topic: said(raw, one) for topic, (raw, one) in heard.items()} == RECORDED["heard"]


def said(raw, one):
    readings = [
        [str(each.series), each.value, each.taken_utc.isoformat(), list(each.flags)] for each in one.readings
    ]
    return [
        (raw.arrived_utc - NOW) // timedelta(milliseconds=1),
        one.reason,
        one.cause.value if one.reason else None,
        readings,
    ]
