"""Words and numbers as a person reads them."""

import json
from datetime import UTC, datetime, timedelta

import pytest

from baulk.dashboard import words
from baulk.ingest.evaluation import document_read

NOW = datetime(2027, 3, 4, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("ago", "said"),
    [(10, "just now"), (60, "1 minute ago"), (7200, "2 hours ago"), (86400 * 3, "3 days ago"),
     (-600, "in the future")],
)  # fmt: skip
def test_an_age_is_told_in_one_unit(ago, said):
    assert words.age(NOW - timedelta(seconds=ago), NOW) == said


def test_every_verdict_has_its_own_shape_and_word():
    assert len({s.shape for s in words.STEPS.values()}) == len({s.word for s in words.STEPS.values()}) == 3


def test_a_date_in_the_past_is_now_and_none_is_beyond_the_horizon():
    assert words.when(NOW - timedelta(days=1), NOW) == "now"
    assert words.when(None, NOW) == "not within two years"


def test_a_date_is_no_surer_than_its_spread():
    date = datetime(2028, 3, 14, 12, tzinfo=UTC)
    assert words.when(date, NOW, 3.0) == "about 14 Mar 2028"
    assert words.when(date, NOW, 40.0) == "about Mar 2028"
    assert words.when(date, NOW, 120.0) == "about early 2028"
    assert words.when(date, NOW) == "about Mar 2028"  # an evaluation of an earlier version
    five = [date + timedelta(days=each) for each in (-200, -80, 0, 90, 240)]
    assert words.reached("The core", 20.0, five, NOW) == (
        "The core comes down to 20 % about early 2028 most likely; nine chances in ten lie between mid-2027 "
        "and late 2028."
    )


def test_what_a_piece_has_to_stand_is_listed_with_the_one_that_decides(invented):
    made = json.loads(invented.evaluation(invented.piece("FER-01"), made=NOW))
    one = {"spread_days": 40.0, "limit_mm": 2.5, "largest_mm": None, "size_change_mm": None}
    stages = [
        {**one, "what": "settling", "probability": 0.97, "date": NOW, "decides": False},
        {**one, "what": "build", "probability": 0.949, "date": NOW + timedelta(days=500), "decides": True},
        {**one, "what": "dry_season", "probability": 0.4, "date": None, "decides": False},
    ]
    made["verdict"] |= {"needed": 0.95, "stages": stages}
    verdict = document_read.parse(json.dumps(made, default=str).encode()).verdict
    expected = NOW + timedelta(days=500)
    assert words.conditions(verdict, NOW) == [
        ("settling in service", "97 %", "now"),
        ("being built in, decides", "just under 95 %", f"about {expected.astimezone():%b %Y}"),
        ("driest season", "40 %", "not within two years"),
    ]


def judged(invented, **changes):
    made = json.loads(invented.evaluation(invented.piece("FER-01"), made=NOW))
    made["verdict"] |= changes
    return document_read.parse(json.dumps(made).encode()).verdict


def test_where_scale_and_pins_contradict_each_other_there_is_no_date(invented):
    three = {"median": 20.0, "low": 18.0, "high": 22.0}
    apart = {"words": "They differ.", "since_utc": NOW.isoformat(), "weights": 3, "sections": 0,
             "pin_readings": 3, "scale_mean_now_pct": three, "pins_mean_now_pct": three}  # fmt: skip
    assert words.step_from(judged(invented, contradiction=apart), "square", NOW) == "unknown"


def test_a_no_for_want_of_readings_does_not_stand_beside_now(invented):
    ready = {"dates": {"square": NOW.isoformat()}, "step": "leave"}
    few = judged(invented, **ready, enough_readings=False)
    assert words.step_from(few, "square", NOW) == "after more readings"
    wet = judged(invented, **{**ready, "step": "square"}, enough_readings=False)  # it may stay wet
    assert words.step_from(wet, "square", NOW) == "now"


def test_a_chance_that_falls_short_is_not_told_as_what_is_needed(invented):
    short = judged(invented, probability={"square": 0.949, "rough out": 0.899}, needed=0.95, wanted=0.9)
    assert words.sure(short, "square") == "just under 95 %"
    assert words.sure(short, "rough out") == "just under 90 %"
    assert not words.sure(short, "polish")


def test_roughing_out_that_gains_nothing_is_no_word_about_the_years_to_come(invented):
    gains = judged(invented, dates={"rough out": None, "square": None}, probability={"rough out": 0.0})
    assert words.step_from(gains, "rough out", NOW) == "not today"
    assert not words.sure(gains, "rough out")
    assert words.step_from(gains, "square", NOW) == "not within two years"


def test_a_small_moisture_keeps_a_digit():
    assert words.span(31.2, 27.1, 36.0) == "31 % (27 to 36)"
