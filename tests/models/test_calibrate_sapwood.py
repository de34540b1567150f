"""A timber with sapwood: how wet it came, where its boundary lies, and what its weights say of both."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import sapwood, species
from baulk.models.calibrate import calibration, ensemble, observations, parameters
from baulk.models.diffusion import law_for

DAYS = 200
PINE, FIR = species.get("loblolly pine"), species.get("Douglas-fir")


def fit(piece, readings, **more):
    wood = species.get(piece.species)
    return calibration.fit(
        piece, wood, readings, judging.shed(piece.arrived_utc, DAYS), law=law_for(wood),
        now_posix_s=judging.NOW.timestamp(), **more,
    )  # fmt: skip


def given_of(piece, wood):
    air = judging.shed(piece.arrived_utc, DAYS)
    return calibration.inputs_of(
        piece, wood, air, law_for(wood), judging.NOW.timestamp(), (), (), (), species.BUILT_IN, 1
    )


def falling(piece, first_pct, last_pct, count=20):
    """Weights as a loaded kiln sample falls, along a square root of time: no model of ours behind them."""
    dry_kg = 0.15**2 * piece.length_mm / 1e3 * species.get(piece.species).basic_density_kg_m3
    at_s = piece.arrived_utc.timestamp() + judging.DAY_S * np.linspace(1, DAYS, count)
    mean = first_pct - (first_pct - last_pct) * np.sqrt(np.linspace(0, 1, count))
    return [
        judging.reading(piece, at, dry_kg * (1 + pct / 100), quantity=judging.Quantity.WEIGHT)
        for at, pct in zip(at_s, mean, strict=True)
    ]


@pytest.fixture(scope="module")
def pine():
    return judging.timber(DAYS, wood="loblolly pine", side=150.0, finished=110.0)


def test_no_weight_of_a_wet_loblolly_is_another_timber_on_the_scale(pine):
    # sapwood 110 %, heartwood 33 %: Wood Handbook, FPL-GTR-282 (2021), Table 4-1; before, 19 of 20 were out
    fitted = fit(pine, falling(pine, 100.0, 24.0))
    assert [each for each in fitted.left_out if "weight" in each.code or "dry" in each.code] == []
    weighed = [each for each in fitted.readings if each.series.endswith("weight")]
    assert len(weighed) == 20
    assert all(each.left_out is None for each in weighed)
    assert np.median(fitted.history_mean_pct[0]) > 70  # heartwood alone would have come at 33 %


def test_weights_teach_how_much_of_the_section_is_sapwood():
    fir = judging.timber(DAYS, wood="Douglas-fir", side=150.0, finished=110.0)
    before = fit(fir, []).members.heartwood_mm
    dry, wet = (fit(fir, falling(fir, first, 18.0)).members.heartwood_mm for first in (40.0, 85.0))
    assert np.median(wet) < np.median(before) - 30
    share = sapwood.share(fir.section, np.array([np.median(each) for each in (wet, dry)]))
    assert share[0] > share[1] + 0.1


def test_a_measured_boundary_is_the_start_of_every_cell(pine):
    known = replace(pine, heartwood_mm=sapwood.radius_mm(pine.section, 60.0))
    theta = parameters.prior(known, PINE, law_for(PINE), 64, np.random.default_rng(1))
    theta[parameters.DRIED] = -10.0  # green to the face
    assert np.std(theta[parameters.HEARTWOOD]) == pytest.approx(sapwood.MEASURED_SD_MM)
    given = given_of(known, PINE)
    (field,) = ensemble.run(theta, given, [given.start_s])
    x = (field.x_edges_mm[1:] + field.x_edges_mm[:-1]) / 2 - known.section.pith_x_mm
    y = (field.y_edges_mm[1:] + field.y_edges_mm[:-1]) / 2
    away = np.hypot(x[None], y[:, None])
    start = theta[parameters.START][:, None]
    inside, outside = away < known.heartwood_mm - 30, away > known.heartwood_mm + 30
    assert np.allclose(field.mc_pct[:, inside], start, rtol=1e-6)
    assert np.allclose(field.mc_pct[:, outside], start * 110 / 33, rtol=1e-6)


def test_a_measured_mean_stays_the_mean_however_much_of_it_is_sapwood(pine):
    measured = replace(pine, green_mc_pct=90.0)
    theta = parameters.prior(measured, PINE, law_for(PINE), 64, np.random.default_rng(1))
    given = given_of(measured, PINE)
    (field,) = ensemble.run(theta, given, [given.start_s])
    off = np.abs(field.mean_pct - theta[parameters.START])
    assert np.median(off) < 0.01
    assert np.quantile(off, 0.9) < 3  # where its faces had dried far in and no more water goes into the rest


def test_a_reading_above_saturation_tells_less_where_the_pins_stand_in_sapwood(pine):
    def told(piece, depth_mm, value=45.0):
        start_s = piece.arrived_utc.timestamp()
        readings = [
            judging.reading(piece, start_s + day * judging.DAY_S, value, depth_mm=depth_mm) for day in (3, 9)
        ]
        found = observations.observations(given_of(piece, species.get(piece.species)), readings)
        return found.data[0].sd_pct

    known = replace(pine, heartwood_mm=sapwood.radius_mm(pine.section, 60.0))  # face b is far from the pith
    outer, inner = told(known, 15.0), told(known, 70.0)
    assert outer > 1.2 * inner
    assert told(known, 15.0, 20.0) == pytest.approx(told(known, 70.0, 20.0))  # below it all wood is alike
    ash = judging.timber(DAYS, wood="white ash", side=150.0, finished=110.0)
    assert told(ash, 15.0) == pytest.approx(told(ash, 70.0))


def test_wood_whose_sapwood_is_as_its_heartwood_has_no_boundary_to_fit():
    ash = judging.timber(DAYS, wood="white ash")  # 46 and 44 %
    theta = parameters.prior(ash, species.get("white ash"), judging.law(ash), 16, np.random.default_rng(1))
    assert np.ptp(theta[parameters.HEARTWOOD]) == 0


def test_the_wettest_that_a_timber_can_have_come_knows_its_sapwood(pine):
    usual, wettest = parameters.mean_start(pine, PINE)
    assert 60 < usual < 110
    assert wettest == pytest.approx(110 * 1.45)  # all of it, three standard deviations of 15 %
    assert parameters.mean_start(replace(pine, heartwood_mm=1000.0), PINE)[0] == 33
    assert parameters.mean_start(replace(pine, green_mc_pct=70.0), PINE) == (70.0, 82.0)
