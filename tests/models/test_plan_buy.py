"""Buying: what the yard gives, what is short and why, and when new timber must arrive."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from baulk.models import species, use_class
from baulk.models.air import AirSeries
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.plan.buying import buy, lead_time, ready_stock, side_by_side
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import InYard, Wish
from baulk.models.plan.sawing import allowance
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.section import Finished, Section

NOW = datetime(2026, 11, 25, 12, tzinfo=UTC)
OAK = species.get("white oak")
ABOVE = use_class.get("backbone-above-water")
AT_S = NOW.timestamp() + 86_400.0 * np.arange(0, 5 * 365, 1.0)
AIR = (AirSeries(posix_s=AT_S, temp_c=np.full(AT_S.size, 15.0), rh_pct=np.full(AT_S.size, 80.0)),)
POST = Part(name="Sternpost", width_mm=150, depth_mm=150, length_mm=2500, use_class="backbone-above-water")


def timber(tag="T-1", **changes):
    values = {
        "stock": Stock(name=tag, section=Section(width_mm=203, depth_mm=203), length_mm=3350),
        "wood": OAK,
        "mean_pct": 30.0,
        "use_class": "backbone-above-water",
        "finished_mm": (152.4, 152.4),
        "square_utc": NOW + timedelta(days=60),
        "square_probability": 0.9,
        "measured": True,
    }
    return InYard(**values | changes)


def plan(parts, yard, wish=Wish(species="white oak"), **more):  # noqa: B008 - frozen
    return buy.buy(parts, yard, wish, now_utc=NOW, **more)


def test_a_part_comes_out_of_the_timber_that_is_ready_in_time():
    wanted = replace(POST, wanted_by_utc=NOW + timedelta(days=90))
    late = timber("T-2", square_utc=NOW + timedelta(days=200))
    found = plan([wanted], [late, timber()])
    assert [(each.tag, each.count) for each in found.assignments] == [("T-1", 1)]
    assert found.short == 0
    assert found.left_mm["T-1"] == pytest.approx(3350 - 150 - 2500 - 3)
    assert found.unused == ("T-2",)


def test_what_is_late_is_short_unless_waiting_has_a_price():
    wanted = replace(POST, wanted_by_utc=NOW + timedelta(days=30))
    found = plan([wanted], [timber()])
    assert found.short == 1
    late = found.shortfalls[0].reasons["T-1"]
    assert (late.code, late.values["ready_utc"]) == ("buying.late", NOW + timedelta(days=60))
    assert late.values["how"]["code"] == "buying.by_verdict"
    waits = plan([wanted], [timber()], Wish(wait_per_week=0.01))
    assert waits.assignments[0].late_weeks == pytest.approx(30 / 7, abs=0.1)
    assert waits.assignments[0].reason().values["late_weeks"] == waits.assignments[0].late_weeks


def test_the_smaller_timber_is_taken_for_the_smaller_waste():
    big = timber("T-2", stock=Stock(name="T-2", section=Section(width_mm=300, depth_mm=300), length_mm=3350))
    found = plan([POST], [big, timber()])
    assert found.assignments[0].tag == "T-1"
    assert found.assignments[0].waste_m3 == pytest.approx(0.203**2 * 2.503 - 0.15**2 * 2.5, rel=1e-9)


@pytest.mark.parametrize(
    ("part", "yard", "reason"),
    [
        (replace(POST, length_mm=3300), timber(), "buying.too_short"),
        (replace(POST, width_mm=200, depth_mm=200), timber(), "buying.too_small"),
        (replace(POST, species="tamarack"), timber(), "buying.other_wood"),
        (replace(POST, heart="free"), timber(), "buying.heart_in_the_way"),
        (
            replace(POST, width_mm=90, depth_mm=90, heart="boxed"),
            timber(stock=Stock(name="T-1", section=Section(width_mm=203, depth_mm=203, pith_x_mm=150),
                               length_mm=3350)),
            "buying.heart_in_the_way",
        ),
        (replace(POST, sweep_mm=140), timber(), "buying.too_straight"),
        (
            POST,
            timber(stock=Stock(name="T-1", section=Section(width_mm=203, depth_mm=203), length_mm=3350,
                               bow_mm=400)),
            "buying.too_bent",
        ),
    ],
)  # fmt: skip
def test_each_reason_is_told(part, yard, reason):
    found = plan([part], [yard])
    assert found.short == 1
    assert found.shortfalls[0].reasons["T-1"].code == reason
    assert found.shortfalls[0].reason().values["yard"] == {reason: 1}


def test_another_use_waits_for_the_forecast_mean():
    # tangential shrinkage of 150 mm from M to 19 % is the tolerance of 2.5 mm: 0.105 x 150 / 30 mm a point
    below = ready_stock.dry_enough_pct(POST, OAK, ABOVE)
    assert below == pytest.approx(19 + 2.5 / (0.105 * 150 / 30), abs=1e-9)
    ahead = timber(
        use_class="deck",
        ahead_posix_s=tuple(NOW.timestamp() + 86_400 * np.array([0.0, 100, 200, 300])),
        ahead_mean_pct=(40.0, 30.0, below - 0.1, 20.0),
    )
    when, how = ready_stock.when(POST, ahead, ABOVE, now_utc=NOW, confidence=0.9)
    assert (when - NOW).days == 200
    assert (how.code, how.values["below_pct"]) == ("buying.by_forecast", below)


def test_a_keel_may_be_cut_today():
    when, _ = ready_stock.when(
        replace(POST, use_class="backbone-immersed"), timber(), use_class.get("backbone-immersed"),
        now_utc=NOW, confidence=0.9,
    )  # fmt: skip
    assert when == NOW


def test_an_empty_yard_buys_everything_and_says_when():
    far = replace(
        POST, width_mm=80, depth_mm=80, use_class="frame-outdoors", wanted_by_utc=NOW + timedelta(days=1000)
    )
    found = plan([far], [], air=AIR)
    (short,) = found.shortfalls
    assert short.size.green.width_mm > 80
    assert NOW < short.arrival.latest_utc < far.wanted_by_utc
    (line,) = found.mill
    assert line.board_feet == pytest.approx(
        allowance.board_feet(line.width_mm, line.depth_mm, line.length_mm)
    )
    assert line.volume_m3 == pytest.approx(line.board_feet * 144 * 0.0254**3, rel=1e-9)
    assert found.lines()[0] == found.yard_gives()
    assert found.yard_gives().values == {"given": 0, "wanted": 1, "short": 1}
    assert short.reason().values["arrives"]["latest_utc"] == short.arrival.latest_utc
    assert line.moisture.code == "buying.green"


def test_the_latest_day_is_early_enough_and_a_later_one_is_not():
    wanted, use = NOW + timedelta(days=1000), use_class.get("frame-outdoors")
    green = Section(width_mm=95, depth_mm=95)
    dries = lead_time.Drying(green, Finished(width_mm=80, depth_mm=80), 2700, OAK, use, AIR)
    found = lead_time.arrival(dries, use, 64.0, now_utc=NOW, wanted_utc=wanted, confidence=0.7)
    then = found.latest_utc.timestamp()
    assert dries.by(then, wanted.timestamp()) >= 0.7
    assert dries.by(then + 7 * 86_400, wanted.timestamp()) < 0.7


def test_too_late_for_green_asks_for_a_moisture_that_does_and_one_point_more_does_not():
    wanted = NOW + timedelta(days=120)
    green = Section(width_mm=180, depth_mm=180)
    dries = lead_time.Drying(green, Finished(width_mm=150, depth_mm=150), 2700, OAK, ABOVE, AIR)
    found = lead_time.arrival(dries, ABOVE, 64.0, now_utc=NOW, wanted_utc=wanted, confidence=0.9)
    assert found.latest_utc is None
    assert ABOVE.service_low_pct <= found.seasoned_pct < 40
    start, end = NOW.timestamp(), wanted.timestamp()
    assert dries.by(start, end, found.seasoned_pct) >= 0.9
    assert dries.by(start, end, found.seasoned_pct + 1) < 0.9


def test_beyond_its_forecast_a_timber_is_dried_on_from_today():
    far = replace(POST, width_mm=80, depth_mm=80, use_class="frame-outdoors", heart="any")
    half_dry = timber(
        mean_pct=26.0,
        use_class="deck",
        ahead_posix_s=(NOW.timestamp(), NOW.timestamp() + 86_400 * 50),
        ahead_mean_pct=(30.0, 29.9),
        stock=Stock(name="T-1", section=Section(width_mm=110, depth_mm=110), length_mm=3350),
    )
    late = plan([replace(far, wanted_by_utc=NOW + timedelta(days=1200))], [half_dry], air=AIR)
    assert late.short == 0
    assert late.assignments[0].how.code == "buying.by_drying_on"
    assert late.assignments[0].how.values["mean_pct"] == 26.0
    soon = plan([replace(far, wanted_by_utc=NOW + timedelta(days=20))], [half_dry], air=AIR)
    assert soon.shortfalls[0].reasons["T-1"].code == "buying.not_ready"


def test_a_part_bent_too_far_for_a_straight_timber_asks_for_a_crook():
    found = plan([replace(POST, width_mm=100, depth_mm=100, sweep_mm=200)], [])
    assert found.shortfalls[0].crook
    assert found.shortfalls[0].reason().values["crook"]
    straight = plan([replace(POST, width_mm=100, depth_mm=100)], [])
    assert found.shortfalls[0].size.green == straight.shortfalls[0].size.green


def test_alike_sizes_are_one_line_for_the_mill():
    two = [replace(POST, name="Post"), replace(POST, name="Other post", count=2)]
    found = plan(two, [])
    (line,) = found.mill
    assert (line.count, line.parts) == (3, ("Post", "Other post"))


def test_other_wishes_are_counted():
    found = plan([replace(POST, species="tamarack")], [timber()])
    assert next(each for each in found.would_change if each.code == "buying.any_wood").values == {"fewer": 1}


def test_a_size_that_no_log_gives_is_told_in_millimetres():
    (short,) = plan([replace(POST, width_mm=1190, depth_mm=1190)], []).shortfalls
    assert (short.size, short.why_none.code) == (None, "buying.no_log")
    assert min(short.why_none.values["width_mm"], short.why_none.values["depth_mm"]) > 1190


def test_no_wood_named_is_a_sentence_in_the_plan():
    found = plan([POST], [], Wish())
    assert found.shortfalls[0].why_none.code == "buying.no_wood_named"
    assert found.shortfalls[0].reason().code == "buying.short_no_size"
    assert found.mill == ()


@pytest.mark.parametrize(
    ("parts", "error", "says"),
    [
        ([], OutOfRange, "holds no part"),
        ([replace(POST, wanted_by_utc=NOW - timedelta(days=3))], OutOfRange, "has passed"),
        ([POST, POST], OutOfRange, "twice"),
        ([replace(POST, use_class="kite")], NotFound, "no use class"),
        ([replace(POST, count=401)], OutOfRange, "more than 400"),
    ],
)
def test_what_cannot_be_planned_is_a_sentence(parts, error, says):
    with pytest.raises(error, match=says):
        plan(parts, [timber()])


@pytest.mark.parametrize(
    "change",
    [
        {"keep_mm": 0.0},
        {"left_worth": 1.5},
        {"confidence": 0.99},
        {"price_per_m3": -1.0},
        {"wait_per_week": float("nan")},
    ],
)
def test_a_wish_that_cannot_be_is_a_sentence(change):
    with pytest.raises(OutOfRange):
        Wish(**change)


BEAM = Part(name="Beam", width_mm=75, depth_mm=150, length_mm=3000, use_class="backbone-above-water", count=2)


def test_two_beams_come_side_by_side_out_of_an_eight_by_eight():
    # 2 x (75 + what planing and drying take) and a saw cut are less than 203 mm
    one = timber(stock=Stock(name="T-1", section=Section(width_mm=203, depth_mm=203), length_mm=3350,
                             bow_mm=0.0, crook_mm=0.0))  # fmt: skip
    found = plan([BEAM], [one])
    assert found.short == 0
    assert sum(each.count for each in found.assignments) == 2
    assert {each.beside for each in found.assignments} == {("Beam",)}
    left, right = sorted(each.place.centre_x_mm for each in found.assignments)
    wide = found.assignments[0].sawn_width_mm
    assert right - left >= wide + found.wish.kerf_mm - 1e-3
    assert found.left_mm["T-1"] == pytest.approx(3350 - 150 - 3000 - 3)


def test_what_has_no_room_for_its_own_allowance_is_left_out_and_the_rest_assigned_again(monkeypatch):
    straight = Stock(name="T-1", section=Section(width_mm=203, depth_mm=203), length_mm=3350,
                     bow_mm=0.0, crook_mm=0.0)  # fmt: skip
    yard = [timber(stock=straight), timber("T-2", stock=replace(straight, name="T-2"))]
    holds = buy.side_by_side.holds
    monkeypatch.setattr(
        buy.side_by_side,
        "holds",
        lambda bay, parts, of, *a: of.stock.name != "T-1" and holds(bay, parts, of, *a),
    )
    assert {each.tag for each in plan([BEAM], yard).assignments if each.beside} == {"T-2"}
    monkeypatch.setattr(buy.side_by_side, "holds", lambda *_: False)
    assert [each.beside for each in plan([BEAM], yard[:1]).assignments] == [()]
    assert plan([BEAM], yard[:1]).short == 1


def test_sizes_with_and_without_a_heart_asked_for_are_all_mixed_with_a_neighbour():
    sizes = [(60 + 10 * n, 2000.0 + n) for n in range(7)]
    parts = [
        replace(BEAM, name=str(n), width_mm=side, depth_mm=side, length_mm=length, count=2,
                heart="free" if n == 2 else "any")
        for n, (side, length) in enumerate(sizes)
    ]  # fmt: skip
    wide = timber(stock=Stock(name="T-1", section=Section(width_mm=320, depth_mm=320), length_mm=3350,
                              bow_mm=0.0, crook_mm=0.0))  # fmt: skip
    found = side_by_side.bays(parts, range(7), wide, [ABOVE] * 7, Wish())
    beside = {(a, b) for bay in found for a, _ in bay.pieces for b, _ in bay.pieces if a != b}
    assert {(n, n + 1) for n in range(6)} <= beside
    assert all(len({number for number, _ in bay.pieces}) <= side_by_side.MIXED for bay in found)


def test_a_timber_whose_rest_is_firewood_is_cut_before_one_whose_rest_is_half_lost():
    # rests of 2 m at half price cost more than one of 0.5 m lost whole; at a worth of 0.9 it is the other way
    def of(tag, length):
        return timber(
            tag, stock=Stock(name=tag, section=Section(width_mm=203, depth_mm=203), length_mm=length)
        )

    yard = [of("T-1", 150 + 2503 + 2000), of("T-2", 150 + 2503 + 500)]
    assert [each.tag for each in plan([POST], yard).assignments] == ["T-2"]
    keeps = plan([POST], yard, Wish(species="white oak", left_worth=0.9))
    assert [each.tag for each in keeps.assignments] == ["T-1"]
    told = next(each for each in keeps.assumptions if each.code == "buying.left_worth")
    assert told.values == {"keep_mm": 1000.0, "worth_share": 0.9}


def test_where_the_worth_of_what_is_left_is_not_searched_through_it_does_not_count(monkeypatch):
    def hard(*asked, leftover=None, **more):
        found = assign(*asked, leftover=leftover, **more)
        return found if leftover is None else replace(found, gap=0.2)

    assign = buy.assign
    monkeypatch.setattr(buy, "assign", hard)
    codes = {each.code for each in plan([POST], [timber()]).assumptions}
    assert "buying.left_not_counted" in codes
    assert not codes & {"buying.left_worth", "buying.search_stopped"}


def test_a_timber_entered_for_the_use_is_cut_before_one_entered_for_another():
    small = Stock(name="T-2", section=Section(width_mm=190, depth_mm=190), length_mm=3350)
    other, own = timber("T-2", stock=small, use_class="deck", mean_pct=18.0), timber()
    assert [each.tag for each in plan([POST], [other, own]).assignments] == ["T-1"]
    asked = plan([POST], [other, own], Wish(species="white oak", any_use=True))
    assert [each.tag for each in asked.assignments] == ["T-2"]
    assert [each.tag for each in plan([POST], [other]).assignments] == ["T-2"]  # else it would be short
