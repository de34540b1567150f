"""Each person's own units: chosen in the menu, kept by the browser, never the shop's."""

from __future__ import annotations

import json

import pytest

from baulk.dashboard.server import preferences


def html(app):
    return "\n".join(each.proto.body for each in app.get("html"))


def test_a_person_who_chooses_metric_sees_metric_and_the_shop_stays_inch(app):
    app.run()
    assert app.radio(key="me_system").value == "inch"
    before = html(app)
    app.radio(key="me_system").set_value("metric").run()
    app.radio(key="me_temperature").set_value("C").run()
    assert not app.exception
    assert app.session_state["me"] == preferences.Chosen(system="metric", temperature="C")
    after = html(app)
    assert "8 x 7 3/4 in" in before
    assert "203 x 197 mm" in after
    assert "8 x 7 3/4 in" not in after


def test_a_name_is_kept_beside(app):
    app.run()
    app.text_input(key="me_name").set_value(" Ida ").run()
    assert app.session_state["me"].name == "Ida"
    assert app.session_state["me"].system is None


@pytest.mark.parametrize(
    "kept", ["", "{", "[]", '{"system": "cubits"}', '{"temperature": 7, "name": "' + "x" * 90 + '"}', "null"]
)
def test_a_damaged_memory_of_the_browser_counts_as_none(monkeypatch, kept):
    monkeypatch.setattr(preferences.st, "session_state", {})
    monkeypatch.setattr(preferences, "kept", lambda _: kept)
    me = preferences.chosen()
    assert me.system is None
    assert me.temperature is None
    assert len(me.name) <= preferences.LONGEST_NAME


def test_what_the_browser_kept_is_taken_up(monkeypatch):
    monkeypatch.setattr(preferences.st, "session_state", {})
    kept = json.dumps({"system": "metric", "temperature": "F", "name": "Ida"})
    monkeypatch.setattr(preferences, "kept", lambda _: kept)
    assert preferences.chosen() == preferences.Chosen(system="metric", temperature="F", name="Ida")


def test_a_name_can_not_end_the_script_that_keeps_it(monkeypatch):
    said = []
    monkeypatch.setattr(preferences.st, "html", lambda text, **_: said.append(text))
    preferences.keep("a", '</script><b>"')
    assert said[0].count("</script>") == 1
