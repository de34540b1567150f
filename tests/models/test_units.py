from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import units
from baulk.models.errors import BaulkError, OutOfRange

# the inch is 25.4 mm, the foot 304.8 mm and the pound 0.45359237 kg exactly (international agreement of 1959)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("7 3/4", 196.85),
        ('7-3/4"', 196.85),
        ("7 3/4 in", 196.85),
        ("7 - 3/4 inches", 196.85),
        ("7¾", 196.85),
        ("7 ¾ in.", 196.85),
        ("7\u200a3\u20444\u2033", 196.85),
        ("7¾\u201d", 196.85),
        ("⅞", 22.225),
        ("3/4", 19.05),
        ("8 in", 203.2),
        ("8''", 203.2),
        (".5 in", 12.7),
        ("8ft", 2438.4),
        ("8'", 2438.4),
        ("8\u2032 6\u2033", 2590.8),
        ("8' 6\"", 2590.8),
        ("8 ft 6 1/2 in", 2603.5),
        ("8 ft 6-1/2", 2603.5),
        ("197 mm", 197),
        ("197MM", 197),
        ("19.7 cm", 197),
        ("2.4 m", 2400),
        ("  2.4  metres ", 2400),
    ],
)
def test_a_length_is_read_as_people_write_it(text, mm):
    assert units.length_mm(text) == pytest.approx(mm, abs=1e-6)


def test_a_bare_number_takes_the_unit_of_the_place_it_was_typed_in():
    assert units.length_mm("8", bare="in") == 203.2
    assert units.length_mm("203", bare="mm") == 203
    assert units.length_mm("7 3/4", bare="mm") == 196.85, "a fraction means inches everywhere"
    assert units.length_mm("8 in", bare="mm") == 203.2, "a unit that is there wins"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("8", "the length '8' needs its unit behind it: in, ft, mm, cm or m"),
        ("8 furlongs", "has the unknown unit 'furlongs'; use in, ft, mm, cm or m"),
        ("7 3/4 mm", "with a fraction is in inches, not '7 3/4 mm'"),
        ("7 3/0", "a fraction can't be divided by 0: '7 3/0'"),
        ("-3 in", "must be above 0, not -3 in"),
        ("0 mm", "must be above 0, not 0 mm"),
        ("1,200 mm", "a decimal point and no thousands mark, not '1,200 mm'"),
        ("eight inches", 'looks like "7 3/4 in", "8 ft" or "197 mm", not \'eight inches\''),
        ("7 3 in", "looks like"),
        ("1e3 mm", "looks like"),
        ("nan mm", "looks like"),
        ("", "looks like"),
    ],
)
def test_what_is_not_a_length_is_refused_in_a_sentence(text, says):
    with pytest.raises(OutOfRange) as caught:
        units.length_mm(text)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("text", "pct"), [("50", 50), ("50%", 50), ("62.5 %", 62.5), (" 0 ", 0), ("-3", -3), (".5", 0.5)]
)
def test_a_percentage_is_read_with_or_without_its_sign(text, pct):
    assert units.percent(text, "the humidity") == pct


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("50,5", "a decimal point and no thousands mark, not '50,5'"),
        ("half", "the humidity is a number in percent, such as 62 or 62.5, not 'half'"),
        ("nan", "is a number in percent"),
        ("50 kg", "is a number in percent"),
        ("", "is a number in percent"),
    ],
)
def test_what_is_no_percentage_is_refused_in_a_sentence(text, says):
    with pytest.raises(OutOfRange) as caught:
        units.percent(text, "the humidity")
    assert says in str(caught.value)


def test_the_place_of_a_pith_may_be_zero_or_negative():
    assert units.length_mm("-1/2 in", signed=True) == -12.7
    assert units.length_mm("\u221212 mm", signed=True) == -12
    assert units.length_mm("0 mm", signed=True) == 0


@pytest.mark.parametrize(
    ("text", "size"),
    [
        ("8 x 7 in", (203.2, 177.8)),
        ("8x7in", (203.2, 177.8)),
        ("203x178 mm", (203, 178)),
        ("203 mm x 178 mm", (203, 178)),
        ("203 mm x 178", (203, 178)),
        ("7 3/4 \u00d7 7 1/2", (196.85, 190.5)),
        ('8" x 7"', (203.2, 177.8)),
        ("8 by 7 in", (203.2, 177.8)),
        ("8 * 7-1/4", (203.2, 184.15)),
    ],
)
def test_a_size_is_read_as_people_write_it(text, size):
    assert units.size_mm(text) == pytest.approx(size, abs=1e-6)


def test_two_bare_numbers_take_the_unit_of_the_place_they_were_typed_in():
    assert units.size_mm("8 x 7", bare="in") == (203.2, 177.8)
    with pytest.raises(OutOfRange, match="needs its unit behind it"):
        units.size_mm("8 x 7")


@pytest.mark.parametrize("text", ["8 in", "8 x 7 x 6 in", "x 7 in", "8 x", "", "8 - 7 in"])
def test_what_is_not_two_lengths_is_refused_in_a_sentence(text):
    with pytest.raises(OutOfRange, match=r"looks like"):
        units.size_mm(text)


@pytest.mark.parametrize(
    ("text", "celsius"),
    [
        ("68F", 20),
        ("20C", 20),
        ("20 C", 20),
        ("68 °F", 20),
        ("20 degC", 20),
        ("20 degrees Celsius", 20),
        ("-40f", -40),
        ("\u22125 °C", -5),
        ("+5 c", 5),
        ("32 fahrenheit", 0),
    ],
)
def test_a_temperature_is_read_in_either_unit(text, celsius):
    assert units.temperature_c(text) == pytest.approx(celsius, abs=1e-12)


def test_a_bare_temperature_takes_the_unit_of_the_place_it_was_typed_in():
    assert units.temperature_c("68", bare="F") == pytest.approx(20)
    assert units.temperature_c("20", bare="C") == 20


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("20", "the temperature '20' needs its unit behind it: C or F"),
        ("20K", "has the unknown unit 'k'; use C or F"),
        ("-300C", "lies below absolute zero; check its unit"),
        ("warm", 'looks like "68F" or "20C", not \'warm\''),
        ("", "looks like"),
    ],
)
def test_what_is_not_a_temperature_is_refused_in_a_sentence(text, says):
    with pytest.raises(OutOfRange) as caught:
        units.temperature_c(text)
    assert says in str(caught.value)


def test_a_mass_is_read_in_either_unit():
    assert units.mass_kg("96 kg") == 96
    assert units.mass_kg("212 lb") == pytest.approx(96.16158244)
    assert units.mass_kg("8 oz") == pytest.approx(0.226796185)
    assert units.mass_kg("2 pounds") == pytest.approx(0.90718474)
    assert units.mass_kg("212", bare="lb") == units.mass_kg("212 lbs")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("96", "the weight '96' needs its unit behind it: kg or lb"),
        ("15 stone", "has the unknown unit 'stone'; use kg or lb"),
        ("0 kg", "must be above 0, not 0 kg"),
        ("-5 lb", "must be above 0, not -5 lb"),
        ("heavy", "looks like"),
    ],
)
def test_what_is_not_a_mass_is_refused_in_a_sentence(text, says):
    with pytest.raises(OutOfRange) as caught:
        units.mass_kg(text)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("mm", "inch", "metric"),
    [
        (196.85, "7 3/4 in", "197 mm"),
        (203.2, "8 in", "203 mm"),
        (12.7, "1/2 in", "13 mm"),
        (2.4, "1/8 in", "2.4 mm"),
        (5.0, "3/16 in", "5 mm"),
        (9.97, "3/8 in", "10 mm"),
        (-3.0, "-1/8 in", "-3 mm"),
        (0.3, "0 in", "0.3 mm"),
        (-0.01, "0 in", "0 mm"),
        (25.3, "1 in", "25 mm"),
        (math.nan, "-", "-"),
    ],
)
def test_a_length_is_shown_to_the_nearest_sixteenth_or_millimetre(mm, inch, metric):
    assert (units.show_length(mm, "inch"), units.show_length(mm, "metric")) == (inch, metric)


def test_sizes_temperatures_and_masses_are_shown_in_the_chosen_system():
    assert units.show_size(203.2, 177.8, "inch") == "8 x 7 in"
    assert units.show_size(203, 178, "metric") == "203 x 178 mm"
    assert units.show_temperature(20, "F") == units.show_temperature(20, "inch") == "68 °F"
    assert units.show_temperature(20.4, "C") == units.show_temperature(20.4, "metric") == "20 °C"
    assert units.show_mass(96.2, "inch") == "212 lb"
    assert units.show_mass(96.2, "metric") == "96 kg"
    assert units.show_mass(4.56, "metric") == "4.6 kg"


def test_a_gap_is_shown_as_a_dash():
    assert {
        units.show_length(math.nan, "inch"),
        units.show_size(math.nan, math.nan, "metric")[-1],
        units.show_temperature(math.nan, "C"),
        units.show_mass(math.inf, "inch"),
    } == {"-"}


@given(sixteenths=st.integers(min_value=1, max_value=16 * 1000))
def test_a_shown_length_in_inches_reads_back_as_itself(sixteenths):
    mm = sixteenths * 25.4 / 16
    assert units.length_mm(units.show_length(mm, "inch")) == pytest.approx(mm, abs=1e-6)


@given(mm=st.floats(min_value=0.1, max_value=20_000))
def test_a_shown_length_in_millimetres_is_within_half_its_last_digit(mm):
    off = abs(units.length_mm(units.show_length(mm, "metric")) - mm)
    assert off <= (0.5 if mm >= 9.95 else 0.05) + 1e-9


@given(text=st.text(max_size=20))
def test_any_text_is_a_quantity_or_a_sentence(text):
    for read in (units.length_mm, units.size_mm, units.temperature_c, units.mass_kg):
        try:
            read(text)
        except BaulkError as err:
            assert len(str(err)) > 20  # noqa: PT017 (the text may just as well be right)


@pytest.mark.parametrize(
    ("text", "place"),
    [("1 x -4 in", (25.4, -101.6)), ("0 x 0", (0, 0)), ("-1/2 in \u00d7 12 mm", (-12.7, 12))],
)
def test_a_place_in_the_section_is_read_right_and_up(text, place):
    assert units.offset_mm(text, bare="mm") == pytest.approx(place)


def test_one_number_is_no_place():
    with pytest.raises(OutOfRange, match="the pith looks like '1 x -4 in'"):
        units.offset_mm("4 in", what="the pith")


@pytest.mark.parametrize(
    ("spread_mm", "inch", "metric"),
    [(0.0, "7 13/16 in", "199 mm"), (1.9, "7 13/16 in", "199 mm"), (3.0, "7 13/16 in", "198 mm"),
     (3.5, "7 7/8 in", "198 mm"), (5.0, "7 7/8 in", "200 mm"), (7.0, "7 3/4 in", "200 mm"),
     (30.0, "7 3/4 in", "200 mm")],
)  # fmt: skip
def test_a_length_is_told_to_the_fraction_that_it_is_known_to(spread_mm, inch, metric):
    mm = 7.82 * 25.4  # 198.6
    assert units.show_length(mm, "inch", spread_mm) == inch
    assert units.show_length(mm, "metric", spread_mm) == metric
    assert units.show_size(mm, mm, "inch", (spread_mm, 0.0)) == f"{inch.removesuffix(' in')} x 7 13/16 in"
