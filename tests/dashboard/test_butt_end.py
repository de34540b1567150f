"""The picture of the butt end: lines of equal moisture lie where the field has that moisture."""

from __future__ import annotations

import altair as alt
import numpy as np
import pytest

from baulk.dashboard.charts import cross_section
from baulk.ingest.evaluation.document import parse


@pytest.fixture
def seen(invented):
    timber = invented.piece("FER-01")
    return parse(invented.evaluation(timber))


def cone(seen, core):
    """The same evaluation with moisture that falls evenly from the middle outward."""
    field = seen.field_now
    x, y = np.asarray(field.x_edges_mm), np.asarray(field.y_edges_mm)
    away = np.hypot(*np.meshgrid((x[:-1] + x[1:]) / 2, (y[:-1] + y[1:]) / 2))
    values = core - 0.4 * away
    cells = tuple(tuple(row) for row in values.tolist())
    return seen.model_copy(update={"field_now": field.model_copy(update={"median_pct": cells})})


def drawn(seen):
    axis = {"scale": alt.Scale(zero=False)}
    return cross_section._contours(seen, 1.0, alt.X("x:Q", **axis), alt.Y("y:Q", **axis))


def test_a_line_of_equal_moisture_is_a_circle_round_an_even_cone(seen):
    lines = drawn(cone(seen, 60.0))[0].data
    thirty = lines[lines["line"].str.startswith("50-")]
    away = np.hypot(thirty["x"], thirty["y"])
    assert away.to_numpy() == pytest.approx(25.0, abs=2.5)  # 60 - 0.4 * 25 = 50; cells of 12 mm


def test_names_of_lines_keep_apart_so_that_they_can_be_read(seen):
    names = drawn(seen)[1].data
    places = names[["x", "y"]].to_numpy()
    for n, one in enumerate(places):
        for other in places[:n]:
            assert np.hypot(*(one - other)) > 10


def test_wood_of_one_moisture_has_no_lines(seen):
    field = seen.field_now
    even = tuple(tuple(22.0 for _ in row) for row in field.median_pct)
    flat = seen.model_copy(update={"field_now": field.model_copy(update={"median_pct": even})})
    assert drawn(flat) == []
