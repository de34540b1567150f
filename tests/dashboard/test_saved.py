"""The bar that says what was saved, and Undo in it."""

import pytest
from streamlit.testing.v1 import AppTest

from baulk.dashboard.sections import saved

PAGE = """
import streamlit as st

from baulk.dashboard.sections import saved
from baulk.models.errors import OutOfRange

def refused():
    raise OutOfRange("the tag", "is another timber's by now")

if st.button("Save", key="save"):
    saved.tell("FER-01 is moved to <rack 2>.", lambda: "FER-01 is back in the shed.")
    st.rerun()
if st.button("Edit", key="edit"):
    saved.tell("The tag is changed.", refused)
    st.rerun()
if st.button("Tell", key="tell"):
    saved.tell("FER-01 is moved to <rack 2>.")
    st.rerun()
saved.show()
"""


@pytest.fixture
def app():
    return AppTest.from_string(PAGE).run()


def bar(app):
    return "".join(each.proto.body for each in app.get("html"))


def undo(app):
    return next(each for each in app.button if each.label == "Undo")


def test_nothing_is_told_before_anything_was_saved(app):
    assert bar(app) == ""


def test_what_was_saved_is_told_over_reruns_and_undo_tells_what_it_did(app):
    app.button(key="save").click().run()
    assert "FER-01 is moved to &lt;rack 2&gt;." in bar(app)
    app.run()
    assert "FER-01 is moved" in bar(app)
    undo(app).click().run()
    assert "FER-01 is back in the shed." in bar(app)
    assert [each.label for each in app.button] == ["Save", "Edit", "Tell"]  # no undo of an undo


def test_an_undo_that_is_refused_says_why(app):
    app.button(key="edit").click().run()
    undo(app).click().run()
    assert "could not be undone" in bar(app)
    assert "another timber&#x27;s by now" in bar(app)


def test_the_same_sentence_told_again_is_told_apart(app):
    first = bar(app.button(key="tell").click().run())
    second = bar(app.button(key="tell").click().run())
    assert first != second
    assert "Undo" not in [each.label for each in app.button]


def test_after_ten_seconds_it_is_gone(app, monkeypatch):
    app.button(key="tell").click().run()
    now = saved.time.monotonic()
    monkeypatch.setattr(saved.time, "monotonic", lambda: now + saved.LASTS_S + 1)
    assert bar(app.run()) == ""
