"""What nobody measured of the air is told."""

from __future__ import annotations

import numpy as np

from baulk.ingest.evaluation import climate
from baulk.models.air import AirSeries

DAY = 86_400.0


def gaps(days, until=100.0):
    at_s = np.array(days, dtype=float) * DAY
    air = AirSeries(posix_s=at_s, temp_c=np.full(at_s.size, 15.0), rh_pct=np.full(at_s.size, 60.0))
    return climate.gap_reasons(air, "shed", since_s=0.0, now_s=until * DAY)


def test_a_record_without_long_gaps_needs_no_word():
    assert gaps(np.arange(0, 101)) == []


def test_one_gap_is_told_with_its_days():
    (said,) = gaps([*range(20), *range(50, 101)])
    told = {"place": "shed", "gaps": 1, "days": 31.0, "longest_days": 31.0}
    assert (said.code, dict(said.values)) == ("climate.gaps", told)


def test_several_gaps_are_added_up_and_the_longest_is_named():
    (said,) = gaps([*range(10, 20), *range(50, 90)])
    assert (said.values["gaps"], said.values["days"], said.values["longest_days"]) == (3, 52, 31)


def test_no_record_at_all_is_one_gap():
    (said,) = climate.gap_reasons(None, "loft", since_s=0.0, now_s=40 * DAY)
    assert (said.values["gaps"], said.values["days"]) == (1, 40)


def test_a_timber_that_came_today_has_no_gap():
    assert climate.gap_reasons(None, "loft", since_s=0.0, now_s=3600.0) == []
