"""A plan's difference laid upon the chance that a verdict tells: worked by hand, and by counting.

This is the arithmetic alone: that the difference of a few members in one usual year is that of all of them in
other years is an assumption, which nothing here could have found to be wrong.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from baulk.models.verdict.chances import Chances

DAY = 86400.0
AT = DAY * np.array([0.0, 14.0, 28.0])


def told(ready, with_room=None):
    ready = np.array(ready)
    return Chances(
        posix_s=AT[: ready.size], ready=ready, with_room=ready if with_room is None else np.array(with_room),
        needed=0.95, needed_with_room=0.9,
    )  # fmt: skip


def test_if_nothing_is_done_the_date_is_the_verdicts_whatever_the_plans_members_say():
    members = np.random.default_rng(5).random((3, 16)) < 0.6
    verdict = told([0.3, 0.7, 0.96])
    same = verdict.shifted(AT, members, members)
    assert same.ready == pytest.approx(verdict.ready)
    assert same.square() == verdict.square() == datetime.fromtimestamp(28 * DAY, UTC)


def test_a_way_splits_the_chance_as_it_splits_the_plans_members():
    nothing = np.array([[True, True, False, False]] * 3)
    made = np.array([[True, True, True, False]] * 3)  # one of the two that wait becomes ready
    assert told([0.6, 0.6, 0.6]).shifted(AT, made, nothing).ready == pytest.approx([0.8] * 3)
    worse = np.array([[True, False, False, False]] * 3)
    assert told([0.6, 0.6, 0.6]).shifted(AT, worse, nothing).ready == pytest.approx([0.3] * 3)


def test_it_is_the_count_itself_where_verdict_and_plan_have_the_same_members():
    draws = np.random.default_rng(7)
    nothing, made = draws.random((2, 3, 64)) < 0.5
    found = told(nothing.mean(axis=1)).shifted(AT, made, nothing)
    assert found.ready == pytest.approx(made.mean(axis=1))


def test_no_member_that_could_change_changes_nothing():
    all_ready = np.ones((3, 4), dtype=bool)
    assert told([0.4, 0.5, 0.6]).shifted(AT, all_ready, all_ready).ready == pytest.approx([0.4, 0.5, 0.6])


def test_beyond_the_verdicts_last_date_its_chance_goes_on_as_the_plans_does():
    nothing = np.array([[False] * 4, [True, False, False, False], [True, True, True, False]])
    found = told([0.1, 0.4]).shifted(AT, nothing, nothing)
    # of three that wait at the last date told two become ready
    assert found.ready == pytest.approx([0.1, 0.4, 0.4 + 0.6 * 2 / 3])


def test_both_chances_must_be_high_enough():
    assert told([0.96, 0.97, 0.98], [0.5, 0.89, 0.91]).square() == datetime.fromtimestamp(28 * DAY, UTC)
    assert told([0.94, 0.94, 0.94]).square() is None
