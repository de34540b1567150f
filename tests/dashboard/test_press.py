"""A press outlives the run it began: that run is given up whenever the browser asks for another one."""

import pytest
from streamlit.testing.v1 import AppTest

PAGE = """
import streamlit as st
from streamlit.proto.WidgetStates_pb2 import WidgetStates
from streamlit.runtime.scriptrunner import RerunData, get_script_run_ctx

from baulk.dashboard.sections import entry, press
from baulk.models.errors import OutOfRange

done = st.session_state.setdefault("done", [])
entry.tell()

def give_up(where):
    # as when a fold is opened or a field is left meanwhile: the browser asks anew, and names no press
    if st.session_state.get("at") == where:
        del st.session_state["at"]
        ctx = get_script_run_ctx()
        states = ctx.session_state.get_widget_states()
        quiet = [each for each in states if each.WhichOneof("value") != "trigger_value"]
        ctx.script_requests.request_rerun(RerunData(widget_states=WidgetStates(widgets=quiet)))

give_up("before")
st.write("what stands above the button")

def calculate():
    done.append("worked out")
    if st.session_state.get("refuses"):
        raise OutOfRange("the size", "is too large")
    return len(done)

press.draw("Calculate", key="go")
give_up("while")
try:
    made = press.answer("go", st.session_state.get("about"), "Working it out...", calculate)
    if made is not None:
        st.write(f"answer {made}")
except OutOfRange as err:
    st.write(f"answer: {err}")

box = entry.Entry("weight")
with box.form():
    typed = st.text_input("Weight", key=box.key("kg"))
    pressed = box.buttons()
if pressed and not typed:
    box.refuse("It is missing.")
elif pressed:
    def act():
        done.append(typed)
        give_up("after") # the session is looked at by the next line of the page only
        return f"{typed} saved", None
    box.keep(act)

if press.button("Undo", key="undo"):
    done.append("undone")
"""


@pytest.fixture
def app():
    return AppTest.from_string(PAGE, default_timeout=10).run()


def told(app):
    return [each.value for each in app.markdown if each.value.startswith("answer")]


@pytest.mark.parametrize("where", [None, "before", "while"])
def test_what_was_asked_is_worked_out_once_and_its_answer_stays(app, where):
    app.session_state["at"] = where
    app.button(key="go").click().run()
    assert told(app) == ["answer 1"]
    app.run()  # a fold was opened, a reading has come
    assert told(app) == ["answer 1"]
    assert app.session_state["done"] == ["worked out"]
    app.button(key="go").click().run()
    assert told(app) == ["answer 2"]
    app.session_state["about"] = "another timber"
    app.run()
    assert told(app) == []


def test_a_refusal_is_an_answer_too(app):
    app.session_state["refuses"] = True
    app.button(key="go").click().run()
    app.run()
    assert told(app) == ["answer: the size is too large"]
    assert app.session_state["done"] == ["worked out"]


@pytest.mark.parametrize("where", [None, "before", "after"])
def test_what_was_typed_is_saved_once(app, where):
    app.text_input(key="weight-kg-0").set_value("96")
    app.session_state["at"] = where
    app.button(key="weight-save-0").click().run()
    app.run()
    assert app.session_state["done"] == ["96"]
    assert app.text_input(key="weight-kg-1").value == ""


def test_a_refused_entry_waits_for_another_press(app):
    app.button(key="weight-save-0").click().run()
    assert [each.value for each in app.error] == ["It is missing."]
    app.run()
    assert len(app.error) == 0
    app.text_input(key="weight-kg-0").set_value("96")
    app.button(key="weight-save-0").click().run()
    assert app.session_state["done"] == ["96"]


def test_an_undo_is_done_once_though_its_run_was_given_up(app):
    app.session_state["at"] = "before"
    app.button(key="undo").click().run()
    app.run()
    assert app.session_state["done"] == ["undone"]
