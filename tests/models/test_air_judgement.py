"""Whether a plan of the air beats doing nothing: a coast's shed, a dry shop, another solver."""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

import other_surface
from honesty import grid, physics_bound, truth
from invented_room import GIVEN, NOW, NOW_S, coast, coastal, need, piece, room

from baulk.models import text
from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.plan.humidity import judgement, mould, plan, summary, trajectories, ways, window
from baulk.models.plan.humidity.air_plan import Water
from baulk.models.plan.humidity.finished import is_finished
from baulk.models.plan.humidity.outcome import Alternative, Span
from baulk.models.section import Section
from baulk.models.timber import Event, EventKind

EIGHT, SIX = 203.2, 152.4  # mm
WRAP = {"weeks": 13.0}


def eights(*moistures, **given):
    """White oaks of 8 x 8 in for 6 x 6, their outside drier than their heart."""
    return [
        piece(
            f"OAK-{i}", mc=each, mm=EIGHT, cut=SIX, shell=min(each, 20.0), use="frame-under-cover",
            build_days=365.0, **given,
        )
        for i, each in enumerate(moistures, start=1)
    ]  # fmt: skip


@pytest.fixture(scope="module")
def coastal_plan():
    """Plan the shed on the coast: three white oaks, and finished work beside them."""
    rib = piece("RIB-9", mc=17.0, mm=EIGHT, cut=SIX, part="keep", use="frame-under-cover")
    asked = coastal(*eights(45.0, 36.0, 30.0), rib, bands=(window.band_of(rib),))
    counted = Water(volume_m3=300.0, exchange=GIVEN, outside=coast(), price_kwh=0.3)
    return plan.plan(asked, counted)


def test_in_a_cool_shed_on_the_coast_the_doors_are_left_as_they_are(coastal_plan):
    assert coastal_plan.offered == 0
    assert coastal_plan.headline.code in {"humidity.leave", "humidity.leave_near"}
    assert not coastal_plan.is_held
    said = summary.summary(coastal_plan)
    assert said[0] is coastal_plan.headline
    assert not {"humidity.hold", "humidity.hold_on"} & {each.code for each in said}
    assert text.sentence(said[0], "inch").startswith("Leave the doors of shed as they are")


def test_every_way_stands_beside_doing_nothing_with_what_it_costs(coastal_plan):
    found = {each.what: each for each in coastal_plan.alternatives}
    assert list(found) == ["nothing", "hold", "cover", "wrap", "heat", "dry"]
    nothing = found["nothing"]
    assert (nothing.gained, nothing.litres, nothing.work_h) == (Span(median=0, low=0, high=0), 0.0, 0.0)
    assert found["dry"].litres > 0
    assert found["hold"].money == pytest.approx(0.3 * found["hold"].kwh)
    # 8760 h x 300 m3 x 0.4/h x 1.2 kg/m3 x 1.006 kJ/(kg K) x 5 K, by hand
    assert found["heat"].kwh == pytest.approx(8760 * 300 * 0.4 * 1.2 * 1.006 / 3600 * 5, rel=1e-6)
    assert found["wrap"].timbers[2].gained.median <= 0
    assert {each.code for each in coastal_plan.unanswered} == {
        "humidity.cannot_turn", "humidity.cannot_vent", "humidity.cannot_move",
    }  # fmt: skip
    told = text.sentences(summary.ways(coastal_plan), "metric")
    assert len(told) == len(coastal_plan.alternatives) + 3


def one(what, gained=(0.0, 0.0, 0.0), **changes):
    given = {
        "values": {"set_pct": 60.0}, "timbers": (), "check_chance": 0.0, "mould_index": 0.0, "decay_h": 0.0,
        "outside_weeks": 0, "litres": None, "kwh": None, "money": None, "work_h": 1.0,
    }  # fmt: skip
    low, median, high = gained
    return Alternative(what=what, gained=Span(median=median, low=low, high=high), **(given | changes))


@pytest.mark.parametrize(
    ("nothing", "other", "chosen"),
    [
        ({}, one("hold", (-1.0, 9.0, 20.0)), 0),  # its low end loses a week
        ({}, one("hold", (0.5, 1.5, 4.0)), 0),  # within the step of the dates
        ({}, one("hold", (1.0, 9.0, 20.0)), 1),
        ({}, one("hold", (1.0, 9.0, 20.0), check_chance=0.6), 0),
        ({}, one("hold", (1.0, 9.0, 20.0), decay_h=400.0), 0),
        ({}, one("hold", (1.0, 9.0, 20.0), mould_index=3.2), 0),
        ({}, one("hold", (1.0, 9.0, 20.0), outside_weeks=9), 0),
        (
            {"check_chance": 0.9},
            one("wrap", (-20.0, -9.0, -2.0), check_chance=0.1, values={"weeks": 13.0}),
            1,
        ),
        ({"check_chance": 0.6}, one("hold", check_chance=0.45), 0),  # sixteen members can't tell these apart
        ({"check_chance": 1.0}, one("heat", (4.0, 9.0, 20.0), check_chance=1.0), 0),  # it can't be told worse
        ({"mould_index": 4.0}, one("hold", mould_index=2.0), 1),
        ({"outside_weeks": 20}, one("hold", outside_weeks=3), 1),
        ({"outside_weeks": 20}, one("hold", outside_weeks=17), 0),
    ],
)
def test_a_way_is_offered_only_where_it_beats_doing_nothing_by_more_than_its_doubt(nothing, other, chosen):
    judged = judgement.judge("shed", (one("nothing", **nothing), other), 16)
    assert judged.chosen == chosen
    text.sentence(judged.headline, "inch")


def test_a_risk_taken_away_comes_before_weeks():
    found = (
        one("nothing", check_chance=1.0),
        one("heat", (4.0, 9.0, 20.0), check_chance=1.0, values={"warmer_k": 5.0}),
        one("hold", (-9.0, -4.0, 0.0), check_chance=0.0),
    )
    assert judgement.judge("shed", found, 16).chosen == 2


def test_green_oak_in_a_dry_shop_is_offered_what_spares_its_surface():
    asked = need(piece(mc=60.0), temp_c=4.0, rh=70.0)
    made = plan.plan(asked, Water())
    nothing, best = made.alternatives[0], made.alternatives[made.offered]
    assert nothing.check_chance == 1.0
    assert made.offered > 0
    assert best.check_chance < 0.5
    assert made.headline.values["why"] == "checks"


def test_opening_by_the_weather_lets_drier_air_in_and_never_damper():
    asked = need(piece(mc=30.0, stood=12.0), temp_c=15.0, rh=80.0)
    year = asked.room.year
    half = np.arange(year.posix_s.size) % 2 == 0
    outside = replace_air(year, np.where(half, 50.0, 95.0))
    found, missing = ways.others(asked, asked.window(asked.room.expected_rh), outside)
    vented = next(each for each in found if each.what == "vent")
    held = vented.air().rh_pct
    assert held[~half] == pytest.approx(80.0)
    # 5 changes an hour open, half a one shut: ten parts of eleven of the way from 80 to 50
    assert held[half] == pytest.approx(80 - 30 * 10 / 11)
    assert vented.values["open_share"] == pytest.approx(0.5, abs=0.01)
    assert "humidity.cannot_vent" not in {each.code for each in missing}


def replace_air(air, rh):
    return AirSeries(posix_s=air.posix_s, temp_c=air.temp_c, rh_pct=rh)


def test_a_timber_moved_later_lies_in_its_old_air_until_then():
    asked = need(piece(mc=30.0, stood=12.0), temp_c=10.0, rh=85.0)
    loft = room(temp_c=20.0, rh=45.0).year
    asked = replace(asked, elsewhere={"loft": loft})
    found, _ = ways.others(asked, asked.window(asked.room.expected_rh), None)
    later = next(each for each in found if each.what == "move" and each.values["week"] == 13)
    air = later.air()
    moved = air.posix_s >= NOW_S + 13 * 7 * 86_400
    assert set(air.rh_pct[~moved]) == {85.0}
    assert set(air.rh_pct[moved]) == {45.0}
    made, (stock,) = trajectories.follow(asked, later), asked.stocks
    stays = stock.dried(asked.room.year, asked.room.at_s())
    mean = [[float(np.median(each.mean_pct)) for each in one] for one in (made.fields["OAK-1"], stays)]
    assert mean[0][:14] == pytest.approx(mean[1][:14], abs=0.1)
    assert mean[0][40] < mean[1][40] - 2


def test_heated_air_holds_the_same_water():
    asked = need(piece(mc=30.0, stood=12.0), temp_c=10.0, rh=80.0)
    found, _ = ways.others(asked, asked.window(asked.room.expected_rh), None)
    warm = next(each for each in found if each.what == "heat").air()
    assert warm.temp_c == pytest.approx(15.0)
    # saturation at 10 and 15 degC: 12.28 and 17.06 hPa (steam tables)
    assert warm.rh_pct == pytest.approx(80 * 12.28 / 17.06, abs=0.05)


def test_mould_grows_as_its_equation_says_and_stays_below_its_limit():
    """Hukka & Viitanen 1999 solved by another method; coefficients as a public program prints them."""
    temp, rh, days = 20.0, 95.0, 120.0
    share = (rh - 80.0) / 20.0
    most = 1 + 7 * share - 2 * share**2

    def rate(_t, m):
        weeks = np.exp(-0.68 * np.log(temp) - 13.9 * np.log(rh) + 66.02)
        return (1 if m[0] < 1 else 2) / (7 * weeks) * max(1 - np.exp(2.3 * (m[0] - most)), 0)

    other = solve_ivp(rate, (0, days), [0.0], rtol=1e-8, max_step=0.2).y[0, -1]
    at_s = NOW_S + np.arange(0, days * 86_400 + 1, 6 * 3600.0)
    air = AirSeries(posix_s=at_s, temp_c=np.full(at_s.size, temp), rh_pct=np.full(at_s.size, rh))
    assert mould.index(air, days=days)[-1] == pytest.approx(other, rel=0.01)
    assert mould.index(replace_air(air, np.full(at_s.size, 79.0)), days=days).max() == 0
    dry = mould.index(replace_air(air, np.full(at_s.size, 60.0)), days=10.0, start=2.0)
    # six hours at 0.032 a day, then nothing to the end of the first day, then 0.016 a day (the same source)
    assert dry[-1] == pytest.approx(2 - 0.032 / 4 - 9 * 0.016)


def test_finished_is_what_an_event_says_and_not_what_a_verdict_says():
    timber = piece(mm=EIGHT, cut=SIX).timber

    def done(kind, **detail):
        return Event(tag="OAK-1", kind=kind, at_utc=NOW - timedelta(days=3), detail=detail)

    assert not is_finished(timber, ())
    assert not is_finished(timber, (done(EventKind.PLANED, width_mm=190.0, depth_mm=190.0),))  # roughed out
    squared = replace(timber, section=Section(width_mm=SIX + 1, depth_mm=SIX))
    assert is_finished(squared, (done(EventKind.PLANED, width_mm=SIX + 1, depth_mm=SIX),))
    assert is_finished(timber, (done(EventKind.FITTED),))
    assert not is_finished(timber, (done(EventKind.MOVED, **{"from": "a", "to": "b"}),))


@pytest.mark.parametrize("what", ["nothing", "hold"])
def test_plan_and_doing_nothing_agree_with_a_solver_that_shares_nothing_with_them(what):
    """Even cells and forward Euler, its own EMC and linear shrinkage, in the coast's air: month and shell."""
    law = DiffusionLaw(d_ref_m2_s=1.2e-10, slope_per_pct=0.0, radial_over_tangential=1.0)
    oak = replace(piece(mc=26.0, mm=EIGHT, cut=SIX, use="frame-under-cover", spread=0.0), law=law)
    asked = coastal(oak)
    rh = np.clip(asked.room.expected_rh - np.arange(156) / 4, 72.0, None)
    way = ways.nothing(asked.room) if what == "nothing" else ways.hold(asked.room, rh)
    made = trajectories.follow(asked, way)
    other = beside(way.air(), law)
    for week in (4, 26, 52, 104, 155):
        parts = grid.parts_pct(other[7 * week].astype(float), EIGHT, EIGHT)
        ours = made.fields["OAK-1"][week]
        assert float(np.median(ours.mean_pct)) == pytest.approx(float(parts["mean"]), abs=0.15)
        assert float(np.median(ours.shell_pct)) == pytest.approx(float(parts["shell"]), abs=0.15)
    # the outline of a piece with its heart outside moves a little less than a tangential line does
    assert np.median(made.paths["OAK-1"].days() / 7) == pytest.approx(other_ready(other), abs=4.3)


def inland(weeks=156):
    """A hot, dry summer and a cold, damp winter: 0 to 30 degC, 70 to 30 %."""
    at_s = NOW_S + np.arange(0, (weeks + 60) * 7 * 86_400.0, 6 * 3600.0)
    year = (at_s / 86_400 % 365.25) / 365.25 * 2 * np.pi
    return AirSeries(posix_s=at_s, temp_c=15 - 15 * np.cos(year - 0.4), rh_pct=50 + 20 * np.cos(year - 0.4))


def heated(weeks=156):
    """A shop kept warm through a cold winter: 18 to 22 degC, 25 % in winter and 55 % in summer."""
    at_s = NOW_S + np.arange(0, (weeks + 60) * 7 * 86_400.0, 6 * 3600.0)
    year = (at_s / 86_400 % 365.25) / 365.25 * 2 * np.pi
    return AirSeries(posix_s=at_s, temp_c=20 - 2 * np.cos(year - 0.4), rh_pct=40 - 15 * np.cos(year - 0.4))


@pytest.mark.parametrize("climate", [inland, heated])
def test_two_more_climates_beside_the_other_solver(climate):
    """What plan and doing nothing promise, printed beside what the other solver finds in the same air."""
    law = DiffusionLaw(d_ref_m2_s=1.2e-10, slope_per_pct=0.0, radial_over_tangential=1.0)
    oak = replace(piece(mc=26.0, mm=EIGHT, cut=SIX, use="frame-under-cover", spread=0.0), law=law)
    asked = coastal(oak)
    asked = replace(asked, room=replace(asked.room, year=climate(), rh_now_pct=climate().rh_pct[0]), years=())
    rows, apart, weeks_apart = [], [], []
    for way in (ways.nothing(asked.room), ways.hold(asked.room, np.full(156, 65.0))):
        made, other = trajectories.follow(asked, way), beside(way.air(), law)
        for week in (4, 13, 26, 52, 104):
            parts = grid.parts_pct(other[7 * week].astype(float), EIGHT, EIGHT)
            ours = made.fields["OAK-1"][week]
            told = float(np.median(ours.mean_pct)), float(np.median(ours.shell_pct))
            found = float(parts["mean"]), float(parts["shell"])
            apart.append([one - two for one, two in zip(told, found, strict=True)])
            rows.append(
                f"{way.what:8} week {week:3}: mean {told[0]:5.2f} | {found[0]:5.2f}, "
                f"shell {told[1]:5.2f} | {found[1]:5.2f} %"
            )
        ready = [float(np.median(made.paths["OAK-1"].days() / 7)), other_ready(other)]
        weeks_apart.append(ready[0] - ready[1])
        rows.append(f"{way.what:8} ready: {ready[0] / 4.345:4.1f} | {ready[1] / 4.345:4.1f} months")
    sys.stdout.write("\n".join([f"{climate.__name__}: promised | other solver", *rows, ""]))
    assert np.abs(apart).max(axis=0) == pytest.approx([0, 0], abs=0.2)
    assert np.abs(weeks_apart).max() <= 2.5


def other_ready(fields):
    """Week in which half of the services let the square stay true, by the other solver's fields."""
    squared = np.array([grid.sawn(each.astype(float), EIGHT, EIGHT, SIX, 12).mean() for each in fields[::7]])
    service = 12 + (20 - 12) * (0.25 + 0.5 * (np.arange(16) + 0.5) / 16)  # middle half of 12 to 20 %
    moves_mm = SIX * 10.5 / 100 / 30 * np.abs(squared[:, None] - service)  # white oak 10.5 % over 30 points
    ready = moves_mm <= 3.0 * SIX / 150
    return float(np.median(np.where(ready.any(axis=0), ready.argmax(axis=0), 156)))


def beside(air, law, cells=28):
    """Fields of an 8 x 8 at 26 % by day, by the other solver."""
    wood = physics_bound.Wood(
        power=0.0, middle_pct=20, width_pct=5, least=1.0, fsp_pct=30, sapwood=1.0,
        activation_j_mol=law.activation_j_mol, ratio=1.0, play=0.0,
    )  # fmt: skip
    steps = 7 * 156 * physics_bound.STEPS_A_DAY
    i = np.searchsorted(air.posix_s, NOW_S + np.arange(steps) * physics_bound.STEP_S, side="right") - 1
    place = truth.Place(
        width_mm=EIGHT, depth_mm=EIGHT, pith_mm=(0, -EIGHT), start_pct=np.full((cells, cells), 26.0),
        sapwood=np.zeros((cells, cells), bool),
    )  # fmt: skip
    drive = truth.Drive(
        days=7 * 156, wood_c=air.temp_c[i], emc_pct=other_surface.emc_pct(air.temp_c[i], air.rh_pct[i]),
        surface_m_s=np.full((steps, 4), 7e-8),
    )  # fmt: skip
    return physics_bound.dry(wood, law.d_ref_m2_s / physics_bound.REFERENCE_M2_S, place, drive)
