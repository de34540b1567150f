from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import species
from baulk.models.errors import OutOfRange
from baulk.models.meter import correction, resistance

OAK = species.get("white oak")
FIR = species.get("Douglas-fir")
woods = st.sampled_from(species.names()).map(species.get)


@given(wood=woods, mc=st.floats(min_value=6, max_value=25))
def test_resistance_and_moisture_content_are_each_others_inverse(wood, mc):
    curve = resistance.curve_of(wood)
    assert curve.mc_pct(curve.ohm(mc)) == pytest.approx(mc, abs=1e-9)


@given(shown=st.floats(min_value=6, max_value=25), wood=woods)
def test_a_meter_set_to_the_wood_itself_is_not_corrected_for_it(shown, wood):
    same = correction.from_meter_for_another_wood(shown, wood, wood, 20)
    assert same == resistance.from_meter(shown, 20, wood)


@given(shown=st.floats(min_value=8, max_value=20), set_to=woods, wood=woods)
def test_what_another_woods_meter_shows_comes_back_by_the_way_of_its_resistance(shown, set_to, wood):
    found = correction.from_meter_for_another_wood(shown, set_to, wood, 20)
    if found.at_least:
        return
    again = resistance.curve_of(set_to).mc_pct(resistance.curve_of(wood).ohm(found.mc_pct))
    assert again == pytest.approx(shown, abs=1e-6)
    assert found.sd_pct >= resistance.METER_SD_PCT


def test_a_borrowed_setting_is_trusted_less_and_knows_its_upper_end():
    borrowed = correction.from_meter_for_another_wood(16, FIR, OAK, 20)
    assert borrowed.sd_pct > resistance.from_meter(16, 20, OAK).sd_pct
    assert borrowed.mc_pct < 16, "oak conducts better than fir: the same resistance is drier oak"
    assert correction.from_meter_for_another_wood(40, FIR, OAK, 20).at_least


def test_an_unknown_wood_widens_the_doubt_as_an_unknown_temperature_does():
    known = resistance.from_meter(14, 20, OAK)
    assert resistance.from_meter(14, 20, None).sd_pct > known.sd_pct
    assert resistance.from_meter(14, None, None).sd_pct > resistance.from_meter(14, 20, None).sd_pct
    assert resistance.from_meter(33, 20, None) == resistance.MeterAnswer(
        mc_pct=30, sd_pct=3, at_least=True, above_fsp_pct=3
    )
    assert (
        resistance.mc_from_resistance(3e6, None, 20).sd_pct
        > resistance.mc_from_resistance(3e6, OAK, 20).sd_pct
    )


def test_a_meter_without_pins_is_corrected_for_density_and_marked_indicative():
    light, heavy = species.get("western redcedar"), species.get("live oak")
    found = [correction.from_capacitance(14, 500, wood, 20) for wood in (light, heavy)]
    assert found[0].mc_pct > 14 > found[1].mc_pct
    assert all(each.indicative and each.sd_pct > 2 for each in found)
    assert not resistance.from_meter(14, 20, OAK).indicative


LINE = correction.TwoPoint(shown_pct=(10, 20), true_pct=(11, 23), true_sd_pct=0.5)


def test_the_two_pieces_themselves_come_out_as_oven_dried():
    for shown, true in zip(LINE.shown_pct, LINE.true_pct, strict=True):
        answer = LINE.apply(resistance.MeterAnswer(mc_pct=shown, sd_pct=0.7))
        assert answer.mc_pct == pytest.approx(true)
        assert answer.sd_pct == pytest.approx(math.hypot(1.2 * 0.7, 0.5))


@given(mc=st.floats(min_value=4, max_value=29))
def test_the_doubt_of_the_line_grows_away_from_the_two_pieces(mc):
    answer = LINE.apply(resistance.MeterAnswer(mc_pct=mc, sd_pct=0.7))
    middle = LINE.apply(resistance.MeterAnswer(mc_pct=15, sd_pct=0.7))
    assert answer.sd_pct >= middle.sd_pct
    assert answer.mc_pct == pytest.approx(11 + 1.2 * (mc - 10))


def test_a_reading_that_only_says_at_least_is_not_bent_by_the_line():
    wet = resistance.MeterAnswer(mc_pct=30, sd_pct=3, at_least=True)
    assert LINE.apply(wet) is wet


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (
            lambda: correction.from_meter_for_another_wood(16, FIR, OAK, -3),
            "in frozen wood (-3 °C) says nothing",
        ),
        (lambda: correction.from_meter_for_another_wood(2, FIR, OAK, 20), "between 4 and 400 %, not 2 %"),
        (lambda: correction.from_capacitance(14, 500, OAK, -3), "in frozen wood (-3 °C) says nothing"),
        (lambda: correction.from_capacitance(14, 0.5, OAK, 20), "80 and 1300 kg/m3, not 0.5; is it g/cm3?"),
        (lambda: correction.from_capacitance(-1, 500, OAK, 20), "lies above 0 and not above 400 %, not -1 %"),
        (
            lambda: correction.TwoPoint(shown_pct=(12, 13), true_pct=(10, 20)),
            "the two shown values of a correction must rise by at least 3 points",
        ),
        (
            lambda: correction.TwoPoint(shown_pct=(12, 20), true_pct=(20, 12)),
            "the two oven-dried values of a correction must rise by at least 3 points",
        ),
        (
            lambda: correction.TwoPoint(shown_pct=(12, 20), true_pct=(12, 20), true_sd_pct=-1),
            "the doubt of an oven-dried value must be 0 to 10, not -1",
        ),
    ],
)
def test_what_means_nothing_is_refused_in_a_sentence(call, says):
    with pytest.raises(OutOfRange) as caught:
        call()
    assert says in str(caught.value)
