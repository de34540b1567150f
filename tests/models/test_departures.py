"""The compiled departures of `ensemble` beside their formulas in numpy, written out here.

Same inputs, same order of operations: to the last bit. A formula that is wrong in both could not be found
here; how forecasts do with it is seen on tests/bench/honesty.
"""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models.calibrate import departures, ensemble


@pytest.fixture
def drawn():
    rng = np.random.default_rng(11)
    mc = rng.uniform(0.2, 120.0, size=(7, 45))
    mc[1, :6] = 0.4, 0.6, 0.9, 1.5, 2.0, 3.0
    other = rng.uniform(30.0, 110.0, size=mc.shape)
    return mc, rng.uniform(5.0, 18.0, size=7), other, rng.normal(size=mc.shape)


def test_the_departure_within_a_record_is_its_formula(drawn):
    mc, emc, wettest, size = drawn
    size *= 1e-2
    found = np.empty_like(mc)
    departures.in_record(mc, wettest, emc, size, 1.0, found)
    left = np.clip((wettest - mc) * (mc - emc[:, None]), 0.0, None)
    plain = mc + size * left
    np.testing.assert_array_equal(found, np.where(plain < 1.0, 1.0, plain))
    # all of its branches were taken
    assert (left == 0.0).any()
    assert (plain < 1.0).any()
    assert (plain > 1.0).any()


def test_the_departure_ahead_is_its_formula(drawn):
    mc, emc, _, rate = drawn
    grown = np.exp(3 * rate)
    found = np.empty_like(mc)
    departures.ahead(mc, emc, grown, 8.0, 1.0, found)
    above = np.clip(mc - emc[:, None], 8.0, None)
    plain = mc + above * np.expm1(3 * rate)
    least = np.minimum(mc, 1.0)
    expected = np.where(plain < least, least, plain)
    np.testing.assert_allclose(found, expected, rtol=1e-13, atol=1e-13)
    assert (above == 8.0).any()
    assert (above > 8.0).any()
    assert (plain < 1.0).any()
    assert (found[mc < 1.0] < 1.0).any()  # what was drier before may stay so


@pytest.mark.parametrize("nan_in", ["moisture", "other"])
def test_what_is_no_number_stays_none(drawn, nan_in):
    mc, emc, wettest, size = drawn
    (mc if nan_in == "moisture" else wettest)[2, 3] = np.nan
    found = np.empty_like(mc)
    departures.in_record(mc, wettest, emc, size, 1.0, found)
    assert np.flatnonzero(np.isnan(found)).tolist() == [2 * mc.shape[1] + 3]
    departures.ahead(mc, emc, wettest, 8.0, 1.0, found)
    assert np.flatnonzero(np.isnan(found)).tolist() == [2 * mc.shape[1] + 3]


@pytest.mark.parametrize("members", [1, 2, 7, 64])
def test_the_middle_of_the_members_is_their_median(members):
    values = np.random.default_rng(members).uniform(5, 90, size=(members, 6, 9))
    np.testing.assert_array_equal(ensemble._middle(values), np.median(values, axis=0))
