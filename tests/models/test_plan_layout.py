"""Clear wood and saw patterns, held against trying everything on a grid of whole millimetres."""

from functools import cache
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from baulk.models.errors import OutOfRange
from baulk.models.plan.sawing import bevel, layout
from baulk.models.plan.sawing.rects import Rect
from baulk.models.section import Section


def rects(width, depth, *, most):
    """Defects on whole millimetres inside an even section about the centre."""
    one = st.builds(
        lambda x, y, w, h: Rect(
            x_mm=x - width / 2, y_mm=y - depth / 2, width_mm=min(w, width - x), height_mm=min(h, depth - y)
        ),
        st.integers(0, width - 1),
        st.integers(0, depth - 1),
        st.integers(1, 4),
        st.integers(1, 4),
    )
    return st.lists(one, max_size=most)


def brute_clear(width, depth, defects):
    found = set()
    for x1, y1 in product(range(width), range(depth)):
        for x2, y2 in product(range(x1 + 1, width + 1), range(y1 + 1, depth + 1)):
            one = Rect(x_mm=x1 - width / 2, y_mm=y1 - depth / 2, width_mm=x2 - x1, height_mm=y2 - y1)
            if not any(one.meets(each) for each in defects):
                found.add((x1, y1, x2, y2))

    def larger(r):
        x1, y1, x2, y2 = r
        return any(each in found for each in ((x1 - 1, y1, x2, y2), (x1, y1 - 1, x2, y2),
                                              (x1, y1, x2 + 1, y2), (x1, y1, x2, y2 + 1)))  # fmt: skip

    return {r for r in found if not larger(r)}


def brute_most(width, depth, defects, piece, kerf):
    """Most pieces by trying every through cut on whole millimetres."""

    @cache
    def best(x1, y1, x2, y2):
        single = 0
        for w, h in {piece, piece[::-1]}:
            for x, y in product(range(x1, x2 - w + 1), range(y1, y2 - h + 1)):
                one = Rect(x_mm=x - width / 2, y_mm=y - depth / 2, width_mm=w, height_mm=h)
                single = single or int(not any(one.meets(each) for each in defects))
        found = single
        if single:
            for at in range(x1 + 1, x2 - kerf):
                found = max(found, best(x1, y1, at, y2) + best(at + kerf, y1, x2, y2))
            for at in range(y1 + 1, y2 - kerf):
                found = max(found, best(x1, y1, x2, at) + best(x1, at + kerf, x2, y2))
        return found

    return best(0, 0, width, depth)


@settings(max_examples=60)
@given(defects=rects(9, 7, most=4))
def test_clear_rectangles_are_those_of_an_exhaustive_search(defects):
    section = Section(width_mm=9, depth_mm=7)
    found = layout.clear(section, layout.inside(section, defects))
    told = {(r.x_mm + 4.5, r.y_mm + 3.5, r.right_mm + 4.5, r.top_mm + 3.5) for r in found}
    assert told == brute_clear(9, 7, defects)


@settings(max_examples=25, deadline=None)
@given(
    defects=rects(13, 11, most=3),
    piece=st.tuples(st.integers(2, 6), st.integers(2, 6)),
    kerf=st.integers(0, 1),
)
def test_the_most_pieces_are_those_of_trying_every_through_cut(defects, piece, kerf):
    section = Section(width_mm=13, depth_mm=11)
    kept = layout.inside(section, defects)
    found = layout.most_pieces(section, kept, piece, kerf)
    assert len(found) == brute_most(13, 11, tuple(defects), piece, kerf)
    for i, one in enumerate(found):
        assert not any(one.meets(each) for each in [*kept, *found[:i]])
        assert abs(one.x_mm) <= 6.5
        assert one.right_mm <= 6.5 + 1e-6
        assert one.top_mm <= 5.5 + 1e-6


def test_four_fours_come_out_of_an_eight_and_a_kerf_more():
    # 4 + 1/8 + 4 in both ways: one piece fewer each way as soon as the cut does not fit
    inch = 25.4
    enough = Section(width_mm=8.125 * inch, depth_mm=8.125 * inch)
    assert len(layout.most_pieces(enough, (), (4 * inch, 4 * inch), inch / 8)) == 4
    short = Section(width_mm=8 * inch, depth_mm=8.125 * inch)
    assert len(layout.most_pieces(short, (), (4 * inch, 4 * inch), inch / 8)) == 2


def test_wane_is_a_bevel_at_its_corner():
    section = Section(width_mm=200, depth_mm=100)
    ab, cd = (bevel.wane(section, corner, (30, 20)) for corner in ("ab", "dc"))
    assert (ab.ends_mm, ab.corner) == (((70, 50), (100, 30)), "ab")
    assert (cd.ends_mm, cd.corner) == (((-70, -50), (-100, -30)), "cd")
    assert not ab.cuts(0, 0, 85, 40)  # its corner lies on the line
    assert ab.cuts(0, 0, 85.1, 40)
    with pytest.raises(OutOfRange, match="is ab, bc, cd or da"):
        bevel.wane(section, "ac", (30, 20))
    with pytest.raises(OutOfRange, match="reaches beyond"):
        bevel.wane(section, "ab", (30, 101))


def test_a_plane_takes_the_tip_of_a_bevel():
    # 6 mm off either face: the corner of what is left lies at (6, 6), on the line of 12 x 12
    section = Section(width_mm=200, depth_mm=100)
    assert bevel.wane(section, "ab", (12, 12)).planed(6) is None
    left = bevel.wane(section, "ab", (24, 12)).planed(4)
    assert not left.cuts(0, 0, 100 - 24 * (1 - 4 / 24 - 4 / 12), 50)


def brute_bevel(width, depth, legs, piece, kerf):  # noqa: C901 - every way, plainly
    """Most squares of one size by every through cut on whole millimetres, corner by corner."""
    corners = [(0, 0, 1, 1), (width, 0, -1, 1), (width, depth, -1, -1), (0, depth, 1, -1)]

    def sound(x, y, w, h):
        for (cx, cy, sx, sy), (a, b) in zip(corners, legs, strict=True):
            for px, py in ((x, y), (x + w, y), (x, y + h), (x + w, y + h)):
                u, v = (px - cx) * sx, (py - cy) * sy
                if a and u * b + v * a < a * b:
                    return False
        return True

    @cache
    def best(x1, y1, x2, y2):
        found = 0
        for w, h in {piece, piece[::-1]}:
            for x, y in product(range(x1, x2 - w + 1), range(y1, y2 - h + 1)):
                found = found or int(sound(x, y, w, h))
        if found:
            for at in range(x1 + 1, x2 - kerf):
                found = max(found, best(x1, y1, at, y2) + best(at + kerf, y1, x2, y2))
            for at in range(y1 + 1, y2 - kerf):
                found = max(found, best(x1, y1, x2, at) + best(x1, at + kerf, x2, y2))
        return found

    return best(0, 0, width, depth)


@pytest.mark.parametrize(
    ("legs", "piece", "kerf"),
    [
        (((0, 1), (0, 1), (3, 2), (0, 1)), (5, 4), 1),
        (((0, 1), (0, 1), (4, 3), (0, 1)), (6, 5), 0),
        (((2, 4), (0, 1), (0, 1), (0, 1)), (4, 4), 1),
        (((0, 1), (3, 3), (0, 1), (0, 1)), (6, 4), 0),
        (((2, 2), (0, 1), (4, 2), (0, 1)), (5, 5), 1),
        (((2, 2), (2, 2), (2, 2), (2, 2)), (4, 3), 1),
        (((3, 2), (1, 3), (2, 4), (3, 3)), (5, 3), 1),
        # many small pieces past several bevels, where trying one cut after the other had given too few
        (((1, 3), (4, 4), (2, 1), (4, 4)), (3, 2), 0),
        (((3, 1), (5, 4), (2, 3), (4, 5)), (4, 4), 0),
        (((2, 2), (3, 1), (0, 1), (2, 4)), (4, 3), 0),
    ],
)
def test_no_through_cut_on_whole_millimetres_gets_more_past_bevels(legs, piece, kerf):
    section = Section(width_mm=13, depth_mm=11)
    bevels = [
        bevel.wane(section, corner, leg)
        for corner, leg in zip(("cd", "bc", "ab", "da"), legs, strict=True)
        if leg[0]
    ]
    found = layout.most_pieces(section, (), piece, kerf, bevels)
    # pieces may lean on a bevel between two millimetres, so that more come out; never more than the bound
    assert (
        brute_bevel(13, 11, tuple(legs), piece, kerf)
        <= len(found)
        <= layout.at_most(section, (), piece, kerf, bevels)
    )
    for i, one in enumerate(found):
        assert not any(one.meets(each) for each in found[:i])
        assert not any(each.cuts(one.x_mm, one.y_mm, one.right_mm, one.top_mm) for each in bevels)


@settings(max_examples=8, deadline=None)
@given(
    legs=st.lists(st.tuples(st.integers(1, 5), st.integers(1, 5)), min_size=4, max_size=4),
    piece=st.tuples(st.integers(3, 6), st.integers(3, 6)),
)
def test_past_four_bevels_no_more_than_the_bound_come_out_and_no_whole_millimetre_beats_it(legs, piece):
    section = Section(width_mm=13, depth_mm=11)
    bevels = [
        bevel.wane(section, corner, leg) for corner, leg in zip(("cd", "bc", "ab", "da"), legs, strict=True)
    ]
    found, most = (
        layout.most_pieces(section, (), piece, 1, bevels),
        layout.at_most(section, (), piece, 1, bevels),
    )
    assert brute_bevel(13, 11, tuple(legs), piece, 1) <= len(found) <= most


def test_three_of_three_inches_clear_of_the_heart_come_out_of_a_seven_with_a_bevel():
    # pith in one quarter; past 1 1/2 x 1 in of wane the piece leans on the bevel: 5/8 in of room each way,
    # 0.625 / 1.5 + 0.625 / 1 = 1.04 of what it takes; as a notch of 1 1/2 x 1 in it left room for two
    inch = 25.4
    section = Section(width_mm=7 * inch, depth_mm=7 * inch, pith_x_mm=-2 * inch, pith_y_mm=-2 * inch)
    off = bevel.wane(section, "ab", (1.5 * inch, 1 * inch))
    size, kerf = (3.125 * inch, 3.125 * inch), inch / 8
    notch = Rect(x_mm=2 * inch, y_mm=2.5 * inch, width_mm=1.5 * inch, height_mm=inch)
    assert len(layout.most_pieces(section, (notch,), size, kerf, (), "free")) == 2
    assert len(layout.most_pieces(section, (), size, kerf, (off,), "free")) == 3


def test_a_defect_outside_and_slivers_are_sentences():
    section = Section(width_mm=200, depth_mm=100)
    with pytest.raises(OutOfRange, match="lies outside the section"):
        layout.inside(section, [Rect(x_mm=150, y_mm=0, width_mm=10, height_mm=10)])
    with pytest.raises(OutOfRange, match="too small for an exact search"):
        layout.most_pieces(section, (), (1.1, 1.7), 0.3)
    with pytest.raises(OutOfRange, match="above 0 mm both ways"):
        Rect(x_mm=0, y_mm=0, width_mm=0, height_mm=10)
    many = [Rect(x_mm=x, y_mm=0, width_mm=1, height_mm=1) for x in range(30)]
    with pytest.raises(OutOfRange, match="more than 24"):
        layout.inside(section, many)
