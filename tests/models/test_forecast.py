"""What lies ahead of a calibrated timber: wider with time, drier in dry air, and by when."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))
import judging

from baulk.models import air_scenarios, forecast, sorption, species
from baulk.models.air import AirSeries
from baulk.models.calibrate import calibration as calibrate_calibration
from baulk.models.calibrate import ensemble, parameters
from baulk.models.errors import OutOfRange
from baulk.models.section import Face, Finished

NOW_S = judging.NOW.timestamp()
DAY_S = judging.DAY_S
PARTS = ("mean", "shell", "core")


@cache
def fitted(side=120.0, days=200):
    piece = judging.timber(days, side=side, finished=0.75 * side)
    air = judging.shed(piece.arrived_utc, days)
    at_s = piece.arrived_utc.timestamp() + DAY_S * np.arange(10, days, 20)
    fields = judging.truth(piece, air, at_s)
    readings = judging.pins(piece, fields) + judging.weights(piece, fields)
    wood = species.get(piece.species)
    found = calibrate_calibration.fit(
        piece, wood, readings, air, law=judging.law(piece), now_posix_s=NOW_S, members=32
    )
    return piece, found


def season(days=800):
    return judging.shed(judging.NOW, days)


def ahead(air, *, side=120.0, unseen=True, **more):
    piece, found = fitted(side)
    if not unseen:  # but for the departure from the model that no reading has seen yet
        theta = found.theta.copy()
        theta[[parameters.AHEAD, parameters.AHEAD_CORE]] = 0.0
        found = replace(found, theta=theta)
    wood = species.get(piece.species)
    return forecast.forecast(piece, wood, found, air, law=judging.law(piece), **more)


@cache
def usual():
    return ahead(season())


def spread(coming):
    return coming.mean_pct[4] - coming.mean_pct[0]


def test_the_quantiles_stand_in_order_and_begin_with_today():
    coming, (_, found) = usual(), fitted()
    for rows in (coming.mean_pct, coming.shell_pct, coming.core_pct, coming.quantiles_pct(20.0)):
        assert rows.shape == (5, coming.posix_s.size)
        assert np.all(np.diff(rows, axis=0) >= 0)
    assert coming.posix_s[0] == NOW_S
    assert coming.core_pct[2, 0] == pytest.approx(np.median(found.field_now.core_pct))


def test_years_that_differ_widen_the_forecast_of_a_stick_and_hardly_that_of_a_heavy_timber():
    futures = air_scenarios.several(season(), air_scenarios.usual_spread())
    stick, heavy = ((ahead(season(), side=side), ahead(futures, side=side)) for side in (40.0, 190.0))
    # what the years alone do to the members, whatever else is not known of them
    by_years = [
        np.std(many.members_pct("mean") - one.members_pct("mean"), axis=1) for one, many in (stick, heavy)
    ]
    assert by_years[0][0] == pytest.approx(0)
    assert by_years[0][8:].mean() > 0.35
    assert by_years[1][8:].mean() < 0.6 * by_years[0][8:].mean()
    assert np.max(np.abs(spread(heavy[1]) / spread(heavy[0]) - 1)) < 0.06
    for one, many in (stick, heavy):
        assert np.max(np.abs(many.mean_pct[2] - one.mean_pct[2])) < 0.7, "the middle stays"


def test_with_nothing_known_of_the_wood_the_spread_grows_with_the_horizon():
    # a timber that came a week ago: what is not known of its D shows only as it dries
    piece = judging.timber(7, side=180.0)
    found = calibrate_calibration.fit(
        piece, species.get(piece.species), [], judging.shed(piece.arrived_utc, 7), law=judging.law(piece),
        now_posix_s=NOW_S, members=32,
    )  # fmt: skip
    coming = forecast.forecast(piece, species.get(piece.species), found, season(), law=judging.law(piece))
    lost = coming.members_pct("mean")[0] - coming.members_pct("mean")
    wide = np.quantile(lost, 0.95, axis=1) - np.quantile(lost, 0.05, axis=1)
    assert np.all(np.diff(wide[:26:4]) > 0)


def test_each_future_is_dealt_to_as_many_members_as_any_other():
    wet, dry = (air_scenarios.held(18, rh, since_s=NOW_S) for rh in (85, 35))
    both = ahead((wet, dry))
    alone = [ahead(each).members_pct("mean") for each in (wet, dry)]
    assert both.members_pct("mean")[:, 0::2] == pytest.approx(alone[0][:, 0::2], abs=0.02)
    assert both.members_pct("mean")[:, 1::2] == pytest.approx(alone[1][:, 1::2], abs=0.02)


def test_no_air_at_all_is_refused():
    with pytest.raises(OutOfRange, match="the air ahead is missing"):
        ahead(())


def test_a_planned_climate_dries_or_wets_as_it_should():
    middles = [ahead(air_scenarios.held(18, rh, since_s=NOW_S)).mean_pct[2, 26:] for rh in (40, 65, 85)]
    assert np.all(middles[0] < middles[1])
    assert np.all(middles[1] < middles[2])


def test_air_that_is_held_ends_at_its_own_equilibrium():
    # 20 degC and 65 % RH for ever: every part of every member at its own EMC; forty years, for the members
    # with the steepest law are still 0.5 % above it after ten
    _, found = fitted(side=60.0)
    air, how = (
        air_scenarios.held(20, 65, since_s=NOW_S),
        {"side": 60.0, "horizon_days": 14_600, "step_days": 1460},
    )
    sure, doubting = ahead(air, unseen=False, **how), ahead(air, **how)
    own = float(sorption.emc_pct(20, 65)) + found.members.emc_offset_pct
    for part in PARTS:
        assert sure.members_pct(part)[-1] == pytest.approx(own, abs=0.05)
        away = doubting.members_pct(part)[-1] - own  # what is left then is no water but the departure
        assert abs(np.median(away)) < 0.5
        assert 0.3 < np.std(away) < 3.0


def test_impossible_spreads_and_single_futures_are_refused():
    with pytest.raises(OutOfRange, match="twelve numbers"):
        air_scenarios.Spread(temp_c=np.ones(12), rh_pct=-np.ones(12))
    with pytest.raises(OutOfRange, match="2 or more, not 1"):
        air_scenarios.several(season(30), air_scenarios.usual_spread(), count=1)


def test_humidity_never_leaves_what_air_can_hold():
    damp = AirSeries(
        posix_s=season(300).posix_s, temp_c=season(300).temp_c, rh_pct=np.full(season(300).posix_s.size, 98.0)
    )
    assert max(each.rh_pct.max() for each in air_scenarios.several(damp, air_scenarios.usual_spread())) <= 100


def test_a_forecast_at_a_depth_is_the_field_at_that_depth():
    coming = usual()
    for where, face in ((15.0, Face.A), (40.0, None)):
        found = coming.members_pct(where, face)
        assert found.shape == (coming.posix_s.size, 32)
        assert found[30] == pytest.approx(coming.fields[30].pin_pct(where, face))
    shallow, deep = coming.members_pct(5.0), coming.members_pct(55.0)
    assert np.all(np.median(shallow, axis=1) < np.median(deep, axis=1)[0])


@pytest.mark.parametrize("part", ["mean", "shell", "core"])
def test_a_part_is_read_from_the_fields_that_the_forecast_has_now(part):
    coming = usual()
    for ahead in (coming, replace(coming, posix_s=coming.posix_s[9:], fields=coming.fields[9:])):
        each = np.array([getattr(one, f"{part}_pct") for one in ahead.fields])
        np.testing.assert_allclose(ahead.members_pct(part), each, rtol=1e-12)  # sums in another order
        rows = np.quantile(each, forecast.QUANTILES, axis=1)
        np.testing.assert_allclose(getattr(ahead, f"{part}_pct"), rows, rtol=1e-12)
        np.testing.assert_array_equal(ahead.quantiles_pct(part), getattr(ahead, f"{part}_pct"))
    with pytest.raises(ValueError, match="read-only"):  # nobody changes what others are told
        coming.members_pct(part)[0] = 0.0
    with pytest.raises(OutOfRange, match="not 'middle'"):
        coming.quantiles_pct("middle")


def test_depths_and_parts_that_are_not_there_are_refused():
    with pytest.raises(OutOfRange, match="mean, shell, core or a depth, not 'middle'"):
        usual().members_pct("middle")
    with pytest.raises(OutOfRange):
        usual().members_pct(125.0, Face.B)
    with pytest.raises(OutOfRange, match="above 0 %"):
        forecast.reach(usual(), "core", 0)


def test_drier_is_reached_later_and_deeper_is_reached_later():
    coming = usual()
    by_wetness = [forecast.reach(coming, "core", below).member_posix_s for below in (40, 30, 25, 20)]
    for sooner, later in pairwise(by_wetness):
        assert np.all(sooner <= later)
    by_depth = [forecast.reach(coming, depth, 25).member_posix_s for depth in (5.0, 20.0, 40.0, 60.0)]
    for sooner, later in pairwise(by_depth):
        # a member's departure from the model may turn the last centimetres about the heart: by 10 days of 600
        assert np.all(sooner <= later + 14 * DAY_S)
        assert np.sort(sooner)[3] < np.sort(later)[3] < np.inf


def test_the_dates_agree_with_the_share_of_members_that_is_there():
    coming = usual()
    found = forecast.reach(coming, "mean", 25.0)
    assert np.all(np.diff(found.probability) >= 0)
    dates = [each for each in found.dates_utc if each is not None]
    assert dates == sorted(dates)
    for share, date in zip(found.quantiles, found.dates_utc, strict=True):
        if date is not None:
            assert found.by(date) >= share
    # weekly by hand: whoever was ever at or below it
    ever = np.maximum.accumulate(coming.members_pct("mean") <= 25.0, axis=0).mean(axis=1)
    assert found.probability == pytest.approx(ever)


def test_between_two_moments_the_date_lies_on_a_straight_line():
    coming = usual()
    found = forecast.reach(coming, "mean", 25.0)
    member = int(np.flatnonzero((found.member_posix_s > NOW_S) & np.isfinite(found.member_posix_s))[0])
    at = np.interp(found.member_posix_s[member], coming.posix_s, coming.members_pct("mean")[:, member])
    assert at == pytest.approx(25.0, abs=1e-6)


def test_what_is_reached_already_is_reached_now_and_what_is_out_of_reach_never():
    coming = usual()
    assert forecast.reach(coming, "core", 200).dates_utc == (datetime.fromtimestamp(NOW_S, UTC),) * 5
    never = forecast.reach(coming, "core", 2.0)
    assert never.dates_utc == (None,) * 5
    assert not never.probability.any()


def test_beyond_the_horizon_nothing_is_said():
    found = forecast.reach(usual(), "core", 20.0)
    with pytest.raises(OutOfRange, match="2040-01-01 lies beyond the forecast, which ends on 2028-"):
        found.by(datetime(2040, 1, 1, tzinfo=UTC))


def test_a_piece_cut_from_it_is_forecast_in_the_same_futures():
    futures = air_scenarios.several(season(200), air_scenarios.usual_spread(), count=8)
    coming = ahead(futures, piece=Finished(width_mm=80, depth_mm=60), horizon_days=180)
    assert coming.fields[0].section.width_mm == 80
    assert coming.mean_pct[2, -1] < coming.mean_pct[2, 0]


def test_what_the_model_does_not_know_ahead_stops_growing_after_two_years():
    _, calibration, *_ = fitted()
    now = calibration.field_now
    at_years = (0.0, 1.0, 2.0, 5.0)
    later = [replace(now, posix_s=now.posix_s + years * 365.25 * DAY_S) for years in at_years]
    spread = [
        float(np.std(each.mean_pct - now.mean_pct)) for each in ensemble.ahead(later, calibration.theta, 14.0)
    ]
    assert spread[0] == 0 < spread[1] < spread[2]
    assert spread[3] == pytest.approx(spread[2])
