"""A timber under another tag: everything goes along, and the former tag still reaches it."""

from __future__ import annotations

import io
import json
import sys
from datetime import timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import influx_real

from baulk.ingest import config, correction_notes, corrections, operations, pipeline, sensors
from baulk.ingest import shop as shops
from baulk.ingest.config import TOKEN
from baulk.ingest.errors import RegisterError
from baulk.ingest.exchange import export, import_events, import_readings, import_timbers, moving, table_file
from baulk.ingest.exchange.export import Asked
from baulk.ingest.mqtt import publish
from baulk.ingest.planning import kept_air
from baulk.ingest.store import influx_check, mappings, names, notes
from baulk.ingest.store.influx_counts import Difference
from baulk.ingest.walk import entries
from baulk.ingest.wire.source import Source
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series
from baulk.models.timber import EventKind, entered_as

from .conftest import NOW, raw, timber

LATER = NOW + timedelta(minutes=5)


def weigh(shop, tag, kg, *, at=NOW, slug="ferry-yard"):
    pack = json.dumps([{"n": "weight", "u": "kg", "v": kg, "t": at.timestamp()}])
    return pipeline.handle(raw(pack, f"baulk/v1/{slug}/timber/{tag}", arrived=at), shop)


def weights(shop, tag):
    return [one.value for one in shop.store.readings(Owner.TIMBER, tag)]


def change(shop, tag, to, *, at=LATER):
    (made,) = operations.edit_timber(shop, tag, tag=to, now_utc=at, by="Ines", note="label torn")
    return made


def test_messages_under_the_old_and_the_new_tag_reach_the_timber(yard):
    weigh(yard, "FER-01", 71.0)
    made = change(yard, "FER-01", "FER-99")
    assert (made.tag, made.detail) == ("FER-99", {"field": "tag", "old": "FER-01", "new": "FER-99"})
    assert yard.register.get("fer-01").tag == "FER-99"
    assert yard.register.tags() == ("FER-99",)
    weigh(yard, "FER-01", 70.9, at=NOW + timedelta(hours=1))  # a sensor with the old label on it
    weigh(yard, "FER-99", 70.8, at=NOW + timedelta(hours=2))
    assert weights(yard, "FER-99") == [71.0, 70.9, 70.8]
    assert weights(yard, "FER-01") == []
    assert yard.store.quarantine_count() == 0
    assert "FER-99" in yard.store.stale()


def test_another_program_that_knew_the_old_tag_goes_on_with_the_new_one(yard, yard_dir):
    with shops.open(yard_dir) as listener:
        weigh(listener, "FER-01", 71.0)
        change(yard, "FER-01", "FER-99")
        before = listener.store.changes()["FER-99"]
        weigh(listener, "FER-01", 70.9, at=NOW + timedelta(hours=1))
        assert listener.store.changes()["FER-99"] > before  # its evaluation is out of date
        event = json.dumps({"kind": "end-sealed", "at_utc": NOW.isoformat()})
        pipeline.handle(raw(event, "baulk/v1/ferry-yard/timber/FER-01/event"), listener)
    assert weights(yard, "FER-99") == [71.0, 70.9]
    assert yard.register.events("FER-99", kind=EventKind.END_SEALED)


def test_an_evaluation_that_was_under_way_is_kept_under_the_new_tag(yard):
    revision = yard.store.revision()
    change(yard, "FER-01", "FER-99")
    yard.store.save_evaluation("FER-01", NOW, b"{}", revision=revision)
    yard.store.keep_past("FER-01", NOW - timedelta(days=9), b"{}")
    assert list(yard.store.evaluated()) == ["FER-99"]
    assert len(yard.store.past_evaluations("FER-99")) == 2
    assert yard.store.stale() == ["FER-99"]


def test_what_is_kept_of_whole_days_is_of_the_new_tag_and_whole(yard):
    weigh(yard, "FER-01", 71.0)
    then = NOW + timedelta(days=3)
    assert yard.store.known("FER-01", then).columns.names == ("timber/FER-01/weight",)
    change(yard, "FER-01", "FER-99")
    weigh(yard, "FER-01", 70.9, at=NOW + timedelta(hours=8))  # of a day that is over
    found = yard.store.known("FER-99", then).columns
    assert (found.names, sorted(found.value)) == (("timber/FER-99/weight",), [70.9, 71.0])
    assert len(yard.store.known("FER-01", then).columns) == 0


def test_undo_gives_the_tag_back_and_frees_the_other(yard, yard_dir):
    with shops.open(yard_dir) as listener:
        made = change(yard, "FER-01", "FER-12")
        weigh(listener, "FER-12", 71.0)
        operations.undo(yard, made.number, by="Ines", now_utc=LATER)
        assert yard.register.tags() == ("FER-01",)
        with pytest.raises(NotFound):
            yard.register.get("FER-12")
        yard.register.add(timber("FER-12"))
        weigh(listener, "FER-12", 55.0, at=NOW + timedelta(hours=1))
    assert weights(yard, "FER-01") == [71.0]
    assert weights(yard, "FER-12") == [55.0]


def test_changed_twice_and_the_first_change_taken_back(yard):
    weigh(yard, "FER-01", 71.0)
    first = change(yard, "FER-01", "FER-02")
    second = change(yard, "FER-02", "FER-03", at=LATER + timedelta(minutes=1))
    assert yard.store.names().of("FER-03") == ("FER-01", "FER-02")
    operations.undo(yard, first.number, by="Ines", now_utc=LATER)
    assert yard.store.names().of("FER-03") == ("FER-01",)
    assert yard.register.events("FER-03", kind=EventKind.EDITED)[0].detail["old"] == "FER-01"
    operations.undo(yard, second.number, by="Ines", now_utc=LATER)
    assert (yard.register.tags(), weights(yard, "FER-01")) == (("FER-01",), [71.0])
    assert not yard.store.names().former


def test_changed_back_by_another_correction(yard):
    change(yard, "FER-01", "FER-02")
    change(yard, "FER-02", "FER-01", at=LATER + timedelta(minutes=1))
    assert yard.store.names().of("FER-01") == ("FER-02",)
    assert not yard.store.names().first


@pytest.mark.parametrize(
    ("to", "said"),
    [
        ("FER-02", "the tag FER-02 is in use already; the next free one is FER-03"),
        ("fer-02", "the tag FER-02 is in use already"),
        ("FER-00", "FER-02 had the tag FER-00 before, and a label or a sensor may still bear it"),
        ("a/b", "a/b"),
    ],
)
def test_a_tag_that_another_timber_has_or_had_is_refused(yard, to, said):
    yard.register.add(timber("FER-00"))
    change(yard, "FER-00", "FER-02")
    with pytest.raises((RegisterError, OutOfRange), match=said):
        change(yard, "FER-01", to)
    assert yard.register.tags() == ("FER-01", "FER-02")
    with pytest.raises(RegisterError, match=r"(?i)had the tag FER-00 before"):
        yard.register.add(timber("fer-00"))


def test_what_waited_for_the_new_tag_is_stored(yard):
    weigh(yard, "FER-99", 71.0)
    assert yard.store.quarantine_count() == 1
    change(yard, "FER-01", "FER-99")
    assert (weights(yard, "FER-99"), yard.store.quarantine_count()) == ([71.0], 0)


def test_the_arrival_can_be_taken_back_only_after_the_change(yard):
    made = change(yard, "FER-01", "FER-99")
    (arrival,) = yard.register.events("FER-99", kind=EventKind.ARRIVED)
    with pytest.raises(RegisterError, match=f"take back number {made.number} first"):
        operations.undo(yard, arrival.number, by="", now_utc=LATER, sure=True)


def test_a_sensor_on_it_goes_on(yard):
    operations.attach_sensor(yard, "S7", "FER-01", now_utc=NOW, depth_mm=40.0)
    assert yard.register.attachments().find("S7", LATER).tag == "FER-01"
    change(yard, "FER-01", "FER-99")
    assert yard.register.attachments().find("S7", LATER).tag == "FER-99"
    assert sensors.move(yard, "S7").moved == 0


def test_corrections_walks_and_notes_go_along(yard):
    weigh(yard, "FER-01", 71.0)
    (one,) = yard.store.readings(Owner.TIMBER, "FER-01")
    corrections.take_back(yard, one, by="Ines", note="wrong scale", now_utc=LATER)
    entry = entries.Entry(id="entry-0001", tag="FER-01", quantity=Quantity.WEIGHT, value=70.0)
    (stored,) = entries.take(yard, "walk-0001", [entry], now_utc=LATER)
    assert stored.state is entries.State.STORED
    yard.store.note(notes.fit_key("FER-01"), b"\xff fit")
    gauge = {
        "topic": "hall/pins",
        "format": "plain",
        "quantity": "moisture",
        "unit": "percent",
        "depth_mm": 30,
        "tag": "FER-01",
    }
    mapped = mappings.add(yard.store, Source.model_validate(gauge), now_utc=LATER)
    yard.store.note(kept_air.PLAN + "shed", json.dumps({"timbers": [{"tag": "FER-01"}]}).encode())
    change(yard, "FER-01", "FER-99")
    assert [one.source.tag for one in mappings.all_of(yard.store)] == ["FER-99"]
    assert mapped.source.tag == "FER-01"
    assert yard.store.noted(notes.fit_key("FER-99")) == b"\xff fit"
    left = {
        key: note
        for key, note in yard.store.notes().items()
        if key != names.KEY and ("FER-01" in key or b"FER-01" in note)
    }
    assert left == {}
    again = entries.take(yard, "walk-0001", [entry], now_utc=LATER)  # a phone that got no answer
    assert again[0].state is entries.State.KNOWN
    taken, *_ = correction_notes.listed(yard.store, Owner.TIMBER, "FER-99")
    corrections.undo(yard, taken, by="Ines", now_utc=LATER)
    assert sorted(weights(yard, "FER-99")) == [70.0, 71.0]


def test_the_verdict_of_the_old_tag_is_taken_from_the_broker(yard):
    change(yard, "FER-01", "FER-99")
    sent = {}
    (out,) = publish.messages(yard, sent)
    assert (out.topic, out.payload) == ("baulk/v1/ferry-yard/timber/FER-01/verdict", b"")
    sent[out.tag] = out.made_utc
    assert list(publish.messages(yard, sent)) == []


def test_the_series_of_a_timber_taken_out_does_not_stand_in_the_way(yard):
    yard.register.add(timber("FER-99"))
    weigh(yard, "FER-99", 55.0)
    (_, arrival) = yard.register.events(kind=EventKind.ARRIVED)
    operations.undo(yard, arrival.number, by="", now_utc=LATER, sure=True)
    weigh(yard, "FER-01", 71.0)
    change(yard, "FER-01", "FER-99")
    assert 71.0 in weights(yard, "FER-99")
    series = Series(owner=Owner.TIMBER, name="FER-99", quantity=Quantity.WEIGHT)
    assert yard.store.series(Owner.TIMBER, "FER-99") == [series]


def move(folder, kind, **where):
    loaded = config.load(folder)
    moving.move(loaded, moving.settings_for(loaded, kind, **where))


def test_at_a_server_the_readings_stay_where_they_are(yard_dir, monkeypatch):
    with influx_real.started("baulk") as server:
        monkeypatch.setenv(TOKEN, server.token)
        with shops.open(yard_dir) as yard:
            yard.register.add(timber())
            yard.register.add(timber("FER-05"))
            weigh(yard, "FER-05", 40.0)
            weigh(yard, "FER-01", 71.0)
            change(yard, "FER-01", "FER-02")
        move(yard_dir, "influx", url=server.url, org=server.org)
        with shops.open(yard_dir) as listener, shops.open(yard_dir) as yard:
            weigh(listener, "FER-02", 70.9, at=NOW + timedelta(hours=1))
            made = change(yard, "FER-02", "FER-03")
            for hours, tag in enumerate(("FER-01", "FER-02", "FER-03"), 2):
                weigh(listener, tag, 70.0 - hours, at=NOW + timedelta(hours=hours))
            assert weights(yard, "FER-03") == weights(listener, "FER-03") == [71.0, 70.9, 68.0, 67.0, 66.0]
            known = yard.store.known("FER-03", NOW + timedelta(days=2)).columns
            assert (known.names, known.count.sum()) == (("timber/FER-03/weight",), 5)
            (newest,) = yard.store.latest(Owner.TIMBER, "FER-03")
            assert (newest.series.name, newest.value) == ("FER-03", 66.0)
            assert [str(each) for each in yard.store.series()] == [
                "timber/FER-03/weight",
                "timber/FER-05/weight",
            ]
            assert {row[1]["named"] for row in server.rows("baulk")} == {"FER-01", "FER-05"}
            weigh(listener, "FER-01", 99.0, at=NOW + timedelta(hours=2))  # clashes with what it has
            assert yard.store.quarantine_count() == 1
            operations.undo(yard, made.number, by="Ines", now_utc=LATER)
            assert len(weights(yard, "FER-02")) == 5
            corrections.take_back(yard, newest_of(yard, "FER-02"), by="Ines", note="", now_utc=LATER)
            assert weights(yard, "FER-02") == [71.0, 70.9, 68.0, 67.0]
        found = influx_check.look(config.load(yard_dir))
        assert (found.difference, found.unlisted) == (Difference(), 0)
        move(yard_dir, "sqlite")
    with shops.open(yard_dir) as yard:
        assert weights(yard, "FER-02") == [71.0, 70.9, 68.0, 67.0]
        assert [each.name for each in yard.store.series()] == ["FER-02", "FER-05"]
        change(yard, "FER-02", "FER-01", at=LATER + timedelta(minutes=9))
        assert weights(yard, "FER-01") == [71.0, 70.9, 68.0, 67.0]


def newest_of(shop, tag):
    return shop.store.readings(Owner.TIMBER, tag)[-1]


def csv_of(table):
    out = io.StringIO()
    table_file.write_csv(table, out)
    return out.getvalue().encode()


def test_taken_out_and_into_another_shop_it_is_the_same(yard, tmp_path):
    weigh(yard, "FER-01", 71.0)
    first = change(yard, "FER-01", "FER-02")
    change(yard, "FER-02", "FER-03", at=LATER + timedelta(minutes=1))
    wrong = change(yard, "FER-03", "FER-44", at=LATER + timedelta(minutes=2))
    operations.undo(yard, wrong.number, by="Ole", now_utc=LATER + timedelta(minutes=3))
    now = LATER + timedelta(days=1)
    files = [csv_of(make(yard, Asked())) for make in (export.timbers, export.events, export.readings)]
    with shops.open(shops.init(tmp_path / "other", name="Ferry yard")) as other:
        events = import_events.of_file(files[1], now, zone=None)
        file = import_timbers.of_file(files[0], events=events)
        done = file.bring(other, now, file.look(other, now))
        assert (done.events.refused, done.events.entered) == ((), 3)
        readings = import_readings.of_long(files[2], other)
        readings.bring(other, now, readings.look(other, now))
        edited = [
            (each.tag, each.detail, each.by, each.note, each.at_utc, each.undone_utc, each.undone_by)
            for shop in (yard, other)
            for each in shop.register.events(undone=True, kind=EventKind.EDITED)
        ]
        assert edited[:3] == edited[3:]
        assert other.store.names() == yard.store.names()
        assert entered_as(other.register.get("FER-03"), other.register.events("FER-03")) == "FER-01"
        weigh(other, "FER-02", 70.0, at=NOW + timedelta(hours=1))
        assert weights(other, "FER-03") == [71.0, 70.0]
        again = file.bring(other, now, file.look(other, now))
        assert (again.events.known, again.events.refused) == (3, ())
        mine = [each.number for each in other.register.events() if each.at_utc == first.at_utc]
        operations.undo(other, mine[0], by="Ole", now_utc=now)
        assert other.store.names().of("FER-03") == ("FER-01",)


def test_files_from_before_the_change_find_the_timber(yard):
    weigh(yard, "FER-01", 71.0)
    timbers, readings = csv_of(export.timbers(yard, Asked())), csv_of(export.readings(yard, Asked()))
    change(yard, "FER-01", "FER-02")
    file = import_timbers.of_file(timbers)
    assert [row.status for row in file.look(yard, LATER).rows] == [import_timbers.Status.SAME]
    found = import_readings.of_long(readings, yard)
    assert found.look(yard, LATER).refused == 0
    assert found.bring(yard, LATER, found.look(yard, LATER)).stored == 0
    assert weights(yard, "FER-02") == [71.0]


def test_in_a_shop_where_another_has_the_former_tag_the_change_is_refused_in_words(yard, tmp_path):
    change(yard, "FER-01", "FER-02")
    files = [csv_of(make(yard, Asked())) for make in (export.timbers, export.events)]
    with shops.open(shops.init(tmp_path / "other", name="Ferry yard")) as other:
        other.register.add(timber("FER-01", place="loft"))
        events = import_events.of_file(files[1], LATER, zone=None)
        file = import_timbers.of_file(files[0], events=events)
        done = file.bring(other, LATER, file.look(other, LATER))
        (why,) = done.events.refused
        assert "the tag FER-01 is in use already" in why
        assert other.register.tags() == ("FER-01", "FER-02")


def test_on_postgresql_likewise(tmp_path, postgres_url):
    folder = shops.init(tmp_path / "yard", name="Ferry yard")
    file = folder / "baulk.toml"
    file.write_text(
        file.read_text(encoding="utf-8").replace(
            'kind = "sqlite"', f'kind = "postgres"\nurl = "{postgres_url}"'
        ),
        encoding="utf-8",
    )
    with shops.open(folder) as listener, shops.open(folder) as yard:
        yard.register.add(timber())
        weigh(listener, "FER-01", 71.0)
        yard.store.note(notes.fit_key("FER-01"), b"\xff fit")
        made = change(yard, "FER-01", "FER-02")
        weigh(listener, "FER-01", 70.9, at=NOW + timedelta(hours=1))
        weigh(listener, "FER-02", 70.8, at=NOW + timedelta(hours=2))
        assert weights(yard, "FER-02") == [71.0, 70.9, 70.8]
        assert yard.store.noted(notes.fit_key("FER-02")) == b"\xff fit"
        assert yard.store.names().of("FER-02") == ("FER-01",)
        operations.undo(yard, made.number, by="Ines", now_utc=LATER)
        weigh(listener, "FER-01", 70.7, at=NOW + timedelta(hours=3))
        assert weights(yard, "FER-01") == [71.0, 70.9, 70.8, 70.7]
