"""What can be, what is unlikely and what can't be: one check, and its words in either system."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from baulk.models import alike, plausible, sapwood, species, text
from baulk.models.plausible import Level
from baulk.models.reading import Reading, Series
from baulk.models.reason import Reason
from baulk.models.section import Finished, Section
from baulk.models.text import plausible as words
from baulk.models.timber import Timber

NOW = datetime(2026, 5, 14, 9, 30, tzinfo=UTC)
DAY = timedelta(days=1)
OAK = species.get("white oak")
LB = 0.45359237
# 8 x 8 in, 10 ft: 126 litres
SQUARE = Timber(
    tag="WO-1",
    species="white oak",
    section=Section(width_mm=203.2, depth_mm=203.2),
    length_mm=3048,
    finished=Finished(width_mm=152.4, depth_mm=152.4),
    use_class="backbone-above-water",
    place="shed",
    arrived_utc=NOW - 60 * DAY,
)
NARROW = replace(SQUARE, section=Section(width_mm=203.2, depth_mm=184), finished=SQUARE.finished)


def reading(series, value, at=NOW):
    return Reading(series=Series.parse(series), value=value, taken_utc=at, arrived_utc=at, source="hand")


def weight(kg, at=NOW):
    return reading("timber/WO-1/weight", kg, at)


def found(one, *, timber=SQUARE, earlier=(), expected=None):
    wood = OAK if timber is not None else None
    said = plausible.of_reading(one, timber=timber, wood=wood, earlier=earlier, expected=expected)
    return [(each.level.value, each.reason.code.removeprefix("plausible.")) for each in said]


@pytest.mark.parametrize(
    ("one", "level", "code"),
    [
        (weight(1300 * LB), "impossible", "no_such_weight"),
        (weight(10), "impossible", "no_such_weight"),
        (reading("timber/WO-1/pin-45/moisture", 235), "impossible", "pores_full"),
        (reading("timber/WO-1/pin-45/moisture", 0.23), "unlikely", "ratio"),
        (reading("timber/WO-1/pin-45/moisture", 3), "unlikely", "below_meter"),
        (reading("timber/WO-1/pin-45/moisture", 120), "unlikely", "over_scale"),
        (reading("timber/WO-1/pin-45/moisture", 450), "impossible", "beyond"),
        (weight(125, NOW - 365 * DAY), "unlikely", "before_arrival"),
        (weight(60), "unlikely", "odd_weight"),
        (weight(170), "unlikely", "odd_weight"),
        (reading("timber/WO-1/pin-635/moisture", 20), "impossible", "too_deep"),
    ],
)
def test_what_can_hardly_be_is_found_and_what_cannot_be_too(one, level, code):
    assert found(one) == [(level, code)]


def test_pins_are_held_to_the_section_of_this_timber_below_this_face():
    # 184 mm from face a to face c, 203 mm from b to d
    assert found(reading("timber/WO-1/pin-190/a/moisture", 20), timber=NARROW) == [("impossible", "too_deep")]
    assert found(reading("timber/WO-1/pin-190/b/moisture", 20), timber=NARROW) == []
    deep = plausible.of_reading(reading("timber/WO-1/pin-635/moisture", 20), timber=NARROW, wood=OAK)[0]
    assert dict(deep.reason.values) == {"pin_mm": 635, "side_mm": 184}


@pytest.mark.parametrize(
    ("value", "codes"),
    [
        (0.82, [("unlikely", "ratio")]),
        (82, []),
        (0, []),
        (100, []),
        (100.5, [("unlikely", "over_saturated")]),
        (110, [("unlikely", "over_saturated")]),
        (111, [("impossible", "beyond")]),
    ],
)
def test_air_that_looks_like_a_share_of_one_or_holds_more_than_air_can_is_asked_about(value, codes):
    assert found(reading("air/shed/humidity", value), timber=None) == codes


@pytest.mark.parametrize(
    ("share", "apart", "codes"),
    [
        (1.28, DAY, [("unlikely", "heavier")]),
        (1.01, DAY, []),
        (0.7, DAY, [("unlikely", "fast_loss")]),
        (0.97, 10 * DAY, []),
    ],
)
def test_a_weight_is_held_against_the_last_one_before_it(share, apart, codes):
    last = weight(100, NOW - apart)
    later = weight(90, NOW + DAY)
    assert found(weight(100 * share), earlier=[weight(140, NOW - 40 * DAY), last, later]) == codes


@pytest.mark.parametrize(
    ("value", "minutes", "codes"),
    [(23.5, 10, [("unlikely", "twice")]), (23.5, 45, []), (24.0, 10, []), (23.5, 0, [])],
)
def test_the_same_number_again_within_half_an_hour_is_asked_about(value, minutes, codes):
    pins = "timber/WO-1/pin-45/moisture"
    before = reading(pins, 23.5, NOW - timedelta(minutes=minutes))
    other = reading("timber/WO-1/pin-60/moisture", value, NOW - timedelta(minutes=5))
    assert found(reading(pins, value), earlier=[before, other]) == codes


@pytest.mark.parametrize(
    ("value", "codes"),
    [(22.5, []), (12.0, [("unlikely", "far")]), (60.0, [("unlikely", "too_wet")])],
)
def test_a_number_far_from_the_forecast_is_asked_about(value, codes):
    one = reading("timber/WO-1/pin-45/moisture", value)
    assert found(one, expected=(20.0, 22.0, 24.0)) == codes


def test_what_nothing_speaks_against_is_told_beside_what_was_expected():
    pins, last = reading("timber/WO-1/pin-45/moisture", 22.5), weight(100, NOW - DAY)
    told = [
        plausible.hint(pins),
        plausible.hint(pins, expected=(20.0, 22.0, 24.0)),
        plausible.hint(replace(pins, value=40), expected=(27.0, 33.0, 39.0)),
        plausible.hint(weight(99)),
        plausible.hint(weight(99), earlier=[last]),
    ]
    assert [each.code.removeprefix("plausible.") for each in told] == [
        "no_forecast", "as_expected", "wet", "first_weight", "weight_fits",
    ]  # fmt: skip


def test_the_limits_of_a_weight_hold_what_the_handbook_says_of_green_wood():
    # Wood Handbook FPL-GTR-282, Table 4-1: heartwood 64 %, sapwood 78 %; basic density 600 kg/m3 (Table 5-3)
    green_kg = [0.2032**2 * 3.048 * 600 * (1 + mc / 100) for mc in (0, 64, 78, 102)]
    can = plausible.limits(SQUARE, OAK)
    assert can.lightest_kg < 0.7 * green_kg[0] < can.light_kg < green_kg[0]
    assert green_kg[2] < green_kg[3] < can.heavy_kg < can.heaviest_kg < 1300 * LB
    assert can.wettest_pct < 235


@pytest.mark.parametrize(
    ("width", "depth", "length", "found"),
    [
        (203.2, 203.2, 3048, []),
        (8, 8, 3048, [(Level.IMPOSSIBLE, "size"), (None, None)][:1]),
        (203 * 25.4, 178 * 25.4, 9000, [(Level.IMPOSSIBLE, "size")]),
        (20, 60, 2000, [(Level.UNLIKELY, "size")]),
        (203.2, 203.2, 120, [(Level.UNLIKELY, "length")]),
        (203.2, 203.2, 10, [(Level.IMPOSSIBLE, "length")]),
        (203.2, 203.2, 30_000, [(Level.UNLIKELY, "length")]),
    ],
)
def test_sizes_in_another_unit_are_noticed(width, depth, length, found):
    size = min(width, depth) / 2
    piece = replace(
        SQUARE,
        section=Section(width_mm=width, depth_mm=depth),
        length_mm=length,
        finished=Finished(width_mm=size, depth_mm=size),
    )
    said = [(each.level, each.reason.code.removeprefix("plausible.")) for each in plausible.of_timber(piece)]
    assert said == found


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("FER-03", "fer3", True),
        ("FER-03", "Fer 003", True),
        ("FER-1-1", "FER-11", False),
        ("FER-03", "FER-30", False),
        ("FER-03A", "FER-03", False),
    ],
)
def test_a_tag_is_the_same_however_it_is_spelt(one, other, same):
    assert (alike.spelt(one) == alike.spelt(other)) is same


# --- in words

EXPECTED = {"mc_pct": 22.5, "expected_pct": (27.0, 31.2, 36.0), "fsp_pct": 30.0}
HELD = {"last_kg": 96.16, "ago_s": 3 * 86_400.0, "share": 1.28}
SIZE = {"width_mm": 8.0, "depth_mm": 8.0, "low_mm": 12.0, "high_mm": 3000.0}
ENTERED = sapwood.entered(SQUARE, sapwood.green_weight(SQUARE.section, 3048, OAK))
TOLD = {
    "plausible.beyond": (
        {"quantity": "moisture", "value": 900, "unit": "%", "low": 0, "high": 400},
        "0 to 400 %",
    ),
    "plausible.ratio": ({"quantity": "humidity", "value": 0.82, "unit": "%RH"}, "Is 82 %RH meant?"),
    "plausible.below_meter": ({"mc_pct": 3.0}, "below what a pin meter can measure"),
    "plausible.over_scale": ({"mc_pct": 120.0, "most_pct": 100.0}, "beyond the scale"),
    "plausible.over_saturated": ({"rh_pct": 103.0, "most_pct": 100.0}, "no air holds more than 100 %"),
    "plausible.pores_full": ({"mc_pct": 235.0, "most_pct": 173.2, "species": "white oak"}, "173 %"),
    "plausible.no_such_size": (
        {"what": "width", "mm": 28.0, "least_mm": 162.6, "most_mm": 223.5},
        "a width of 1.10 in is none",
    ),
    "plausible.confirmed": ({"by": "Ida"}, "taken as right by Ida"),
    "plausible.past_the_end": (
        {"from_end_mm": 3000.0, "length_mm": 2743.2},
        "beyond the piece, which is 9 ft",
    ),
    "plausible.too_deep": ({"pin_mm": 228.6, "side_mm": 203.2}, "other side: the piece is"),
    "plausible.no_such_weight": (
        {"kg": 589.7, "lightest_kg": 45.0, "heaviest_kg": 184.0, "species": "white oak"},
        "with every pore full",
    ),
    "plausible.odd_weight": (
        {"kg": 66.0, "light_kg": 70.0, "heavy_kg": 155.0, "species": "oak"},
        "usually weighs",
    ),
    "plausible.before_arrival": (
        {"tag": "WO-1", "taken_utc": NOW - 365 * DAY, "arrived_utc": NOW},
        "dated 14 May 2025, before WO-1 arrived on 14 May 2026",
    ),
    "plausible.twice": ({"taken_utc": NOW}, "entered twice?"),
    "plausible.no_forecast": ({}, "No forecast yet"),
    "plausible.as_expected": (EXPECTED, "The forecast expects 31 % (27 to 36) there."),
    "plausible.far": (EXPECTED, "far from 22.5 %"),
    "plausible.wet": (EXPECTED, "a meter means 'at least'"),
    "plausible.too_wet": (EXPECTED, "Check for a wet surface"),
    "plausible.first_weight": ({}, "The first weight"),
    "plausible.weight_fits": (HELD, "3 days before."),
    "plausible.heavier": (HELD, "this is 28 % more: a drying timber gets no heavier"),
    "plausible.fast_loss": (HELD, "a cut begins a new series"),
    "plausible.length": ({"length_mm": 254.0, "low_mm": 100.0, "high_mm": 6e4, "side_mm": 203.0}, "unusual"),
    "plausible.heavy_tare": ({"kg": 200.0, "most_kg": 155.0, "tag": "WO-1"}, "more than WO-1 itself"),
    "plausible.odd_measure": ({"what": "bow_mm", "size_mm": 152.4, "usual_mm": 61.0}, "The bow of"),
    "plausible.odd_side": ({"what": "width", "now_mm": 170.0, "green_mm": 203.2}, "far below"),
    "timber.spelt_alike": (
        {"tag": "fer3", "tags": ("FER-03",), "species": "white oak", "arrived_utc": NOW},
        "fer3 is spelt almost like FER-03, which is in the register since 14 May 2026",
    ),
    "timber.entered_before": (
        {"tag": "FER-09", "tags": ("FER-03", "FER-04"), "species": "white oak", "arrived_utc": NOW},
        "FER-03 and FER-04 are of the same wood and size",
    ),
    "place.new": ({"place": "lofft", "known": ("loft", "shed")}, "lofft is a new place; not loft?"),
    "timber.entered": (
        dict(sapwood.entered(SQUARE, sapwood.green_weight(SQUARE.section, 3048, OAK)).values),
        "green",
    ),
}


@pytest.mark.parametrize("code", TOLD)
def test_each_code_is_told_in_either_system_and_never_in_both(code):
    values, part = TOLD[code]
    stored = json.loads(json.dumps(Reason(code=code, values=values).to_json()))
    inch, metric = (text.sentence(Reason.from_json(stored), system) for system in ("inch", "metric"))
    assert part in inch
    assert not re.search(r"\d (mm|kg|m)\b", inch)
    assert not re.search(r"\d (in|lb|ft)\b", metric)


def test_every_code_stands_in_the_table_above():
    assert {*TOLD, "plausible.size"} == set(words.SENTENCES)


def test_a_size_of_another_unit_offers_the_one_that_is_meant():
    eight = {"low_mm": 12.0, "high_mm": 3000.0}
    metric = text.sentence(Reason(code="plausible.size", values={**SIZE}), "metric")
    assert metric.endswith('a side measures 12 mm to 3000 mm. Did you mean "8 x 8 in"?')
    inch = {**eight, "width_mm": 203 * 25.4, "depth_mm": 178 * 25.4}
    assert 'Did you mean "203 x 178 mm"?' in text.sentence(Reason(code="plausible.size", values=inch), "inch")
    neither = {**eight, "width_mm": 1.0, "depth_mm": 300.0}
    assert "Did you mean" not in text.sentence(Reason(code="plausible.size", values=neither), "metric")


def test_a_timber_is_said_back_as_it_was_understood():
    said = sapwood.entered(SQUARE, sapwood.green_weight(SQUARE.section, 3048, OAK))
    assert re.fullmatch(
        r"WO-1: white oak, 8 x 8 in green, 6 x 6 in finished, 10 ft, about 2\d\d lb",
        text.sentence(said, "inch"),
    )
    assert "203 x 203 mm green, 152 x 152 mm finished, 3.05 m, about 12" in text.sentence(said, "metric")
