"""What people saw of a timber stands where they saw it, and no piece lies in it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import product

import pytest

from baulk.models import species, use_class
from baulk.models.allowance import engine
from baulk.models.allowance.parts import Wet
from baulk.models.plan.sawing import obstacles, place_cut
from baulk.models.plan.sawing.bevel import wane
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.plan.sawing.order import Order
from baulk.models.plan.sawing.rects import Rect
from baulk.models.section import Section
from baulk.models.timber import Event, EventKind

NOW = datetime(2026, 11, 25, tzinfo=UTC)
SECTION = Section(width_mm=200, depth_mm=180, pith_x_mm=300)


def event(kind, number=1, **detail):
    return Event(tag="T", kind=kind, at_utc=NOW + timedelta(days=number), detail=detail, number=number)


def knot(number=1, **change):
    where = {"what": "knot", "from_d_mm": 20.0, "from_a_mm": 30.0, "width_mm": 40.0, "depth_mm": 25.0}
    return event(EventKind.DEFECT, number, **where | change)


def test_a_knot_lies_so_far_from_faces_d_and_a():
    assert obstacles.defects(SECTION, [knot()]) == (Rect(x_mm=-80, y_mm=35, width_mm=40, height_mm=25),)


def test_the_last_of_a_name_counts_and_those_without_one_are_each_their_own():
    named = [knot(1, name="upper"), knot(2, name="upper", from_d_mm=50.0)]
    assert [each.x_mm for each in obstacles.defects(SECTION, named)] == [-50]
    assert len(obstacles.defects(SECTION, [knot(1), knot(2, from_d_mm=50.0)])) == 2


def test_planing_takes_half_from_either_side_and_what_is_planed_away_is_gone():
    planed = event(
        EventKind.PLANED, 2, width_mm=160.0, depth_mm=180.0, from_width_mm=200.0, from_depth_mm=180.0
    )
    now = Section(width_mm=160, depth_mm=180)
    assert obstacles.defects(now, [knot(), planed]) == (Rect(x_mm=-80, y_mm=35, width_mm=40, height_mm=25),)
    assert obstacles.defects(now, [knot(from_d_mm=0.0, width_mm=15.0), planed]) == ()


@pytest.mark.parametrize(
    ("face", "where", "at"),
    [
        ("a", {"from_d_mm": 60.0}, (-43, 50, 6, 40)),
        ("c", {"from_d_mm": 60.0}, (-43, -90, 6, 40)),
        ("b", {"from_a_mm": 30.0}, (60, 57, 40, 6)),
        ("d", {"from_a_mm": 30.0}, (-100, 57, 40, 6)),
        ("a", {}, (94, 50, 6, 40)),  # the pith lies beyond face b
    ],
)
def test_a_check_stands_where_it_opens(face, where, at):
    (found,) = obstacles.checks(SECTION, [event(EventKind.CHECKED, face=face, depth_mm=40.0, **where)])
    assert (found.x_mm, found.y_mm, found.width_mm, found.height_mm) == pytest.approx(at)


def test_checks_without_a_place_are_one_a_face_and_a_shake_is_none():
    several = [
        event(EventKind.CHECKED, 1, face="a", depth_mm=20.0, name="one"),
        event(EventKind.CHECKED, 2, face="a", depth_mm=40.0, name="other"),
        event(EventKind.CHECKED, 3, face="b", depth_mm=30.0, opening="shake"),
    ]
    assert [each.height_mm for each in obstacles.checks(SECTION, several)] == [40.0]


def legs_of(section, corners):
    return {
        "ab": (section.width_mm / 2, section.depth_mm / 2, -1, -1),
        "bc": (section.width_mm / 2, -section.depth_mm / 2, -1, 1),
        "cd": (-section.width_mm / 2, -section.depth_mm / 2, 1, 1),
        "da": (-section.width_mm / 2, section.depth_mm / 2, 1, -1),
    }, dict(corners)


def sound(section, corners, knots, x, y, half):
    """Whether a square about a place meets no bevel and no knot, by its corners alone."""
    places, legs = legs_of(section, corners)
    for sx, sy in product((-half, half), repeat=2):
        for name, (across, down) in legs.items():
            cx, cy, ix, iy = places[name]
            if (x + sx - cx) * ix / across + (y + sy - cy) * iy / down < 1 - 1e-9:
                return False
    return not any(
        x - half < k.right_mm and x + half > k.x_mm and y - half < k.top_mm and y + half > k.y_mm
        for k in knots
    )


@pytest.mark.parametrize(
    "corners",
    [
        {"ab": (60, 40), "cd": (50, 70)},
        {"ab": (40, 40), "bc": (60, 30), "cd": (30, 60)},
        {"ab": (45, 30), "bc": (30, 45), "cd": (45, 30), "da": (30, 45)},
    ],
)
def test_past_several_bevels_and_a_knot_no_place_of_a_raster_moves_less(corners):
    # the most stable place against every place of a 4 mm raster, clear by a rule written here
    section = Section(width_mm=180, depth_mm=160, pith_x_mm=10, pith_y_mm=-5)
    knots = obstacles.defects(section, [knot(from_d_mm=0.0, from_a_mm=60.0, width_mm=25.0, depth_mm=20.0)])
    stock = Stock(
        name="T", section=section, length_mm=3000, defects=knots, bow_mm=0.0, crook_mm=0.0,
        wane=tuple(wane(section, corner, legs) for corner, legs in corners.items()),
    )  # fmt: skip
    order = Order(width_mm=90, depth_mm=90, length_mm=2500, bow_mm=0, crook_mm=0, planing_mm=0.0)
    oak, use = species.get("white oak"), use_class.get("frame-outdoors")
    made = place_cut.plan(stock, order, oak, use, wet=Wet(mean_pct=22.0))
    best = made.choices[made.by_stability].pieces[0]
    side = best.piece.width_mm
    assert sound(section, corners, knots, best.piece.centre_x_mm, best.piece.centre_y_mm, side / 2 - 1e-6)
    moves = []
    for x, y in product(range(-90, 91, 4), range(-80, 81, 4)):
        if (
            abs(x) + side / 2 <= 90
            and abs(y) + side / 2 <= 80
            and sound(section, corners, knots, x, y, side / 2)
        ):
            off = (section.pith_x_mm - x, section.pith_y_mm - y)
            moves.append((max(abs(off[0]), abs(off[1])) < side / 2, off))
    assert moves
    boxed = [off for inside, off in moves if inside]

    def moved(off):
        piece = Section(width_mm=side, depth_mm=side, pith_x_mm=off[0], pith_y_mm=off[1])
        return float(engine.moves(piece, oak, 22.0, use.service_mc_pct).largest_mm)

    assert (
        best.largest_mm <= min(moved(off) for off in boxed[:: max(len(boxed) // 12, 1)]) + place_cut.ALIKE_MM
    )
