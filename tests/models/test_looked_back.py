"""A plan looked back on, and what it teaches: each figure worked by hand beside its test."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from baulk.models import text
from baulk.models.air import AirSeries
from baulk.models.plan.humidity import lesson, looked_back, said_back
from baulk.models.plan.humidity.looked_back import Came, TimberCame
from baulk.models.plan.humidity.outcome import Span
from baulk.models.plan.humidity.promise import Followed, Promise, PromisedTimber, PromisedWeek

MADE = datetime(2026, 1, 5, tzinfo=UTC)
DAY = timedelta(days=1)


def promised(tag="OAK-1", days=100, spread=10.0, moisture=(60.0, 50.0, 42.0)):
    return PromisedTimber(
        tag=tag,
        ready_utc=None if days is None else MADE + days * DAY,
        spread_days=spread,
        moisture=tuple(Span(median=each, low=each - 3.29, high=each + 3.29) for each in moisture),
    )


def plan(*timbers, weeks=10, low=60.0, high=70.0, rh=65.0, chance=0.2, made=MADE, followed=True):
    week = PromisedWeek(temp_c=12.0, rh_pct=rh, low_pct=low, high_pct=high)
    return Promise(
        place="shed",
        made_utc=made,
        what="hold" if followed else "nothing",
        followed=Followed(by="Ann", at_utc=made) if followed else None,
        weeks=(week,) * weeks,
        timbers=timbers,
        green=tuple(each.tag for each in timbers),
        check_chance=chance,
        litres=120.0,
        kwh=80.0,
    )


def hourly(weeks, temp_c=12.0):
    """Air with one humidity in each week, [%RH], measured every hour."""
    hours = np.arange(168 * len(weeks))
    return AirSeries(
        posix_s=MADE.timestamp() + 3600.0 * hours + 60.0,
        temp_c=np.full(hours.size, temp_c),
        rh_pct=np.repeat(np.array(weeks, float), 168),
    )


def back(promise, days, air=None, *timbers):
    came = Came(now_utc=MADE + days * DAY, air=air, timbers={each.tag: each for each in timbers})
    return looked_back.look_back(promise, came)


def codes(found):
    return [each.code for each in said_back.said(found)]


def words(found, system="metric"):
    return " ".join(text.sentences(said_back.said(found), system, zone=UTC))


def test_before_four_weeks_it_is_too_early_to_say():
    early = back(plan(promised()), 27, hourly([65] * 4), TimberCame(tag="OAK-1", mc_pct=50.0))
    assert early.too_early
    assert (early.air, early.timbers) == (None, ())
    assert codes(early) == ["back.plan", "back.early"]
    assert "Too early to say: 3 weeks have passed, of the 4" in words(early)
    assert not back(plan(promised()), 28, hourly([65] * 4)).too_early


def test_the_share_of_hours_in_the_window_has_its_standard_error_over_weeks():
    # in the window of 60 to 70: weeks 1, 2 and 4 of four wholly, week 3 not at all: 3/4. The deviation of
    # 1, 1, 0, 1 with n - 1: 0.5; over the root of 4: 0.25. Measured less promised: 0, 0, 15, -5, mean 2.5,
    # squares 6.25 + 6.25 + 156.25 + 56.25 = 225, over 3: 75, root 8.66, half of it 4.33
    air = back(plan(), 28, hourly([65, 65, 80, 60])).air
    assert (air.weeks, air.hours) == (4, 672)
    assert air.inside.mean == pytest.approx(0.75)
    assert air.inside.se == pytest.approx(0.25)
    assert air.rh_promised_pct == pytest.approx(65.0)
    assert air.rh_off_pct.mean == pytest.approx(2.5)
    assert air.rh_off_pct.se == pytest.approx(4.330, abs=0.001)
    assert air.temp_off_k.mean == pytest.approx(0.0)


def test_an_hour_that_was_measured_often_counts_once_and_a_week_barely_measured_not_at_all():
    # a burst of 600 readings at 90 % in one hour of a week at 65 %: 167 of 168 hours inside
    steady = hourly([65] * 4)
    burst = steady.posix_s[10] + np.arange(1.0, 601.0)
    order = np.argsort(at := np.concatenate((steady.posix_s, burst)))
    rh = np.concatenate((steady.rh_pct, np.full(600, 90.0)))
    mixed = AirSeries(posix_s=at[order], temp_c=np.full(at.size, 12.0), rh_pct=rh[order])
    assert back(plan(), 28, mixed).air.inside.mean == pytest.approx((3 + 167 / 168) / 4)
    few = AirSeries(posix_s=steady.posix_s[:191], temp_c=steady.temp_c[:191], rh_pct=steady.rh_pct[:191])
    assert back(plan(), 28, few).air.weeks == 1  # 168 hours and 23
    assert back(plan(), 28, few).air.inside.se is None
    none = AirSeries(posix_s=steady.posix_s[:3], temp_c=steady.temp_c[:3], rh_pct=steady.rh_pct[:3])
    assert "back.no_air" in codes(back(plan(), 28, none))


def test_weeks_without_a_window_and_air_that_was_not_promised_are_not_held_against_anything():
    found = back(plan(low=70.0, high=60.0, rh=None), 28, hourly([65] * 4)).air
    assert (found.inside, found.rh_off_pct, found.rh_promised_pct) == (None, None, None)
    assert found.weeks == 4


def test_moisture_promised_for_a_day_between_two_weeks_goes_by_the_root_of_time():
    # 60 % at week 0, 50 % at week 4; at week 1, half-way in the root of time: 55 %
    told = promised()
    assert looked_back.promised_today(told, 1.0).median == pytest.approx(55.0)
    assert looked_back.promised_today(told, 8.0).median == pytest.approx(42.0)
    assert looked_back.promised_today(told, 8.1) is None
    # at week 4: promised 50 with 2 points of deviation, now 53.9 with 1.5: 2.5 in all, 1.96 of it 4.9
    near = back(plan(told), 28, None, TimberCame(tag="OAK-1", mc_pct=53.9, mc_sd_pct=1.5))
    assert near.timbers[0].moisture_sd_pct == pytest.approx(2.5)
    assert "as promised, within what is known of both (± 4.9)" in words(near)
    far = back(plan(told), 28, None, TimberCame(tag="OAK-1", mc_pct=55.0, mc_sd_pct=1.5))
    assert "wetter by more than is known of both" in words(far)


def test_an_old_evaluation_is_held_against_its_own_day_or_against_nothing():
    def seen(day, weeks_on):
        wood = TimberCame(tag="OAK-1", mc_pct=60.0, mc_sd_pct=0.5, mc_utc=MADE + day * DAY)
        return back(plan(promised()), weeks_on * 7, None, wood).timbers[0]

    assert seen(0, 6).now_pct is None  # of the plan's own day: nothing came of it yet
    assert seen(28, 9).now_pct is None  # five weeks old
    told = seen(35, 7)
    assert told.now_pct == 60.0
    # by the root of time between 50 % at week 4 and 42 % at week 8, for week 5, not for today's week 7
    assert told.promised_pct.median == pytest.approx(50 - 8 * (5**0.5 - 2) / (8**0.5 - 2))


def test_dates_are_held_against_what_came_and_one_that_did_not_come_is_late_by_today_at_least():
    def one(days, **came):
        (found,) = back(plan(promised()), days, None, TimberCame(tag="OAK-1", **came)).timbers
        return found

    ready = one(130, ready_utc=MADE + 121 * DAY)
    assert (ready.late_days, ready.due) == (pytest.approx(21.0), True)
    assert ready.sd_days == pytest.approx(math.hypot(10.0, 2.0))
    early = one(60, ready_utc=MADE + 50 * DAY)
    assert (early.late_days, early.due) == (pytest.approx(-50.0), False)
    waits = one(130, expected_utc=MADE + 190 * DAY, expected_spread_days=24.0)
    assert (waits.late_days, waits.sd_days, waits.due) == (pytest.approx(90.0), pytest.approx(26.0), True)
    assert one(130, expected_utc=MADE + 110 * DAY).late_days == pytest.approx(30.0)
    assert one(130).late_days == pytest.approx(30.0)
    assert one(90).late_days is None
    assert one(90, expected_utc=MADE + 110 * DAY).due is False
    assert one(130, left=True, ready_utc=MADE + 121 * DAY).late_days is None


def test_what_is_told_has_words_for_every_case():
    timbers = [promised(f"T-{i}") for i in range(5)] + [promised("T-5", days=None), promised("T-6", days=400)]
    found = back(
        plan(*timbers), 130, hourly([65] * 10, temp_c=14.0),
        TimberCame(tag="T-0", ready_utc=MADE + 121 * DAY, mc_pct=20.0),
        TimberCame(tag="T-1"), TimberCame(tag="T-2", expected_utc=MADE + 200 * DAY),
        TimberCame(tag="T-3", left=True), TimberCame(tag="T-5"),
        TimberCame(tag="T-6", checks_utc=(MADE - DAY, MADE + DAY)),
    )  # fmt: skip
    assert found.checked == ("T-6",)
    said = words(found)
    assert "The plan of 5 January 2026, followed by Ann: hold the planned humidity." in said
    assert "T-0 was promised for April 2026 and was ready in the week of 6 May 2026: 3 weeks later" in said
    assert "no more than is known" not in said.split("T-1")[0]  # 21 days, known to 20
    assert "T-1 was promised for April 2026 and is not ready; now no date is told for it" in said
    assert "T-2 was promised for April 2026 and is not ready; now it is expected about July 2026" in said
    assert "T-3 has left the room" in said
    assert "No date was promised for T-5: it was not expected" in said
    assert "T-6 was promised for February 2027; its verdict tells no date now" in said
    assert "20 %. So far a check was entered of T-6" in said
    assert "120 litres and 80 kWh; nobody told" in said
    assert "2.0 °C (± 0.0) warmer than promised" in said
    assert "3.6 °F (± 0.0) warmer than promised" in words(found, "inch")


def test_timbers_without_a_promised_date_are_told_in_one_sentence():
    timbers = [promised(f"T-{i}", days=None) for i in range(9)] + [promised("T-9")]
    came = [TimberCame(tag=f"T-{i}", left=i == 0) for i in range(10)]
    said = words(back(plan(*timbers), 130, None, *came))
    assert said.count("No date was promised") == 1
    assert "No date was promised for T-1, T-2, T-3, T-4, T-5, T-6 and 2 more: they were not" in said


# --------------------------------------------------------------------------- what it teaches


def late(*days, plans=1, lead=100):
    """Plans of timbers that came so many days late."""
    found = []
    for k in range(plans):
        timbers = [promised(f"T-{i}", days=lead) for i in range(len(days))]
        came = [TimberCame(tag=f"T-{i}", ready_utc=MADE + (lead + each) * DAY) for i, each in enumerate(days)]
        promise = replace(plan(*timbers), made_utc=MADE + k * DAY)
        found.append(looked_back.look_back(
            promise, Came(now_utc=MADE + 400 * DAY, air=None, timbers={each.tag: each for each in came})
        ))  # fmt: skip
    return found


def test_a_lesson_is_the_mean_over_timbers_drawn_toward_none_by_how_few_they_are():
    # five timbers 12 days late each: scatter (2 * 60^2 + 0) / (2 + 4) = 1200, se = sqrt(240) = 15.49; weight
    # 5 / 1200 against 1 / 900: 12 * 0.0041667 / 0.0052778 = 9.474, sd = sqrt(1 / 0.0052778) = 13.765
    found = lesson.learned(late(12, 12, 12, 12, 12, plans=3))
    assert (found.timbers, found.plans) == (5, 3)
    assert found.late_days == pytest.approx(12.0)
    assert found.se_days == pytest.approx(15.492, abs=0.001)
    assert found.told_days == pytest.approx(9.474, abs=0.001)
    assert found.told_sd_days == pytest.approx(13.765, abs=0.001)
    assert not found.counts
    said = text.sentence(found.reason, "metric", zone=UTC)
    assert "3 earlier plans promised 2 weeks too early for 5 timbers (standard error 2 weeks)" in said
    assert "no date is moved by it" in said


def test_a_lesson_counts_only_beyond_its_own_uncertainty_and_with_three_timbers():
    # 50, 60, 70: scatter (7200 + 200) / 4 = 1850, weight 3 / 1850; 60 * 0.0016216 / 0.0027327 = 35.60, sd
    # 19.13, 1.96 of it 37.5: not beyond. 60 six times: 7200 / 7 = 1028.6, 6 / 1028.6: 50.40, sd 12.0: beyond
    few = lesson.learned(late(50, 60, 70))
    assert few.told_days == pytest.approx(35.60, abs=0.01)
    assert not few.counts
    many = lesson.learned(late(*[60] * 6))
    assert many.told_days == pytest.approx(50.40, abs=0.01)
    assert many.told_sd_days == pytest.approx(12.0, abs=0.01)
    assert many.counts
    assert not lesson.learned(late(500, 500)).counts


@pytest.mark.parametrize("days", [(5, -30, 40, 12), (50, 60, 70), (90, 20, 45, 61, 33, 70, 8), (-14,)])
def test_a_lesson_is_that_of_weighing_every_mean_on_a_grid(days):
    # as in a table: what each timber tells of each mean that could be, times what is presumed of it (30 days
    # about none); the scatter joins two presumed timbers of 60 days each with those that came
    n = len(days)
    own = (n - 1) * statistics.variance(days) if n > 1 else 0.0
    scatter = statistics.NormalDist(0, math.sqrt((2 * 60.0**2 + own) / (2 + n - 1)))
    presumed = statistics.NormalDist(0, 30)
    means = [k / 4 for k in range(-1200, 1201)]
    weights = [presumed.pdf(mean) * math.prod(scatter.pdf(day - mean) for day in days) for mean in means]
    middle = sum(w * mean for w, mean in zip(weights, means, strict=True)) / sum(weights)
    square = sum(w * (mean - middle) ** 2 for w, mean in zip(weights, means, strict=True)) / sum(weights)
    found = lesson.learned(late(*days))
    assert found.late_days == pytest.approx(statistics.mean(days))
    assert found.told_days == pytest.approx(middle, abs=0.01)
    assert found.told_sd_days == pytest.approx(math.sqrt(square), abs=0.01)
    assert found.counts == (n >= 3 and abs(middle) > 1.96 * math.sqrt(square))


def test_early_ones_wait_for_their_day_and_what_was_close_ahead_teaches_nothing():
    assert lesson.learned(late(10, lead=55)) is None
    timbers = [promised("T-0", days=100), promised("T-1", days=300)]
    came = [
        TimberCame(tag="T-0", ready_utc=MADE + 90 * DAY),
        TimberCame(tag="T-1", ready_utc=MADE + 90 * DAY),
    ]
    found = lesson.learned([back(plan(*timbers), 150, None, *came)])
    assert (found.timbers, found.late_days) == (1, pytest.approx(-10.0))
    assert "too late" in text.sentence(found.reason, "metric", zone=UTC)
    assert lesson.learned([]) is None


def test_chances_of_checks_are_counted_over_years_that_do_not_overlap():
    def year(start, chance, *checks):
        made = MADE + start * DAY
        came = TimberCame(tag="T-0", checks_utc=tuple(made + each * DAY for each in checks))
        return looked_back.look_back(
            plan(promised("T-0"), chance=chance, made=made),
            Came(now_utc=MADE + 1500 * DAY, air=None, timbers={"T-0": came}),
        )

    # 0.2, 0.5 and 0.9 a year apart: 1.6 expected, variance 0.16 + 0.25 + 0.09 = 0.5; day 7 is left out
    found = lesson.checks([year(0, 0.2, 10), year(7, 0.9, 10), year(364, 0.5, -1, 365), year(728, 0.9, 3)])
    assert (found.years, found.came) == (3, 2)
    assert found.expected == pytest.approx(1.6)
    assert found.sd == pytest.approx(math.sqrt(0.5))
    assert "3 years that ended, the chances told come to 1.6 years" in text.sentence(found.reason, "metric")
    assert lesson.checks([year(1300, 0.5)]) is None


def test_followed_plans_are_told_and_of_the_others_only_some():
    weekly = [back(replace(plan(followed=False), made_utc=MADE + 7 * i * DAY), 400) for i in range(57)][::-1]
    followed = back(plan(made=MADE + 397 * DAY), 400)
    told = said_back.told([followed, *weekly])
    assert told[0] is followed
    assert [round(each.weeks) for each in told[1:]] == [4, 13, 26, 52]
    assert said_back.told(weekly[:2]) == (weekly[0],)
    assert codes(told[1])[0] == "back.kept"
