"""From this timber: the place against a search over many places, the most pieces, sweep, and refusals."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import product

import numpy as np
import pytest

from baulk.models import species, use_class
from baulk.models.allowance import engine
from baulk.models.allowance.parts import Wet
from baulk.models.drying import solver
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.plan.sawing import bevel, cuts, place_cut
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.plan.sawing.order import Order
from baulk.models.plan.sawing.rects import Rect
from baulk.models.plan.sawing.sweep import meet
from baulk.models.section import Section

OAK = species.get("white oak")
OUT = use_class.get("frame-outdoors")
GREEN = Wet(mean_pct=64.0)
EIGHT = Stock(
    name="FER-03",
    section=Section(width_mm=203, depth_mm=190, pith_x_mm=38, pith_y_mm=19),
    length_mm=3650,
    bow_mm=0.0,
    crook_mm=0.0,
)
SIX = Order(width_mm=152, depth_mm=152, length_mm=3000, bow_mm=0, crook_mm=0)


def test_the_place_beats_or_meets_every_place_of_a_five_millimetre_raster():
    found = place_cut.plan(EIGHT, SIX, OAK, OUT, wet=GREEN).choices[0].pieces[0]
    w, d = found.piece.width_mm, found.piece.depth_mm
    raster = []
    for x, y in product(
        np.arange(-(203 - w) / 2, (203 - w) / 2, 5), np.arange(-(190 - d) / 2, (190 - d) / 2, 5)
    ):
        piece = Section(width_mm=w, depth_mm=d, pith_x_mm=38 - x, pith_y_mm=19 - y)
        if piece.boxed_heart:
            raster.append(float(engine.moves(piece, OAK, 64.0, OUT.service_mc_pct).largest_mm))
    assert len(raster) > 10
    assert found.largest_mm <= min(raster) + place_cut.ALIKE_MM


def test_nothing_lies_in_wane_or_knots_and_every_piece_stays_inside():
    wane = bevel.wane(EIGHT.section, "ab", (22, 18))
    knot = Rect(x_mm=-101, y_mm=-95, width_mm=12, height_mm=30)
    plan = place_cut.plan(replace(EIGHT, defects=(knot,), wane=(wane,)), SIX, OAK, OUT, wet=GREEN)
    for piece in (each for choice in plan.choices for each in choice.pieces):
        rect = Rect(
            x_mm=piece.piece.centre_x_mm - piece.piece.width_mm / 2,
            y_mm=piece.piece.centre_y_mm - piece.piece.depth_mm / 2,
            width_mm=piece.piece.width_mm,
            height_mm=piece.piece.depth_mm,
        )
        eased = wane.planed(SIX.planing_mm)
        assert not eased.cuts(rect.x_mm, rect.y_mm, rect.right_mm, rect.top_mm)
        assert not rect.meets(knot)
        assert min(piece.off_mm.values()) > -1e-6


def test_most_pieces_are_laid_out_and_those_free_of_heart_keep_clear_of_it():
    small = Order(width_mm=45, depth_mm=45, length_mm=3000, bow_mm=0, crook_mm=0)
    central = Stock(
        name="it", section=Section(width_mm=205, depth_mm=205), length_mm=3650, bow_mm=0, crook_mm=0
    )
    plan = place_cut.plan(central, small, OAK, OUT, wet=GREEN, pieces=True)
    most, free = (
        next(c for c in plan.choices if len(c.pieces) > 1 and c.heart == h) for h in ("any", "free")
    )
    assert len(most.pieces) > len(free.pieces) >= 2
    assert not any(each.boxed for each in free.pieces)
    assert all(choice.holds for choice in plan.choices)
    assert plan.choices[0] is most
    assert 0 < free.used_share(central.section) < most.used_share(central.section) < 1


def test_a_piece_clear_of_the_heart_moves_more_out_of_square_than_a_boxed_one():
    big = Stock(
        name="it", section=Section(width_mm=300, depth_mm=300, pith_x_mm=90, pith_y_mm=90), length_mm=3650
    )
    plan = place_cut.plan(big, replace(SIX, width_mm=100, depth_mm=100), OAK, OUT, wet=GREEN)
    boxed, free = (next(c for c in plan.choices if c.heart == h).pieces[0] for h in ("boxed", "free"))
    assert boxed.check_mm > 1 > free.check_mm == 0
    assert "caution.turn_the_check" in [each.code for each in plan.cautions]


def test_moisture_that_was_worked_out_takes_the_place_of_an_even_one():
    edges_x, edges_y = solver.graded_edges_mm(203, 12), solver.graded_edges_mm(190, 12)
    dry_shell = np.full((12, 12), 35.0)
    dry_shell[[0, -1]] = dry_shell[:, [0, -1]] = 18.0
    field = MoistureField(
        posix_s=0.0, section=EIGHT.section, x_edges_mm=edges_x, y_edges_mm=edges_y, mc_pct=dry_shell
    )
    even = place_cut.plan(EIGHT, SIX, OAK, OUT, wet=Wet(mean_pct=35.0))
    own = place_cut.plan(EIGHT, SIX, OAK, OUT, wet=Wet(mean_pct=float(field.mean_pct), field=field))
    assert own.choices[0].largest_mm != pytest.approx(even.choices[0].largest_mm, rel=1e-3)
    assert own.assumptions[0].code == "sawing.moisture_evaluated"
    assert even.assumptions[0].code == "sawing.moisture_even"
    assert own.assumptions[1].code == "sawing.size_recorded"
    assert "sawing.size_recorded" not in [each.code for each in even.assumptions]
    assert even.assumptions[0].values["mean_pct"] == 35.0


def test_a_timber_that_only_holds_it_when_dry_says_so():
    tight = replace(EIGHT, section=Section(width_mm=156, depth_mm=156))
    plan = place_cut.plan(tight, SIX, OAK, OUT, wet=GREEN)
    assert plan.choices[0].name.values["when_dry"]
    assert not plan.choices[0].holds
    assert "sawing.dry_it_whole" in [each.code for each in plan.would_change]


@pytest.mark.parametrize(
    ("stock", "order", "says"),
    [
        (EIGHT, replace(SIX, length_mm=4000), "too short"),
        (EIGHT, replace(SIX, width_mm=250), "no room for it"),
        (replace(EIGHT, bow_mm=400), SIX, "look for a crook"),
        (
            replace(EIGHT, defects=(Rect(x_mm=-60, y_mm=-90, width_mm=120, height_mm=180),)),
            SIX,
            "no clear place",
        ),
    ],
)
def test_no_room_is_a_sentence(stock, order, says):
    with pytest.raises(OutOfRange, match=says):
        place_cut.plan(stock, order, OAK, OUT, wet=GREEN)


def test_a_crook_that_follows_the_part_costs_nothing_and_a_straight_timber_short_grain():
    # a flat arc: mid-ordinate L^2 / 8R, so that half the length has a quarter of it
    follows = meet(100, 2000, 400, 4000)
    assert follows.extra_mm == pytest.approx(0, abs=1e-9)
    assert follows.reason().code == "sawing.curve_follows"
    across = meet(300, 2000, 0, 4000)
    assert across.one_in == pytest.approx(2000 / 1200)
    assert across.reason().code == "sawing.curve_short"
    assert across.reason().values["extra_mm"] == 300
    assert meet(45, 2000, 0, 4000).reason().code == "sawing.curve_steep"
    assert meet(10, 2000, 0, 4000).reason().code == "sawing.curve_fits"
    assert meet(0, 2000, 0, 4000).reason().code == "sawing.no_curve"
    assert meet(10, 2000, -20, 4000).extra_mm == pytest.approx(15)


def test_sweep_is_added_to_what_is_sawn():
    wide = replace(SIX, width_mm=170, depth_mm=120)  # too wide to be turned
    straight, curved = (
        place_cut.plan(EIGHT, wide, OAK, OUT, wet=GREEN, part_sweep_mm=each).choices[0].pieces[0].piece
        for each in (0.0, 15.0)
    )
    assert curved.depth_mm - straight.depth_mm == pytest.approx(15, abs=1.5)  # and the shrinkage of the 15


def test_a_curved_part_is_turned_to_meet_the_timbers_own_curve():
    crooked = replace(EIGHT, crook_mm=40.0 * (3650 / 3000) ** 2)  # 40 mm over the part's length
    piece = place_cut.plan(
        crooked, replace(SIX, width_mm=140, depth_mm=100), OAK, OUT, wet=GREEN, part_sweep_mm=40
    )
    best = piece.choices[0].pieces[0]
    assert (best.finished_width_mm, best.finished_depth_mm) == (100, 140)
    assert best.piece.width_mm < 125


@pytest.mark.parametrize(("curve", "says"), [(3000, "half the length"), (float("nan"), "half the length")])
def test_a_curve_that_cannot_be_is_a_sentence(curve, says):
    with pytest.raises(OutOfRange, match=says):
        meet(curve, 2000, 0, 4000)


def test_the_lines_give_each_choice_its_costs_and_its_place_from_faces_a_and_d():
    plan = place_cut.plan(EIGHT, SIX, OAK, OUT, wet=GREEN)
    first, costs, piece, *_ = plan.lines()
    laid = plan.choices[0].pieces[0]
    assert (first.code, first.values["name"], first.values["mean_pct"]) == ("sawing.timber", "FER-03", 64.0)
    assert (costs.code, costs.values["number"]) == ("sawing.choice_costs", 1)
    assert costs.values["moves_mm"] == plan.choices[0].largest_mm
    assert piece.code == "sawing.piece"
    assert (piece.values["off_a_mm"], piece.values["off_d_mm"]) == (laid.off_mm["a"], laid.off_mm["d"])
    assert plan.lines()[-1].code == "sawing.no_curve"


def test_a_heart_without_room_is_refused_with_both_sizes():
    off = replace(EIGHT, section=Section(width_mm=203, depth_mm=190, pith_x_mm=0, pith_y_mm=0))
    plan = place_cut.plan(off, replace(SIX, width_mm=140, depth_mm=140), OAK, OUT, wet=GREEN)
    (refused,) = plan.refused
    assert (refused.code, refused.values["heart"]) == ("sawing.no_place", "free")
    assert refused.values["sawn_width_mm"] > refused.values["width_mm"] == 140


def test_the_same_cuts_are_not_told_twice():
    outside = replace(EIGHT, section=Section(width_mm=203, depth_mm=190, pith_y_mm=-300))
    small = Order(width_mm=70, depth_mm=70, length_mm=3000, bow_mm=0, crook_mm=0)
    plan = place_cut.plan(outside, small, OAK, OUT, wet=GREEN, pieces=True)
    assert [choice.heart for choice in plan.choices] == ["free", "free"]
    assert len(plan.choices[0].pieces) > len(plan.choices[1].pieces) == 1


def test_several_pieces_are_sawn_on_the_saws_step_where_as_many_have_room():
    wide = replace(EIGHT, section=Section(width_mm=300, depth_mm=300, pith_y_mm=-400))
    small = replace(SIX, width_mm=76, depth_mm=76, step_mm=5.0)
    several = [
        each
        for each in place_cut.plan(wide, small, OAK, OUT, wet=GREEN, pieces=True).choices
        if len(each.pieces) > 1
    ]
    assert several
    for piece in (each for choice in several for each in choice.pieces):
        sizes = (piece.piece.width_mm, piece.piece.depth_mm)
        assert sizes == pytest.approx([5.0 * round(each / 5.0) for each in sizes], abs=0.01)
        assert piece.holds


def freed(section, pieces, found):
    """What is left of a section by carrying the cuts out one after the other, as boxes."""
    boxes = [(-section.width_mm / 2, -section.depth_mm / 2, section.width_mm / 2, section.depth_mm / 2)]
    for cut in found:
        axis = 0 if cut.upright else 1
        box = next(
            each
            for each in boxes
            if each[axis] < cut.at_mm < each[axis + 2]
            and each[1 - axis] == pytest.approx(cut.from_mm)
            and each[3 - axis] == pytest.approx(cut.to_mm)
        )
        boxes.remove(box)
        beyond = min(
            (p for r in pieces if (p := (r.x_mm, r.y_mm)[axis]) >= cut.at_mm - 1e-6), default=cut.at_mm
        )
        low, high = list(box), list(box)
        low[axis + 2], high[axis] = cut.at_mm, cut.at_mm
        if len(pieces) > 1 and cut.keeps_low:
            high[axis] = beyond
        boxes += [tuple(low), tuple(high)]
    return boxes


def test_the_cuts_in_their_order_leave_the_pieces():
    section = Section(width_mm=200, depth_mm=180)
    one = Rect(x_mm=-90, y_mm=-70, width_mm=120, height_mm=140)
    found = cuts.order(section, [one])
    assert [each.number for each in found] == [1, 2, 3, 4]
    assert found[0].off_mm == pytest.approx(130)  # the widest slab first, 130 mm from face d
    assert (found[0].face, found[0].marked_on, found[0].keeps_low) == ("d", ("a", "c"), True)
    assert any(box == pytest.approx((-90, -70, 30, 70)) for box in freed(section, [one], found))
    two = [
        Rect(x_mm=-100, y_mm=-90, width_mm=98, height_mm=180),
        Rect(x_mm=1, y_mm=-90, width_mm=99, height_mm=180),
    ]
    # by hand: slabs of 70, 20, 20 and 10 mm come off b, then c and a, then d, of which the edges left are
    # the faces of the next marks
    assert [(each.face, round(each.off_mm), each.marked_on) for each in found] == [
        ("d", 130, ("a", "c")),
        ("a", 160, (1, "d")),
        ("a", 20, (1, "d")),
        ("d", 10, (3, 2)),
    ]
    (only, *_) = cuts.order(section, two)
    assert (only.at_mm, only.off_mm) == (-2, 98)
    # the right piece is sawn to its height from the face that the first cut left
    lower = [two[0], Rect(x_mm=1, y_mm=-90, width_mm=60, height_mm=100)]
    _, beside, top = cuts.order(section, lower)
    assert (beside.face, beside.off_mm, beside.marked_on) == ("a", 80, ("b", 1))
    assert (top.face, top.off_mm, top.marked_on) == (1, 60, (2, "c"))


def test_the_ways_best_by_value_and_by_stability_are_named():
    small = Order(width_mm=45, depth_mm=45, length_mm=3000, bow_mm=0, crook_mm=0)
    stock = Stock(
        name="it", section=Section(width_mm=205, depth_mm=205), length_mm=3650, bow_mm=0, crook_mm=0
    )
    plan = place_cut.plan(stock, small, OAK, OUT, wet=GREEN, pieces=True)
    shares = [each.used_share(stock.section) for each in plan.choices]
    assert shares[plan.by_value] == max(shares)
    assert plan.choices[plan.by_stability].largest_mm == min(each.largest_mm for each in plan.choices)
    assert "sawing.best_by" in [each.code for each in plan.lines()]
    assert [each.code for each in plan.lines()].count("sawing.cut") == len(plan.cuts())


def most_on_a_raster(stock, size, order, heart, mm=10):  # noqa: C901 - every way, plainly
    """Most pieces by every through cut on a raster: what is planed off a piece may be wane, nothing else."""
    wide, deep = stock.section.width_mm, stock.section.depth_mm
    pith = (stock.section.pith_x_mm + wide / 2, stock.section.pith_y_mm + deep / 2)
    kerf = round(order.kerf_mm / mm)

    def sound(x, y, w, h):
        left, low, right, top = x * mm, y * mm, (x + w) * mm, (y + h) * mm
        for each in stock.defects:
            at_x, at_y = each.x_mm + wide / 2, each.y_mm + deep / 2
            if left < at_x + each.width_mm and right > at_x and low < at_y + each.height_mm and top > at_y:
                return False
        if heart == "free" and left - 20 < pith[0] < right + 20 and low - 20 < pith[1] < top + 20:
            return False
        off = order.planing_mm
        for each in stock.wane:
            beside = wide - (right - off) if each.right else left + off
            above = deep - (top - off) if each.up else low + off
            if beside * each.down_mm + above * each.across_mm < each.across_mm * each.down_mm - 1e-6:
                return False
        return True

    shapes = {(round(a / mm), round(b / mm)) for a, b in (size, size[::-1])}

    @cache
    def best(x1, y1, x2, y2):
        found = int(
            any(
                sound(x, y, w, h)
                for w, h in shapes
                for x, y in product(range(x1, x2 - w + 1), range(y1, y2 - h + 1))
            )
        )
        if found:
            for at in range(x1 + 1, x2 - kerf):
                found = max(found, best(x1, y1, at, y2) + best(at + kerf, y1, x2, y2))
            for at in range(y1 + 1, y2 - kerf):
                found = max(found, best(x1, y1, x2, at) + best(x1, at + kerf, x2, y2))
        return found

    return best(0, 0, round(wide / mm), round(deep / mm))


@pytest.mark.parametrize(
    ("corners", "knots", "finished"),
    [
        ({"ab": (60, 40)}, (), (35, 35)),
        ({"ab": (60, 40), "cd": (30, 65)}, (Rect(x_mm=-10, y_mm=30, width_mm=15, height_mm=10),), (35, 35)),
        ({"ab": (50, 50), "bc": (25, 25), "da": (40, 60)}, (), (45, 25)),
    ],
)
def test_the_best_by_value_is_that_of_trying_every_cut_on_a_raster(corners, knots, finished):
    section = Section(width_mm=170, depth_mm=150, pith_x_mm=-15, pith_y_mm=-10)
    stock = replace(
        EIGHT, section=section, defects=knots,
        wane=tuple(bevel.wane(section, corner, legs) for corner, legs in corners.items()),
    )  # fmt: skip
    order = replace(SIX, width_mm=finished[0], depth_mm=finished[1], kerf_mm=10.0, step_mm=10.0)
    plan = place_cut.plan(stock, order, OAK, OUT, wet=Wet(mean_pct=20.0), pieces=True)
    best = plan.choices[plan.by_value]
    size = (best.pieces[0].piece.width_mm, best.pieces[0].piece.depth_mm)
    assert {sorted((p.piece.width_mm, p.piece.depth_mm)) == sorted(size) for p in best.pieces} == {True}
    on_step = tuple(np.ceil(np.round(np.array(size) / 10, 6)) * 10)
    found = most_on_a_raster(stock, on_step, order, best.heart)
    assert len(best.pieces) >= found > 1
    assert best.at_most >= len(best.pieces)
    assert best.used_share(section) >= max(each.used_share(section) for each in plan.choices) - 1e-9
    if size == on_step:  # then the raster knows the same pieces; a place between its lines may hold one more
        assert len(best.pieces) <= found + 1
