"""The drawing for the saw: heart, bevels, cuts in their order, and words that can be read at its size."""

from __future__ import annotations

from itertools import combinations

import pytest

from baulk.dashboard.printing import saw_drawing
from baulk.dashboard.printing.marks import Box, Line, Words, on_stroke, touches
from baulk.models import species, use_class
from baulk.models.allowance.parts import Wet
from baulk.models.plan.sawing import place_cut
from baulk.models.plan.sawing.bevel import wane
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.plan.sawing.order import Order
from baulk.models.plan.sawing.rects import Rect
from baulk.models.section import Section

SEVEN = Section(width_mm=177.8, depth_mm=177.8, pith_x_mm=12, pith_y_mm=-8)
KNOT = Rect(x_mm=-60, y_mm=20, width_mm=25, height_mm=15)


def plan(size, corners, *, pieces, defects=()):
    stock = Stock(
        name="FER-03",
        section=SEVEN,
        length_mm=3000,
        wane=tuple(wane(SEVEN, corner, legs) for corner, legs in corners),
        defects=defects,
        bow_mm=0.0,
        crook_mm=0.0,
    )
    return place_cut.plan(
        stock, Order(width_mm=size[0], depth_mm=size[1], length_mm=2400), species.get("white oak"),
        use_class.get("frame-outdoors"), wet=Wet(mean_pct=22.0), pieces=pieces,
    )  # fmt: skip


CASES = {
    "three past a bevel": plan((70, 70), [("ab", (38.1, 25.4))], pieces=True),
    "one beside a knot": plan(
        (110, 110), [("ab", (38, 25)), ("cd", (30, 30))], pieces=False, defects=(KNOT,)
    ),
    "many": plan((40, 60), [("ab", (20, 20))], pieces=True),
}


@pytest.mark.parametrize("system", ["inch", "metric"])
@pytest.mark.parametrize("name", CASES)
def test_no_words_stand_on_a_line_or_on_each_other_and_the_sheet_fits_a_page(name, system):
    made = CASES[name]
    for choice in range(len(made.choices)):
        sheet = saw_drawing.of_cut(made, system, choice)
        words = [each for each in sheet.marks if isinstance(each, Words)]
        drawn = [each for each in sheet.marks if not isinstance(each, Words)]
        for each in words:
            assert each.plate or not touches(each, drawn), each.text
            left, low, right, top = each.room
            assert left >= 0
            assert low >= 0
            assert top <= sheet.high
            assert right <= sheet.wide + 2 or each.x == 8.0  # lines below are wrapped by letters
        for one, other in combinations(words, 2):
            assert not touches(one, [other]), (one.text, other.text)
        assert sheet.high <= 262.0
        assert {f"({cut.number})" for cut in made.cuts(choice)} <= {each.text for each in words}
        assert any(isinstance(each, Line) and each.heavy for each in drawn)  # the bevel and the heart's cross


def test_words_on_a_stroke_move_along_it_away_from_what_crosses_it():
    stroke = (0.0, 0.0, 100.0, 0.0)
    alone = on_stroke(Words(x=0, y=0, text="(1)"), stroke, (), ())
    assert alone.x == 50
    crossed = on_stroke(Words(x=0, y=0, text="(1)"), stroke, [Line(x1=50, y1=-9, x2=50, y2=9)], ())
    assert abs(crossed.x - 50) > 3
    assert touches(crossed, [Line(x1=50, y1=-9, x2=50, y2=9)]) == 0
    assert touches(alone, [Box(x=0, y=-20, wide=100, high=40)]) == 0  # inside it, on none of its sides
