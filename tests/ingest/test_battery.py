"""When a battery will be empty: against SciPy's slope, and only told where it can be."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy import stats

from baulk.ingest.monitoring import battery

START = datetime(2026, 1, 5, 12, tzinfo=UTC)


def days(count, every=1):
    return np.array([(START + timedelta(days=every * k)).timestamp() for k in range(count)])


def test_the_slope_is_that_of_scipy():
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(0, 100, 60))
    y = 80 - 0.3 * x + rng.normal(0, 4, 60)
    y[::9] += 40
    slope, low, high = battery.slope_of(x, y)
    theirs = stats.theilslopes(y, x, 0.9)
    assert (slope, low, high) == pytest.approx((theirs.slope, theirs.low_slope, theirs.high_slope), rel=1e-12)


def test_a_battery_that_sinks_half_a_percent_a_day_is_empty_when_that_ends():
    charge = 90 - 0.5 * np.arange(60)
    charge[[10, 30]] = 5  # a cold night, twice: a single reading bends nothing
    told = battery.runs(days(60), charge)
    right = START + timedelta(days=180)
    assert abs(told.empty_utc - right) < timedelta(hours=1)
    assert told.per_month_pct == pytest.approx(15)
    assert told.week_utc <= told.empty_utc < told.week_utc + timedelta(days=7)
    assert told.week_utc.weekday() == 0


def test_what_was_before_a_change_of_the_battery_does_not_count():
    charge = np.concatenate([30 - 0.5 * np.arange(40), 100 - 0.5 * np.arange(30)])
    assert abs(battery.runs(days(70), charge).empty_utc - (START + timedelta(days=240))) < timedelta(hours=1)


@pytest.mark.parametrize(
    ("when", "charge"),
    [
        (days(9, 3), 90 - np.arange(9.0)),  # too few days with a reading
        (days(15), 90 - np.arange(15.0)),  # over too short a time
        (days(60), 80 + np.tile([0.0, 1.0], 30)),  # does not sink
        (days(60), 80 + np.random.default_rng(1).normal(0, 3, 60)),  # nobody could tell
        (days(60), 90 - 0.01 * np.arange(60)),  # in many years
        (days(0), np.array([])),
    ],
)
def test_where_it_can_t_be_told_it_is_not(when, charge):
    assert battery.runs(when, charge) is None
