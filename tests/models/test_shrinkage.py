from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import shrinkage
from baulk.models.errors import OutOfRange

mc = st.floats(min_value=0, max_value=200)
total = st.floats(min_value=0.5, max_value=20)
onset = st.floats(min_value=18, max_value=32)


@given(mc=mc, total=total, onset=onset)
def test_nothing_shrinks_above_the_onset_and_all_of_it_when_oven_dry(mc, total, onset):
    assert shrinkage.free_pct(onset + mc, total, onset) == 0
    assert shrinkage.free_pct(0, total, onset) == total
    assert 0 <= shrinkage.free_pct(mc, total, onset) <= total


@given(a=mc, b=mc, total=total, onset=onset)
def test_drier_wood_has_shrunk_more(a, b, total, onset):
    dry, wet = sorted((a, b))
    assert shrinkage.free_pct(dry, total, onset) >= shrinkage.free_pct(wet, total, onset)


@given(a=mc, b=mc, total=total, onset=onset, size=st.floats(min_value=1, max_value=1000))
def test_a_dimension_that_dries_and_wets_again_comes_back(a, b, total, onset, size):
    there = size + shrinkage.dimension_change_mm(size, a, b, total, onset)
    back = there + shrinkage.dimension_change_mm(there, b, a, total, onset)
    assert back == pytest.approx(size, rel=1e-12)


@given(a=mc, b=mc, c=mc, total=total, onset=onset)
def test_the_way_between_two_moisture_contents_does_not_matter(a, b, c, total, onset):
    at_b = 100 + shrinkage.dimension_change_mm(100, a, b, total, onset)
    by_b = at_b + shrinkage.dimension_change_mm(at_b, b, c, total, onset)
    assert by_b == pytest.approx(100 + shrinkage.dimension_change_mm(100, a, c, total, onset), rel=1e-12)


@given(mcs=st.lists(mc, min_size=1, max_size=6), total=total, onset=onset)
def test_an_array_gives_what_its_members_give(mcs, total, onset):
    each = [shrinkage.free_pct(m, total, onset) for m in mcs]
    assert shrinkage.free_pct(np.array(mcs), total, onset).tolist() == each
    each = [shrinkage.dimension_change_mm(150, m, 12, total, onset) for m in mcs]
    assert shrinkage.dimension_change_mm(150, np.array(mcs), 12, total, onset).tolist() == each


def test_a_green_dimension_loses_its_total_shrinkage_in_the_oven():
    # white oak across the rings, 10.5 %: Wood Handbook, FPL-GTR-190 (2010) Table 4-3 p. 4-6
    assert shrinkage.dimension_change_mm(200, 60, 0, 10.5, 30) == pytest.approx(-21.0)


def test_a_gap_stays_a_gap():
    assert np.isnan(shrinkage.free_pct(np.nan, 10, 30))


def test_a_moisture_content_below_zero_is_refused():
    with pytest.raises(OutOfRange, match="the moisture content must be at least 0 %, not -1 %"):
        shrinkage.free_pct([5, -1], 10, 30)
    with pytest.raises(OutOfRange, match="the onset of shrinkage must be above 0 %, not 0 %"):
        shrinkage.free_pct(5, 10, 0)
