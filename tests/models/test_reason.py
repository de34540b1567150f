"""A reason keeps its values through JSON, and every code has words."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from baulk.models import text
from baulk.models.reason import Reason


def test_a_reason_comes_back_from_json_as_it_was():
    moment = datetime(2027, 3, 4, 12, tzinfo=UTC)
    values = {"moved_mm": 4.5, "ready_utc": moment, "faces": ("a", "b"), "inner": {"since_utc": moment}}
    said = Reason(code="stored.text", values={**values, "none": None, "open": True})
    assert Reason.from_json(json.loads(json.dumps(said.to_json()))) == said


def test_a_sentence_of_the_first_version_is_shown_as_it_was_stored():
    stored = Reason(code="stored.text", values={"text": "Squared today it would move."})
    assert text.sentence(stored, "metric") == "Squared today it would move."
    assert text.sentences([stored, Reason(code="stored.text", values={"text": ""})], "inch") == (
        "Squared today it would move.",
    )


def test_a_code_without_words_is_a_fault_not_a_silence():
    with pytest.raises(KeyError):
        text.sentence(Reason(code="no.such"), "metric")
