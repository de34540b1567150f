"""One allowance: the same size on every path, bow and crook, and whether a section still comes out.

The chances are held against sums of their own: the hand's arithmetic from printed coefficients, and draws
made here from the distributions as they are stated, without the engine, its elastic section or its order.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from statistics import NormalDist
from types import SimpleNamespace

import numpy as np
import pytest

from baulk.models import species, use_class
from baulk.models.allowance import bend, chance, engine
from baulk.models.allowance.bend import Seen
from baulk.models.allowance.parts import Ask, Wet, of_members
from baulk.models.drying import solver
from baulk.models.field import MoistureField
from baulk.models.plan.buying import buy
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import InYard, Wish
from baulk.models.plan.sawing import allowance, place_cut
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.plan.sawing.order import Order
from baulk.models.section import Finished, Section
from baulk.models.timber import Event, EventKind, Timber
from baulk.models.verdict import comes_out, rough_out
from baulk.models.verdict.rule import service_draw

NOW = datetime(2026, 3, 1, 12, tzinfo=UTC)
OAK, FIR = species.get("white oak"), species.get("Douglas-fir")
ABOVE = use_class.get("backbone-above-water")
INCH = 25.4
EIGHT_HALF = Section(width_mm=8.5 * INCH, depth_mm=8.5 * INCH)


def timber(section=EIGHT_HALF, *, wood="white oak", finished=6 * INCH, length_mm=3048.0, **more):
    return Timber(
        tag="FER-07", species=wood, section=section, length_mm=length_mm,
        finished=Finished(width_mm=finished, depth_mm=finished), use_class=ABOVE.name, place="shed",
        arrived_utc=NOW - timedelta(days=400), **more,
    )  # fmt: skip


def field(section, mc, members=64, cells=18):
    """Cells of every member; `mc` a number or a function of the depth below the nearest face."""
    x = solver.graded_edges_mm(section.width_mm, cells)
    y = solver.graded_edges_mm(section.depth_mm, cells)
    if callable(mc):
        across, up = (np.minimum(e[:-1] - e[0], e[-1] - e[1:]) for e in (x, y))
        mc = mc(np.minimum(up[:, None], across[None, :]))
    cell = np.broadcast_to(np.asarray(mc, dtype=float), (cells, cells))
    return MoistureField(
        posix_s=NOW.timestamp(), section=section, x_edges_mm=x, y_edges_mm=y,
        mc_pct=np.broadcast_to(cell, (members, cells, cells)).copy(),
    )  # fmt: skip


def members(count=64):
    one = np.ones(count)
    even = np.array([NormalDist().inv_cdf((i + 0.5) / count) for i in range(count)])
    return solver.Members(
        d_factor=one, surface_factor=one, start_mc_pct=one, emc_offset_pct=0 * one,
        shrinkage_factor=1 + 0.15 * np.random.default_rng(0).permutation(even),
    )  # fmt: skip


def paths(piece, now, wet):
    """Size and parts of the same piece by each path: verdict, size plan, from a timber, purchase plan."""
    size = comes_out.recorded(piece, ())
    ask = comes_out.asked(piece, OAK, size, wanted=0.9)
    calibration = SimpleNamespace(field_now=now, members=members(), covers=None)
    roughed = rough_out.rough_out(
        piece, OAK, calibration, None, law=None, use=ABOVE, step_mm=6.35, ask=ask,
        service_mc_pct=service_draw(ABOVE, 64),
    )  # fmt: skip
    yield "verdict", roughed.size_mm, roughed.terms
    order = Order(
        width_mm=piece.finished.width_mm, depth_mm=piece.finished.depth_mm,
        length_mm=piece.length_mm - 150.0, step_mm=6.35, start_pct=wet.mean_pct,
    )  # fmt: skip
    if wet.field is None:
        plan = allowance.size(order, OAK, ABOVE, compare=False)
        yield "plan size", (plan.green.width_mm, plan.green.depth_mm), plan.terms
    stock = Stock(name=piece.tag, section=piece.section, length_mm=piece.length_mm)
    laid = place_cut.plan(stock, order, OAK, ABOVE, wet=wet).choices[0].pieces[0].piece
    yield "plan size TAG", (laid.width_mm, laid.depth_mm), None
    part = Part(
        name="Post", width_mm=order.width_mm, depth_mm=order.depth_mm, length_mm=order.length_mm,
        use_class=ABOVE.name, species="white oak", heart="boxed",
    )  # fmt: skip
    yard = InYard(
        stock=stock, wood=OAK, mean_pct=wet.mean_pct, field=wet.field, sd_pct=wet.sd_pct,
        use_class=ABOVE.name, finished_mm=(order.width_mm, order.depth_mm), square_utc=NOW,
        square_probability=0.9,
    )  # fmt: skip
    made = buy.buy([part], [yard], Wish(step_mm=6.35), now_utc=NOW, compare=False)
    yield "plan buy", (made.assignments[0].sawn_width_mm, made.assignments[0].sawn_depth_mm), None
    if wet.field is None and wet.mean_pct == OAK.green_heartwood_mc_pct:
        bought = buy.buy([part], [], Wish(step_mm=6.35), now_utc=NOW, compare=False).shortfalls[0].size
        yield "plan buy, green", (bought.green.width_mm, bought.green.depth_mm), bought.terms


@pytest.fixture(autouse=True)
def _no_forecast(monkeypatch):
    monkeypatch.setattr(rough_out, "forecast", lambda *_, **__: None)


@pytest.mark.parametrize("mc", [OAK.green_heartwood_mc_pct, 25.0, 19.0])
def test_the_same_piece_in_the_same_state_has_the_same_size_on_every_path(mc):
    # before: 6 3/4 (verdict), 7 (size plan), 6 5/8 (from the timber) and 6 5/8 in (buying), green
    found = list(paths(timber(), field(EIGHT_HALF, mc), Wet(mean_pct=mc)))
    assert len({name for name, *_ in found}) == (5 if mc == OAK.green_heartwood_mc_pct else 4)
    assert len({(round(w, 3), round(d, 3)) for _, (w, d), _ in found}) == 1
    parts = [[(t.name, round(t.width_mm, 6), round(t.depth_mm, 6)) for t in ts] for *_, ts in found if ts]
    assert len(parts) >= 2
    assert all(each == parts[0] for each in parts)


def test_a_timber_with_a_wet_core_has_the_same_size_by_its_verdict_and_by_its_plans():
    now = field(EIGHT_HALF, lambda depth: 16 + 30 * np.minimum(depth / 60, 1.0))
    wet = of_members(now)
    found = list(paths(timber(), now, wet))
    sizes = {(round(w, 3), round(d, 3)) for _, (w, d), _ in found}
    assert [name for name, *_ in found] == ["verdict", "plan size TAG", "plan buy"]
    assert len(sizes) == 1
    even = engine.needed(
        comes_out.asked(timber(), OAK, comes_out.recorded(timber(), ()), wanted=0.9), OAK, ABOVE,
        Wet(mean_pct=wet.mean_pct), engine.centred((0.0, 0.0)),
    )  # fmt: skip
    shell_has_shrunk = found[0][2][0].width_mm
    assert shell_has_shrunk != pytest.approx(even.terms[0].width_mm, abs=0.1)


def test_every_part_stands_for_itself():
    # 150 mm of white oak from green to 19 %, the pith a mile below: width tangential, depth radial.
    # Wood Handbook Table 4-3: T 10.5 %, R 5.6 % to oven dry, begun at 30 %: 11/30 of it to 19 %.
    ask = Ask(
        width_mm=150, depth_mm=150, bow=bend.known(7.0), crook=bend.known(5.0), check_mm=6.0,
        tolerance_mm=1.0, confidence=0.5,
    )  # fmt: skip
    need = engine.needed(ask, OAK, ABOVE, Wet(mean_pct=64.0), engine.centred((0.0, -1.6e6)))
    fixed = {"saw cut": 3.0, "planing": 4.0, "checks": 2 * 6.0 - 4.0, "tolerance": -1.0}
    lost = (0.105 * 11 / 30, 0.056 * 11 / 30)
    for side, bent, share in (("width_mm", 5.0, lost[0]), ("depth_mm", 7.0, lost[1])):
        whole = (150 + bent + sum(fixed.values())) / (1 - share)
        assert getattr(need, side) == pytest.approx(whole, abs=0.05)
        by_name = {each.name: getattr(each, side) for each in need.terms}
        assert by_name["shrinkage"] == pytest.approx(share * whole, abs=0.03)
        assert {name: by_name[name] for name in fixed} == fixed
        assert by_name["scatter"] == pytest.approx(0, abs=1e-9)  # half of the pieces
        assert 150 + sum(by_name.values()) == pytest.approx(getattr(need, side), abs=1e-6)


def test_a_size_holds_as_often_as_it_says():
    # the engine's quantiles, added up, against every member's own shrinkage, bow and crook
    for mc in (64.0, 25.0, 19.0):
        now = field(EIGHT_HALF, mc)
        ask = comes_out.asked(timber(), OAK, comes_out.recorded(timber(), ()), wanted=0.9)
        need = engine.needed(ask, OAK, ABOVE, of_members(now), engine.centred((0.0, 0.0)))
        section = Section(width_mm=need.width_mm, depth_mm=need.depth_mm)
        moved = comes_out.drawn(section, OAK, Wet(mean_pct=mc), service_draw(ABOVE, 4096))
        sawn = (need.width_mm - ask.kerf_mm, need.depth_mm - ask.kerf_mm)
        assert 0.89 <= chance.comes_out(ask, sawn, moved).probability <= 0.95


# --- bow and crook


def test_custom_is_what_nine_of_ten_stay_within_both_ways():
    # 1 in 400 of 4 m, common practice
    usual = bend.usual(OAK, 4000.0)
    rng = np.random.default_rng(1)
    both = usual.middle_mm * np.exp(usual.sd_ln * rng.standard_normal((2, 200_000)))
    assert np.mean(both.max(axis=0) <= 10.0) == pytest.approx(0.9, abs=0.003)
    assert usual.quantile_mm(0.9) == pytest.approx(10.0)
    assert bend.usual(OAK, 1000.0).quantile_mm(0.9) == pytest.approx(10.0 / 8)  # by the power 1.5 of length
    assert bend.usual(FIR, 4000.0).quantile_mm(0.9) == pytest.approx(8.0)


def test_the_shops_own_timbers_draw_the_usual_bow_towards_them_and_narrow_it():
    # nine timbers of 4 m that all bend 12 mm: by hand, a normal mean with known variance in the logarithm.
    # custom's middle m0 = 10 / exp(sqrt(0.7^2 + 0.5^2) z), z the normal's quantile at sqrt(0.9)
    z = NormalDist().inv_cdf(math.sqrt(0.9))
    custom = 10.0 / math.exp(math.sqrt(0.49 + 0.25) * z)
    precision = 9 / 0.49 + 1 / 0.25
    middle = custom * math.exp(math.log(12 / custom) * (9 / 0.49) / precision)
    seen = [Seen(species="white oak", length_mm=4000, bow_mm=12, crook_mm=-12)] * 9
    found = bend.usual(OAK, 4000, [*seen, Seen(species="red oak", length_mm=4000, bow_mm=99)])
    assert found.timbers == 9
    assert found.middle_mm == pytest.approx(middle, rel=1e-9)
    assert found.sd_ln == pytest.approx(math.sqrt(0.49 + 1 / precision), rel=1e-9)
    assert found.sd_ln < bend.usual(OAK, 4000).sd_ln
    assert bend.usual(FIR, 4000, seen) == bend.usual(FIR, 4000)


def test_a_measured_straightedge_of_nothing_is_no_fault():
    found = bend.usual(OAK, 3000, [Seen(species="white oak", length_mm=3000, bow_mm=0.0)])
    assert 0 < found.middle_mm < bend.usual(OAK, 3000).middle_mm


# --- whether it comes out: three timbers by hand


def by_hand(room, lost, *, slope, middles, sd_ln, planing=4.0, count=400_000):
    """Chance by draws of what is stated, on their own: pieces by 15 %, service even, bends ln-normal.

    `room` is size less finished and `lost` the mean shrinkage, across and up; `slope` what a point of
    moisture in service is worth; service lies evenly in the middle half of 16 to 22 %, 1.5 points each way.
    """
    rng = np.random.default_rng(7)
    vary, off = 1 + 0.15 * rng.standard_normal(count), rng.uniform(-1.5, 1.5, count)
    holds = np.ones(count, dtype=bool)
    for wide, shrinks, per_pct, middle in zip(room, lost, slope, middles, strict=True):
        bent = middle * np.exp(sd_ln * rng.standard_normal(count))
        holds &= np.maximum(0.0, vary * (shrinks + per_pct * off)) + bent + planing <= wide
    return float(holds.mean())


def asked_for(piece, events=()):
    wood = species.get(piece.species)
    size = comes_out.recorded(piece, events)
    return size, comes_out.asked(piece, wood, size, wanted=0.9)


def far(width_in, depth_in):
    """A section whose pith lies a mile below: its width is tangential, its depth radial, and stays square."""
    return Section(width_mm=width_in * INCH, depth_mm=depth_in * INCH, pith_y_mm=-1.6e6)


def usual_middle(length_mm, factor=1.0):
    """Middle of a usual bow: 1 in 400 of 4 m for nine of ten both ways, by length to the power 1.5."""
    custom = 10.0 / math.exp(math.sqrt(0.74) * NormalDist().inv_cdf(math.sqrt(0.9)))
    return factor * custom * (length_mm / 4000) ** 1.5


def test_by_hand_a_green_oak_with_three_quarters_of_an_inch_over():
    # White oak 6 3/4 x 6 1/2 in, 10 ft, green, for 6 x 6 at 19 % (middle of 16 to 22 %).
    #   width  171.45 mm, tangential: 10.5 % x 11/30 = 3.850 % -> 6.60 mm; a point is 0.350 % -> 0.600 mm
    #   depth  165.10 mm, radial:      5.6 % x 11/30 = 2.053 % -> 3.39 mm; a point is 0.187 % -> 0.308 mm
    #   planing 4 mm; bow and crook over 2898 mm (75 mm off each end): middle 1.51 mm each
    #   room 19.05 and 12.70 mm; left at the middle 19.05 - 6.60 - 5.51 = 6.9 and 12.70 - 3.39 - 5.51 = 3.8
    piece = timber(far(6.75, 6.5))
    size, ask = asked_for(piece)
    found = comes_out.before_a_fit(piece, OAK, ABOVE, size, ask, wet=Wet(mean_pct=64.0))
    lost = (6.75 * INCH * 0.105 * 11 / 30, 6.5 * INCH * 0.056 * 11 / 30)
    slope = (6.75 * INCH * 0.105 / 30, 6.5 * INCH * 0.056 / 30)
    assert found.parts_mm["shrinkage"] == pytest.approx(lost, rel=0.015)
    assert found.parts_mm["distortion"] == pytest.approx((0, 0), abs=0.02)
    assert found.parts_mm["bow"][1] == pytest.approx(usual_middle(2898), rel=0.01)
    hand = by_hand((0.75 * INCH, 0.5 * INCH), lost, slope=slope, middles=[usual_middle(2898)] * 2,
                   sd_ln=math.sqrt(0.74))  # fmt: skip
    # by tables of the normal: crook below 8.4 mm ln(8.4/1.51)/0.86 = 2.0 sd 0.977, bow below 5.3 mm 1.46 sd
    # 0.928, together 0.907; what pieces and service scatter by takes a little of it
    assert hand == pytest.approx(0.90, abs=0.01)
    assert found.probability == pytest.approx(hand, abs=0.025)


def test_by_hand_a_fir_freshly_planed_at_19_percent_loses_no_more_than_the_plane():
    # Douglas-fir planed today at 19 % to 6 3/8 x 6 3/8 in, 8 ft, for 6 x 6 at 19 %: nothing to shrink on
    # the middle, T 7.6 %: 161.9 mm x 7.6/30 % = 0.410 mm a point, R 4.8 %: 0.259 mm.
    #   room 9.53 mm, less planing 4 -> 5.53; bow over 2288 mm, a softwood's: middle 0.85 mm
    piece = timber(far(6.375, 6.375), wood=FIR.name, length_mm=2438.4)
    planed = Event(tag=piece.tag, kind=EventKind.PLANED, at_utc=NOW,
                   detail={"width_mm": 6.375 * INCH, "depth_mm": 6.375 * INCH})  # fmt: skip
    size, ask = asked_for(piece, (planed,))
    assert size.since_s == NOW.timestamp()
    found = comes_out.before_a_fit(piece, FIR, ABOVE, size, ask, wet=Wet(mean_pct=19.0))
    side = 6.375 * INCH
    slope = (side * FIR.shrinkage_tangential_pct / 3000, side * FIR.shrinkage_radial_pct / 3000)
    assert slope == pytest.approx((0.410, 0.259), abs=0.001)
    middle = usual_middle(2438.4 - 150, 0.8)
    hand = by_hand((0.375 * INCH,) * 2, (0.0, 0.0), slope=slope, middles=[middle] * 2, sd_ln=math.sqrt(0.74))
    assert hand == pytest.approx(0.97, abs=0.02)
    assert found.probability == pytest.approx(hand, abs=0.02)
    # the same size on its arrival, green: 161.9 mm x 7.6 % x 11/30 = 4.51 mm are gone across, 2.85 mm up
    size, ask = asked_for(piece)
    green = comes_out.before_a_fit(piece, FIR, ABOVE, size, ask, wet=Wet(mean_pct=40.0))
    hand = by_hand(
        (0.375 * INCH,) * 2, (4.51, 2.85), slope=slope, middles=[middle] * 2, sd_ln=math.sqrt(0.74)
    )
    assert hand == pytest.approx(0.47, abs=0.02)
    assert green.probability == pytest.approx(hand, abs=0.03)


def test_by_hand_an_eighth_over_is_lost_whatever_the_wood():
    # White oak 6 1/8 x 6 1/8 in, green: 155.6 mm x 3.85 % = 5.99 mm across alone is more than the 3.18 mm
    # there are; with 15 % less shrinkage (5.1 mm) and no bow it is lost too, so the chance is 0.
    # What does come out, nine times in ten, by hand across: the loss is 5.99 +- sqrt((0.15 x 5.99)^2 +
    # (0.545 x 0.866)^2) = 1.01 mm, the crook 1.51 x/ 2.36, planing 4.
    piece = timber(far(6.125, 6.125))
    size, ask = asked_for(piece)
    found = comes_out.before_a_fit(piece, OAK, ABOVE, size, ask, wet=Wet(mean_pct=64.0))
    assert found.probability == 0
    assert found.lost
    side = 6.125 * INCH
    lost, slope = (
        [side * each * 11 / 30 for each in (0.105, 0.056)],
        [side * each / 30 for each in (0.105, 0.056)],
    )
    does = found.largest_mm
    assert does[0] == does[1]
    hand = by_hand((side - does[0],) * 2, lost, slope=slope, middles=[usual_middle(2898)] * 2,
                   sd_ln=math.sqrt(0.74))  # fmt: skip
    assert hand == pytest.approx(0.9, abs=0.02)
    reason = comes_out.reason(found)
    assert reason.code == "verdict.no_longer_comes_out"
    assert reason.values["largest_width_mm"] == does[0]


# --- what was recorded


def event(kind, days, **detail):
    return Event(tag="FER-07", kind=kind, at_utc=NOW - timedelta(days=days), detail=detail)


def test_the_size_is_that_of_the_last_planing_or_measurement():
    piece = timber(Section(width_mm=190.0, depth_mm=185.0))
    came = comes_out.recorded(piece, ())
    assert (came.width_mm, came.since_s) == (190.0, piece.arrived_utc.timestamp())
    planed = event(EventKind.PLANED, 30, width_mm=190.0, depth_mm=185.0)
    measured = event(EventKind.MEASURED, 10, width_mm=188.0, depth_mm=183.5, bow_mm=6.0, check_mm=9.0)
    both = comes_out.recorded(piece, (planed, measured))
    assert (both.width_mm, both.depth_mm, both.bow_mm, both.check_mm) == (188.0, 183.5, 6.0, 9.0)
    assert both.since_s == measured.at_utc.timestamp()
    again = comes_out.recorded(
        piece, (measured, replace(planed, at_utc=NOW))
    )  # the plane takes bow and checks
    assert (again.width_mm, again.bow_mm, again.check_mm) == (190.0, None, 0.0)
    bent = comes_out.recorded(piece, (event(EventKind.MEASURED, 5, bow_mm=8.0),))
    assert (bent.width_mm, bent.since_s, bent.bow_mm) == (190.0, piece.arrived_utc.timestamp(), 8.0)
    ask = comes_out.asked(piece, OAK, bent, wanted=0.9)
    assert ask.bow.quantile_mm(0.9) == pytest.approx(8.0 * (2898 / 3048) ** 2)  # over the finished length
    assert not ask.crook.measured


def test_checks_and_wane_that_squaring_does_not_take_away_cost_what_is_left_of_them():
    piece = timber(far(7.5, 7.5))
    size, ask = asked_for(piece)
    wet = Wet(mean_pct=64.0)

    def sure(**changes):
        return comes_out.before_a_fit(piece, OAK, ABOVE, size, replace(ask, **changes), wet=wet).probability

    assert sure() > 0.99
    assert sure(check_mm=2.0) == sure()  # the plane takes it
    assert sure(check_mm=20.0) < 0.1
    assert sure(wane_mm=10.0) == sure()  # squaring takes it off the corners
    assert sure(wane_mm=60.0) < 0.3
    # at one corner alone the piece moves away from it: half of what is beside it more than at four
    assert sure(corners_mm={"ab": (40.0, 40.0)}) > sure(wane_mm=40.0) + 0.5


def test_a_shell_that_has_shrunk_under_a_wet_core_counts_from_the_day_of_the_planing():
    # Planed 100 days ago, when the shell stood at 15 % and the core at 60 %: the mean of 31 % had not begun
    # to shrink, the wood had, by the share of its outer rings.
    section = far(7.0, 7.0)
    piece = timber(section)
    now = field(section, 19.0)
    at = NOW.timestamp() - 86_400.0 * np.array([400.0, 100.0, 0.0])
    depths = section.width_mm / 2 * np.array([0.05, 0.15, 0.3, 0.5, 0.75, 1.0])
    profile = np.array([np.full(6, 64.0), [15, 18, 28, 50, 60, 60], np.full(6, 19.0)])
    fitted = SimpleNamespace(
        field_now=now, members=members(), history_posix_s=at, depths_mm=depths, history_depth_pct=profile,
        history_mean_pct=np.repeat([[64.0], [31.0], [19.0]], 64, axis=1),
    )  # fmt: skip
    service = np.full(64, 19.0)

    def lost(days):
        size = comes_out.Recorded(
            width_mm=7 * INCH, depth_mm=7 * INCH, since_s=NOW.timestamp() - 86_400 * days
        )
        ask = comes_out.asked(piece, OAK, size, wanted=0.9)
        return comes_out.of_fit(piece, OAK, fitted, size, ask, service_mc_pct=service).parts_mm["shrinkage"][
            0
        ]

    green = 7 * INCH * 0.105 * 11 / 30
    assert lost(400) == pytest.approx(green, rel=0.01)
    # rings between the middles of the depths: outer edges at 0, 0.1, 0.225 ... of the half side
    inner = (1 - np.array([0, 0.1, 0.225, 0.4, 0.625, 0.875, 1.0])) ** 2
    done = float(np.clip(1 - profile[1] / 30, 0, 1) @ -np.diff(inner))
    assert lost(100) == pytest.approx(green * (11 / 30 - done) / (11 / 30), rel=0.05)
    assert lost(0) == pytest.approx(0, abs=0.05)
