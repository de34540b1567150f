"""A sensor that drifts and pins in another timber are named and left out; sound series are not."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import species
from baulk.models.calibrate import calibration, suspect_sensors
from baulk.models.quantity import Quantity
from baulk.models.section import Face

DAYS = 450
OAK = species.get("white oak")
DEPTHS = (15.0, 30.0)
LAST = judging.NOW.timestamp()


@pytest.fixture(scope="module")
def yard():
    piece = judging.timber(days=DAYS)
    air = judging.shed(piece.arrived_utc, DAYS)
    at_s = piece.arrived_utc.timestamp() + judging.DAY_S * np.arange(5, DAYS, 21)
    return piece, air, judging.truth(piece, air, at_s, d_factor=2.5)


def sound(yard):
    piece, _, fields = yard
    return [
        *judging.pins(piece, fields, depths=DEPTHS, seed=3),
        *judging.weights(piece, fields[::2]),
        *(
            dataclasses.replace(each, series=dataclasses.replace(each.series, face=Face.D))
            for each in judging.pins(piece, fields, depths=DEPTHS, seed=4)
        ),
    ]


def fit(yard, found):
    piece, air, _ = yard
    return calibration.fit(piece, OAK, found, air, law=judging.law(piece), now_posix_s=LAST)


def changed(yard, value):
    """Readings of which one series shows something else: of each reading, its value and its months."""
    start_s = yard[0].arrived_utc.timestamp()
    return [
        dataclasses.replace(each, value=value(each.value, (each.taken_utc.timestamp() - start_s) / 2.63e6))
        if str(each.series).endswith("pin-30/d/moisture")
        else each
        for each in sound(yard)
    ]


def mean_now(fitted):
    return float(np.median(fitted.field_now.mean_pct))


def test_sound_series_are_not_named(yard):
    fitted = fit(yard, sound(yard))
    assert fitted.suspected == ()
    assert fitted.contradiction is None


@pytest.mark.parametrize("rate", [0.5, -0.5])
def test_half_a_point_a_month_is_named_with_its_rate_and_no_longer_spoils_the_answer(yard, rate):
    fitted = fit(yard, changed(yard, lambda shown, months: max(shown + rate * months, 5.0)))
    assert fitted.suspected == ("timber/FER-07/pin-30/d/moisture",)
    told = judging.told(fitted.left_out, "calibration.drifts")
    assert told["drift_pct_per_month"] == pytest.approx(rate, abs=0.2)
    assert told["weighed"] is True
    mine = [each for each in fitted.readings if each.series in fitted.suspected]
    assert {each.left_out.code for each in mine} == {"calibration.drifts"}
    assert mean_now(fitted) == pytest.approx(mean_now(fit(yard, sound(yard))), abs=1.0)


def test_pins_in_dry_wood_of_another_timber_are_named_and_left_out(yard):
    rng = np.random.default_rng(8)
    found = changed(yard, lambda _shown, months: 12 + rng.normal(0, 1) + 0.05 * months)
    fitted = fit(yard, found)
    assert fitted.suspected == ("timber/FER-07/pin-30/d/moisture",)
    assert judging.told(fitted.left_out, "calibration.other_wood")["off_pct"] < 0
    assert mean_now(fitted) == pytest.approx(mean_now(fit(yard, sound(yard))), abs=1.0)


def test_while_a_series_is_left_out_only_a_whole_fit_goes_on(yard):
    piece, air, _ = yard
    found = changed(yard, lambda shown, months: shown + 0.5 * months)
    back = calibration.resume(fit(yard, found).state())
    assert back.suspected == ("timber/FER-07/pin-30/d/moisture",)
    later = calibration.update(
        back, piece, OAK, found, air, law=judging.law(piece), now_posix_s=LAST + judging.DAY_S
    )
    assert later.why_whole.code == "whole_fit.left_out"
    assert later.suspected == back.suspected


def test_two_series_alone_that_part_are_one_of_two_and_the_answer_holds_what_either_says(yard):
    two = [
        each
        for each in changed(yard, lambda shown, months: max(shown - 0.5 * months, 5.0))
        if each.series.quantity is not Quantity.WEIGHT and each.series.face is Face.D
    ]
    fitted = fit(yard, two)
    assert set(fitted.suspected) == {f"timber/FER-07/pin-{depth:g}/d/moisture" for depth in DEPTHS}
    told = judging.told(fitted.left_out, "calibration.one_of_two")
    assert {told["series"], told["instead"]} == set(fitted.suspected)
    assert told["weighed"] is False
    assert fitted.used > calibration.FEWEST
    means = fitted.field_now.mean_pct
    for series in fitted.suspected:
        alone = fit(yard, [each for each in two if str(each.series) != series])
        low, high = np.quantile(means, (0.05, 0.95))
        assert low < mean_now(alone) < high


def test_few_readings_of_two_series_name_none(yard):
    two = [
        each
        for each in changed(yard, lambda shown, months: shown + 0.5 * months)
        if each.series.quantity is Quantity.WEIGHT or each.series.face is Face.D
    ]
    few = [each for i, each in enumerate(two) if i % 6 == 0]
    assert len(few) < 2 * suspect_sensors.LEAST_READINGS
    assert fit(yard, few).suspected == ()
