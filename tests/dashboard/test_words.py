"""Words and numbers as a person reads them."""

from datetime import UTC, datetime, timedelta

import pytest

from baulk.dashboard import words

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


def test_where_scale_and_pins_contradict_each_other_there_is_no_date():
    assert words.when(None, NOW, contradicted=True) == "unknown"


def test_a_small_moisture_keeps_a_digit():
    assert words.span(31.2, 27.1, 36.0) == "31 % (27 to 36)"
