"""Scale and pins that cannot both be right: said first, both held, one test named, nothing sawn."""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import forecast, species, use_class
from baulk.models.calibrate import calibration
from baulk.models.quantity import Quantity
from baulk.models.timber import Event, EventKind
from baulk.models.verdict import decision, rough_out

OAK = species.get("white oak")
DAYS = 210


def readings(piece, *, scale_pct, pins_pct, times=7):
    """Weights that fall from the green section's moisture to one value, pins at depth that show another."""
    rng = np.random.default_rng(1)
    at_s = piece.arrived_utc.timestamp() + judging.DAY_S * np.linspace(3, DAYS - 2, times)
    falls = np.linspace(piece.green_mc_pct or 75.0, scale_pct, times)
    found = []
    for one_s, mean in zip(at_s, falls, strict=True):
        kg = 30 * (1 + mean / 100) * (1 + rng.normal(0, 0.003))
        found += [
            judging.reading(piece, one_s, kg, quantity=Quantity.WEIGHT),
            judging.reading(piece, one_s + 3600, pins_pct + rng.normal(0, 0.7), depth_mm=40.0),
        ]
    return found


def fit(piece, found, *, events=()):
    air = judging.shed(piece.arrived_utc, DAYS + 1200)
    now_s = judging.NOW.timestamp()
    return air, calibration.fit(
        piece, OAK, found, air, law=judging.law(piece), now_posix_s=now_s, events=events
    )


@pytest.fixture(scope="module")
def apart():
    piece = judging.timber(days=DAYS, side=150.0, finished=110.0, green_mc_pct=75.0)
    air, fitted = fit(piece, readings(piece, scale_pct=57, pins_pct=14))
    return piece, air, fitted


def test_seven_weights_at_57_and_seven_pins_at_14_percent_are_a_contradiction(apart):
    _, _, fitted = apart
    found = fitted.contradiction
    assert found.weights == found.pins == 7
    assert found.scale_pct[1] > 40
    assert found.scale_pct[0] > 30
    assert found.pins_pct[2] < 25
    for values in (fitted.field_now.mean_pct, fitted.history_mean_pct[-1]):
        low, high = np.quantile(values, (0.05, 0.95))
        assert low < found.pins_pct[1]
        assert high > found.scale_pct[1]


def test_the_verdict_says_it_first_saws_nothing_and_names_the_one_test(apart):
    piece, air, fitted = apart
    use = use_class.get(piece.use_class)
    coming = forecast.forecast(piece, OAK, fitted, air, law=judging.law(piece))
    low, high = coming.mean_pct[0, 0], coming.mean_pct[-1, 0]
    assert low < 16
    assert high > 40
    use_of = {"use": use, "service_mc_pct": decision.service_draw(use, 64), "law": judging.law(piece)}
    roughed = rough_out.rough_out(piece, OAK, fitted, air, **use_of)
    for previous in (None, "square", "rough out"):
        said = decision.judge(piece, OAK, use, fitted, coming, previous=previous, roughed=roughed)
        assert said.step == "leave"
        assert said.dates["rough out"] is None
        assert said.rough_out_size_mm is None
        assert not any("roughing" in each for each in judging.codes(said.reasons))
        assert said.contradiction is fitted.contradiction
        assert judging.codes(said.reasons)[:2] == ["verdict.contradiction", "verdict.settle_first"]
        assert said.reasons[0].values["weights"] == said.reasons[0].values["pins"] == 7
        assert said.reasons[0].values["scale_pct"] == fitted.contradiction.scale_pct
        assert said.next_reading.code == "next_reading.settle"
        # nor is it worked out
        again = decision.judge(piece, OAK, use, fitted, coming, previous=previous, roughed=lambda: 1 / 0)
        assert again.reasons == said.reasons
        assert 500 <= said.next_reading.values["from_end_mm"] <= piece.length_mm / 2


def test_a_use_that_may_stay_wet_is_not_sawn_either(apart):
    piece, air, fitted = apart
    wet = next(each for each in map(use_class.get, use_class.names()) if each.may_stay_wet)
    coming = forecast.forecast(piece, OAK, fitted, air, law=judging.law(piece))
    assert decision.judge(piece, OAK, wet, fitted, coming).step == "leave"


def test_it_is_kept_and_only_a_whole_fit_goes_on_from_it(apart):
    piece, air, fitted = apart
    back = calibration.resume(fitted.state())
    assert back.contradiction == fitted.contradiction
    found = readings(piece, scale_pct=57, pins_pct=14)
    later = calibration.update(
        back,
        piece,
        OAK,
        found,
        air,
        law=judging.law(piece),
        now_posix_s=judging.NOW.timestamp() + judging.DAY_S,
    )
    assert later.why_whole.code == "whole_fit.contradiction"
    assert later.contradiction is not None


def test_one_oven_dry_section_against_the_pins_is_enough():
    piece = judging.timber(days=DAYS, side=150.0, finished=110.0)
    found = [each for each in readings(piece, scale_pct=57, pins_pct=14) if each.series.depth_mm]
    oven = Event(
        tag=piece.tag, kind=EventKind.OVEN_DRIED, at_utc=judging.NOW - timedelta(days=5),
        detail={"mc_pct": 57.0}, by="test",
    )  # fmt: skip
    _, fitted = fit(piece, found, events=(oven,))
    assert fitted.contradiction.sections == 1
    assert fitted.contradiction.reason.values["sections"] == 1


def test_readings_that_agree_are_none():
    piece = judging.timber(days=DAYS, side=150.0, finished=110.0)
    air = judging.shed(piece.arrived_utc, DAYS + 10)
    at_s = piece.arrived_utc.timestamp() + judging.DAY_S * np.linspace(3, DAYS - 2, 7)
    fields = judging.truth(piece, air, at_s)
    _, fitted = fit(piece, [*judging.pins(piece, fields), *judging.weights(piece, fields)])
    assert fitted.contradiction is None


def heavy(factor, *, wood="white oak"):
    """Return what the fit says of three weights that are wrong by a factor."""
    piece = judging.timber(days=60, side=200.0, finished=150.0, wood=wood)
    species_of = species.get(wood)
    dry_kg = species_of.basic_density_kg_m3 * 0.2 * 0.2 * 2.4
    at_s = piece.arrived_utc.timestamp() + judging.DAY_S * np.array([1, 30, 58])
    found = [judging.reading(piece, one_s, factor * dry_kg * 1.6, quantity=Quantity.WEIGHT) for one_s in at_s]
    air = judging.shed(piece.arrived_utc, 70)
    now_s = judging.NOW.timestamp()
    fitted = calibration.fit(piece, species_of, found, air, law=judging.law(piece), now_posix_s=now_s)
    return [each.values for each in fitted.left_out if each.code == "calibration.impossible_density"]


@pytest.mark.parametrize("factor", [0.8, 1.0, 1.2])
def test_a_wood_may_be_two_standard_deviations_lighter_or_heavier_than_its_species(factor):
    assert heavy(factor) == []


def test_pounds_kilograms_and_another_wood_are_told_from_a_density_that_cannot_be():
    (pounds,) = heavy(1 / 0.45359237)
    assert pounds["weights_in"] == "lb"
    low, middle, high = pounds["found_kg_m3"]
    assert low <= middle <= high
    assert middle == pytest.approx(pounds["usual_kg_m3"] / 0.45359237, rel=0.2)
    (kilograms,) = heavy(0.45359237)
    assert kilograms["weights_in"] == "kg"
    (another,) = heavy(1.75, wood="eastern white pine")
    assert another["usual_kg_m3"] == 340
    assert 600 <= another["like_kg_m3"] < 700
    (scale,) = heavy(5.0)
    assert scale["weights_in"] is scale["like_species"] is None
