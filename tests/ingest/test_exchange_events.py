"""Events go out and come in with their timbers: what another shop works out from them is the same."""

from __future__ import annotations

import csv
import io
import json
import sys
from datetime import UTC, timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import six_timbers
from six_timbers import DAY, NOW

from baulk.ingest import operations, shop
from baulk.ingest.errors import RegisterError
from baulk.ingest.evaluation import gather
from baulk.ingest.exchange import export, import_events, import_timbers, table_file
from baulk.ingest.exchange.export import Asked
from baulk.ingest.exchange.import_timbers import Status
from baulk.models.section import Face
from baulk.models.timber import Event, EventKind

LATER = NOW + timedelta(hours=1)


def yard(folder):
    return shop.open(shop.init(folder, name="Ferry yard", units="metric"))


def happened(opened, kind, days_ago, detail=None, *, tag="FER-01", **more):
    event = Event(tag=tag, kind=kind, at_utc=NOW - days_ago * DAY, noted_utc=NOW, detail=detail or {}, **more)
    return operations.add_event(opened, event)[0]


def out(opened, what):
    text = io.StringIO()
    table_file.write_csv(export.TABLES[what](opened, Asked()), text)
    return text.getvalue().encode()


def bring(opened, files, now=LATER, **how):
    events = import_events.of_file(files["events"], now, zone=UTC, name="events.csv")
    timbers = import_timbers.of_file(files["timbers"], name="timbers.csv", events=events)
    return timbers.bring(opened, now, timbers.look(opened, now), by="Ida", **how)


@pytest.fixture
def first(tmp_path):
    """A shop whose first timber was moved, cut, planed, sealed, retired and taken back in; its files."""
    with yard(tmp_path / "first") as opened:
        six_timbers.fill(opened, ("FER-01", "FER-02"))
        opened.store.append(six_timbers.air("loft", rh_pct=45.0))
        happened(opened, EventKind.MOVED, 90, {"from": "", "to": "loft"}, by="Ann", note="by the crane")
        happened(opened, EventKind.MOVED, 10, {"from": "", "to": "shed"})
        cut = {"length_mm": 2100.0, "weight_before_kg": 60.0, "weight_after_kg": 52.0}
        happened(opened, EventKind.CUT, 60, cut)
        happened(opened, EventKind.PLANED, 40, {"width_mm": 140.0, "depth_mm": 141.0})
        happened(opened, EventKind.END_SEALED, 80)
        happened(opened, EventKind.STICKERED, 70, {"faces": "c"})
        operations.undo(
            opened, happened(opened, EventKind.TURNED, 30, {"up": "b"}).number, by="Ann", now_utc=NOW
        )
        operations.attach_sensor(
            opened, "S7", "FER-01", now_utc=NOW, at_utc=NOW - 5 * DAY, depth_mm=45.0, face=Face.B
        )
        operations.edit_timber(opened, "FER-01", now_utc=NOW, species="northern red oak")
        happened(opened, EventKind.RETIRED, 4, {"reason": "sold"}, tag="FER-02")
        operations.edit_timber(opened, "FER-02", now_utc=NOW, retired_utc=None)
        yield opened, {what: out(opened, what) for what in ("timbers", "events")}


def test_a_timber_with_its_events_is_the_same_in_another_shop_and_so_is_what_is_worked_out(first, tmp_path):
    here, files = first
    with yard(tmp_path / "second") as there:
        report = bring(there, files)
        assert [row.status for row in report.rows] == [Status.NEW, Status.NEW]
        assert (report.events.entered, report.events.known, report.events.refused) == (11, 0, ())
        for owner, name in {(each.owner, each.name) for each in here.store.series()}:
            there.store.append(here.store.readings(owner, name, NOW - 400 * DAY))
        for tag in ("FER-01", "FER-02"):
            assert there.register.get(tag) == here.register.get(tag)
            for ago in (119, 85, 65, 50, 35, 5, 0):
                assert there.register.as_of(tag, NOW - ago * DAY) == here.register.as_of(tag, NOW - ago * DAY)
            ours, theirs = (gather.gather(tag, each, LATER) for each in (here, there))
            assert [(stay.place, stay.since_s) for stay in theirs.stays] == [
                (stay.place, stay.since_s) for stay in ours.stays
            ]
            assert theirs.fingerprint() == ours.fingerprint()
        moved = there.register.events("FER-01", kind=EventKind.MOVED)[0]
        assert (moved.by, moved.note, moved.at_utc) == ("Ann", "by the crane", NOW - 90 * DAY)
        assert there.register.attached("S7", NOW).depth_mm == 45.0
        assert bring(there, files).events.entered == 0
        assert out(there, "timbers") == files["timbers"]


def test_without_the_events_a_move_is_lost(first, tmp_path):
    _, files = first
    with yard(tmp_path / "second") as there:
        timbers = import_timbers.of_file(files["timbers"], name="timbers.csv")
        timbers.bring(there, LATER, timbers.look(there, LATER))
        there.store.append(six_timbers.air())
        assert len(gather.gather("FER-01", there, LATER).stays) == 1
        report = bring(there, files)  # and what is missing of a timber that is there comes in later
        assert report.events.entered > 0
        assert [each.kind for each in there.register.events("FER-01")].count(EventKind.MOVED) == 2


def test_rows_that_are_not_understood_are_named_and_spoil_no_other(first, tmp_path):
    _, files = first
    rows = list(csv.DictReader(io.StringIO(files["events"].decode())))
    bad = [
        {**rows[1], "kind": "painted"}, {**rows[1], "at": "soon"}, {**rows[1], "detail": "{"},
        {**rows[1], "tag": ""}, {**rows[1], "detail": json.dumps({"faces": "z"}), "kind": "coated"},
        {**rows[1], "tag": "FER-01", "kind": "edited", "detail": '{"field": "weight", "old": 6, "new": 7}'},
    ]  # fmt: skip
    text = io.StringIO()
    writer = csv.DictWriter(text, list(rows[0]))
    writer.writeheader()
    writer.writerows([*rows, *bad])
    with yard(tmp_path / "second") as there:
        report = bring(there, {**files, "events": text.getvalue().encode()})
        assert report.events.entered == 10
        told = " ".join((*report.notes, *report.events.refused))
    for why in ("painted", "'soon'", "is not JSON", "has no tag", ", coated: the faces", "not of 'weight'"):
        assert why in told


def test_a_place_that_was_wrong_is_put_right_from_the_start_and_taken_back(first, tmp_path):
    here, _ = first
    (event,) = operations.edit_timber(here, "FER-02", now_utc=NOW, place="loft", place_was_wrong=True)
    assert [stay.place for stay in gather.gather("FER-02", here, LATER).stays] == ["loft"]
    assert here.register.events("FER-02")[0].detail["place"] == "loft"
    assert here.register.as_of("FER-02", NOW - 100 * DAY).place == "loft"
    operations.undo(here, event.number, by="Ann", now_utc=NOW)
    assert here.register.get("FER-02").place == here.register.events("FER-02")[0].detail["place"] == "shed"
    with pytest.raises(RegisterError, match="was moved since it arrived; undo its last move"):
        operations.edit_timber(
            here, "FER-01", now_utc=NOW, place="rack", place_was_wrong=True, new_place=True
        )
    assert here.register.get("FER-01").place == "shed"
