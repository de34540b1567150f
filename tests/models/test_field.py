from __future__ import annotations

import numpy as np
import pytest

from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.section import Face, Section

SECTION = Section(width_mm=200, depth_mm=100)


def field(values):
    ny, nx = values.shape[-2:]
    return MoistureField(
        posix_s=0.0,
        section=SECTION,
        x_edges_mm=np.linspace(-100, 100, nx + 1),
        y_edges_mm=np.linspace(-50, 50, ny + 1),
        mc_pct=values,
    )


def test_a_uniform_field_is_the_same_everywhere():
    flat = field(np.full((10, 20), 37.0))
    for value in (flat.mean_pct, flat.shell_pct, flat.core_pct, flat.at(3, 4), flat.pin_pct(20)):
        assert float(value) == pytest.approx(37.0)


def test_a_linear_field_is_read_exactly_between_the_cells():
    x = (np.arange(20) + 0.5) * 10 - 100
    y = (np.arange(10) + 0.5) * 10 - 50
    slope = field(30 + 0.1 * x[None, :] + 0.2 * y[:, None])
    assert float(slope.at(12.5, -7.5)) == pytest.approx(30 + 1.25 - 1.5)
    assert float(slope.pin_pct(20, Face.A)) == pytest.approx(30 + 0.2 * 30)
    assert float(slope.pin_pct(20, Face.B)) == pytest.approx(30 + 0.1 * 80)
    assert float(slope.pin_pct(20, Face.C)) == pytest.approx(30 - 0.2 * 30)
    assert float(slope.pin_pct(20, Face.D)) == pytest.approx(30 - 0.1 * 80)
    assert float(slope.pin_pct(20)) == pytest.approx(30)


def test_shell_and_core_are_cut_at_a_fifth_and_a_third_of_the_half_thickness():
    # 1 mm cells: wet inside 10 mm (a fifth of the half-thickness of 50 mm), dry outside
    x, y = np.arange(200) - 99.5, np.arange(100) - 49.5
    inside = (np.abs(y)[:, None] < 40) & (np.abs(x)[None, :] < 90)
    two = field(np.where(inside, 60.0, 20.0))
    assert float(two.shell_pct) == pytest.approx(20.0)
    assert float(two.core_pct) == pytest.approx(60.0)
    assert float(two.mean_pct) == pytest.approx((60 * 180 * 80 + 20 * (200 * 100 - 180 * 80)) / (200 * 100))


def test_an_ensemble_keeps_its_members_apart():
    many = field(np.stack([np.full((10, 20), 20.0), np.full((10, 20), 40.0)]))
    assert many.mean_pct == pytest.approx([20, 40])
    assert many.pin_pct(30, Face.A) == pytest.approx([20, 40])


def air(times, temp, rh):
    return AirSeries(posix_s=np.array(times), temp_c=np.array(temp), rh_pct=np.array(rh))


def test_air_that_is_none_is_refused_in_words():
    with pytest.raises(OutOfRange, match="not a single reading"):
        air([], [], [])
    with pytest.raises(OutOfRange, match="must increase"):
        air([1.0, 1.0], [20.0, 20.0], [50.0, 50.0])
    with pytest.raises(OutOfRange, match="0 to 100"):
        air([1.0], [20.0], [101.0])
    with pytest.raises(OutOfRange, match="as many"):
        air([1.0, 2.0], [20.0], [50.0])
