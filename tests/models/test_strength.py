from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import species, strength
from baulk.models.errors import OutOfRange

value = st.floats(min_value=0.5, max_value=20000)


@given(dry=value, green=value, meet=st.floats(min_value=18, max_value=30))
def test_the_two_printed_values_come_back(dry, green, meet):
    assert strength.at_mc(dry, green, 12, meet) == pytest.approx(dry)
    assert strength.at_mc(dry, green, [meet, meet + 50], meet) == pytest.approx([green, green])


@given(green=value, gain=st.floats(min_value=1.01, max_value=3), a=st.floats(4, 60), b=st.floats(4, 60))
def test_drier_wood_is_stronger_where_drying_strengthens(green, gain, a, b):
    dry, wet = sorted((a, b))
    assert strength.at_mc(green * gain, green, dry) >= strength.at_mc(green * gain, green, wet) * (1 - 1e-12)


@pytest.mark.parametrize("name", species.names())
def test_every_wood_has_its_strength_and_stiffness_green_and_at_12(name):
    wood = species.get(name)
    assert wood.strength.e_radial.dry == wood.elastic[0]
    assert wood.strength.e_tangential.dry == wood.elastic[1]
    for quantity in strength.PROPERTIES:
        pair = getattr(wood.strength, quantity)
        assert pair.green > 0
        if quantity not in {"tension_across", "shear"}:  # these two gain little or nothing by drying
            assert pair.dry > pair.green, quantity
    at_20 = strength.of(wood.strength, "e_radial", 20)
    assert wood.strength.e_radial.green < at_20 < wood.strength.e_radial.dry


def test_arrays_answer_as_their_numbers_do_and_gaps_stay_gaps():
    found = strength.at_mc(10, 6, np.array([8, 20, np.nan]))
    assert found[1] == strength.at_mc(10, 6, 20)
    assert np.isnan(found[2])


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: strength.at_mc(0, 5, 12), "a strength must be above 0, both green and at 12 %"),
        (
            lambda: strength.at_mc(9, 5, -1),
            "the moisture content must be at least 4 % for a strength, not -1 %",
        ),
        (lambda: strength.at_mc(9, 5, 12, 12), "the intersection must lie above 12 %, not at 12 %"),
        (
            lambda: strength.of(species.get("teak").strength, "hardness", 12),
            f"the property is one of {', '.join(strength.PROPERTIES)}, not 'hardness'",
        ),
    ],
)
def test_what_can_not_be_is_refused_in_a_sentence(call, says):
    with pytest.raises(OutOfRange) as caught:
        call()
    assert str(caught.value) == says
