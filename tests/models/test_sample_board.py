from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import gravimetric, sample_board
from baulk.models.errors import OutOfRange

mc = st.floats(min_value=0, max_value=200)


@given(weight=st.floats(min_value=0.1, max_value=500), first=mc, second=mc)
def test_the_board_itself_has_the_mean_of_its_two_ends(weight, first, second):
    dry = sample_board.oven_dry_kg(weight, (first, second))
    assert sample_board.mc_pct(weight, dry) == pytest.approx((first + second) / 2, abs=1e-7)


@given(
    share=st.floats(min_value=0.7, max_value=1),
    start=st.floats(min_value=50, max_value=120),
    sd=st.floats(0, 20),
)
def test_the_doubt_of_the_start_comes_through_in_the_ratio_of_the_weights(share, start, sd):
    told = sample_board.mc_from_weight(100 * share, 100, start, start_mc_sd_pct=sd)
    assert told.sd_pct == pytest.approx(sd * share)
    assert told.mc_pct == gravimetric.mc_from_weight_pct(100 * share, 100, start)


def test_the_carried_error_is_what_many_throws_give():
    rng = np.random.default_rng(3)
    start, first, now = (rng.normal(m, s, 200_000) for m, s in ((64, 3), (96.0, 0.4), (82.0, 0.4)))
    thrown = np.std((1 + start / 100) * now / first * 100 - 100)
    told = sample_board.mc_from_weight(82.0, 96.0, 64, start_mc_sd_pct=3, weight_sd_kg=0.4)
    assert told.sd_pct == pytest.approx(thrown, rel=0.02)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: sample_board.oven_dry_kg(10, (60, -1)), "of a section must be at least 0 %, not -1 %"),
        (lambda: sample_board.oven_dry_kg(0, (60, 60)), "must be above 0, not 0"),
        (lambda: sample_board.mc_pct(5, 6), "can't be below the oven-dry weight; were they mixed up?"),
        (
            lambda: sample_board.mc_from_weight(8, 10, 60, start_mc_sd_pct=-1),
            "a doubt must be at least 0",
        ),
        (lambda: sample_board.mc_from_weight(5, 10, 60, start_mc_sd_pct=1), "was something cut off"),
    ],
)
def test_what_can_not_be_is_refused_in_a_sentence(call, says):
    with pytest.raises(OutOfRange) as caught:
        call()
    assert says in str(caught.value)
