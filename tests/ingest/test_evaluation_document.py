"""One description of a stored evaluation: what is written is what is read, from earlier versions too."""

from __future__ import annotations

import json
import sys
from datetime import UTC, datetime
from pathlib import Path

import jsonschema
import pytest
from pydantic import ValidationError

sys.path.insert(0, str(Path(__file__).parent))
import documents
import six_timbers

from baulk.ingest import shop
from baulk.ingest.errors import DocumentError
from baulk.ingest.evaluation import document, document_read, gather
from baulk.ingest.evaluation.document import SCHEMA_VERSION, Document, Failed
from baulk.ingest.evaluation.document_fields import sentence, sentences
from baulk.ingest.evaluation.document_read import parse, summary
from baulk.models.reason import Reason

SCHEMA = Path(document.__file__).with_name("evaluation.schema.json")
MADE = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)


@pytest.fixture(scope="module")
def schema():
    return json.loads(SCHEMA.read_text())


@pytest.fixture
def stored(yard):
    """What this version stores of one timber, and of one that can't be evaluated."""
    six_timbers.fill(yard, six_timbers.TAGS[:1])
    made = gather.evaluate("FER-01", yard, six_timbers.NOW)
    yard.register.add(six_timbers.timber("BAD-01", place="nowhere"))
    failed = gather.evaluate("BAD-01", yard, six_timbers.NOW)
    return made, yard.store.evaluation("FER-01")[1], failed, yard.store.evaluation("BAD-01")[1]


@pytest.fixture
def yard(yard_dir):
    with shop.open(yard_dir) as opened:
        yield opened


def test_the_schema_in_the_package_is_that_of_the_model(schema):
    """`baulk export schema > ingest/evaluation/evaluation.schema.json` writes it anew."""
    assert schema == document.json_schema()


def test_what_is_stored_fits_the_schema_and_is_read_back_as_it_was_written(stored, schema):
    made, payload, failed, why = stored
    for each in (payload, why):
        jsonschema.validate(json.loads(each), schema, jsonschema.Draft202012Validator)
        assert json.loads(each)["schema_version"] == SCHEMA_VERSION
    assert parse(payload).model_dump_json().encode() == payload == made.to_json()
    assert isinstance(made.document, Document)
    assert document_read.failure_of(why) == failed.document
    assert summary(payload).verdict == parse(payload).verdict
    with pytest.raises(DocumentError, match=r"can't be worked out: the air of \S+ is not known"):
        parse(why)


def test_the_schema_refuses_what_the_model_refuses(stored, schema):
    broken = json.loads(stored[1])
    broken["verdict"]["step"] = "burn"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(broken, schema, jsonschema.Draft202012Validator)
    with pytest.raises(DocumentError, match=r"can't be read at verdict\.step"):
        parse(json.dumps(broken).encode())


def test_moments_are_written_with_their_offset_and_numbers_that_are_none_are_refused(stored):
    body = json.loads(stored[1])
    assert body["made_utc"] == six_timbers.NOW.isoformat()
    assert "checking" not in body or body["checking"] is not None
    with pytest.raises(ValidationError):
        document.Interval(median=float("nan"), low=1.0, high=2.0)


def test_beside_every_sentence_stands_its_reason(stored):
    verdict = parse(stored[1]).verdict
    assert len(verdict.reasons_coded) == len(verdict.reasons)
    assert sentences(verdict.reasons_coded, (), "metric") == verdict.reasons
    assert all(isinstance(each, Reason) for each in verdict.reasons_coded)


def test_sentences_without_codes_become_reasons_that_hold_their_text():
    payload = documents.stored("FER-01", MADE, calibration={"left_out": ["one", "two"]})
    found = parse(payload)
    assert found.schema_version == 1
    assert found.verdict.reasons_coded == (Reason(code="stored.text", values={"text": "Wet."}),)
    assert found.verdict.next_reading_coded.values == {"text": "weigh it"}
    assert sentences(found.calibration.left_out_coded, (), "inch") == ("one", "two")
    again = parse(found.model_dump_json().encode())
    assert again == found


def test_a_reason_is_told_in_the_readers_units_and_one_that_nobody_knows_as_it_was_stored(monkeypatch):
    from baulk.models import text  # noqa: PLC0415

    known = {
        "test.deep": lambda values, system: f"{values['deep_mm']:.0f} mm" if system == "metric" else "2 in"
    }
    monkeypatch.setattr(text, "SENTENCES", {**text.SENTENCES, **known})
    deep = Reason(code="test.deep", values={"deep_mm": 50.8})
    assert [sentence(deep, "stored", system) for system in ("inch", "metric")] == ["2 in", "51 mm"]
    for other in (Reason(code="of.another.version"), Reason(code="test.deep", values={"deep": 1.0})):
        assert sentence(other, "As stored.", "metric") == "As stored."
        assert sentences((deep, other), ("One.", "Two."), "metric") == ("One.", "Two.")


def test_a_reasons_moments_and_lists_survive_the_store():
    reason = Reason(code="x", values={"since_utc": MADE, "low_pct": 4.5, "tags": ("A", "B"), "sealed": True})
    body = documents.whole("FER-01", MADE)
    body["verdict"]["reasons_coded"] = [reason.to_json()]
    found = parse(parse(json.dumps(body).encode()).model_dump_json().encode())
    assert found.verdict.reasons_coded == (reason,)


def test_a_document_of_a_newer_schema_is_told_in_a_sentence_with_what_to_do():
    payload = documents.stored("FER-01", MADE, schema_version=SCHEMA_VERSION + 1)
    for read in (parse, summary):
        with pytest.raises(DocumentError, match=r"newer version .*update .*baulk forecast --again"):
            read(payload)
    assert document_read.document_of(payload) is None


@pytest.mark.parametrize(
    "payload", [b"", b"{", b"[]", b"7", b'{"tag": "FER-01"}', b'{"schema_version": "x"}']
)
def test_what_is_no_document_is_told_in_a_sentence(payload):
    with pytest.raises(DocumentError, match=r"can't be read at .*baulk forecast"):
        parse(payload)
    assert document_read.summary_of(payload) is None
    assert document_read.failure_of(payload) is None


def test_keys_of_a_later_program_with_the_same_schema_are_passed_over():
    payload = documents.stored("FER-01", MADE, verdict={"colour": "green"}, weather="fine")
    assert parse(payload) == parse(documents.stored("FER-01", MADE))


def test_the_stored_field_becomes_that_of_the_section_unless_it_was_cut_since():
    field = parse(documents.stored("FER-01", MADE)).field_now
    section = six_timbers.timber("X").section
    assert field.moisture(section, 0.0) is None
    whole = type(section)(width_mm=100.0, depth_mm=100.0)
    found = field.moisture(whole, MADE.timestamp())
    assert found.mc_pct.tolist() == [[20.0], [21.0]]
    assert found.posix_s == MADE.timestamp()


def test_a_failed_document_says_why_in_both_forms():
    found = Failed(tag="X", made_utc=MADE, model_version="v", failed="no air")
    assert found.failed_coded == Reason(code="stored.text", values={"text": "no air"})
