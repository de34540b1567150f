from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import species
from baulk.models.errors import OutOfRange
from baulk.models.meter import resistance

OAK = species.get("white oak")
woods = st.sampled_from(species.names()).map(species.get)
thawed = st.floats(min_value=0, max_value=50)


@given(wood=woods, temp=thawed, low=st.floats(min_value=0.01, max_value=1000), factor=st.floats(1.01, 100))
def test_more_resistance_means_drier_wood(wood, temp, low, factor):
    wet = resistance.mc_from_resistance(low * 1e6, wood, temp)
    dry = resistance.mc_from_resistance(low * factor * 1e6, wood, temp)
    assert dry.mc_pct < wet.mc_pct or (wet.at_least and dry.at_least)


@given(wood=woods, mc=st.floats(min_value=1, max_value=150), temp=thawed)
def test_no_pin_reading_claims_more_than_fibre_saturation(wood, mc, temp):
    answer = resistance.from_meter(mc, temp, wood)
    assert 0 <= answer.mc_pct <= wood.fsp_pct
    assert answer.at_least == (answer.mc_pct == wood.fsp_pct)
    assert answer.sd_pct >= 1


@given(mc=st.floats(min_value=8, max_value=20), one=thawed, step=st.floats(min_value=0.1, max_value=20))
def test_the_same_reading_in_colder_wood_means_wetter_wood(mc, one, step):
    cold = min(one, 50 - step)
    assert resistance.from_meter(mc, cold, OAK).mc_pct > resistance.from_meter(mc, cold + step, OAK).mc_pct


def test_a_reading_at_the_meters_own_temperature_stands_as_it_is():
    answer = resistance.from_meter(14, 20, OAK)
    assert (answer.mc_pct, answer.sd_pct, answer.at_least) == (14, 1, False)


def test_the_doubt_of_the_correction_is_as_wide_as_its_sources():
    # at 0 degC: 0.5 % for each 10 degF below 68 (Wood Handbook FPL-GTR-282 p. 13-3) adds 1.8, the Swedish
    # rule of 1.6 for 10 degC (SP Tra report PX21326, 2012) 3.2; nine in ten lie between
    usual, cold = resistance.from_meter(14, 20, OAK), resistance.from_meter(14, 0, OAK)
    added, own_sd = cold.mc_pct - 14, (cold.sd_pct**2 - usual.sd_pct**2) ** 0.5
    handbook, swedish = 0.5 * (20 - 0) * 1.8 / 10, 1.6 * (20 - 0) / 10
    assert added - 1.645 * own_sd == pytest.approx(handbook, abs=0.1)
    assert added + 1.645 * own_sd == pytest.approx(swedish, abs=0.1)


def test_a_slip_of_the_unit_of_the_wood_temperature_is_questioned():
    with pytest.raises(OutOfRange, match="not 68 °C; was it 68 °F, which is 20 °C"):
        resistance.from_meter(18, 68, OAK)
    assert resistance.from_meter(18, 50, OAK).mc_pct < 18


def test_an_unknown_wood_temperature_widens_the_doubt():
    assert resistance.from_meter(14, None, OAK).mc_pct == 14
    assert resistance.from_meter(14, None, OAK).sd_pct > resistance.from_meter(14, 15, OAK).sd_pct


def test_a_reading_near_fibre_saturation_or_below_six_percent_is_trusted_less():
    usual = resistance.from_meter(14, 20, OAK).sd_pct
    assert resistance.from_meter(28, 20, OAK).sd_pct > 2 * usual
    assert resistance.from_meter(4, 20, OAK).sd_pct > usual


def test_a_reading_over_fibre_saturation_says_only_at_least():
    assert resistance.from_meter(62, 20, OAK) == resistance.MeterAnswer(
        mc_pct=30, sd_pct=3, at_least=True, above_fsp_pct=32
    )
    assert resistance.mc_from_resistance(1e5, OAK, 20).at_least, "0.1 Mohm lies below the curve"
    assert resistance.mc_from_resistance(50, OAK, 20).at_least, "a short is not a moisture content"


def test_a_wood_without_a_curve_takes_the_mean_of_its_kind_with_more_doubt():
    own = resistance.mc_from_resistance(5e6, OAK, 20)
    borrowed = resistance.mc_from_resistance(5e6, species.get("greenheart"), 20)
    assert borrowed.sd_pct > own.sd_pct
    assert borrowed.mc_pct == pytest.approx(own.mc_pct, abs=4)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (
            lambda: resistance.from_meter(18, -6, OAK),
            "a pin reading in frozen wood (-6 °C) says nothing; read it again after the thaw",
        ),
        (
            lambda: resistance.from_meter(18, 110, OAK),
            "the wood temperature must not be above 50 °C, not 110 °C; was it 110 °F, which is 43 °C?",
        ),
        (lambda: resistance.from_meter(0, 20, OAK), "lies above 0 and not above 400 %, not 0 %"),
        (lambda: resistance.mc_from_resistance(0, OAK, 20), "the resistance must be above 0 ohm, not 0"),
        (
            lambda: resistance.mc_from_resistance(1e14, OAK, 20),
            "beyond the driest wood; are the pins in contact?",
        ),
        (lambda: resistance.mc_from_resistance(float("nan"), OAK, 20), "must be above 0 ohm, not nan"),
        (lambda: resistance.from_meter(float("nan"), 20, OAK), "not nan %"),
    ],
)
def test_a_reading_that_means_nothing_is_refused_in_a_sentence(call, says):
    with pytest.raises(OutOfRange) as caught:
        call()
    assert says in str(caught.value)
