from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models.errors import OutOfRange
from baulk.models.quantity import AT_DEPTH, SIZES, UNITS, Owner, Quantity
from baulk.models.reading import MEASURED_ALONG, Reading, Series
from baulk.models.section import Face

NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)

SERIES = st.builds(
    lambda owner, name, quantity, depth, face, end: Series(
        owner=owner,
        name=name,
        quantity=quantity,
        depth_mm=depth if quantity in AT_DEPTH else None,
        face=face if quantity in AT_DEPTH or face in MEASURED_ALONG.get(quantity, ()) else None,
        from_end_mm=end if quantity in SIZES else None,
    ),
    owner=st.sampled_from(Owner),
    name=st.from_regex(r"\A[A-Za-z0-9][A-Za-z0-9._-]{0,20}\Z"),
    quantity=st.sampled_from(Quantity),
    depth=st.integers(1, 9990).map(lambda tenths: tenths / 10),
    face=st.none() | st.sampled_from(Face),
    end=st.none() | st.floats(0, 99_999),
)


@given(SERIES)
def test_a_series_reads_back_from_its_text(series):
    assert Series.parse(str(series)) == series


def test_a_series_is_written_as_on_the_wire():
    pin = Series(owner=Owner.TIMBER, name="FER-03", quantity=Quantity.MOISTURE, depth_mm=45, face=Face.B)
    assert str(pin) == "timber/FER-03/pin-45/b/moisture"


@pytest.mark.parametrize(
    "text", ["", "timber", "timber/T1/pin-x/moisture", "cart/T1/weight", "timber/T1/pin-45/moisture/x"]
)
def test_what_is_no_series_is_refused_in_a_sentence(text):
    with pytest.raises(OutOfRange):
        Series.parse(text)


def test_a_pin_without_depth_is_refused():
    with pytest.raises(OutOfRange, match="needs a depth"):
        Series(owner=Owner.TIMBER, name="T1", quantity=Quantity.RESISTANCE)


def test_a_gauge_has_its_place_in_its_name():
    gauge = Series.parse("timber/FER-03/end-1219.2/a/width")
    assert (gauge.face, gauge.from_end_mm, gauge.depth_mm) == (Face.A, 1219.2, None)
    assert Series.parse("timber/FER-03/d/depth").face is Face.D
    assert str(Series.parse("timber/FER-03/end-0/width")) == "timber/FER-03/end-0/width"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("timber/FER-03/b/width", "along face a or c"),
        ("timber/FER-03/end-300/a/depth", "along face b or d"),
        ("timber/FER-03/end-100000/width", "the distance from an end"),
        ("timber/FER-03/end-300/weight", "looks like"),
    ],
)
def test_a_gauge_where_none_can_be_is_refused(text, words):
    with pytest.raises(OutOfRange, match=words):
        Series.parse(text)


@pytest.mark.parametrize("name", ["", "a b", "a/b", "#", "+", "x" * 65])
def test_a_tag_that_could_not_be_a_topic_is_refused(name):
    with pytest.raises(OutOfRange, match="letters, digits"):
        Series(owner=Owner.TIMBER, name=name, quantity=Quantity.WEIGHT)


def test_a_tag_with_an_accent_is_told_which_letters_it_may_have():
    with pytest.raises(OutOfRange, match="not 'Gr\u00f6\u00dfe-2'; its letters are A to Z, without accents"):
        Series(owner=Owner.TIMBER, name="Gr\u00f6\u00dfe-2", quantity=Quantity.WEIGHT)


def test_a_reading_is_a_finite_number_at_a_known_time():
    weight = Series(owner=Owner.TIMBER, name="T1", quantity=Quantity.WEIGHT)
    assert Reading(series=weight, value=88.5, taken_utc=NOON, arrived_utc=NOON).unit == "kg"
    with pytest.raises(OutOfRange, match="must be a number"):
        Reading(series=weight, value=float("nan"), taken_utc=NOON, arrived_utc=NOON)
    with pytest.raises(OutOfRange, match="time zone"):
        Reading(series=weight, value=1.0, taken_utc=NOON.replace(tzinfo=None), arrived_utc=NOON)


def test_every_quantity_has_one_unit():
    assert set(UNITS) == set(Quantity)
