"""The picture of the butt end: lines of equal moisture lie where the field has that moisture."""

from __future__ import annotations

import re

import numpy as np
import pytest

from baulk.dashboard.charts import butt_end
from baulk.ingest.evaluation.document_read import parse


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


def test_a_line_of_equal_moisture_is_a_circle_round_an_even_cone(seen):
    ((_, fifty),) = [each for each in butt_end.equal_moisture(cone(seen, 60.0)) if each[0] == 50]
    away = np.hypot(fifty[:, 0], fifty[:, 1])
    assert away == pytest.approx(25.0, abs=2.5)  # 60 - 0.4 * 25 = 50; cells of 12 mm


def test_wood_of_one_moisture_has_no_lines(seen):
    field = seen.field_now
    even = tuple(tuple(22.0 for _ in row) for row in field.median_pct)
    flat = seen.model_copy(update={"field_now": field.model_copy(update={"median_pct": even})})
    assert butt_end.equal_moisture(flat) == []


@pytest.mark.parametrize("pith_y_mm", [-60, -40, 40, 60])
def test_the_numbers_stand_clear_of_the_pith(seen, invented, pith_y_mm):
    green = invented.Section(width_mm=200, depth_mm=200, pith_y_mm=pith_y_mm)
    svg = butt_end.section(invented.piece("FER-01", section=green), seen, [], "metric").svg
    below = [float(each) for each in re.findall(r'y="([\d.]+)"[^>]*class="in', svg)]
    (pith,) = {float(each) for each in re.findall(r'd="M[\d.]+ ([\d.]+)h18', svg)}
    assert len(below) == 2
    assert min(abs(each - pith) for each in below) > 30
