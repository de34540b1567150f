from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from baulk.models import sorption
from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange

temps = st.floats(min_value=-30, max_value=110)
humidities = st.floats(min_value=0, max_value=100)


@given(temp=temps, low=humidities, high=humidities)
def test_wetter_air_means_wetter_wood(temp, low, high):
    low, high = sorted((low, high))
    assert sorption.emc_pct(temp, low) <= sorption.emc_pct(temp, high)
    if high - low > 1e-6:
        assert sorption.emc_pct(temp, low) < sorption.emc_pct(temp, high)


@given(temp=temps, rh=humidities)
def test_humidity_and_moisture_content_are_each_others_inverse(temp, rh):
    assert sorption.rh_pct(temp, sorption.emc_pct(temp, rh)) == pytest.approx(rh, abs=1e-7)


@given(temp=temps, share=st.floats(min_value=0, max_value=1))
def test_moisture_content_and_humidity_are_each_others_inverse(temp, share):
    emc = share * float(sorption.emc_pct(temp, 100))
    assert sorption.emc_pct(temp, sorption.rh_pct(temp, emc)) == pytest.approx(emc, abs=1e-9)


@given(air=st.lists(st.tuples(temps, humidities), min_size=1, max_size=6))
def test_an_array_gives_what_its_members_give(air):
    temp, rh = np.array(air).T
    emc = sorption.emc_pct(temp, rh)
    # numpy's vectorised powers may differ from its scalar ones in the last digit
    assert emc == pytest.approx([float(sorption.emc_pct(t, h)) for t, h in air], rel=1e-12)
    alone = [float(sorption.rh_pct(t, e)) for t, e in zip(temp, emc, strict=True)]
    assert sorption.rh_pct(temp, emc) == pytest.approx(alone, rel=1e-9, abs=1e-9)


def test_dry_air_means_dry_wood_and_shapes_broadcast():
    assert sorption.emc_pct(20, 0) == 0
    assert sorption.rh_pct(20, 0) == pytest.approx(0, abs=1e-9)
    assert sorption.emc_pct([[0], [20]], [30, 50, 70]).shape == (2, 3)


def test_a_gap_stays_a_gap():
    assert np.isnan(sorption.emc_pct([20, np.nan], [np.nan, 50])).all()
    assert np.isnan(sorption.rh_pct([20, np.nan], [np.nan, 9])).all()
    assert np.isnan(sorption.dewpoint_c([20, np.nan], [np.nan, 50])).all()


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (
            lambda: sorption.emc_pct([20, 150], 50),
            "the temperature must lie between -30 and 110 °C, not 150; was it in °F?",
        ),
        (lambda: sorption.emc_pct(20, 101), "the humidity must lie between 0 and 100 %, not 101 %"),
        (lambda: sorption.emc_pct(20, -0.5), "the humidity must lie between 0 and 100 %, not -0.5 %"),
        (
            lambda: sorption.rh_pct(20, 40),
            "the moisture content must lie between 0 and 28.8 %, the most that air at that temperature",
        ),
        (lambda: sorption.rh_pct(20, -1), "not -1 %"),
        (lambda: sorption.dewpoint_c(20, 0), "the humidity must be at least 0.1 % for a dew point, not 0 %"),
    ],
)
def test_what_lies_outside_the_range_is_refused_in_a_sentence(call, says):
    with pytest.raises(OutOfRange) as caught:
        call()
    assert says in str(caught.value)


def series(*points):
    hours, temp, rh = np.array(points, dtype=float).T
    return AirSeries(posix_s=hours * 3600, temp_c=temp, rh_pct=rh)


def test_the_mean_of_emc_weighs_by_time():
    air = series((0, 20, 40), (1, 20, 40), (1.001, 20, 80), (4.001, 20, 80))
    dry, damp = sorption.emc_pct(20, [40, 80])
    by_hand = (1 * dry + 0.001 * (dry + damp) / 2 + 3 * damp) / 4.001
    assert sorption.mean_of_emc_pct(air) == pytest.approx(by_hand, rel=1e-12)


def test_a_single_reading_is_its_own_mean():
    assert sorption.mean_of_emc_pct(series((0, 21.1, 50))) == sorption.emc_pct(21.1, 50)


def test_the_emc_of_a_series_is_that_of_its_readings_and_worked_out_once():
    air = series((0, 20, 40), (1, 5, 60), (5, 30, 80))
    found = sorption.emc_of_air_pct(air)
    np.testing.assert_array_equal(found, sorption.emc_pct(air.temp_c, air.rh_pct))
    assert sorption.emc_of_air_pct(air) is found
    with pytest.raises(ValueError, match="read-only"):
        found[0] = 0.0
    other = series((0, 20, 40), (1, 5, 60), (5, 30, 81))
    assert sorption.emc_of_air_pct(other)[2] > found[2]


def test_the_dew_point_of_saturated_air_is_its_temperature():
    assert sorption.dewpoint_c([-10, 5, 30], 100) == pytest.approx([-10, 5, 30], abs=0.01)


def test_the_emc_alone_waits_for_no_compiler_and_no_table():
    program = (
        "import sys; from baulk.models import sorption; sorption.emc_pct(20, 50);"
        " print(*sorted({'numba', 'pandas', 'psychrolib'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


newer = st.floats(min_value=0, max_value=99.5)


@given(temp=temps, low=newer, high=newer)
def test_wetter_air_means_wetter_wood_by_the_newer_equation_too(temp, low, high):
    low, high = sorted((low, high))
    assert sorption.emc_pct(temp, low, equation="4-6") <= sorption.emc_pct(temp, high, equation="4-6")


@given(temp=temps, rh=st.floats(min_value=0.1, max_value=99.5))
def test_the_newer_equation_and_its_inverse_undo_each_other(temp, rh):
    emc = sorption.emc_pct(temp, rh, equation="4-6")
    assert sorption.rh_pct(temp, emc, equation="4-6") == pytest.approx(rh, abs=1e-6)


@given(air=st.lists(st.tuples(temps, newer), min_size=1, max_size=5))
@example(air=[(62.0, 99.5)])  # its highest humidity, which a rounding took beyond
def test_the_doubt_travels_with_each_value_of_an_array(air):
    temp, rh = np.array(air).T
    for equation in ("4-5", "4-6"):
        found = sorption.answer(temp, rh, equation=equation)
        assert found.emc_pct.tolist() == sorption.emc_pct(temp, rh, equation=equation).tolist()
        # numpy's vectorised powers may differ from its scalar ones in the last digit
        alone = [float(sorption.answer(t, h, equation=equation).sd_pct) for t, h in air]
        assert found.sd_pct == pytest.approx(alone, rel=1e-9)
        assert np.all(found.sd_pct <= found.emc_pct)


def test_the_doubt_is_one_to_two_points_where_wood_lives():
    assert np.all((sd := sorption.answer(15, np.arange(35.0, 91.0)).sd_pct) > 1)
    assert np.all(sd < 2)


def test_the_emc_of_the_mean_air_is_another_number_with_another_name():
    air = series((0, 5, 95), (1, 30, 35))
    assert sorption.emc_at_mean_pct(air) == pytest.approx(sorption.emc_pct(17.5, 65))
    assert sorption.mean_of_emc_pct(air) - sorption.emc_at_mean_pct(air) > 2
    assert sorption.emc_at_mean_pct(series((0, 21.1, 50))) == sorption.emc_pct(21.1, 50)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: sorption.emc_pct(20, 100, equation="4-6"), "must be at most 99.5 % for eq. 4-6, not 100 %"),
        (lambda: sorption.emc_pct(20, 50, equation="4-7"), "is 4-5 or 4-6 of the Wood Handbook, not '4-7'"),
        (lambda: sorption.rh_pct(20, -2, equation="4-6"), "the moisture content must lie between 0 and"),
        (lambda: sorption.answer(20, 130), "the humidity must lie between 0 and 100 %, not 130 %"),
    ],
)
def test_the_newer_equation_keeps_to_its_range(call, says):
    with pytest.raises(OutOfRange) as caught:
        call()
    assert says in str(caught.value)
