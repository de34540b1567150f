from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import gravimetric
from baulk.models.errors import OutOfRange
from baulk.models.section import Section

mass = st.floats(min_value=0.01, max_value=5000)
mc = st.floats(min_value=0, max_value=300)


@given(dry=mass, mc=mc)
def test_mass_and_moisture_content_are_each_others_inverse(dry, mc):
    back = gravimetric.mc_pct(gravimetric.wet_kg(dry, mc), dry)
    assert back == pytest.approx(mc, abs=1e-9 * (100 + mc))


@given(start=mass, mc0=mc, mc1=mc)
def test_a_weight_leads_from_one_moisture_content_to_the_other(start, mc0, mc1):
    later = gravimetric.wet_kg(start / (1 + mc0 / 100), mc1)
    found = gravimetric.mc_from_weight_pct(later, start, mc0)
    assert found == pytest.approx(mc1, abs=1e-9 * (100 + mc1))


@given(mc=mc)
def test_wet_basis_and_dry_basis_are_each_others_inverse(mc):
    assert gravimetric.dry_basis_pct(gravimetric.wet_basis_pct(mc)) == pytest.approx(mc, abs=1e-9)


@given(weights=st.lists(st.floats(min_value=70, max_value=120), min_size=1, max_size=5))
def test_an_array_gives_what_its_members_give(weights):
    each = [gravimetric.mc_from_weight_pct(w, 100, 60) for w in weights]
    assert gravimetric.mc_from_weight_pct(np.array(weights), 100, 60).tolist() == each


def test_a_timber_weighs_its_wood_and_its_water():
    # by hand: 0.2 x 0.2 x 3 m = 0.12 m3; 0.12 x 600 = 72 kg oven-dry; x 1.64 = 118.08 kg
    timber = Section(width_mm=200, depth_mm=200)
    assert gravimetric.green_mass_kg(timber, 3000, 64, 600) == pytest.approx(118.08)
    assert gravimetric.green_mass_kg(timber, 3000, [0, 100], 600) == pytest.approx([72, 144])


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (
            lambda: gravimetric.mc_pct(6, 9),
            "the wet weight can't be below the oven-dry weight; were they mixed up?",
        ),
        (lambda: gravimetric.mc_pct(6, 0), "the oven-dry weight must be above 0, not 0"),
        (lambda: gravimetric.mc_from_weight_pct(-1, 10, 60), "the weight must be above 0, not -1"),
        (lambda: gravimetric.mc_from_weight_pct(5, 10, 60), "less than the oven-dry wood can weigh (-20 %"),
        (lambda: gravimetric.mc_from_weight_pct(5, 10, -3), "the moisture content must be at least 0 %"),
        (lambda: gravimetric.dry_basis_pct(100), "lies from 0 to below 100 %; is it on the dry basis?"),
        (lambda: gravimetric.max_mc_pct(1600), "must be below 1540 kg/m3"),
    ],
)
def test_a_weighing_that_can_not_be_is_refused_in_a_sentence(call, says):
    with pytest.raises(OutOfRange) as caught:
        call()
    assert says in str(caught.value)


def test_a_gap_stays_a_gap():
    assert np.isnan(gravimetric.mc_from_weight_pct([np.nan, 90], 100, 60)).tolist() == [True, False]
