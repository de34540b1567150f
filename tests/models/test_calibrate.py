"""The fit finds a timber's own drying again, says how sure it is, and names what does not belong."""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import end_grain, species
from baulk.models.calibrate import calibration
from baulk.models.errors import OutOfRange
from baulk.models.quantity import Quantity
from baulk.models.reading import AT_LEAST, end_flag

OAK = species.get("white oak")


@pytest.fixture(scope="module")
def case():
    piece = judging.timber()
    air = judging.shed(piece.arrived_utc, 300)
    at_s = piece.arrived_utc.timestamp() + judging.DAY_S * np.arange(2, 301, 10)
    return piece, air, judging.truth(piece, air, at_s)


def fit(case, readings, **more):
    piece, air, _ = case
    return calibration.fit(
        piece, OAK, readings, air, law=judging.law(piece), now_posix_s=judging.NOW.timestamp(), **more
    )


def test_pins_and_weights_pull_the_fit_onto_the_truth_and_narrow_it(case):
    piece, _, fields = case
    prior = fit(case, [])
    fitted = fit(case, [*judging.pins(piece, fields), *judging.weights(piece, fields)])
    true = float(fields[-1].mean_pct[0])
    low, high = np.quantile(fitted.field_now.mean_pct, (0.05, 0.95))
    assert low < true < high
    # not by more: what the model itself gets wrong and the sapwood stay open
    assert np.std(fitted.field_now.mean_pct) < 0.8 * np.std(prior.field_now.mean_pct)
    assert abs(np.median(fitted.field_now.mean_pct) - true) < 3
    assert 0.45 < np.median(fitted.members.d_factor) < 1.1  # truth 0.7, prior 1
    assert fitted.enough
    assert fitted.left_out == ()


def test_without_readings_it_gives_the_prior_and_says_so(case):
    piece, air, _ = case
    prior = fit(case, [])
    assert prior.used == 0
    assert not prior.enough
    # laws flatter and steeper than the species', and yet the median member dries as it does
    green = OAK.green_heartwood_mc_pct
    (usual,) = judging.truth(piece, air, [judging.NOW.timestamp()], d_factor=1.0, start=green)
    assert np.median(prior.field_now.mean_pct) == pytest.approx(float(usual.mean_pct[0]), abs=4)
    assert prior.history_mean_pct.shape == (prior.history_posix_s.size, 64)
    # half of the members arrive as green in the core as they grew, the others dried in to some depth; no part
    # is wetter than green sapwood
    begin, green = prior.history_core_pct[0], prior.members.start_mc_pct
    assert np.mean(np.isclose(begin, green, atol=0.5)) >= 0.4
    assert OAK.green_sapwood_mc_pct is not None
    assert np.all(begin <= green * OAK.green_sapwood_mc_pct / OAK.green_heartwood_mc_pct + 0.5)


def test_the_same_readings_give_the_same_answer(case):
    piece, _, fields = case
    once, again = (fit(case, judging.pins(piece, fields[-4:])) for _ in range(2))
    np.testing.assert_array_equal(once.field_now.mc_pct, again.field_now.mc_pct)


def test_a_pin_above_saturation_only_says_at_least(case):
    piece, _, fields = case
    wet = [
        judging.reading(piece, field.posix_s, 55.0, depth_mm=55.0, quantity=Quantity.MOISTURE)
        for field in fields[:6]
    ]
    fitted = fit(case, wet)
    assert all(each.at_least for each in fitted.readings)
    early = fitted.history_mean_pct[5]
    assert np.std(early) > 3  # 55 on the meter is not taken for 55 in the wood
    assert fitted.left_out == ()


def test_a_loose_pin_is_named_and_hardly_moves_the_answer(case):
    piece, _, fields = case
    good = [*judging.pins(piece, fields), *judging.weights(piece, fields)]
    loose = [judging.reading(piece, fields[-1].posix_s, 7.0, depth_mm=45.0)]
    with_it, without = fit(case, [*good, *loose]), fit(case, good)
    assert judging.told(with_it.left_out, "calibration.outlier")["series"].startswith("timber/FER-07/pin-45/")
    moved = abs(np.median(with_it.field_now.mean_pct) - np.median(without.field_now.mean_pct))
    assert moved < 0.6 * np.std(without.field_now.mean_pct)  # every member's draw differs, too


def test_one_weight_alone_says_nothing_about_moisture(case):
    piece, _, fields = case
    assert fit(case, judging.weights(piece, fields[:1])).used == 0


def test_readings_from_before_arrival_and_from_frozen_wood_are_set_aside_with_the_reason(case):
    piece, _, fields = case
    early = judging.reading(piece, piece.arrived_utc.timestamp() - 5 * judging.DAY_S, 30, depth_mm=25)
    cold = judging.reading(piece, fields[-1].posix_s, -4.0, quantity=Quantity.WOOD_TEMP)
    frozen = judging.reading(piece, fields[-1].posix_s, 22.0, depth_mm=25)
    fitted = fit(case, [early, cold, frozen])
    assert fitted.used == 0
    assert {"calibration.before_arrival", "calibration.frozen"} & set(judging.codes(fitted.left_out))


def test_a_flood_of_readings_is_thinned_and_ten_a_day_count_once(case):
    piece, _, fields = case
    last_s = fields[-1].posix_s - judging.DAY_S
    flood = [judging.reading(piece, last_s + 60 * i, 24.0 + i % 3, depth_mm=25.0) for i in range(500)]
    fitted, once = fit(case, flood), fit(case, [judging.reading(piece, last_s, 25.0, depth_mm=25.0)])
    assert 1 <= len(fitted.readings) <= 2
    # as one reading of their median in the same cold wood; the shed's air turns a little within the day
    assert fitted.readings[0].measured_pct == pytest.approx(once.readings[0].measured_pct, abs=0.3)


def test_a_timber_that_arrived_this_minute_has_its_start(case):
    piece = judging.timber(days=0, green_mc_pct=68.0)
    fitted = calibration.fit(
        piece,
        OAK,
        [],
        judging.shed(piece.arrived_utc, 1),
        law=judging.law(piece),
        now_posix_s=judging.NOW.timestamp(),
    )
    assert float(np.median(fitted.field_now.mean_pct)) == pytest.approx(68.0, abs=2)


def test_pins_that_jump_and_stay_there_are_set_aside_as_a_swapped_tag(case):
    piece, _, fields = case
    good = judging.pins(piece, fields, depths=(25.0,))
    swapped = [dataclasses.replace(each, value=9.0) if i >= 22 else each for i, each in enumerate(good)]
    fitted = fit(case, [*swapped, *judging.weights(piece, fields)])
    true = float(fields[-1].mean_pct[0])
    assert judging.told(fitted.left_out, "calibration.jump")["count"] == 8
    low, high = np.quantile(fitted.field_now.mean_pct, (0.05, 0.95))
    assert low < true < high


def test_weights_of_another_timber_are_named_and_do_not_move_the_answer(case):
    piece, _, fields = case
    own = judging.weights(piece, fields)
    mixed = [
        dataclasses.replace(each, value=each.value * 1.5) if 12 < i < 18 else each
        for i, each in enumerate(own)
    ]
    pins = judging.pins(piece, fields)
    with_it, without = fit(case, [*pins, *mixed]), fit(case, [*pins, *own])
    assert judging.told(with_it.left_out, "calibration.weight_rose")["count"] == 5
    assert abs(np.median(with_it.field_now.mean_pct) - np.median(without.field_now.mean_pct)) < 2


def test_three_months_without_readings_widen_the_answer_and_stop_nothing(case):
    piece, _, fields = case
    pins = judging.pins(piece, fields)
    early = [each for each in pins if (judging.NOW - each.taken_utc).days > 90]
    short, whole = fit(case, early), fit(case, pins)
    assert np.std(short.field_now.mean_pct) > np.std(whole.field_now.mean_pct)


def test_a_weight_read_in_pounds_is_named_and_left_out_even_when_it_is_the_first(case):
    piece, _, fields = case
    own = judging.weights(piece, fields)
    pounds = [dataclasses.replace(own[0], value=own[0].value * 2.2046), *own[1:]]
    fitted = fit(case, pounds)
    assert judging.told(fitted.left_out, "calibration.weight_misread")["count"] == 1
    assert fitted.used == len({int(each.taken_utc.timestamp() // judging.DAY_S) for each in own}) - 1


def test_a_timber_registered_wetter_than_its_wood_can_be_is_refused(case):
    piece, air, fields = case
    soaked = dataclasses.replace(piece, green_mc_pct=210.0)
    with pytest.raises(OutOfRange, match="210 % is more than white oak"):
        fit((soaked, air, fields), [])


def test_a_pin_deeper_than_the_piece_is_set_aside_with_its_reason(case):
    piece, _, fields = case
    at_s = fields[-1].posix_s
    through = judging.reading(piece, at_s, 30.0, depth_mm=150.0)
    fitted = fit(case, [*judging.pins(piece, fields), through])
    outside = judging.told(fitted.left_out, "calibration.outside_piece")
    assert (outside["depth_mm"], outside["size_mm"]) == (150, 120)
    assert fitted.used == len(judging.pins(piece, fields))


@pytest.mark.parametrize(("from_end_mm", "aside"), [(305, True), (1900, True), (1000, False)])
def test_pins_near_an_end_are_set_aside_and_those_far_from_both_are_used(case, from_end_mm, aside):
    _, air, fields = case
    piece = dataclasses.replace(case[0], length_mm=2000.0)
    good = judging.pins(piece, fields)
    near = judging.reading(piece, fields[-1].posix_s, 20.0, depth_mm=30.0)
    near = dataclasses.replace(near, flags=("above-fsp", end_flag(from_end_mm)))
    fitted = fit((piece, air, fields), [*good, near])
    assert ("calibration.near_end" in judging.codes(fitted.left_out)) == aside
    other = good if aside else [*good, dataclasses.replace(near, flags=())]
    assert fitted.used == fit((piece, air, fields), other).used
    assert (fitted.used == len(good)) == aside


def test_on_the_day_of_arrival_an_end_has_dried_nothing_and_later_a_sealed_one_less(case):
    piece = dataclasses.replace(case[0], length_mm=4000.0)
    sealed = dataclasses.replace(piece, ends_sealed=True)

    def why(which, days):
        at_utc = which.arrived_utc + dt.timedelta(days=days)
        return end_grain.why_too_near(which, OAK, 400.0, at_utc)

    assert why(piece, 0) is None
    late = why(piece, 365)
    assert (late.code, late.values["from_end_mm"]) == ("calibration.near_end", 400)
    assert late.values["reach_mm"] > 400
    assert why(sealed, 365) is None


def test_a_scale_that_ended_draws_up_what_is_drier_and_leaves_alone_what_is_wetter(case):
    piece, _, fields = case
    read = judging.pins(piece, fields[:12], depths=(25.0,))
    wet = [dataclasses.replace(each, value=30.0, flags=(AT_LEAST,)) for each in read]
    taken_as_number = fit(case, [dataclasses.replace(each, value=30.0) for each in read])
    fitted = fit(case, wet)
    over = fit(case, [dataclasses.replace(each, value=20.0, flags=(AT_LEAST,)) for each in read])
    middle = [float(np.median(each.field_now.mean_pct)) for each in (taken_as_number, fitted, over)]
    # a meter that would have gone on counting above 30 says more of how wet the wood is than one that stopped
    assert middle[1] > middle[0] - 0.3
    assert all(each.at_least for each in fitted.readings)
    assert fitted.left_out == ()
    # 20 and more agrees with every member of a wet timber: what was foreseen stays
    prior = float(np.median(fit(case, []).field_now.mean_pct))
    assert middle[2] == pytest.approx(prior, abs=0.7)
