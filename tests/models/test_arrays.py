"""Arrays answer as their numbers do, in every pure function of wood and weight."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import gravimetric, sample_board, shrinkage, species, strength
from baulk.models.errors import OutOfRange
from baulk.models.meter import correction, resistance

FUNCTIONS = {
    "free_pct": lambda mc: shrinkage.free_pct(mc, 9.5, 30),
    "dimension_change_mm": lambda mc: shrinkage.dimension_change_mm(150, 25, mc, 9.5, 30),
    "change_by_total_mm": lambda mc: shrinkage.change_by_total_mm(150, 25, mc, 9.5, 30),
    "coefficient_per_pct": lambda mc: shrinkage.coefficient_per_pct(mc / 4 + 1, 30),
    "wet_kg": lambda mc: gravimetric.wet_kg(10, mc),
    "mc_pct": lambda mc: gravimetric.mc_pct(10 + mc, 10),
    "mc_from_weight_pct": lambda mc: gravimetric.mc_from_weight_pct(10, 10.5, mc + 10),
    "density_kg_m3": lambda mc: gravimetric.density_kg_m3(600, mc),
    "dry_basis_pct": gravimetric.dry_basis_pct,
    "wet_basis_pct": gravimetric.wet_basis_pct,
    "max_mc_pct": lambda mc: gravimetric.max_mc_pct(300 + 10 * mc),
    "oven_dry_kg": lambda mc: sample_board.oven_dry_kg(mc + 1, (60, 64)),
    "sample_board.mc_pct": lambda mc: sample_board.mc_pct(mc + 10, 9),
    "mc_from_weight": lambda mc: (
        sample_board.mc_from_weight(10, 10.5, mc + 10, start_mc_sd_pct=3).sd_pct + 0 * mc
    ),
    "strength.at_mc": lambda mc: strength.at_mc(9, 5, mc + 4),
}


@pytest.mark.parametrize("name", FUNCTIONS)
@given(mc=st.lists(st.floats(min_value=0, max_value=30), min_size=1, max_size=5))
def test_an_array_gives_what_its_members_give_and_a_gap_stays_a_gap(name, mc):
    function = FUNCTIONS[name]
    found = function(np.array([*mc, np.nan]))
    assert found.shape == (len(mc) + 1,)
    # numpy's vectorised powers may differ from its scalar ones in the last digit
    assert found[:-1] == pytest.approx(
        [float(function(np.float64(each))) for each in mc], rel=1e-12, abs=1e-12
    )
    assert np.isnan(found[-1])


FIR = species.get("Douglas-fir")
LINE = correction.TwoPoint(shown_pct=(10, 20), true_pct=(11, 23))
METERS = {
    "from_meter": resistance.from_meter,
    "mc_from_resistance": lambda mc, temp, wood: resistance.mc_from_resistance(1e4 * 1.3**mc, wood, temp),
    "corrected": lambda mc, temp, wood: resistance.corrected(mc, temp, 20.0, 1.5, wood),
    "from_meter_for_another_wood": lambda mc, temp, wood: correction.from_meter_for_another_wood(
        mc + 4, FIR, wood or FIR, temp
    ),
    "from_capacitance": lambda mc, temp, wood: correction.from_capacitance(mc, 500, wood or FIR, temp),
    "TwoPoint.apply": lambda mc, temp, wood: LINE.apply(resistance.from_meter(mc, temp, wood)),
}
woods = st.sampled_from([None, *species.names()]).map(lambda name: name and species.get(name))
readings = st.lists(
    st.tuples(st.floats(min_value=0.5, max_value=45), st.floats(min_value=0, max_value=50)), min_size=1
)


@pytest.mark.parametrize("name", METERS)
@pytest.mark.parametrize("temperature", ["each", "one", "unknown"])
@given(read=readings, wood=woods)
def test_an_array_of_pin_readings_gives_what_its_readings_give(name, temperature, read, wood):
    function = METERS[name]
    mc = np.array([each for each, _ in read])
    temp = np.array([each for _, each in read])
    temps = {"each": temp, "one": temp[0], "unknown": None}[temperature]
    found = function(mc, temps, wood)
    single = [
        function(float(each), None if temps is None else float(own), wood)
        for each, own in zip(mc, np.broadcast_to(0 if temps is None else temps, mc.shape), strict=True)
    ]
    assert found.mc_pct.shape == found.sd_pct.shape == found.at_least.shape == mc.shape
    assert found.mc_pct == pytest.approx([each.mc_pct for each in single], rel=1e-12, abs=1e-12)
    assert found.sd_pct == pytest.approx([each.sd_pct for each in single], rel=1e-12)
    assert found.at_least.tolist() == [each.at_least for each in single]
    assert found.above_fsp_pct == pytest.approx([each.above_fsp_pct for each in single], abs=1e-12)
    assert {found.indicative} == {each.indicative for each in single}
    assert {type(each.mc_pct) for each in single} == {type(each.sd_pct) for each in single} == {float}
    assert {type(each.at_least) for each in single} == {bool}


@pytest.mark.parametrize("name", METERS)
def test_one_pin_reading_at_several_temperatures_gives_an_answer_for_each(name):
    found = METERS[name](15.0, np.array([5.0, 20.0, 45.0]), FIR)
    single = [METERS[name](15.0, each, FIR) for each in (5.0, 20.0, 45.0)]
    assert found.mc_pct == pytest.approx([each.mc_pct for each in single], rel=1e-12)
    assert found.sd_pct == pytest.approx([each.sd_pct for each in single], rel=1e-12)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: resistance.from_meter([18, 16], [12, -6], None), r"in frozen wood \(-6 °C\) says nothing"),
        (lambda: resistance.from_meter([18, 16], -6.0, None), r"in frozen wood \(-6 °C\) says nothing"),
        (lambda: resistance.from_meter([18, 0], 20.0, None), "lies above 0 and not above 400 %, not 0 %"),
        (lambda: resistance.from_meter([18, np.nan], 20.0, None), "not nan %"),
        (lambda: resistance.mc_from_resistance([1e6, 1e14], None, 20.0), "are the pins in contact"),
        (lambda: resistance.from_meter([18, 16], [12, 13, 14], None), "as many as the readings, 2, or one"),
        (
            lambda: correction.from_meter_for_another_wood([18, 3], FIR, FIR, 20.0),
            "lies between 4 and 400 %, not 3 %",
        ),
        (lambda: correction.from_capacitance([18, np.nan], 500, FIR, 20.0), "400 %, not nan %"),
        (lambda: correction.from_capacitance([18, 16], 500, FIR, [12, -6]), r"frozen wood \(-6 °C\)"),
        (
            lambda: correction.from_capacitance([18, 16], 500, FIR, [12, 13, 14]),
            "as many as the readings, 2, or one",
        ),
    ],
)
def test_one_reading_that_is_refused_refuses_the_array(call, sentence):
    with pytest.raises(OutOfRange, match=sentence):
        call()
