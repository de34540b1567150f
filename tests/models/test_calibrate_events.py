"""What happened to a timber enters its fit: cuts, tares, planing, sections, coats, unmeasured air, meters."""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import forecast, species
from baulk.models.air import AirSeries
from baulk.models.calibrate import calibration, inputs, parameters
from baulk.models.calibrate.calibration import MeterSetting
from baulk.models.drying import solver
from baulk.models.errors import OutOfRange
from baulk.models.face_cover import FaceCover
from baulk.models.meter.correction import TwoPoint
from baulk.models.quantity import Quantity
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Event, EventKind

OAK = species.get("white oak")
DAYS = 300
DAY = dt.timedelta(days=1)


@pytest.fixture(scope="module")
def case():
    piece = judging.timber(DAYS, side=120.0, finished=80.0)
    air = judging.shed(piece.arrived_utc, DAYS)
    at_s = piece.arrived_utc.timestamp() + judging.DAY_S * np.arange(2, DAYS + 1, 10)
    return piece, air, judging.truth(piece, air, at_s, d_factor=1.2)


def fit(case, readings, **more):
    piece, air, _ = case
    return calibration.fit(
        piece, OAK, readings, air, law=judging.law(piece), now_posix_s=judging.NOW.timestamp(), **more
    )


def event(kind, days, **detail):
    """Return an event so many days after the arrival."""
    at_utc = judging.NOW - (DAYS - days) * DAY
    return Event(tag="FER-07", kind=EventKind(kind), at_utc=at_utc, detail=detail)


def mean(fitted):
    return float(np.median(fitted.field_now.mean_pct))


def said(fitted, code):
    """Values of each reason with a code among what was left out and what else is to be known."""
    return [each.values for each in (*fitted.left_out, *fitted.notes) if each.code == f"calibration.{code}"]


def after(piece, readings, days):
    return [each for each in readings if (each.taken_utc - piece.arrived_utc) / DAY > days]


def changed(piece, readings, days, how):
    late = {id(each) for each in after(piece, readings, days)}
    return [
        dataclasses.replace(each, value=how(each.value)) if id(each) in late else each for each in readings
    ]


def test_a_cut_with_its_weights_leaves_one_series_and_without_them_two(case):
    piece, _, fields = case
    own = judging.weights(piece, fields, sd=0.001)  # a good scale, for all rests on a series' first weight
    shorter = changed(piece, own, 145, lambda kg: 0.6 * kg)
    before = float(np.mean([own[14].value, own[15].value]))
    weighed = event("cut", 147, length_mm=1440, weight_before_kg=before, weight_after_kg=0.6 * before)
    plain = event("cut", 147, length_mm=1440)
    whole, tied, parted, silent = (
        fit(case, own),
        fit(case, shorter, events=[weighed]),
        fit(case, shorter, events=[plain]),
        fit(case, shorter),
    )
    assert mean(tied) == pytest.approx(mean(whole), abs=1.0)
    # two short series tell less than a long one, but nobody takes what was cut off for lost water
    assert abs(mean(parted) - mean(whole)) < 1.2 * np.std(whole.field_now.mean_pct)
    low, high = np.quantile(parted.field_now.mean_pct, (0.05, 0.95))
    assert low < float(fields[-1].mean_pct[0]) < high
    for fitted in (tied, parted):
        assert not any("weight" in code for code in judging.codes((*fitted.left_out, *fitted.notes)))
    assert "for_good_since_utc" in said(silent, "weight_fell")[0]
    assert np.std(tied.field_now.mean_pct) == pytest.approx(np.std(whole.field_now.mean_pct), rel=0.3)


def test_a_tare_is_taken_off_until_the_next_one(case):
    piece, _, fields = case
    own = judging.weights(piece, fields)
    slung = [dataclasses.replace(each, value=each.value + 4.0) for each in own]
    slung = changed(piece, slung, 100, lambda kg: kg + 2.5)
    tares = [event("tared", 0, tare_kg=4.0), event("tared", 100, tare_kg=6.5)]
    np.testing.assert_allclose(
        fit(case, slung, events=tares).field_now.mean_pct, fit(case, own).field_now.mean_pct, atol=0.05
    )
    taken_back = [tares[0], dataclasses.replace(tares[1], undone_utc=judging.NOW)]
    assert "for_good_since_utc" in said(fit(case, slung, events=taken_back), "weight_rose")[0]


def test_a_slow_drift_of_the_scale_is_less_trusted_than_the_pins(case):
    piece, _, fields = case
    pins = judging.pins(piece, fields, depths=(25.0, 50.0), bias=0.0)
    start = piece.arrived_utc
    drifting = [
        dataclasses.replace(each, value=each.value * (1 + 0.012 * ((each.taken_utc - start) / DAY) / 365))
        for each in judging.weights(piece, fields, sd=0.001)
    ]
    fitted = fit(case, [*pins, *drifting])
    assert np.median(fitted.theta[parameters.DRIFT]) > 0.02
    assert mean(fitted) == pytest.approx(float(fields[-1].mean_pct[0]), abs=2)


def test_an_oven_dried_section_at_any_date_pins_the_mean_and_one_near_an_end_is_set_aside(case):
    _, _, fields = case
    true = float(fields[20].mean_pct[0])
    oven = event("oven-dried", 202, mc_pct=true)
    none, fitted = fit(case, []), fit(case, [], events=[oven])
    assert np.std(fitted.field_now.mean_pct) < 0.5 * np.std(none.field_now.mean_pct)
    assert mean(fitted) == pytest.approx(float(fields[-1].mean_pct[0]), abs=3)
    assert any(each.series.endswith("oven-dry") for each in fitted.readings)
    near = fit(case, [], events=[event("oven-dried", 202, mc_pct=true - 9, from_end_mm=150)])
    assert near.used == 0
    (why,) = said(near, "near_end")
    assert (why["what"], why["from_end_mm"], why["series"]) == ("section", 150, "timber/FER-07/oven-dry")
    far = fit(case, [], events=[event("oven-dried", 202, mc_pct=true, from_end_mm=900)])
    assert mean(far) == pytest.approx(mean(fitted), abs=1)


def test_the_section_entered_on_arrival_counts_once(case):
    piece, air, fields = case
    known = dataclasses.replace(piece, green_mc_pct=70.0)
    own = event("oven-dried", 0, mc_pct=70.0)
    assert fit((known, air, fields), [], events=[own]).used == 0
    assert fit(case, [], events=[own]).used == 1


def planed_case():
    """A timber planed from 140 to 110 mm after 150 days, dried by the same model in two parts."""
    piece = judging.timber(DAYS, side=110.0, finished=80.0, section=Section(width_mm=110, depth_mm=110))
    air = judging.shed(piece.arrived_utc, DAYS)
    one, start_s = np.ones(1), piece.arrived_utc.timestamp()
    members = solver.Members(
        d_factor=0.8 * one, surface_factor=one, start_mc_pct=70 * one, emc_offset_pct=0 * one
    )
    green = Section(width_mm=140, depth_mm=140)
    early_s = start_s + judging.DAY_S * np.append(np.arange(2, 150, 10), 150)
    late_s = start_s + judging.DAY_S * np.arange(152, DAYS + 1, 10)
    first = solver.dry(
        green, None, air, judging.law(piece), start_posix_s=start_s, at_posix_s=early_s, members=members
    )
    left = solver.cut(first[-1], Finished(width_mm=110, depth_mm=110))
    then = solver.dry(
        left.section,
        left,
        air,
        judging.law(piece),
        start_posix_s=early_s[-1],
        at_posix_s=late_s,
        members=members,
    )
    return piece, air, [*first[:-1], *then]  # fmt: skip


def test_planing_is_dried_through_with_the_old_section_and_then_the_new_one():
    case = planed_case()
    piece, _, fields = case
    planed = event("planed", 150, width_mm=110, depth_mm=110, from_width_mm=140, from_depth_mm=140)
    readings = [*judging.pins(piece, fields, bias=0.0), *judging.weights(piece, fields[:15])]
    lighter = judging.weights(piece, fields[15:], dry_kg=20 * (110 / 140) ** 2)
    fitted = fit(case, [*readings, *lighter], events=[planed])
    assert fitted.field_now.section == piece.section
    assert mean(fitted) == pytest.approx(float(fields[-1].mean_pct[0]), abs=2)
    (told,) = said(fitted, "planed")
    assert (told["from_width_mm"], told["from_depth_mm"]) == (140, 140)
    assert (told["width_mm"], told["depth_mm"]) == (110, 110)
    assert told["planed_utc"] == planed.at_utc
    assert fitted.left_out == ()
    jump = np.diff(np.median(fitted.history_mean_pct, axis=1))
    assert jump.max() > 0.5  # the dry shell went off, so the mean rose


def test_planing_without_the_size_before_is_said_and_dried_at_the_size_now(case):
    planed = event("planed", 150, width_mm=120, depth_mm=120)
    fitted = fit(case, [], events=[planed])
    assert said(fitted, "size_before_unknown")
    plain = fit(case, [])
    np.testing.assert_allclose(fitted.field_now.mean_pct, plain.field_now.mean_pct)


def test_a_planing_larger_than_the_timber_is_not_counted_and_said(case):
    planed = event("planed", 150, width_mm=300, depth_mm=300, from_width_mm=200, from_depth_mm=200)
    assert said(fit(case, [], events=[planed]), "planing_not_counted")


def test_a_coated_and_a_lying_face_dry_slower_from_their_day_on(case):
    bare = fit(case, [])
    coated = fit(case, [], events=[event("coated", 0, faces="abcd")])
    late = fit(case, [], events=[event("coated", 200, faces="abcd")])
    lying = fit(case, [], events=[event("stickered", 0, faces="c")])
    off = fit(case, [], events=[event("coated", 0, faces="abcd"), event("coated", 1, faces="")])
    assert mean(coated) > mean(late) > mean(bare)
    assert mean(coated) > mean(lying) > mean(bare)
    assert mean(off) == pytest.approx(mean(bare), abs=0.3)


def test_a_turned_timber_lies_on_its_new_underside_and_a_coat_outdoes_the_bearer(case):
    piece, air, _ = case
    events = [
        event("stickered", 0, faces="c"),
        event("turned", 50, up="b"),
        event("coated", 60, faces="d"),
    ]
    start_s, now_s = piece.arrived_utc.timestamp(), judging.NOW.timestamp()
    covers = [each for _, each in inputs.history(piece, events, air, start_s=start_s, now_s=now_s).faces]
    assert covers[0][Face.C] is FaceCover.ON_BEARERS
    assert (covers[1][Face.C], covers[1][Face.D]) == (FaceCover.EXPOSED, FaceCover.ON_BEARERS)
    assert covers[2][Face.D] is FaceCover.COATED


def test_ends_sealed_on_arrival_let_pins_count_that_bare_ends_would_spoil(case):
    piece, _, fields = case
    near = judging.reading(piece, fields[-1].posix_s, 20.0, depth_mm=30.0)
    near = dataclasses.replace(near, flags=("end-380",))
    assert fit(case, [near]).used == 0
    assert fit(case, [near], events=[event("end-sealed", 2)]).used == 1
    assert fit(case, [near], events=[event("end-sealed", 60)]).used == 0  # they had dried before


def test_unmeasured_air_widens_the_answer_and_is_said(case):
    piece, air, fields = case
    start_s = piece.arrived_utc.timestamp()
    gap = (start_s + 40 * judging.DAY_S, start_s + DAYS * judging.DAY_S)
    plain, told = fit(case, []), fit(case, [], gaps=[gap])
    (silent,) = said(told, "air_not_measured")
    assert (silent["gaps"], silent["days"]) == (1, pytest.approx(260))
    assert not said(plain, "air_not_measured")
    corner = [np.std(each.field_now.mc_pct[:, 0, 0]) for each in (plain, told)]
    assert corner[1] > 1.4 * corner[0]
    keep = (air.posix_s < gap[0]) | (air.posix_s > gap[1] - 3600)
    holed = AirSeries(posix_s=air.posix_s[keep], temp_c=air.temp_c[keep], rh_pct=air.rh_pct[keep])
    assert said(fit((piece, holed, fields), []), "air_not_measured")[0]["days"] == pytest.approx(260, abs=1)


def shown(case, how):
    piece, _, fields = case
    return [
        judging.reading(piece, field.posix_s, how(float(field.pin_pct(12.0, Face.B)[0])), depth_mm=12.0)
        for field in fields[15:]
    ]


def test_the_shops_own_two_point_correction_is_used(case):
    wrong = shown(case, lambda mc: (mc - 2.0) / 1.1)
    line = TwoPoint(shown_pct=(10, 20), true_pct=(13, 24))
    meter = MeterSetting(series="timber/*/pin-*/moisture", two_point=line)
    right = fit(case, shown(case, lambda mc: mc))
    put_right, other = (
        fit(case, wrong, corrections=[meter]),
        MeterSetting(series="timber/OTHER/*", two_point=line),
    )
    assert put_right.readings[-1].measured_pct == pytest.approx(right.readings[-1].measured_pct, abs=0.3)
    left = fit(case, wrong, corrections=[other])
    assert left.readings[-1].measured_pct < right.readings[-1].measured_pct - 2


def test_a_meter_without_pins_counts_less_and_one_set_to_another_wood_is_put_right(case):
    readings = shown(case, lambda mc: mc)
    pins, flat = fit(case, readings), fit(case, readings, corrections=[MeterSetting(kind="capacitance")])
    flagged = fit(case, [dataclasses.replace(each, flags=("indicative",)) for each in readings])
    assert flat.readings[-1].sd_pct > pins.readings[-1].sd_pct + 0.3
    assert flagged.readings[-1].sd_pct == flat.readings[-1].sd_pct
    fir = MeterSetting(set_to=species.get("Douglas-fir"))
    assert fit(case, readings, corrections=[fir]).readings[-1].measured_pct != pins.readings[-1].measured_pct


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"kind": "radar"}, "pins or capacitance"),
        ({"kind": "capacitance", "set_to": OAK}, "set to a density"),
        ({"set_to_kg_m3": 600.0}, "set to a wood"),
    ],
)
def test_a_meter_that_cannot_be_is_refused(wrong, words):
    with pytest.raises(OutOfRange, match=words):
        MeterSetting(**wrong)


def test_resistances_are_read_with_the_woods_own_curve_and_more_doubt(case):
    piece, _, fields = case
    ohm = [
        judging.reading(
            piece, field.posix_s, 10 ** (9.5 - i / 20), depth_mm=12.0, quantity=Quantity.RESISTANCE
        )
        for i, field in enumerate(fields[20:])
    ]
    fitted = fit(case, ohm)
    assert fitted.used > 0
    assert fitted.readings[0].sd_pct > fit(case, shown(case, lambda mc: 0.0 * mc + 12)).readings[0].sd_pct


def test_the_ratio_of_radial_to_tangential_is_drawn_the_right_way_though_pins_tell_it_little():
    piece = judging.timber(DAYS, section=Section(width_mm=120, depth_mm=120, pith_x_mm=-2000), finished=80.0)
    air = judging.shed(piece.arrived_utc, DAYS)
    start_s, one = piece.arrived_utc.timestamp(), np.ones(1)
    at_s = start_s + judging.DAY_S * np.arange(100, DAYS + 1, 10)
    truth = solver.Members(
        d_factor=2.5 * one, surface_factor=one, start_mc_pct=65 * one, emc_offset_pct=0 * one
    )
    found = []
    for ratio in (2.0, 0.8):
        law = dataclasses.replace(judging.law(piece), radial_over_tangential=ratio)
        fields = solver.dry(
            piece.section, None, air, law, start_posix_s=start_s, at_posix_s=at_s, members=truth
        )
        readings = [
            judging.reading(
                piece, field.posix_s, float(field.pin_pct(deep, face)[0]), depth_mm=deep, face=face
            )
            for field in fields
            for deep in (12.0, 25.0, 35.0)
            for face in (Face.A, Face.B)
        ]
        found.append(fit((piece, air, fields), readings).theta[parameters.RATIO])
    assert np.mean(found[0]) > np.mean(found[1]) + 0.003  # the same draws, other readings
    assert np.std(found[0]) > 0.15  # in a square timber the spread of the prior, 0.2, nearly stays


def test_a_coat_holds_on_in_the_forecast_and_comes_off_with_the_saw(case):
    piece = case[0]
    coat = event("coated", 0, faces="abcd")
    bare, coated = fit(case, []), fit(case, [], events=[coat])
    assert bare.covers is None
    assert calibration.resume(coated.state()).covers == dict.fromkeys(Face, FaceCover.COATED)
    ahead = judging.shed(judging.NOW, 200)

    def fallen(fitted, **more):
        coming = forecast.forecast(
            piece, OAK, fitted, ahead, law=judging.law(piece), horizon_days=180, step_days=30, **more
        )
        return float(coming.mean_pct[2, 0] - coming.mean_pct[2, -1])

    off = dataclasses.replace(coated, covers=None)
    assert fallen(coated) < 0.7 * fallen(off)
    cut = Finished(width_mm=100, depth_mm=100)
    assert fallen(coated, piece=cut) == pytest.approx(fallen(off, piece=cut), abs=1e-6)


def test_in_cold_air_a_meter_that_corrects_by_itself_means_drier_wood_than_one_that_does_not(case):
    piece, air, fields = case
    cold = dataclasses.replace(air, temp_c=np.full(air.temp_c.shape, 4.0))
    readings = shown((piece, cold, fields), lambda mc: 0.0 * mc + 14)

    plain, corrected, unknown = (
        fit((piece, cold, fields), readings, corrections=[MeterSetting(corrects_temperature=each)]).readings[
            -1
        ]
        for each in (False, True, None)
    )
    assert corrected.measured_pct == pytest.approx(14.0)
    # 0.10 to 0.15 % per degC: SP Tra report PX21326 (2012) pp. 5-6, VTT Publications 420 (2000)
    assert 14 + 0.10 * 16 <= plain.measured_pct <= 14 + 0.15 * 16
    assert unknown.measured_pct == plain.measured_pct
    assert unknown.sd_pct > plain.sd_pct > corrected.sd_pct


def test_readings_after_two_days_of_frost_are_set_aside_with_the_airs_temperature(case):
    piece, air, fields = case
    frost = dataclasses.replace(air, temp_c=np.where(air.posix_s > fields[-4].posix_s, -7.0, air.temp_c))
    found = fit((piece, frost, fields), shown((piece, frost, fields), lambda mc: mc))
    (frozen,) = said(found, "frozen")
    assert frozen["count"] in {2, 3}
    assert frozen["air_c"] == pytest.approx(-7, abs=0.5)
