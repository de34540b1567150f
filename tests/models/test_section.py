from __future__ import annotations

import pytest

from baulk.models.errors import NotFound, OutOfRange
from baulk.models.section import Finished, Section

GREEN = Section(width_mm=203, depth_mm=178, pith_x_mm=10, pith_y_mm=-5)


def test_the_finished_piece_carries_the_pith_in_its_own_axes():
    piece = Finished(width_mm=150, depth_mm=150, centre_x_mm=4, centre_y_mm=6).inside(GREEN)
    assert (piece.pith_x_mm, piece.pith_y_mm) == (6, -11)
    assert piece.boxed_heart


def test_a_pith_outside_the_rectangle_is_free_of_heart():
    assert not Section(width_mm=150, depth_mm=150, pith_x_mm=0, pith_y_mm=-90).boxed_heart


def test_a_piece_larger_than_its_timber_is_refused_with_both_sizes():
    with pytest.raises(
        OutOfRange, match="150 x 190 mm does not fit where it is placed in the green 203 x 178 mm"
    ):
        Finished(width_mm=150, depth_mm=190).inside(GREEN)


def test_a_piece_placed_over_the_edge_is_refused():
    with pytest.raises(OutOfRange, match="does not fit"):
        Finished(width_mm=150, depth_mm=150, centre_x_mm=30).inside(GREEN)


@pytest.mark.parametrize("width_mm", [0.0, -1.0, float("nan"), float("inf")])
def test_a_section_without_size_is_refused(width_mm):
    with pytest.raises(OutOfRange, match="must be above 0 mm"):
        Section(width_mm=width_mm, depth_mm=100)
    with pytest.raises(OutOfRange, match="must be above 0 mm"):
        Finished(width_mm=width_mm, depth_mm=100)


def test_a_pith_that_is_nowhere_is_refused():
    with pytest.raises(OutOfRange, match="the pith"):
        Section(width_mm=100, depth_mm=100, pith_x_mm=float("nan"))


def test_an_unknown_name_is_answered_with_the_nearest():
    assert "did you mean white oak" in str(NotFound("species", "Whit oak", ["white oak", "teak"]))
    assert "did you mean FER-08" in str(NotFound("timber", "fer-09", ["FER-08", "OAK-1"]))
    assert "known: teak" in str(NotFound("species", "zzz", ["teak"]))
