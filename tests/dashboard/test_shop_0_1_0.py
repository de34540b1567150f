"""A shop folder that the program of version 0.1.0 made opens, is read by everything, and is evaluated anew.

tests/ingest/data/make_shop_0_1_0.py made it; six timbers: one to leave, one to square, three to rough out,
one that could not be evaluated, one of them retired; kept fits, a kept plan, notices, earlier forecasts.
"""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
import zipfile
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import jsonschema
import pypdfium2
import pytest
from typer.testing import CliRunner

from baulk.dashboard import commands
from baulk.dashboard.printing import record, record_data
from baulk.dashboard.queries import shop_facts, yard_rows
from baulk.dashboard.sections import forecast_review
from baulk.dashboard.server import calendar_file
from baulk.ingest import shop as shops
from baulk.ingest.evaluation import document, document_read, swaps, yard_memory
from baulk.ingest.evaluation import gather as evaluation_gather
from baulk.ingest.evaluation.document import SCHEMA_VERSION
from baulk.ingest.evaluation.document_fields import sentence, sentences
from baulk.ingest.evaluation.document_read import parse
from baulk.ingest.exchange import export, table_file
from baulk.ingest.monitoring import notices
from baulk.ingest.mqtt import publish
from baulk.ingest.planning import sawing, timber_ensembles
from baulk.ingest.store import notes

FOLDER = Path(__file__).parents[1] / "ingest" / "data" / "shop-0.1.0.zip"
NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
STAGES = ("build", "service_low", "service_high")
STEPS = {"FER-01": "leave", "FER-02": "square", "FER-03": "rough out", "FER-05": "rough out"}


@pytest.fixture
def shop_folder(tmp_path):
    """The folder as 0.1.0 left it."""
    with zipfile.ZipFile(FOLDER) as packed:
        packed.extractall(tmp_path / "shop")
    return tmp_path / "shop"


@pytest.fixture
def shop(shop_folder):
    with shops.open(shop_folder) as opened:
        yield opened


@pytest.fixture
def page(shop_folder, monkeypatch):
    """The pages' own way to the shop."""
    monkeypatch.setenv("BAULK_SHOP", str(shop_folder))


@pytest.fixture
def raw(shop_folder):
    """What 0.1.0 stored, read from its file with nothing of this program."""
    with closing(sqlite3.connect(shop_folder / "shop.db")) as base:
        rows = base.execute("SELECT tag, payload FROM evaluation").fetchall()
    return {tag: json.loads(payload) for tag, payload in rows}


def test_the_folder_opens_with_all_that_was_in_it(shop):
    tags = [f"FER-0{number}" for number in range(1, 7)]
    assert [each.tag for each in shop.register.list()] == tags[:5]
    assert [each.tag for each in shop.register.list(retired=True)] == tags
    kinds = [each.kind.value for each in shop.register.events("FER-03")]
    assert kinds == ["arrived", "oven-dried", "stickered", "planed"]
    assert sum(1 for _ in export.readings(shop, export.Asked()).rows) == 2230


def test_every_document_says_what_was_stored(shop, raw):
    for tag, stored in raw.items():
        assert "schema_version" not in stored
        payload = shop.store.evaluation(tag)[1]
        if "failed" in stored:
            assert document_read.failure_of(payload).failed == stored["failed"]
            continue
        found = parse(payload)
        assert found.schema_version == 1
        assert found.verdict.reasons == tuple(stored["verdict"]["reasons"])
        assert [each.values["text"] for each in found.verdict.reasons_coded] == stored["verdict"]["reasons"]
        written = json.loads(found.model_dump_json())
        grown = ("forecast", "verdict", "calibration")  # these have keys by now that 0.1.0 did not know
        for part in grown:
            assert {name: written[part][name] for name in stored[part]} == stored[part]
        moves = written["movement"]  # and so have the movement and its stages
        for said, told in ((moves, stored["movement"]), *((moves[s], stored["movement"][s]) for s in STAGES)):
            assert {name: said[name] for name in told if name not in STAGES} == {
                name: each for name, each in told.items() if name not in STAGES
            }
            assert said["diamond_mm"] == told["out_of_square_mm"]  # what it was called then
        for part in stored.keys() - {*grown, "movement"}:
            assert written[part] == stored[part]


def test_the_pages_read_every_timber(page):
    rows = {row.timber.tag: row for row in yard_rows.rows(NOW)}
    assert {tag: row.step for tag, row in rows.items()} == {**STEPS, "FER-04": None}
    assert "the air of this place is not known" in rows["FER-04"].trouble
    for tag in STEPS:
        found = shop_facts.timber(tag)
        earlier = forecast_review.kept(tag, NOW)
        assert len(earlier) == 2
        for payload in earlier.values():
            then = parse(payload)
            met = forecast_review.met(then, found.answer)
            assert met
            assert all(
                "inch" not in each for each in forecast_review.sentences(then, found.answer, met, "metric")
            )
    assert shop_facts.timber("FER-04").answer is None


@pytest.mark.parametrize("tag", ["FER-03", "FER-04"])
def test_the_timber_page_draws_it(app, tag):
    app.run()
    app.switch_page("views/timber.py")
    app.query_params["tag"] = tag
    app.run()
    assert not app.exception
    assert app.title[0].value == tag


def test_publisher_export_and_papers_read_it(shop, raw):
    sent = {one.tag: json.loads(one.payload) for one in publish.messages(shop) if one.tag}
    for tag, stored in raw.items():
        verdict = stored.get("verdict", {})
        assert {name: sent[tag][name] for name in verdict} == verdict
    text = io.StringIO()
    table_file.write_csv(export.verdicts(shop, export.Asked()), text)
    rows = {row["tag"]: row for row in csv.DictReader(io.StringIO(text.getvalue()))}
    for tag, stored in raw.items():
        if "failed" in stored:
            assert (rows[tag]["verdict"], rows[tag]["failed"]) == ("", stored["failed"])
            continue
        assert rows[tag]["verdict"] == stored["verdict"]["step"]
        assert rows[tag]["square_from"] == (stored["verdict"]["dates"]["square"] or "")
        assert rows[tag]["reasons"] == " ".join(stored["verdict"]["reasons"])
        assert float(rows[tag]["core_high_pct"]) == stored["core_now_pct"]["high"]
    for tag in raw:
        made = record_data.record(shop, tag, NOW, system="metric")
        pdf = pypdfium2.PdfDocument(record.pdf(made))
        assert f"Drying record: {tag}" in pdf[0].get_textpage().get_text_bounded()
    assert b"BEGIN:VEVENT" in calendar_file.calendar(
        [record_data.record(shop, "FER-02", NOW)], shop="Ferry yard", slug="yard"
    )


def test_whole_evaluations_come_out_in_the_schema_of_this_version(shop_folder, raw):
    said = CliRunner().invoke(
        commands.build(), ["export", "evaluations", "--past", "--shop", str(shop_folder)]
    )
    assert said.exit_code == 0, said.output
    schema = json.loads(Path(document.__file__).with_name("evaluation.schema.json").read_text())
    rows = [json.loads(line) for line in said.stdout.splitlines()]
    assert len(rows) == 4 * 3 + 2 + 1
    for row in rows:
        assert row["schema_version"] == SCHEMA_VERSION
        jsonschema.validate(row, schema, jsonschema.Draft202012Validator)


def test_searches_plans_and_notices_read_it(shop):
    assert swaps.look(shop, NOW) == []
    kinds = {(each.kind, each.about) for each in notices.look(shop, NOW)}
    assert {("ready", "FER-02, square"), ("ready", "FER-03, rough out")} <= kinds
    yard = {each.stock.name: each for each in sawing.yard(shop, 0.9)}
    assert [tag for tag, each in yard.items() if not each.measured] == ["FER-04"]
    timber = shop.register.get("FER-01")
    assert sawing.wet(timber, sawing.answer_of(shop, "FER-01"), shop.woods.species).field is not None
    cut = shop.register.get("FER-03")
    assert (
        sawing.wet(cut, sawing.answer_of(shop, "FER-03"), shop.woods.species).field is not None
    )  # planed before it
    assert yard_memory.refresh(shop, NOW)
    # 0.1.0 knew no factor on the width, so that its forecasts don't try those of this version
    assert {len(each.squares) for each in yard_memory.known(shop).records.values()} == {0}


def test_it_is_evaluated_anew_and_what_0_1_0_kept_of_fits_is_passed_over(shop, raw):
    now = NOW + timedelta(hours=1)
    assert shop.store.noted(notes.fit_key("FER-03")) is not None
    made = evaluation_gather.evaluate("FER-03", shop, now, resume=True)
    assert made.failed is None
    written = json.loads(shop.store.evaluation("FER-03")[1])
    assert written["schema_version"] == SCHEMA_VERSION
    assert set(raw["FER-03"]) <= set(written)
    assert made.document.calibration.fitted == "whole"
    again = evaluation_gather.evaluate("FER-03", shop, now + timedelta(hours=1), resume=True)
    assert again.failed is None
    failed = raw["FER-04"]["failed"].partition(";")[0]  # the place is named since, and what to do is another
    failed = failed.replace("the air of this place", "the air of boathouse")
    told = evaluation_gather.evaluate("FER-04", shop, now).failed
    assert told is not None
    assert told.startswith(f"{failed}; type it on the page Shop air")
    inputs = evaluation_gather.gather("FER-01", shop, now)
    assert shop.store.noted("plan-stock/FER-01") is not None
    _, enough = timber_ensembles.of(shop, inputs)
    assert enough


def test_a_reader_in_metric_sees_no_inch_of_a_shop_in_inches(shop):
    """The sentences of 0.1.0 stay as they were stored; those of this version are made for the reader."""
    measure = re.compile(r"\d\s*(in|ft|lb)\b|\d\s*x\s*\d[\d /]*in\b")
    assert shop.config.shop.units == "inch"
    seen = []
    for tag in STEPS:
        found = evaluation_gather.evaluate(tag, shop, NOW + timedelta(hours=1)).document
        judged, fit = found.verdict, found.calibration
        said = [
            *sentences(judged.reasons_coded, judged.reasons, "metric"),
            sentence(judged.next_reading_coded, judged.next_reading, "metric"),
            *sentences(fit.notes_coded, fit.notes, "metric"),
            *sentences(fit.left_out_coded, fit.left_out, "metric"),
        ]
        assert [each for each in said if measure.search(each)] == []
        seen += [each for each in judged.reasons if measure.search(each)]
    assert seen  # the stored ones are in the shop's units
