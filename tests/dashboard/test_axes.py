"""No axis and no hover shows a number that nobody rounded, such as 52.520000."""

import ast
from pathlib import Path

import pandas as pd
import pytest

from baulk.dashboard.charts import time_series

_PAGES = Path(time_series.__file__).parents[1]
_TYPED = (":Q", ":T")


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
