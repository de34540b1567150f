"""Every chart says what it shows in one sentence, which is on the page and its text for readers too."""

import ast
import re
from pathlib import Path

import pytest

import baulk.dashboard

PAGES = Path(baulk.dashboard.__file__).parent
DRAWN = ("views", "sections")  # what puts charts on pages
SAYS = {"markdown", "caption", "html", "write"}
OTHERS = {"line_chart", "area_chart", "bar_chart", "scatter_chart", "vega_lite_chart", "pyplot", "map",
          "plotly_chart", "graphviz_chart", "pydeck_chart", "bokeh_chart"}  # fmt: skip
PURE = {
    "first_steps.py",
    "tap_picture.py",
}  # a drawing beside its words; a picture with its words on the stage


def sources():
    for part in DRAWN:
        for file in sorted((PAGES / part).glob("*.py")):
            yield file, ast.parse(file.read_text(encoding="utf-8"))


def calls(tree, names):
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in names:
            yield node


def charts():
    for file, tree in sources():
        for function in ast.walk(tree):
            if not isinstance(function, ast.FunctionDef):
                continue
            for call in calls(function, {"altair_chart"}):
                yield pytest.param(function, call, id=f"{file.stem}-{function.name}-{call.lineno}")


@pytest.mark.parametrize(("function", "call"), list(charts()))
def test_a_charts_text_for_readers_is_a_sentence_that_stands_on_the_page(function, call):
    (alt,) = [each.value for each in call.keywords if each.arg == "alt"]
    wanted = ast.unparse(alt)
    assert not isinstance(alt, ast.Constant)  # it says what was found, not what kind of chart it is
    shown = [
        ast.unparse(one) for each in calls(function, SAYS) for one in each.args
    ]  # as it is, or made safe for Markdown
    assert any(wanted in each for each in shown), f"{wanted} is not shown beside its chart"


def test_no_page_draws_by_a_way_that_has_no_text():
    other = [
        f"{file.name}:{call.lineno}"
        for file, tree in sources()
        for call in calls(tree, OTHERS)
        if ast.unparse(call.func).startswith("st.")
    ]
    assert other == []
    assert len(list(charts())) >= 8  # the search itself finds them


def test_every_picture_of_ours_has_its_words():
    bare = []
    for file in sorted(PAGES.rglob("*.py")):
        if file.name in PURE or "printing" in file.parts or "guide" in file.parts:
            continue
        images = re.findall(r"<img\b[^>]*", file.read_text(encoding="utf-8"))
        bare += [(file.name, tag) for tag in images if not re.search(r"alt=[\"']?[^\"'\s>]", tag)]
    assert bare == []


def test_every_drawing_by_the_server_is_given_a_sentence():
    made = [
        (file.name, next((each.value for each in call.keywords if each.arg == "said"), None))
        for file in sorted((PAGES / "charts").glob("*.py"))
        for call in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(call, ast.Call) and ast.unparse(call.func).endswith("Picture")
    ]
    assert len(made) >= 3
    assert [name for name, said in made if said is None or "finding" not in ast.unparse(said)] == []
