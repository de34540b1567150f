from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baulk.models import psychrometrics as air
from baulk.models.errors import OutOfRange

temps = st.floats(min_value=-25, max_value=60)
humidities = st.floats(min_value=1, max_value=100)


@settings(max_examples=40)
@given(temp=temps, rh=humidities)
def test_dew_point_wet_bulb_and_dry_bulb_stand_in_order(temp, rh):
    dew, wet = air.dewpoint_c(temp, rh), air.wet_bulb_c(temp, rh)
    assert dew <= wet + 0.01
    assert wet <= temp + 0.01


@settings(max_examples=40)
@given(temp=temps, rh=humidities)
def test_vapour_at_the_dew_point_is_saturated(temp, rh):
    dew = float(air.dewpoint_c(temp, rh))
    vapour = min(air.vapour_pressure_pa(temp, rh), air.ice_saturation_pa(temp))  # the rest is hoar frost
    assert air.ice_saturation_pa(max(dew, -30)) == pytest.approx(vapour, rel=2e-3) or dew < -30


@settings(max_examples=30)
@given(temp=st.floats(min_value=1, max_value=60), rh=st.floats(min_value=5, max_value=99))
def test_humidity_comes_back_from_the_wet_bulb(temp, rh):
    wet = float(air.wet_bulb_c(temp, rh))
    if wet > 0.5:  # at 0 degC the wick freezes, and the two laws do not meet
        assert air.rh_from_wet_bulb_pct(temp, wet) == pytest.approx(rh, abs=0.1)


@given(temp=temps, low=humidities, high=humidities)
def test_damper_air_holds_more_water(temp, low, high):
    low, high = sorted((low, high))
    assert air.vapour_pressure_pa(temp, low) <= air.vapour_pressure_pa(temp, high)
    assert air.humidity_ratio(temp, low) <= air.humidity_ratio(temp, high)


def test_arrays_answer_as_their_numbers_do_and_gaps_stay_gaps():
    temp, rh = np.array([[5.0, np.nan], [20.0, 30.0]]), 60
    for formula in (air.dewpoint_c, air.vapour_pressure_pa, air.humidity_ratio, air.wet_bulb_c):
        found = formula(temp, rh)
        assert found.shape == (2, 2)
        assert np.isnan(found[0, 1])
        assert found[1, 0] == formula(20.0, 60.0)


def test_thin_air_of_the_hills_holds_more_water_for_each_kilogram():
    assert air.humidity_ratio(20, 50, pressure_pa=air.standard_pressure_pa(2000)) > air.humidity_ratio(20, 50)
    assert air.wet_bulb_c(20, 50, pressure_pa=80_000) < air.wet_bulb_c(20, 50)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: air.dewpoint_c(20, 0), "the humidity must be at least 0.1 % for a dew point"),
        (lambda: air.vapour_pressure_pa(130, 5), "between -30 and 110 °C, not 130; was it in °F?"),
        (lambda: air.vapour_pressure_pa(20, 101), "the humidity must lie between 0 and 100 %, not 101 %"),
        (lambda: air.humidity_ratio(105, 100), "nearly all steam"),
        (lambda: air.humidity_ratio(20, 50, pressure_pa=1013), "the air pressure must lie between 50000 and"),
        (lambda: air.wet_bulb_c(95, 50), "must be at most 90 °C for a wet bulb, not 95"),
        (lambda: air.rh_from_wet_bulb_pct(20, 25), "can't be warmer than the dry one; were the two"),
        (lambda: air.rh_from_wet_bulb_pct(20, -5), "is lower than driest air makes it"),
        (lambda: air.standard_pressure_pa(9000), "between -500 and 5000 m, not 9000; was it in feet?"),
    ],
)
def test_impossible_air_is_refused_in_a_sentence(call, says):
    with pytest.raises(OutOfRange) as caught:
        call()
    assert says in str(caught.value)
