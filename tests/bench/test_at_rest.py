"""A yard at rest costs next to nothing, and a small shop fits a small computer (issue 22, line 1)."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import at_rest

MOST_PCT = 3.0  # of one core, 200 timbers with ten-minute sensors
MOST_MB = 500.0  # listener, forecasts and pages of 30 timbers


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_two_hundred_timbers_at_rest_take_three_hundredths_of_a_core(tmp_path):
    found = at_rest.measured(tmp_path, 200, 120.0)
    assert sum(each.cpu_pct for each in found) <= MOST_PCT


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_thirty_timbers_fit_a_small_computer(tmp_path):
    found = at_rest.measured(tmp_path, 30, 60.0, one_core=True, limit_mb=1000.0)
    assert sum(each.mb for each in found) <= MOST_MB
