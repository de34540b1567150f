"""One piece in one air, in plain numbers: the same answers as with arrays."""

from __future__ import annotations

import itertools

import pytest

from baulk.models import shrinkage, single_values, sorption


@pytest.mark.parametrize("temp_c", [0.0, 0.005, 4.0, 21.1, 60.0, 110.0])
def test_an_emc_and_its_doubt_are_those_of_the_arrays(temp_c):
    for rh_pct in (0.0, 3.0, 50.0, 83.0, 100.0):
        assert single_values.above_freezing(temp_c, rh_pct)
        found = sorption.answer(temp_c, rh_pct)
        assert single_values.emc_above_freezing(temp_c, rh_pct) == pytest.approx(
            (float(found.emc_pct), float(found.sd_pct)), rel=1e-12, abs=1e-12
        )


@pytest.mark.parametrize(
    ("temp_c", "rh_pct"), [(-0.1, 50), (110.1, 50), (20, -1), (20, 100.1), (float("nan"), 50)]
)
def test_frost_and_what_is_no_air_are_left_to_the_arrays(temp_c, rh_pct):
    assert not single_values.above_freezing(temp_c, rh_pct)


def test_a_change_of_size_is_that_of_the_arrays():
    for before, after, total, onset in itertools.product(
        (0.0, 8.0, 30.0, 90.0), (0.0, 12.0, 22.0, 60.0), (3.1, 10.5), (22.0, 30.0)
    ):
        wanted = float(shrinkage.dimension_change_mm(203.0, before, after, total, onset))
        assert single_values.change_mm(203.0, before, after, total, onset) == pytest.approx(wanted, abs=1e-10)
