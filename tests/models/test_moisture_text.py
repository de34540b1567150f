"""What a moisture meter shows, as people write it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import moisture_text
from baulk.models.errors import OutOfRange


@pytest.mark.parametrize(
    ("typed", "mc_pct", "at_least"),
    [
        ("28.5", 28.5, False),
        ("28,5 %", 28.5, False),
        (" 9% ", 9.0, False),
        (".5", 0.5, False),
        ("OL", 30.0, True),
        ("o.l.", 30.0, True),
        ("0L", 30.0, True),
        ("over", 30.0, True),
        (">30", 30.0, True),
        ("> 27,5 %", 27.5, True),
        (">= 40", 40.0, True),
        ("over 60", 60.0, True),
        ("at least 30", 30.0, True),
        ("30+", 30.0, True),
    ],
)
def test_a_number_is_itself_and_the_end_of_a_scale_is_at_least(typed, mc_pct, at_least):
    found = moisture_text.read(typed)
    assert (found.mc_pct, found.at_least) == (mc_pct, at_least)


@pytest.mark.parametrize("typed", ["", "wet", "28.5.1", "under 6", "-4", "nan", "L0", "3O"])
def test_anything_else_is_refused_with_what_to_write(typed):
    with pytest.raises(OutOfRange, match="OL or >30"):
        moisture_text.read(typed)


def test_a_meter_whose_end_is_known_says_at_least_that():
    assert moisture_text.read("OL", top_pct=60.0).mc_pct == 60.0
    assert moisture_text.read(">30", top_pct=60.0).mc_pct == 30.0


@given(st.floats(min_value=0.1, max_value=399).map(lambda x: round(x, 1)))
def test_a_number_means_the_same_with_and_without_its_sign(value):
    assert moisture_text.read(f"{value} %") == moisture_text.read(f"{value}")
    over = moisture_text.read(f">{value}")
    assert over.at_least
    assert over.mc_pct == moisture_text.read(f"{value}").mc_pct
