from __future__ import annotations

import pytest

from baulk.dashboard.sections import layout
from baulk.models.errors import OutOfRange


@pytest.fixture
def shown(monkeypatch):
    seen = []
    monkeypatch.setattr(layout.st, "error", seen.append)
    return seen


def test_an_error_raised_on_purpose_is_its_sentence(shown):
    with layout.errors_as_sentences():
        raise OutOfRange("the length", "must be above 0 mm, not -1")
    assert shown == ["The length must be above 0 mm, not -1."]


def test_an_error_nobody_foresaw_is_a_sentence_too_and_its_detail_is_logged(shown, caplog):
    with layout.errors_as_sentences():
        raise ZeroDivisionError
    assert shown == [layout.UNFORESEEN]
    assert "ZeroDivisionError" in caplog.text
