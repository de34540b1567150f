"""Quarantine by cause: its room, trying again, settling a clash, discarding, and the file of it."""

from __future__ import annotations

import base64
import csv
import os
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest

from baulk.ingest import hand_readings, operations, pipeline, shop
from baulk.ingest.config import STORE_PASSWORD
from baulk.ingest.exchange import quarantine_file
from baulk.ingest.monitoring import nightly
from baulk.ingest.store import quarantine
from baulk.ingest.store.rejected import EVERYTHING, Cause, Which
from baulk.ingest.wire import RawMessage
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
SERIES = Series.parse("air/shed/temp")


def raw(topic="t", payload=b"?", minutes=0):
    return RawMessage(topic=topic, payload=payload, arrived_utc=NOW + timedelta(minutes=minutes))


def air(value, minutes=0):
    at = NOW + timedelta(minutes=minutes)
    return Reading(series=SERIES, value=value, taken_utc=at, arrived_utc=at)


def weight_of(tag):
    return raw(f"baulk/v1/ferry-yard/timber/{tag}", b'[{"n":"weight","u":"kg","v":96.4,"t":1773500000}]')


def numbers(store, which=EVERYTHING):
    return sorted(row.number for row in store.quarantined(10**6, which))


def test_each_cause_is_told_apart(yard):
    pipeline.handle_batch(
        [
            weight_of("NIX"),
            raw("baulk/v1/ferry-yard/timber/FER-01", b"\xff["),
            raw("baulk/v1/ferry-yard/air/shed", b'[{"n":"temp","u":"Cel","v":900}]'),
        ],
        yard,
    )
    yard.store.append([air(20), air(21)])
    found = {row.cause for row in yard.store.quarantined()}
    assert found == {Cause.UNKNOWN_TIMBER, Cause.NOT_UNDERSTOOD, Cause.IMPOSSIBLE, Cause.CLASH}


def test_messages_are_grouped_by_cause_and_sender_the_most_first(yard):
    for k in range(3):
        yard.store.quarantine(raw("pump", b"%d" % k, k), f"why {k}")
    yard.store.quarantine(raw("lamp"), "odd", waits_for="X-1", cause=Cause.UNKNOWN_TIMBER)
    first, second = yard.store.quarantine_groups()
    assert (first.cause, first.sender, first.messages, first.size) == (Cause.NOT_UNDERSTOOD, "pump", 3, 3)
    assert (first.last_utc - first.first_utc, first.reason) == (timedelta(minutes=2), "why 2")
    assert (second.cause, second.sender) == (Cause.UNKNOWN_TIMBER, "lamp")
    assert yard.store.quarantine_count(Which(sender="pump")) == 3
    assert len(numbers(yard.store, Which(cause=Cause.UNKNOWN_TIMBER))) == 1


def test_a_whole_cause_is_tried_again_after_a_look(yard):
    for tag in ("NEW-1", "NEW-2"):
        pipeline.handle(weight_of(tag), yard)
    yard.store.quarantine(raw("pump"), "odd")
    yard.register.add(yard.register.get("FER-01").__class__(**{**fields(yard), "tag": "NEW-1"}))
    which = Which(cause=Cause.UNKNOWN_TIMBER)
    before = numbers(yard.store)
    seen = pipeline.replay(yard, which, preview=True)
    assert (seen.stored, seen.settled, seen.left) == (1, 1, 1)
    assert numbers(yard.store) == before
    assert yard.store.readings(Owner.TIMBER, "NEW-1") == []
    done = pipeline.replay(yard, which)
    assert (done.stored, done.settled, done.left, done.is_done) == (1, 1, 1, True)
    assert "NEW-2" in done.reason
    assert yard.store.quarantine_count() == 2


def fields(yard):
    timber = yard.register.get("FER-01")
    return {name: getattr(timber, name) for name in timber.__dataclass_fields__}


def test_trying_again_goes_on_where_it_stopped_and_looks_at_each_once(yard, monkeypatch):
    monkeypatch.setattr(pipeline, "_AT_ONCE", 10)
    for k in range(35):
        yard.store.quarantine(raw("pump", b"%d" % k), "some former reason", waits_for="NIX")
    upto, after, turns, left = None, 0, 0, 0
    while True:
        done = pipeline.replay(yard, after=after, upto=upto, stop=lambda: True)
        after, upto, turns, left = done.after, done.upto, turns + 1, left + done.left
        if done.is_done:
            break
    assert (turns, left) == (4, 35)
    assert {row.waits_for for row in yard.store.quarantined(100)} == {None}
    assert all("former" not in row.reason for row in yard.store.quarantined(100))


def test_entering_a_timber_stops_where_it_is_told_and_the_rest_is_found_again(yard, monkeypatch):
    monkeypatch.setattr(pipeline, "_AT_ONCE", 10)
    packs = [
        raw(
            "baulk/v1/ferry-yard/timber/NEW-1",
            b'[{"n":"weight","u":"kg","v":96.4,"t":%d}]' % (1773500000 + 60 * k),
        )
        for k in range(35)
    ]
    pipeline.handle_batch(packs, yard)
    new = yard.register.get("FER-01").__class__(**{**fields(yard), "tag": "NEW-1"})
    assert operations.add_timber(yard, new, sure=True, stop=lambda: True) == 10
    assert (yard.store.quarantine_count(), yard.store.replayable_tags()) == (25, ["NEW-1"])
    assert pipeline.replay(yard, Which(waits_for="NEW-1")).stored == 25


def test_what_waits_for_another_tag_by_now_is_found_by_that_one(yard):
    yard.store.quarantine(weight_of("NEW-2"), "no timber called 'NEW-1'", waits_for="NEW-1")
    assert pipeline.replay(yard).left == 1
    assert [row.waits_for for row in yard.store.quarantined()] == ["NEW-2"]
    new = yard.register.get("FER-01").__class__(**{**fields(yard), "tag": "NEW-2"})
    assert operations.add_timber(yard, new, sure=True) == 1


def test_a_clash_is_settled_either_way_and_an_exchange_can_be_taken_back(yard):
    yard.store.append([air(20), air(24)])
    (row,) = yard.store.quarantined()
    kept = hand_readings.settle_clash(yard, row.number, take_other=True, by="Ida", now_utc=NOW)
    assert kept.value == 24
    assert [one.value for one in yard.store.readings(Owner.AIR, "shed")] == [24]
    (back,) = yard.store.quarantined()
    assert back.cause is Cause.CLASH
    hand_readings.settle_clash(yard, back.number, take_other=True, by="Ida", now_utc=NOW)
    assert [one.value for one in yard.store.readings(Owner.AIR, "shed")] == [20]
    (again,) = yard.store.quarantined()
    hand_readings.settle_clash(yard, again.number, take_other=False, by="Ida", now_utc=NOW)
    assert yard.store.quarantine_count() == 0
    assert [one.value for one in yard.store.readings(Owner.AIR, "shed")] == [20]


def test_what_is_no_clash_is_not_settled(yard):
    yard.store.quarantine(raw(), "odd")
    (number,) = numbers(yard.store)
    with pytest.raises(OutOfRange, match="no reading that clashes"):
        hand_readings.settle_clash(yard, number, take_other=True, by="", now_utc=NOW)
    with pytest.raises(NotFound):
        hand_readings.settle_clash(yard, number + 1, take_other=True, by="", now_utc=NOW)


def test_a_clash_stays_one_when_it_is_tried_again(yard):
    yard.store.append([air(20), air(24)])
    done = pipeline.replay(yard)
    assert (done.stored, done.left) == (0, 1)
    assert yard.store.quarantined()[0].cause is Cause.CLASH


def test_what_is_discarded_is_gone_and_who_did_it_and_why_is_kept(yard):
    for topic in ("pump", "pump", "lamp"):
        yard.store.quarantine(raw(topic, topic.encode(), yard.store.quarantine_count()), "odd")
    assert yard.store.discard(Which(sender="pump"), why="not ours", by="Ida", now_utc=NOW) == 2
    assert [row.raw.topic for row in yard.store.quarantined()] == ["lamp"]
    noted = yard.store.noted(quarantine.DISCARDED).decode()
    assert all(each in noted for each in ("not ours", "Ida", "pump", "2026-05-14"))
    assert yard.store.discard(Which(sender="nobody"), why="x", by="", now_utc=NOW) == 0


def test_a_full_quarantine_lets_go_of_the_oldest_of_who_fills_it(yard):
    store = yard.store
    store.append([air(20), air(24)])
    store.quarantine(raw("lamp", b"x" * 100), "odd")
    store.quarantine(weight_of("NIX"), "waits", waits_for="NIX", cause=Cause.UNKNOWN_TIMBER)
    for k in range(100):
        store.quarantine(raw("pump", bytes(1000), k), "odd")
    assert store.trim_quarantine(1e6, None, NOW) == 0
    assert store.let_go() is None
    gone = store.trim_quarantine(50_000, None, NOW)
    assert 50 <= gone <= 60
    groups = {group.sender: group for group in store.quarantine_groups()}
    assert groups["pump"].messages == 100 - gone
    assert groups["pump"].last_utc == NOW + timedelta(minutes=99)
    assert groups["pump"].first_utc == NOW + timedelta(minutes=gone)
    assert {"lamp", "baulk/v1/ferry-yard/timber/NIX", "air/shed/temp"} <= groups.keys()
    assert store.let_go() == (gone, NOW)
    store.trim_quarantine(1, None, NOW)  # no room at all: a clash still stays, for it is a reading
    assert [group.cause for group in store.quarantine_groups()] == [Cause.CLASH]


def test_what_lies_there_too_long_goes_at_night_but_no_clash(yard):
    yard.store.append([air(20), air(24)])
    yard.store.quarantine(raw("old"), "odd")
    yard.store.quarantine(raw("young", minutes=60 * 24 * 300), "odd")
    later = NOW + timedelta(days=401)
    assert nightly.age_quarantine(yard, later) == 1
    assert sorted(row.raw.topic for row in yard.store.quarantined()) == ["air/shed/temp", "young"]
    assert nightly.age_quarantine(yard, later) == 0


def test_one_question_never_brings_more_than_so_many_bytes(yard, monkeypatch):
    monkeypatch.setattr(quarantine, "AT_ONCE_BYTES", 2500)
    for k in range(6):
        yard.store.quarantine(raw("pump", bytes(1000), k), "odd")
    yard.store.quarantine(raw("pump", bytes(5000), 7), "odd")
    seen, after = [], 0
    while rows := yard.store.quarantined(100, after=after):
        after = rows[-1].number
        seen.append(len(rows))
    assert seen == [2, 2, 2, 1]
    assert len(yard.store.quarantined(100)) == 1


def test_of_a_message_that_no_sensor_sends_the_beginning_is_kept(yard):
    yard.store.quarantine(raw("pump", b"[" * 3_000_000), "too long")
    (row,) = yard.store.quarantined()
    assert (len(row.raw.payload), row.size, row.is_whole) == (quarantine.HEAD_BYTES, 3_000_000, False)
    assert pipeline.replay(yard).left == 1


def test_the_file_of_quarantine_holds_each_message_whole_and_no_formula(yard, tmp_path):
    body = b"=1+1\x00\xff"
    yard.store.quarantine(raw("=cmd", body), "@odd")
    assert quarantine_file.write(yard, tmp_path / "q.csv") == 1
    with (tmp_path / "q.csv").open(encoding="utf-8-sig", newline="") as file:
        (row,) = csv.DictReader(file)
    assert base64.b64decode(row["payload_base64"]) == body
    assert row["cause"] == "not-understood"
    assert not any(row[name].startswith(("=", "@")) for name in ("topic", "reason", "text"))


def test_messages_of_an_older_store_get_their_cause(yard_dir, former_quarantine):
    with shop.open(yard_dir) as opened:
        opened.store.append([air(20), air(24)])
        for waits_for in ("FER-09", "sensor:S7", None):
            opened.store.quarantine(raw(f"t{waits_for}"), "why", waits_for=waits_for)
    with closing(sqlite3.connect(yard_dir / "shop.db")) as base:
        former_quarantine(base)
        base.execute("PRAGMA user_version = 2")
    with shop.open(yard_dir) as opened:
        found = {row.raw.topic: (row.cause, row.is_whole) for row in opened.store.quarantined()}
        for waits_for in ("FER-09", "sensor:S7", None):  # each is known again, and stays one
            opened.store.quarantine(raw(f"t{waits_for}"), "why", waits_for=waits_for)
        assert opened.store.quarantine_count() == 4
    assert found == {
        "air/shed/temp": (Cause.CLASH, True),
        "tFER-09": (Cause.UNKNOWN_TIMBER, True),
        "tsensor:S7": (Cause.UNPLACED_SENSOR, True),
        "tNone": (Cause.NOT_UNDERSTOOD, True),
    }


def test_messages_in_an_older_postgres_store_get_their_cause(tmp_path, postgres_url):
    psycopg = pytest.importorskip("psycopg")
    folder = shop.init(tmp_path / "yard", name="Ferry yard")
    path = folder / "baulk.toml"
    path.write_text(path.read_text().replace('kind = "sqlite"', f'kind = "postgres"\nurl = "{postgres_url}"'))
    kept = (raw("t", b"\x00\xff'\\", 3), "why: ünd")
    with shop.open(folder) as opened:
        opened.store.append([air(20), air(24)])
        opened.store.quarantine(*kept, waits_for="FER-09")
    with psycopg.connect(postgres_url, password=os.environ[STORE_PASSWORD]) as base:
        base.execute("""
            ALTER TABLE quarantine DROP COLUMN cause, DROP COLUMN size, DROP COLUMN once;
            CREATE UNIQUE INDEX quarantine_once
                ON quarantine (md5(topic), md5(payload), arrived_us, md5(reason));
            UPDATE form SET n = 1""")
    with shop.open(folder) as opened:
        found = {row.raw.topic: (row.cause, row.size) for row in opened.store.quarantined()}
        assert found["t"] == (Cause.UNKNOWN_TIMBER, 4)
        assert found["air/shed/temp"][0] is Cause.CLASH
        opened.store.quarantine(*kept, waits_for="FER-09")
        assert opened.store.quarantine_count() == 2
