"""Buying: what the yard gives, what is short and why, and when new timber must arrive."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from baulk.models import species, use_class
from baulk.models.air import AirSeries
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.plan.buying import buy, lead_time, ready_range, ready_stock, search, side_by_side
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
    _, below = ready_range.of_part(150, 150, "any", OAK, ABOVE, 0.9)
    ahead = timber(
        use_class="deck",
        ahead_posix_s=tuple(NOW.timestamp() + 86_400 * np.array([0.0, 100, 200, 300])),
        ahead_mean_pct=(40.0, 30.0, below - 0.1, 20.0),
    )
    when, how = ready_stock.when(POST, ahead, ABOVE, now_utc=NOW, confidence=0.9)
    assert (when - NOW).days == 200
    assert (how.code, how.values["below_pct"]) == ("buying.by_forecast", below)


def by_hand(use, side_mm, confidence, per_pct):
    """Driest and wettest moisture of a slab all tangential whose shrinkage varies by 15 %, by counting."""
    rng = np.random.default_rng(1)
    rate = per_pct * side_mm * (1 + 0.15 * rng.standard_normal(40_000))
    service = use.service_low_pct + (use.service_high_pct - use.service_low_pct) * rng.uniform(
        0.25, 0.75, 40_000
    )
    dry_mm, damp_mm = use.season_limits_mm(side_mm, side_mm)
    good = []
    for mc in np.arange(5, 30, 0.1):
        stood = np.abs(mc - service) * rate <= use.tolerance_mm(side_mm, side_mm)
        stood &= dry_mm is None or (mc - use.service_low_pct) * rate <= dry_mm
        stood &= damp_mm is None or (use.service_high_pct - mc) * rate <= damp_mm
        if stood.mean() >= confidence and mc <= (use.max_mc_at_squaring_pct or 99):
            good.append(mc)
    return good[0], good[-1]


@pytest.mark.parametrize("name", ["planking", "deck", "backbone-above-water", "frame-outdoors", "joinery"])
def test_the_range_in_which_a_part_is_ready_is_that_of_its_use_and_seasons(name):
    # flat-sawn, pith far off: the width moves by the tangential coefficient, 0.105 / 30 a point of moisture;
    # the movement of faces bent by the rings comes on top of it, within a point
    use = use_class.get(name)
    flat = Section(width_mm=60, depth_mm=60, pith_y_mm=5000)
    low, high = ready_range.ready_range_pct(flat, OAK, use, 0.9)
    least, most = by_hand(use, 60, 0.9, 0.105 / 30)
    assert (low, high) == pytest.approx((least, most), abs=1.0)
    assert ready_range.of_part(60, 60, "any", OAK, use, 0.9)[1] <= high + 0.5


def test_a_timber_too_dry_for_its_use_is_not_ready():
    found = plan(
        [replace(POST, wanted_by_utc=NOW + timedelta(days=30))], [timber(use_class="deck", mean_pct=8.0)]
    )
    assert found.shortfalls[0].reasons["T-1"].code == "buying.too_dry"


def test_a_use_that_no_piece_stands_is_told():
    strict = replace(ABOVE, tolerance_mm_per_150=0.1)
    assert ready_range.of_part(150, 150, "any", OAK, strict, 0.9) is None
    when, how = ready_stock.when(POST, timber(use_class="deck"), strict, now_utc=NOW, confidence=0.9)
    assert (when, how.code) == (None, "buying.moves_too_much")


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
    wood = next(each for each in found.would_change if each.code == "buying.if_any_wood")
    assert wood.values["fewer"] == 1


def test_a_week_later_a_size_smaller_and_another_wood_are_told_with_what_they_change():
    # ready a week and a half after the day wanted at first, 3 days after it a week later: then still late
    wanted = replace(POST, wanted_by_utc=NOW + timedelta(days=55), species="white oak")
    changed = {each.code: each.values for each in plan([wanted], [timber()]).would_change}
    assert changed["buying.if_week_later"]["fewer"] == 1
    assert changed["buying.if_any_day"]["fewer"] == 1
    assert (changed["buying.if_smaller"]["fewer"], changed["buying.if_smaller"]["parts"]) == (
        0,
        ["Sternpost"],
    )
    assert changed["buying.if_any_wood"]["fewer"] == 0
    # a part that has no room comes out a size smaller
    tight = timber(stock=Stock(name="T-1", section=Section(width_mm=168, depth_mm=168), length_mm=3350))

    def square(side):
        return replace(POST, width_mm=side, depth_mm=side)

    least = next(
        side for side in range(150, 100, -1) if not plan([square(side)], [tight], compare=False).short
    )
    told = plan([square(least + 3)], [tight])
    assert told.short == 1
    assert next(each for each in told.would_change if each.code == "buying.if_smaller").values["fewer"] == 1


def test_the_part_needed_first_is_served_first():
    late, early = replace(POST, name="A", order=2, count=2), replace(POST, name="B", order=1)
    found = plan([late, early], [timber()])
    assert [each.part for each in found.assignments] == ["B"]
    assert [each.part.name for each in found.shortfalls] == ["A"]
    assert "buying.first_served" in {each.code for each in found.assumptions}
    # though it takes the room of two others
    short = [
        replace(POST, name="C", length_mm=1500, count=2),
        replace(POST, name="D", length_mm=3000, order=1),
    ]
    assert [each.part for each in plan(short, [timber()]).assignments] == ["D"]


def test_of_timbers_alike_the_part_needed_first_gets_the_one_that_is_ready_sooner():
    soon = timber("T-2", square_utc=NOW + timedelta(days=7))
    parts = [replace(POST, name="A", order=2), replace(POST, name="B", order=1)]
    assert {(each.part, each.tag) for each in plan(parts, [timber(), soon]).assignments} == {
        ("B", "T-2"),
        ("A", "T-1"),
    }


LARCH = species.get("tamarack")


def test_another_wood_of_the_list_is_taken_only_where_it_is_better_and_that_is_said():
    part = replace(POST, species="white oak", alternates=("tamarack",), vessel="Ketch")
    other = timber("T-2", wood=LARCH)
    taken = plan([part], [other, timber()]).assignments[0]
    assert (taken.tag, taken.other_wood) == ("T-1", None)  # as good: the wood that is wanted
    found = plan([part], [other])
    (only,) = found.assignments
    assert only.other_wood == ("tamarack", "white oak")
    assert only.reason().values["vessel"] == "Ketch"
    without = next(each for each in found.would_change if each.code == "buying.if_first_wood")
    assert without.values["fewer"] == -1
    big = Stock(name="T-3", section=Section(width_mm=400, depth_mm=400), length_mm=3350)
    assert plan([part], [other, timber("T-3", stock=big)]).assignments[0].tag == "T-2"  # saves most of a log
    assert plan([replace(part, alternates=())], [other]).short == 1


def test_the_two_next_best_assignments_are_told_with_what_they_differ_in():
    def of(tag, side):
        return timber(
            tag, stock=Stock(name=tag, section=Section(width_mm=side, depth_mm=side), length_mm=3350)
        )

    found = plan([POST], [of("T-1", 230), of("T-2", 210), of("T-3", 250), of("T-4", 210)])
    assert [each.tag for each in found.assignments] in (["T-2"], ["T-4"])  # alike: no news
    alike, first, second = found.next_best
    assert alike.code == "buying.alike"
    (group,) = alike.values["groups"]
    assert sorted([*group["tags"], *group["instead"]]) == ["T-2", "T-4"]
    for told, tag, side in ((first, "T-1", 230), (second, "T-3", 250)):
        (differs,) = told.values["instead"]
        assert (differs["part"], differs["from"]) == ("Sternpost", [tag])
        # the piece's waste and half of the length left (697 mm at most: firewood, all of it)
        assert told.values["more"] == pytest.approx((side**2 - 210**2) * 1e-6 * (2.503 + 0.697), rel=1e-6)
        assert told.values["short_more"] == 0


@pytest.mark.parametrize(
    ("yard", "codes", "values"),
    [
        ((230,), ["no_other"], {"found": 0, "proved": True, "served": True, "alike": False}),
        ((230, 230), ["alike", "no_other"], {"found": 0, "proved": True, "served": True, "alike": True}),
        ((230, 210), ["next_best", "no_other"], {"found": 1, "proved": True, "served": True, "alike": False}),
        ((100,), ["no_other"], {"found": 0, "proved": True, "served": False, "alike": False}),
    ],
)
def test_where_fewer_than_two_other_assignments_exist_that_is_told(yard, codes, values):
    timbers = [
        timber(tag, stock=Stock(name=tag, section=Section(width_mm=side, depth_mm=side), length_mm=3350))
        for tag, side in zip(("T-1", "T-2"), yard, strict=False)
    ]
    found = plan([POST], timbers)
    assert [each.code.removeprefix("buying.") for each in found.next_best] == codes
    assert found.next_best[-1].values == values


def test_what_no_part_asks_for_is_told_as_no_change():
    codes = [
        each.code for each in plan([replace(POST, wanted_by_utc=None, species=None)], [timber()]).would_change
    ]
    assert {"buying.no_day", "buying.no_wood_asked"} <= set(codes)
    codes = [
        each.code
        for each in plan(
            [replace(POST, wanted_by_utc=NOW + timedelta(days=300), species="white oak")], [timber()]
        ).would_change
    ]
    assert not {"buying.no_day", "buying.no_wood_asked"} & set(codes)


def test_the_yards_optimum_is_told_as_proved_or_with_its_gap(monkeypatch):
    assert "buying.proved" in {each.code for each in plan([POST], [timber()]).assumptions}
    monkeypatch.setattr(search, "EXACT", 0)
    many = plan([POST], [timber(), timber("T-2")])
    assert many.short == 0
    assert many.gap == pytest.approx(0, abs=1e-6)


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
    holds = side_by_side.holds
    monkeypatch.setattr(
        side_by_side,
        "holds",
        lambda bay, parts, of, *a: of.stock.name != "T-1" and holds(bay, parts, of, *a),
    )
    assert {each.tag for each in plan([BEAM], yard).assignments if each.beside} == {"T-2"}
    monkeypatch.setattr(side_by_side, "holds", lambda *_: False)
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


def test_a_timber_entered_for_the_use_is_cut_before_one_entered_for_another():
    small = Stock(name="T-2", section=Section(width_mm=190, depth_mm=190), length_mm=3350)
    other, own = timber("T-2", stock=small, use_class="deck", mean_pct=18.0), timber()
    assert [each.tag for each in plan([POST], [other, own]).assignments] == ["T-1"]
    asked = plan([POST], [other, own], Wish(species="white oak", any_use=True))
    assert [each.tag for each in asked.assignments] == ["T-2"]
    assert [each.tag for each in plan([POST], [other]).assignments] == ["T-2"]  # else it would be short
