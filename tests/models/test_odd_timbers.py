"""Timbers whose readings are few, odd or wrong: each gets a sensible answer, and the oddity its reason."""

from __future__ import annotations

import dataclasses
import sys
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import species
from baulk.models.calibrate import calibration
from baulk.models.quantity import Quantity

OAK = species.get("white oak")
DAYS = 300


@pytest.fixture(scope="module")
def case():
    piece = judging.timber(DAYS, side=150.0, finished=110.0)
    air = judging.shed(piece.arrived_utc, DAYS)
    at_s = piece.arrived_utc.timestamp() + judging.DAY_S * np.arange(2, DAYS + 1, 7)
    return piece, air, judging.truth(piece, air, at_s)


def fit(case, readings, **more):
    piece, air, _ = case
    return calibration.fit(
        piece, OAK, readings, air, law=judging.law(piece), now_posix_s=judging.NOW.timestamp(), **more
    )


def mean(fitted):
    return float(np.median(fitted.field_now.mean_pct))


def said(fitted, code):
    """Values of each reason with a code among what was left out and what else is to be known."""
    return [each.values for each in (*fitted.left_out, *fitted.notes) if each.code == f"calibration.{code}"]


def record(case, seed=2):
    piece, _, fields = case
    return [
        *judging.pins(piece, fields, depths=(12.0, 25.0, 50.0), seed=seed),
        *judging.weights(piece, fields, seed=seed + 5),
    ]


def test_without_a_reading_it_answers_from_the_table_and_says_so(case):
    fitted = fit(case, [])
    assert np.isfinite(mean(fitted))
    assert np.std(fitted.field_now.mean_pct) > 5
    assert said(fitted, "no_readings")


def test_one_reading_moves_the_answer_a_little_and_the_lack_is_said(case):
    piece, _, fields = case
    one = [judging.reading(piece, fields[-1].posix_s, 26.0, depth_mm=25.0)]
    fitted, none = fit(case, one), fit(case, [])
    assert fitted.used == 1
    assert mean(fitted) < mean(none)
    assert 1.5 < np.std(fitted.field_now.mean_pct) < np.std(none.field_now.mean_pct)
    assert said(fitted, "few_readings")


def test_pins_only_above_saturation_keep_it_wet_and_ask_for_another_kind_of_reading(case):
    piece, _, fields = case
    wet = [
        judging.reading(piece, each.posix_s, 60.0, depth_mm=depth) for each in fields for depth in (50, 70)
    ]
    fitted = fit(case, wet)
    at_pins = fitted.field_now.pin_pct(50.0, judging.Face.B)
    assert np.quantile(at_pins, 0.1) > OAK.fsp_pct - 3
    assert np.std(fitted.field_now.mean_pct) > 4  # "at least" is not a number
    assert said(fitted, "all_saturated")
    assert not said(fitted, "stuck")  # a meter at its limit repeats itself


def test_a_weight_that_falls_faster_than_wood_can_dry_is_named_and_not_believed(case):
    piece, _, fields = case
    own = judging.weights(piece, fields)
    light = dataclasses.replace(own[20], value=own[19].value * 0.72)
    fitted, right = fit(case, [*own[:20], light, *own[21:]]), fit(case, own)
    (fell,) = said(fitted, "weight_fell")
    assert fell["count"] == 1
    assert fell["to_kg"] / fell["from_kg"] == pytest.approx(0.72, abs=0.01)
    assert fell["most_share"] < 0.28
    assert mean(fitted) == pytest.approx(mean(right), abs=2)


def test_a_weight_that_stays_lower_opens_a_series_of_its_own(case):
    piece, _, fields = case
    own = judging.weights(piece, fields)
    shorter = [dataclasses.replace(each, value=each.value * 0.7) for each in own[25:]]
    fitted, right = fit(case, [*own[:25], *shorter]), fit(case, own)
    (fell,) = said(fitted, "weight_fell")
    assert fell["for_good_since_utc"] == shorter[0].taken_utc
    assert mean(fitted) == pytest.approx(mean(right), abs=4)
    assert fitted.used == right.used


def test_a_weight_below_its_oven_dry_wood_is_refused_in_words():
    piece = judging.timber(700, side=60.0, finished=40.0, green_mc_pct=30.0)
    air = judging.shed(piece.arrived_utc, 700)
    start_s = piece.arrived_utc.timestamp()
    kg = np.linspace(20.0, 12.5, 120)  # 14.1 kg would be oven-dry if it came at 42 %
    readings = [
        judging.reading(piece, start_s + (1 + 5 * i) * judging.DAY_S, each, quantity=Quantity.WEIGHT)
        for i, each in enumerate(kg)
    ]
    fitted = fit((piece, air, None), readings)
    (light,) = said(fitted, "below_dry_weight")
    assert light["weight_kg"] < light["least_kg"] == pytest.approx(20 / 1.42, abs=0.1)
    assert 5 < mean(fitted) < 35


def test_three_months_without_a_reading_are_said_and_carried_by_the_model(case):
    piece, _, fields = case
    readings = [
        each
        for each in record(case)
        if not 80 < (each.taken_utc - piece.arrived_utc) / timedelta(days=1) < 175
    ]
    fitted = fit(case, readings)
    assert said(fitted, "no_reading_for")[0]["days"] == pytest.approx(95, abs=8)
    assert mean(fitted) == pytest.approx(float(fields[-1].mean_pct[0]), abs=4)


@pytest.mark.parametrize("late_days", [365.0, 45.0])
def test_a_device_clock_that_jumps_back_and_returns_costs_no_reading(case, late_days):
    right = record(case)
    jumped = [
        dataclasses.replace(each, taken_utc=each.taken_utc - timedelta(days=late_days))
        if 20 * 4 <= i < 30 * 4
        else each
        for i, each in enumerate(sorted(right, key=lambda one: one.arrived_utc))
    ]
    fitted, true = fit(case, jumped), fit(case, right)
    assert {(each["behind_days"], each["count"]) for each in said(fitted, "clock")} == {(late_days, 10)}
    assert fitted.used == true.used
    assert mean(fitted) == pytest.approx(mean(true), abs=0.5)


def test_a_device_that_sends_a_month_at_once_had_a_right_clock(case):
    readings = record(case)
    last = max(each.taken_utc for each in readings)
    flood = [
        dataclasses.replace(each, arrived_utc=last + timedelta(seconds=i))
        for i, each in enumerate(sorted(readings, key=lambda one: one.taken_utc))
    ]
    fitted = fit(case, flood)
    assert not said(fitted, "clock")
    assert mean(fitted) == pytest.approx(mean(fit(case, readings)), abs=1e-9)


def other_timber():
    piece = dataclasses.replace(judging.timber(500, side=150.0, finished=110.0), tag="FER-08")
    air = judging.shed(piece.arrived_utc, 500)
    at_s = judging.NOW.timestamp() - judging.DAY_S * np.arange(DAYS - 2, -1, -7)
    # as dry as the other is wet: above saturation a meter hardly tells two timbers apart
    return piece, air, judging.truth(piece, air, at_s, d_factor=2.2, start=65.0)


def exchanged(case, other, when):
    """Both records with what was read from a moment on under the other's tag."""
    first, second = record(case), [
        *judging.pins(other[0], other[2], depths=(12.0, 25.0, 50.0), seed=9),
        *judging.weights(other[0], other[2], dry_kg=27.0, seed=10),
    ]  # fmt: skip

    def under(readings, tag):
        return [dataclasses.replace(r, series=dataclasses.replace(r.series, name=tag)) for r in readings]

    def cut(readings):
        return [r for r in readings if r.taken_utc < when], [r for r in readings if r.taken_utc >= when]

    (a, a_late), (b, b_late) = cut(first), cut(second)
    return [*a, *under(b_late, case[0].tag)], [*b, *under(a_late, other[0].tag)]


def test_two_tags_swapped_are_found_in_each_timber_and_across_both(case):
    other = other_timber()
    when = judging.NOW - timedelta(days=90)
    one, two = exchanged(case, other, when)
    a, b = fit(case, one), fit(other, two)
    for fitted, own in ((a, case), (b, other)):
        assert said(fitted, "all_stepped")
        assert abs(fitted.stepped_posix_s - when.timestamp()) < 10 * judging.DAY_S
        assert calibration.resume(fitted.state()).stepped_posix_s == fitted.stepped_posix_s
        assert mean(fitted) == pytest.approx(float(own[2][-1].mean_pct[0]), abs=6)
    found = calibration.swapped(a, b)
    assert found is not None
    assert abs(found.since_posix_s - when.timestamp()) < 10 * judging.DAY_S
    assert found.tags == ("FER-07", "FER-08")
    assert found.reason.values["tags"] == found.tags


def test_two_timbers_with_their_own_tags_are_not_taken_for_swapped(case):
    other = other_timber()
    a, b = fit(case, record(case)), fit(other, exchanged(case, other, judging.NOW + timedelta(days=9))[1])
    assert calibration.swapped(a, b) is None
    assert a.stepped_posix_s is None
    assert not said(a, "all_stepped")
    assert not said(b, "all_stepped")


def test_readings_all_of_one_day_tell_how_wet_and_not_how_fast(case):
    piece, last = case[0], case[2][-1]
    day = [
        judging.reading(piece, last.posix_s + 600 * i, float(last.pin_pct(d, judging.Face.B)[0]), depth_mm=d)
        for i, d in enumerate((12.0, 20.0, 25.0, 30.0))
    ]  # fmt: skip
    fitted = fit(case, day)
    assert fitted.used == 4
    assert said(fitted, "one_day")


def test_a_meter_that_hangs_is_named_and_its_first_number_alone_counts(case):
    piece, _, fields = case
    good = record(case)
    stuck = [judging.reading(piece, each.posix_s, 22.3, depth_mm=40.0) for each in fields]
    fitted, once = fit(case, [*good, *stuck]), fit(case, [*good, stuck[0]])
    (stuck_at,) = said(fitted, "stuck")
    assert (stuck_at["series"].split("/")[2], stuck_at["shown"]) == ("pin-40", 22.3)
    assert mean(fitted) == pytest.approx(mean(once), abs=0.05)
    assert sum(each.left_out is None for each in fitted.readings if "pin-40" in each.series) <= 1


def test_a_surface_wet_from_rain_is_named_while_the_deep_pins_stand():
    case = other_timber()
    good = record(case)
    rain_s = {case[2][30].posix_s, case[2][31].posix_s}
    wet = [
        dataclasses.replace(each, value=35.0)
        if each.series.depth_mm == 12.0 and each.taken_utc.timestamp() in rain_s
        else each
        for each in good
    ]
    fitted, right = fit(case, wet), fit(case, good)
    (rain,) = said(fitted, "wet_surface")
    assert (rain["series"].split("/")[2], rain["count"]) == ("pin-12", 2)
    assert mean(fitted) == pytest.approx(mean(right), abs=1.5)


def test_frozen_wood_says_nothing_and_that_is_said(case):
    piece, _, fields = case
    frost = [
        reading
        for each in fields[-6:]
        for reading in (
            judging.reading(piece, each.posix_s - 60, -5.0, quantity=Quantity.WOOD_TEMP),
            judging.reading(piece, each.posix_s, 9.0, depth_mm=25.0),
        )
    ]
    early = [each for each in record(case) if each.taken_utc.timestamp() < fields[-6].posix_s - 3600]
    fitted = fit(case, [*early, *frost])
    (frozen,) = said(fitted, "frozen")
    assert (frozen["count"], frozen["wood_c"]) == (6, -5)
    assert mean(fitted) == pytest.approx(mean(fit(case, early)), abs=1e-9)
