"""No axis and no hover shows a number that nobody rounded, such as 52.520000."""

import ast
import importlib.util
from pathlib import Path

import altair as alt
import pandas as pd
import pytest

from baulk.dashboard.charts import forecast, time_series

_PAGES = Path(time_series.__file__).parents[1]
_TYPED = (":Q", ":T")
_SPEC = importlib.util.spec_from_file_location("chart_numbers", Path(__file__).with_name("chart_numbers.py"))
chart_numbers = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(chart_numbers)


def channels():
    """Give every axis and hover of every chart with the keywords that it is made with."""
    for file in sorted(_PAGES.rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.args):
                continue
            name, about = node.func.attr, ast.unparse(node.args[0]).strip("f'\"")
            if name in {"X", "Y", "Tooltip"} and about.endswith(_TYPED):
                yield (
                    f"{file.name}:{node.lineno} {name} {about}",
                    name,
                    {one.arg: one.value for one in node.keywords},
                )


def formatted(axis):
    """Whether what makes an axis gives its labels a form."""
    if isinstance(axis, ast.Constant) and axis.value is None:
        return True
    if isinstance(axis, ast.Name):  # made once beside it, by value_axis
        return axis.id == "axis"
    made = ast.unparse(axis.func)
    return made.endswith(("date_axis", "value_axis")) or bool(
        {one.arg for one in axis.keywords} & {"format", "labelExpr"}
    )


def test_every_axis_and_every_hover_of_every_chart_has_a_format():
    found = list(channels())
    assert len(found) > 40  # the search itself finds them
    bare = [
        where
        for where, name, given in found
        if not ("format" in given if name == "Tooltip" else "axis" in given and formatted(given["axis"]))
    ]
    assert bare == []


@pytest.mark.parametrize("values", [[52.523], [52.523] * 3, [52.52, 52.53, 1234.5678]])
def test_a_chart_of_one_value_labels_it_with_four_figures_at_most(values):
    at = pd.date_range("2026-01-01", periods=len(values), tz="UTC")
    made = time_series.air(pd.DataFrame({"time": at, "rh": values}), "rh", "humidity, %", "#000").to_dict()
    axis = made["layer"][0]["encoding"]["y"]["axis"]
    assert axis["format"] == made["config"]["numberFormat"] == ",.4~r"


def test_the_fixture_of_the_pages_tells_a_chart_that_nobody_rounded():
    data = pd.DataFrame({"a": [1.0], "b": [52.523]})
    bare = alt.Chart(data).mark_line().encode(x=alt.X("a:Q", axis=alt.Axis(format=".1f")), y="b:Q")
    assert chart_numbers.unrounded(alt.layer(bare).to_dict()) == ["y of b"]
    fine = bare.encode(y=alt.Y("b:Q", axis=alt.Axis(format=".6f")), tooltip=[alt.Tooltip("b:Q")])
    assert chart_numbers.unrounded(fine.to_dict()) == ["tooltip of b", "y of b"]
    assert chart_numbers.unrounded(time_series.finish(alt.layer(bare), 100).to_dict()) == []


def test_a_page_that_draws_such_a_chart_is_found(app, monkeypatch):
    made = alt.Chart(pd.DataFrame({"b": [52.523]})).mark_line().encode(y="b:Q")
    monkeypatch.setattr(forecast, "chart", lambda *_: made)
    app.run()
    app.switch_page("views/timber.py")
    app.query_params["tag"], app.query_params["open"] = "FER-01", "forecast"
    app.run()
    assert app.unrounded == ["y of b"]
    app.unrounded.clear()
