"""Timbers from files: what a person types in a spreadsheet, and changes that can be taken back."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from baulk.ingest import operations
from baulk.ingest.errors import ExchangeError
from baulk.ingest.exchange import import_timbers
from baulk.ingest.exchange.import_timbers import Status
from baulk.models.timber import EventKind

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
HEAD = "Tag,Species,Green,Finished,Length,Use,Arrived\n"
GOOD = "FER-02,white oak,8 x 7 3/4 in,6 x 6 in,12 ft,frame-outdoors,2026-05-01\n"


def look(text, yard):
    file = import_timbers.of_file(text if isinstance(text, bytes) else text.encode(), name="list.csv")
    return file, file.look(yard, NOW)


def bring(text, yard, **options):
    file, report = look(text, yard)
    return file.bring(yard, NOW, report, **options)


def test_a_list_typed_in_a_spreadsheet_goes_in(yard):
    text = (
        "\ufeffTAG;species;Green;Finished;Length (m);Pith;Use class;Place;Arrived;Sealed;Green MC;Remarks\n"
        'FER-02;White Oak;"8 x 7 3/4 in";150 x 150 mm;3,66;1 x -1 in;frame-outdoors;loft;2026-05-01T08:00Z;'
        "yes;78,5 %;knot\n"
    )
    report = bring(text, yard, by="Ana")
    assert [row.reason for row in report.rows] == [""]
    assert report.notes == ("left alone, for nobody knows these columns: Remarks",)
    made = yard.register.get("FER-02")
    assert (made.species, made.place, made.ends_sealed, made.green_mc_pct) == (
        "white oak",
        "loft",
        True,
        78.5,
    )
    assert (made.section.width_mm, made.section.depth_mm) == pytest.approx((203.2, 196.85))
    assert (made.section.pith_x_mm, made.section.pith_y_mm) == pytest.approx((25.4, -25.4))
    assert (made.length_mm, made.finished.width_mm) == (3660, 150)
    assert made.arrived_utc == datetime(2026, 5, 1, 8, tzinfo=UTC)
    assert [(one.kind, one.by) for one in yard.register.events("FER-02")] == [(EventKind.ARRIVED, "Ana")]


def test_where_the_sapwood_begins_is_told_by_a_radius_or_a_width(yard):
    head, cells = HEAD.rstrip("\n"), GOOD.rstrip("\n")
    corner_mm = np.hypot(203.2, 196.85) / 2
    for number, (heading, cell, radius_mm) in enumerate(
        (
            ("Heartwood (in)", "3", 76.2),
            ("Heartwood", "none", 0.0),
            ("Sapwood", "1 in", corner_mm - 25.4),
            ("Sapwood (mm)", "none", corner_mm),
        ),
        start=2,
    ):
        tag = f"FER-0{number}"
        report = bring(f"{head},{heading}\n{cells.replace('FER-02', tag)},{cell}\n", yard)
        assert [row.reason for row in report.rows] == [""], heading
        assert yard.register.get(tag).heartwood_mm == pytest.approx(radius_mm)
    for heading, cell, why in (
        ("Heartwood", "-1 in", "between 0 and 5 m"),
        ("Sapwood", "-1 in", "must be 0 or more"),
        ("Sapwood", "wide", "wide"),
    ):
        report = bring(f"{head},{heading}\n{cells},{cell}\n", yard)
        assert why in report.rows[0].reason
    report = bring("tag,sapwood\nFER-02,2 in\n", yard)
    assert "beside the green size" in report.rows[0].reason


def test_looking_enters_nothing_and_good_rows_go_in_beside_refused_ones(yard):
    text = HEAD + GOOD + GOOD.replace("FER-02", "FER-03").replace("white oak", "marble")
    _, report = look(text, yard)
    assert [row.status for row in report.rows] == [Status.NEW, Status.REFUSED]
    assert yard.register.tags() == ("FER-01",)
    done = bring(text, yard)
    assert [row.done for row in done.rows] == [True, False]
    assert yard.register.tags() == ("FER-01", "FER-02")


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("white oak", "marble", "no species called 'marble'"),
        ("frame-outdoors", "spoon", "no use class called 'spoon'"),
        ("8 x 7 3/4 in", "8 in", "a size looks like"),
        ("8 x 7 3/4 in", "5 x 5 in", "does not fit"),
        ("12 ft", "12 furlongs", "unknown unit"),
        ("12 ft", "", "is new and needs a length"),
        ("2026-05-01", "01/05/2026", "looks like 2026-11-25"),
        ("2026-05-01", "2027-05-01", "lies in the future"),
        ("FER-02", "FER 02", "made of up to 64 letters"),
        ("FER-02", "", "has no tag"),
        ("6 x 6 in", "6 x 6 mm", "write the unit"),
        ("2026-05-01", "2026-05-01,7", "8 cells for 7 columns"),
    ],
)
def test_a_row_that_makes_no_sense_is_refused_with_its_line_in_one_sentence(yard, old, new, why):
    _, report = look(HEAD + "\n" + GOOD.replace(old, new), yard)
    (row,) = report.rows
    assert (row.status, row.line) == (Status.REFUSED, 3)
    assert why in row.reason
    assert "\n" not in row.reason


def test_a_tag_twice_in_a_file_counts_once(yard):
    _, report = look(HEAD + GOOD + GOOD.replace("FER-02", "fer-02"), yard)
    assert report.rows[1].reason == "the tag fer-02 stands on line 2 already"


def test_what_is_there_and_the_same_stays(yard):
    bring(HEAD + GOOD, yard)
    report = bring(HEAD + GOOD.replace("FER-02", "fer-02"), yard, update=True)
    assert [(row.tag, row.status, row.done) for row in report.rows] == [("FER-02", Status.SAME, False)]


def test_a_change_is_shown_field_by_field_done_only_when_asked_for_and_can_be_undone(yard):
    before = yard.register.get("FER-01")
    text = "tag,species,place,green mc\nFER-01,northern red oak,loft,\n"
    report = bring(text, yard)
    assert [(one.field, one.old, one.new) for one in report.rows[0].changes] == [
        ("species", "white oak", "northern red oak"),
        ("place", "shed", "loft"),
    ]
    assert yard.register.get("FER-01") == before
    assert bring(text, yard, update=True, by="Ana").rows[0].done
    assert yard.register.get("FER-01") == replace(before, species="northern red oak", place="loft")
    events = [one for one in yard.register.events("FER-01") if one.kind is not EventKind.ARRIVED]
    assert {(one.kind, one.by, one.note) for one in events} == {
        (EventKind.EDITED, "Ana", "from list.csv"),
        (EventKind.MOVED, "Ana", "from list.csv"),
    }
    for one in reversed(events):
        operations.undo(yard, one.number, by="Ana", now_utc=NOW)
    assert yard.register.get("FER-01") == before


def test_a_timber_that_left_comes_in_with_the_event_of_its_leaving(yard):
    text = HEAD.replace("\n", ",Retired\n") + GOOD.replace("\n", ",2026-05-10T10:00Z\n")
    bring(text, yard)
    assert yard.register.get("FER-02").retired_utc == datetime(2026, 5, 10, 10, tzinfo=UTC)
    last = yard.register.events("FER-02")[-1]
    assert last.kind is EventKind.RETIRED
    _, report = look(text.replace("05-10", "05-11"), yard)
    assert "timber return" in report.rows[0].reason


def test_what_the_register_refuses_at_last_is_told_and_spoils_no_other(yard):
    text = HEAD + GOOD + GOOD.replace("FER-02", "FER-03")
    file, report = look(text, yard)
    bring(HEAD + GOOD, yard)  # somebody else was quicker
    done = file.bring(yard, NOW, report)
    assert [row.status for row in done.rows] == [Status.REFUSED, Status.NEW]
    assert "in use already" in done.rows[0].reason
    assert "FER-03" in yard.register.tags()


def test_refused_rows_come_out_with_their_reason(yard, tmp_path):
    file, report = look(HEAD + GOOD + GOOD.replace("FER-02", "FER-03").replace("12 ft", "12 furlongs"), yard)
    file.write_refused(report, tmp_path / "mend.csv")
    heading, row = csv.reader((tmp_path / "mend.csv").read_text("utf-8-sig").splitlines())
    assert heading == [*HEAD.strip().split(","), "refused because"]
    assert row[0] == "FER-03"
    assert "furlongs" in row[-1]
    _, again = look((tmp_path / "mend.csv").read_bytes(), yard)
    assert again.notes == ()


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("Name,Colour\nx,y\n", "no line with tag, species"),
        ("tag,green,size\nFER-02,1,2\n", "two columns for the same: 'green' and 'size'"),
    ],
)
def test_a_file_without_timbers_is_refused(yard, text, why):
    with pytest.raises(ExchangeError, match=why):
        look(text, yard)
