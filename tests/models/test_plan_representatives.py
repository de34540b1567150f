"""Which timbers of a place stand for the others: shares by hand, extremes, volumes.

It could not have found that those chosen dry otherwise than those left out, nor that the plan differs:
tests/bench/test_crowded_room.py asks that.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from baulk.models.plan.humidity.representatives import Candidate, sample


def oak(number, wet, kind="oak", volume=0.1):
    return Candidate(tag=f"{kind}-{number}", kind=(kind, "frame"), mean_mc_pct=wet, volume_m3=volume)


def test_a_room_that_is_not_crowded_is_taken_whole():
    assert sample([oak(i, i) for i in range(7)], most=7) == {f"oak-{i}": 1.0 for i in range(7)}


def test_of_a_kind_the_wettest_the_driest_and_some_between_are_taken():
    assert list(sample([oak(i, i) for i in range(101)], most=5)) == [f"oak-{i}" for i in (0, 25, 50, 75, 100)]
    assert list(sample([oak(i, i) for i in range(9)], most=1)) == ["oak-8"]


def test_one_of_which_nothing_is_known_counts_as_the_wettest():
    assert "oak-50" in sample([oak(i, np.inf if i == 50 else i) for i in range(101)], most=3)


def test_places_go_by_the_size_of_a_kind_and_none_is_left_out():
    # proportional allocation: 60 : 30 : 10 of 20 places are 12, 6 and 2; a kind of one keeps its own
    those = [oak(i, i, kind) for kind, n in (("oak", 60), ("elm", 30), ("ash", 10)) for i in range(n)]
    taken = [tag.split("-")[0] for tag in sample(those, most=20)]
    assert {kind: taken.count(kind) for kind in ("oak", "elm", "ash")} == {"oak": 12, "elm": 6, "ash": 2}
    assert "larch-0" in sample([*those, oak(0, 1, "larch")], most=20)


def test_a_small_kind_beside_a_large_one_keeps_its_wettest_and_its_driest():
    those = [oak(i, i, kind) for kind, n in (("oak", 82), ("elm", 3), ("ash", 2)) for i in range(n)]
    assert {"elm-0", "elm-2", "ash-0", "ash-1"} < set(sample(those, most=40))


def test_more_kinds_than_places_are_parted_by_what_matters_most():
    those = [
        Candidate(tag=f"{wood}-{i}", kind=(wood, i), mean_mc_pct=i, volume_m3=0.1)
        for wood in "ab"
        for i in range(9)
    ]
    assert {tag[0] for tag in sample(those, most=4)} == {"a", "b"}
    assert len(sample(those, most=1)) == 1


def test_one_that_was_named_is_taken_besides_and_stands_for_itself():
    found = sample([oak(i, i) for i in range(101)], always={"oak-3"}, most=5)
    assert found["oak-3"] == 1.0
    assert len(found) == 6


@given(
    those=some.lists(
        some.tuples(some.sampled_from(["oak", "elm", "ash"]), some.floats(5, 90), some.floats(0.01, 2.0)),
        min_size=1, max_size=60,
    ),
    most=some.integers(1, 12),
)  # fmt: skip
def test_what_is_taken_stands_for_the_volume_of_all(those, most):
    room = [oak(i, wet, kind, volume) for i, (kind, wet, volume) in enumerate(those)]
    found = sample(room, most=most)
    assert len(found) <= max(most, 0) or len(room) <= most
    assert min(found.values()) >= 1 - 1e-12
    stood = sum(each.volume_m3 * found[each.tag] for each in room if each.tag in found)
    assert stood == pytest.approx(sum(each.volume_m3 for each in room))
