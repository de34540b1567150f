"""Earlier forecasts against what came, and the factor that they teach."""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models.calibrate.result import Fitted
from baulk.models.constants import DAY_S
from baulk.models.yard.track_record import (
    LARGEST,
    NARROWEST,
    WIDEST,
    Course,
    Said,
    apart,
    met,
    missed,
    spread_of,
)

PIN, DEEP, WEIGHT = "timber/T/pin-20/moisture", "timber/T/pin-60/moisture", "timber/T/weight"
DAYS = (0.0, 200.0, 400.0)
AT_S = [days * DAY_S for days in DAYS]


def rows(middle, sd):
    """Five rows of a normal forecast, the same at every moment."""
    return [[middle + k * sd] * len(AT_S) for k in (-1.645, -0.6745, 0.0, 0.6745, 1.645)]


def said(sd=2.0, spread=1.0):
    pins = {PIN: rows(20.0, sd), DEEP: rows(30.0, sd)}
    return Said(
        made_s=0.0, posix_s=AT_S, mean_pct=rows(25.0, sd), pins_posix_s=AT_S, pins_pct=pins, spread=spread
    )


def reading(days, measured, series=PIN, **more):
    given = {"model_pct": measured, "sd_pct": 1.5, "at_least": False, "left_out": None} | more
    return Fitted(posix_s=days * DAY_S, series=series, measured_pct=measured, **given)


def square(readings, **more):
    one = said(**more)
    return missed(one, met(one, readings, Course(posix_s=AT_S, mean_pct=[25.0] * 3)))


def test_a_miss_is_told_in_the_standard_deviations_that_were_forecast():
    assert square([reading(100, 24.0)]) == pytest.approx(4.0, rel=0.01)
    assert square([reading(100, 24.0)], sd=4.0) == pytest.approx(1.0, rel=0.01)


def test_a_factor_that_was_learned_by_then_is_taken_out_again():
    assert square([reading(100, 24.0)], sd=4.0, spread=2.0) == pytest.approx(4.0, rel=0.01)


def test_many_readings_of_one_timber_are_one_comparison_and_each_series_counts_alike():
    assert square([reading(days, 22.0) for days in range(40, 390, 2)]) == pytest.approx(1.0, rel=0.01)
    both = [*(reading(days, 22.0) for days in range(40, 390, 2)), reading(100, 30.0, DEEP)]
    assert square(both) == pytest.approx(0.5, rel=0.01)


def test_a_weight_is_laid_where_todays_fit_sees_it_and_has_an_error_of_its_own():
    weight = reading(100, 31.0, WEIGHT, model_pct=27.0)  # 4 above today's fit of 25
    assert square([weight]) == pytest.approx(16 / (2.0**2 + 1.5**2), rel=0.01)


def test_what_says_little_or_comes_too_soon_or_was_set_aside_is_no_comparison():
    for one in (
        reading(10, 30.0),
        reading(401, 30.0),
        reading(100, 30.0, at_least=True),
        reading(100, 30.0, left_out="a loose pin"),
        reading(100, 30.0, "timber/T/pin-99/moisture"),
    ):
        assert square([one]) is None
    assert square([reading(100, 60.0)]) == LARGEST


def test_forecasts_of_one_timber_count_when_they_lie_four_months_apart():
    assert apart([]) == []
    assert apart([7 * DAY_S * week for week in range(53)]) == [0, 18, 36]


def test_the_factor_begins_at_one_and_moves_with_many_comparisons_only():
    assert spread_of([]).factor == 1.0
    assert 1.0 < spread_of([2.0]).factor < 1.1
    rng = np.random.default_rng(4)
    for truth in (0.8, 1.0, 1.6):
        drawn = [float(each) for each in truth**2 * rng.standard_normal(400) ** 2]
        assert spread_of(drawn).factor == pytest.approx(truth, rel=0.1)
        assert spread_of(drawn).compared == 400


def test_the_factor_is_bounded():
    assert spread_of([9.0] * 1000).factor == WIDEST
    assert spread_of([0.0] * 1000).factor == NARROWEST
