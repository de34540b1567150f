"""Litres and kWh that somebody read off, held against a plan's own weeks; each figure worked by hand."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from baulk.models import text
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity import looked_back, said_back, used
from baulk.models.plan.humidity.looked_back import Came
from baulk.models.plan.humidity.promise import Followed, Promise
from baulk.models.plan.humidity.used import Used

MADE = datetime(2026, 1, 5, tzinfo=UTC)
DAY = timedelta(days=1)
# 7 litres a week at first, then 14; a kilowatt-hour for each 10 litres
WEEKS = ((7.0, 0.7),) * 4 + ((14.0, 1.4),) * 48


def promise(by_week=WEEKS):
    return Promise(
        place="shed", made_utc=MADE, what="hold", followed=Followed(by="Ann", at_utc=MADE), weeks=(),
        timbers=(), green=(), check_chance=0.0, litres=700.0, kwh=70.0, by_week=by_week,
    )  # fmt: skip


def read(first, last, litres=None, kwh=None):
    return Used(
        since_utc=MADE + first * DAY, until_utc=MADE + last * DAY, litres=litres, kwh=kwh, by="Ann", note="",
        noted_utc=MADE + last * DAY,
    )  # fmt: skip


def test_days_of_a_week_count_by_their_share():
    # from day 21 to day 31: a week of 7 litres and 3 days of a week of 14: 7 + 3 * 2 = 13; 1.3 kWh
    found = used.held(promise(), [read(21, 31, litres=34.0), read(21, 31, kwh=2.6)])
    assert (found.litres_days, found.litres, found.kwh_days, found.kwh) == (10, 34, 10, 2.6)
    assert (found.promised_litres, found.promised_kwh) == (pytest.approx(13), pytest.approx(1.3))


def test_what_was_used_before_the_plan_or_after_its_year_is_not_held_against_it():
    assert used.held(promise(), [read(-1, 10, litres=5.0), read(360, 366, litres=5.0)]) is None
    assert used.held(promise(()), [read(1, 10, litres=5.0)]) is None  # kept by an earlier version
    whole = used.held(promise(), [read(0, 364, litres=5.0)])
    assert whole.promised_litres == pytest.approx(4 * 7 + 48 * 14)


def test_it_is_told_with_the_plan_and_else_that_nothing_stands_against_it():
    def told(*entries):
        came = Came(now_utc=MADE + 40 * DAY, air=None, timbers={}, used=entries)
        return text.sentences(said_back.said(looked_back.look_back(promise(), came)), "metric", zone=UTC)

    assert told()[-1].endswith("nobody told what was moved or used, so nothing stands against it.")
    assert told(read(21, 31, litres=34.0))[-1] == (
        "Told by those who read it off: 34 litres in 10 days, promised for them 13."
    )


def test_the_same_days_are_told_once_and_slips_are_sentences():
    first = read(0, 10, litres=5.0)
    assert read(10, 20, litres=5.0).told_before([first]) is None
    assert read(5, 15, kwh=5.0).told_before([first]) is None
    assert read(5, 15, litres=5.0).told_before([first]) is first
    wrongs = (
        {"first": 3, "last": 3, "litres": 1.0},
        {"first": 0, "last": 1},
        {"first": 0, "last": 1, "litres": float("nan")},
        {"first": 0, "last": 1, "kwh": -1.0},
    )
    for wrong in wrongs:
        with pytest.raises(OutOfRange):
            read(**wrong)
