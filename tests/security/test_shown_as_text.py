"""A stranger's text stays text: in Markdown, in a spreadsheet, in the log, as the name of a file."""

from __future__ import annotations

import csv
import html
import io
import logging
import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from streamlit.testing.v1 import AppTest

from baulk.dashboard import words
from baulk.dashboard.sections import (
    table_files,
)
from baulk.ingest import operations, photos, pipeline, shop
from baulk.ingest.exchange.csv_file import open_sheet
from baulk.ingest.exchange.reading_rows import Refused
from baulk.ingest.exchange.rejected_rows import RejectedFile
from baulk.ingest.wire.message import RawMessage
from baulk.models.errors import OutOfRange
from baulk.models.formatting import bare_cell, spreadsheet_cell
from baulk.models.plan.buying import parts
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series, sensor_flag
from baulk.models.timber import Event, EventKind

APP = Path(__file__).parents[2] / "dashboard" / "app.py"
PICTURE = "![x](http://elsewhere.invalid/x.png)"
FORMULA = '=HYPERLINK("http://elsewhere.invalid";"see")'
ODD = st.text(alphabet="ab1 `\\[]()!*_#<>&$~|:.-+\n\t'\"", max_size=40)


def rendered(text):
    return MarkdownIt("commonmark").enable(["table", "strikethrough"]).render(text)


@pytest.mark.parametrize(
    "text",
    [PICTURE, f"`` ` {PICTURE} ``", "<img src=x>", "# a", "a\n\n# b", "1. a", "- a", "[a](b)", "~~a~~"],
)
def test_markdown_shows_a_strangers_text_as_it_stands(text):
    made = rendered(words.md(text))
    assert not re.search(r"<(?!/?p>|/?code>)", made)
    assert html.unescape(re.sub(r"</?(p|code)>", "", made)).strip() == " ".join(text.split())


@given(ODD)
@example("1)")
@example("12.")
def test_no_text_becomes_anything_but_a_paragraph_and_commands(text):
    made = rendered(words.md(text))
    assert not re.search(r"<(?!/?p>|/?code>)", made)
    assert (
        html.unescape(re.sub(r"</?(p|code)>", "", made)).replace("`", "").split()
        == text.replace("`", "").split()
    )


def test_a_command_in_a_sentence_stays_a_command():
    assert rendered(words.md("run `baulk password --shop a_b`")).strip() == (
        "<p>run <code>baulk password --shop a_b</code></p>"
    )


@pytest.mark.parametrize("page", ["views/readings.py", "views/timber.py"])
def test_a_tag_in_a_link_fetches_no_picture(page, shop_dir, oak, monkeypatch):
    with shop.open(shop_dir) as opened:
        operations.add_timber(opened, oak)
    monkeypatch.setenv("BAULK_SHOP", str(shop_dir))
    app = AppTest.from_file(str(APP), default_timeout=60).run()
    app.switch_page(page)
    app.query_params["tag"] = PICTURE
    app.run()
    assert not app.exception
    told = [each.value for each in app.error]
    assert any("elsewhere.invalid" in each for each in told)
    for each in told:
        assert "<img" not in rendered(each)
        assert "<a" not in rendered(each)


@pytest.mark.parametrize("name", ["A\n", "A\n\n", "A ", "A/B", "Ä", ""])
def test_what_is_no_tag_names_no_series_and_no_sensor(name):
    with pytest.raises(OutOfRange):
        Series(owner=Owner.TIMBER, name=name, quantity=Quantity.WEIGHT)
    with pytest.raises(OutOfRange):
        sensor_flag(name)


@pytest.mark.parametrize("text", [FORMULA, "+cmd|' /C calc'!A0", "-1+1", "@SUM(A1)", "\tx", "\n=1"])
def test_a_spreadsheet_works_out_no_strangers_text(text):
    assert spreadsheet_cell(text) == f"'{text}"
    assert bare_cell(spreadsheet_cell(text)) == text


@pytest.mark.parametrize("text", ["-5", "+1.5e3", "-.5", "FER-01", "", "'tis", "12 in"])
def test_what_is_no_formula_stays_as_it_is(text):
    assert spreadsheet_cell(text) == text
    assert bare_cell(text) == text


def opened_sheet(body):
    return open_sheet(body, lambda names: "tag" in names, looked_for="a tag")


def test_refused_rows_hold_no_formula_and_go_in_again_as_they_were(tmp_path):
    sheet = opened_sheet(b"tag,remark\nA,x\n")
    with RejectedFile(tmp_path / "refused.csv", sheet) as out:
        out.add([Refused(line=2, cells=("FER-01", FORMULA), column="", reason="-2+3 is no length")])
    text = (tmp_path / "refused.csv").read_text(encoding="utf-8-sig")
    rows = list(csv.reader(io.StringIO(text)))
    assert [cell[0] for cell in rows[1]] == ["F", "'", "'"]
    again = opened_sheet((tmp_path / "refused.csv").read_bytes())
    assert [row.cells[1] for row in again.rows()] == [FORMULA]


def test_a_table_taken_from_a_page_holds_no_formula():
    made = table_files.csv(pd.DataFrame({"part": [FORMULA, "knee"], "width_mm": [-3.5, 2.0]}))
    assert [row[0] for row in csv.reader(io.StringIO(made.decode()))] == ["part", f"'{FORMULA}", "knee"]
    assert b"-3.5" in made


def test_a_parts_list_holds_no_formula_and_is_read_back_as_it_was():
    part = parts.Part(
        name=FORMULA,
        width_mm=100,
        depth_mm=100,
        length_mm=1000,
        use_class="frame-outdoors",
        species="white oak",
    )
    text = parts.write_csv([part])
    assert list(csv.reader(io.StringIO(text)))[1][0] == f"'{FORMULA}"
    assert [each.name for each in parts.read_csv(text).parts] == [FORMULA]


def test_a_topic_writes_one_line_of_the_log(shop_dir, now_utc, caplog):
    topic = "baulk/v1/test-yard/timber/A\nERROR all is lost \x1b[2J"
    with shop.open(shop_dir) as opened, caplog.at_level(logging.WARNING, "baulk.pipeline"):
        pipeline.handle(RawMessage(topic=topic, payload=b"[]", arrived_utc=now_utc), opened)
        assert opened.store.quarantine_count() == 1
    (record,) = caplog.records
    assert record.getMessage().isprintable()


@pytest.mark.parametrize("file", ["/etc/hostname", "../beside.jpg", "photos/../../beside.jpg", "a\\b.jpg"])
def test_a_photograph_outside_the_shops_folder_is_refused(file, shop_dir, oak, now_utc):
    event = Event(
        tag="FER-01", kind=EventKind.PHOTOGRAPHED, at_utc=now_utc, noted_utc=now_utc, detail={"file": file}
    )
    with shop.open(shop_dir) as opened:
        operations.add_timber(opened, oak)
        with pytest.raises(OutOfRange, match="lies in the shop's folder"):
            opened.register.add_event(event)


def test_a_photograph_noted_by_an_older_version_is_shown_only_if_it_lies_among_them(shop_dir, oak, now_utc):
    (shop_dir / "beside.jpg").write_bytes(b"not a photograph of a timber")
    (shop_dir / "photos").mkdir()
    (shop_dir / "photos" / "linked.jpg").symlink_to(shop_dir / "beside.jpg")
    (shop_dir / "photos" / "one.jpg").write_bytes(b"a photograph")
    with shop.open(shop_dir) as opened:
        operations.add_timber(opened, oak)
        for file in ("beside.jpg", "photos/linked.jpg", "photos/one.jpg"):
            event = Event(
                tag="FER-01",
                kind=EventKind.PHOTOGRAPHED,
                at_utc=now_utc,
                noted_utc=now_utc,
                detail={"file": file},
            )
            opened.register.add_event(replace(event, note=file))
        assert [path.name for _, path in photos.of(opened, "FER-01")] == ["one.jpg"]
