"""The words of a fit, of the yard's lessons and of the air: every code, in both systems of units."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from prose import LATER, WHEN, hold, said

from baulk.models.text import calibration, climate, whole_fit, yard
from baulk.models.text.series import called

PINS, WEIGHT, OVEN = (f"timber/FER-07/{each}" for each in ("pin-45/b/moisture", "weight", "oven-dry"))
SHALLOW = "timber/FER-07/pin-25/b/moisture"
SOME = {"series": PINS, "count": 8}
CHANGE = {"from_kg": 60.0, "to_kg": 41.5, "days": 14.0}
OFF = {"off_pct": -12.3, "last_utc": WHEN, "of": 20}
PLANED = {"planed_utc": WHEN, "width_mm": 152.4, "depth_mm": 152.4}
FROM = {"from_width_mm": 177.8, "from_depth_mm": 177.8}
DENSITY = {"series": WEIGHT, "weight_kg": 152.0, "found_kg_m3": (1200.0, 1320.0, 1410.0),
           "species": "white oak", "usual_kg_m3": 600.0, "weights_in": "lb", "like_species": None,
           "like_kg_m3": None}  # fmt: skip

# reasons of a single reading: part of a sentence, and with a series a sentence of their own
CLAUSES = [
    ("calibration.before_arrival", {}),
    ("calibration.in_future", {}),
    ("calibration.near_end", {"what": "pins", "from_end_mm": 400.0, "reach_mm": 612.0}),
    ("calibration.near_end", {"what": "section", "from_end_mm": 400.0, "reach_mm": 612.0}),
    ("calibration.outside_piece", {"depth_mm": 150.0, "size_mm": 120.0}),
    ("calibration.frozen", {"air_c": -6.2}),
    ("calibration.frozen", {"wood_c": -4.0}),
    ("calibration.not_a_moisture", {"error": "the resistance must be above 0 ohm, not -1"}),
    ("calibration.jump", {"from_pct": 20.2, "to_pct": 45.0, "days": 3.0}),
    ("calibration.wet_surface", {"from_pct": 15.0, "to_pct": 24.7}),
    ("calibration.repeated", {}),
    ("calibration.after_step", {}),
    ("calibration.other_kind", {}),
    ("calibration.not_above_tare", {"weight_kg": 5.0}),
    ("calibration.weight_misread", {"weight_kg": 132.3, "beside_kg": 60.0}),
    ("calibration.below_dry_weight", {"weight_kg": 12.0, "least_kg": 31.2}),
    ("calibration.no_weight", {"weight_kg": 0.0}),
    ("calibration.weight_rose", CHANGE),
    ("calibration.weight_fell", {**CHANGE, "most_share": 0.08}),
]
EXAMPLES = [
    ("calibration.weight_fell", {**CHANGE, "most_share": 0.08, "series": WEIGHT, "for_good_since_utc": WHEN}),
    ("calibration.outlier", {**SOME, **OFF}),
    ("calibration.outlier", {**SOME, **OFF, "series": WEIGHT, "count": 1}),
    ("calibration.outlier", {**SOME, **OFF, "series": OVEN}),
    ("calibration.wet_outlier", {**SOME, **OFF, "off_pct": 9.0}),
    ("calibration.drifts", {"series": PINS, "weighed": True, "drift_pct_per_month": 0.41}),
    ("calibration.other_wood", {"series": PINS, "weighed": False, "off_pct": -4.2}),
    ("calibration.one_of_two", {"series": PINS, "instead": SHALLOW, "weighed": True}),
    ("calibration.one_of_two", {"series": PINS, "instead": SHALLOW, "weighed": False}),
    ("calibration.stuck", {"series": PINS, "shown": 23.5, "days": 50, "first_utc": WHEN, "last_utc": LATER}),
    ("calibration.clock", {**SOME, "behind_days": 40.2}),
    ("calibration.all_stepped", {"since_utc": WHEN, "series_count": 3, "off_pct": -8.4}),
    ("calibration.impossible_density", DENSITY),
    ("calibration.no_readings", {}),
    ("calibration.shrinks", {"factor": (0.92, 1.18, 1.31), "sizes": 4}),
    (
        "calibration.size_unlike",
        {
            "what": "width",
            "face": "",
            "at_utc": WHEN,
            "measured_mm": 190.2,
            "foreseen_mm": (194.0, 196.1, 198.0),
        },
    ),
    (
        "calibration.size_unlike",
        {
            "what": "depth",
            "face": "b",
            "at_utc": WHEN,
            "measured_mm": 199.2,
            "foreseen_mm": (194.0, 196.1, 198.0),
        },
    ),
    (
        "calibration.size_near_end",
        {"what": "width", "at_utc": WHEN, "from_end_mm": 51.0, "reach_mm": 402.0, "sizes": 1},
    ),
    (
        "calibration.size_near_end",
        {"what": "depth", "at_utc": WHEN, "from_end_mm": 51.0, "reach_mm": 402.0, "sizes": 4},
    ),
    ("calibration.few_readings", {}),
    ("calibration.one_day", {"read_utc": WHEN}),
    ("calibration.all_saturated", {}),
    ("calibration.no_reading_for", {"days": 65.3, "since_utc": WHEN, "until_utc": LATER}),
    ("calibration.no_reading_for", {"days": 65.3, "since_utc": WHEN, "until_utc": None}),
    ("calibration.size_before_unknown", PLANED),
    ("calibration.planing_not_counted", {**PLANED, **FROM}),
    ("calibration.planed", {**PLANED, **FROM}),
    ("calibration.air_not_measured", {"gaps": 2, "days": 40.0}),
    ("calibration.swapped", {"tags": ("FER-07", "FER-08"), "since_utc": WHEN}),
    ("whole_fit.in_future", {}),
    ("whole_fit.members", {}),
    ("whole_fit.few_readings", {"used": 1}),
    ("whole_fit.stepped", {}),
    ("whole_fit.contradiction", {}),
    ("whole_fit.left_out", {"series": PINS}),
    ("whole_fit.many_updates", {"updates": 10}),
    ("whole_fit.old", {"days": 31.2}),
    ("whole_fit.changed", {}),
    ("whole_fit.outlier", {}),
    ("whole_fit.unusable", {}),
    ("whole_fit.new_weights", {}),
    ("yard.leans_on", {"species": "white oak", "timbers": 23, "near": 9}),
    ("yard.dries_unlike", {"species": "white oak", "timbers": 1, "near": 0}),
    ("yard.forecasts_missed", {"species": "red oak", "compared": 12, "width_share": 0.25}),
    ("yard.forecasts_came_nearer", {"species": "red oak", "compared": 1, "width_share": 0.1}),
    ("yard.wood_dries", {"about": "white oak", "factor": (0.3112, 0.4066, 0.5)}),
    ("yard.place_dries_faces", {"about": "shed", "factor": (1.1, 1.4, 1.9)}),
    ("yard.meter_reads", {"about": "hand-held meter", "off_pct": (0.6, 1.51, 2.4)}),
    ("yard.place_settles", {"about": "shed", "off_pct": (-1.6, -1.0, -0.4)}),
    ("yard.forecasts_widened", {"species": "white oak", "factor": 1.15}),
    ("climate.gaps", {"place": "shed", "gaps": 2, "days": 60.0, "longest_days": 40.0}),
    ("climate.mould", {"place": "shed", "days": 28, "damp_share": 0.4}),
    ("climate.settings_only", {"place": "shed"}),
    ("climate.partly_own", {"place": "shed", "months": 7}),
    ("climate.short_record", {"place": "shed", "months": 2}),
]


@pytest.mark.parametrize(("code", "values"), CLAUSES)
def test_a_reason_of_one_reading_is_a_part_of_a_sentence_and_of_a_series_a_whole_one(code, values):
    clause, _ = hold(code, values, clause=True)
    sentence, _ = hold(code, {**values, **SOME})
    assert sentence.startswith(f"Pins 1 3/4 in deep, face b: 8 readings left out, the last because {clause}.")


@pytest.mark.parametrize(("code", "values"), EXAMPLES)
def test_each_code_is_a_sentence_in_the_readers_units(code, values):
    hold(code, values)


@pytest.mark.parametrize(
    ("code", "values", "words"),
    [("outlier", {"off_pct": 12.3}, "12 points above what the rest says"),
     ("outlier", {"off_pct": -1.2}, "1 point below what the rest says"),
     ("drifts", {}, "its series drifts"), ("other_wood", {}, "its series is of other wood")],
)  # fmt: skip
def test_what_is_said_of_one_reading_of_a_series_that_is_told_elsewhere(code, values, words):
    assert said(f"calibration.{code}", values) == words


def test_no_code_is_without_an_example():
    known = {*calibration.SENTENCES, *whole_fit.SENTENCES, *yard.SENTENCES, *climate.SENTENCES}
    assert {code for code, _ in (*CLAUSES, *EXAMPLES)} == known


def test_a_series_is_called_by_what_it_is_and_where():
    assert called(PINS, "metric") == "pins 45 mm deep, face b"
    assert called("timber/FER-07/pin-45/resistance", "inch") == "pin resistance, 1 3/4 in deep"
    assert called(OVEN, "inch") == "oven-dried section"
    assert called("something else", "inch") == "something else"


def test_one_reading_left_out_is_not_the_last_of_many():
    assert said("calibration.before_arrival", {"series": WEIGHT, "count": 1}) == (
        "Weight: 1 reading left out, because it was taken before the timber arrived."
    )


def test_where_to_look_depends_on_what_was_read():
    pins, weight, oven = (
        said("calibration.outlier", {**SOME, **OFF, "series": each}) for each in (PINS, WEIGHT, OVEN)
    )
    assert pins == (
        "Pins 45 mm deep, face b: 8 of 20 readings left out, the last, of 4 March 2027, 12 points "
        "below what the rest says. Look for a loose pin, a wet surface or a swapped tag."
    )
    assert weight.endswith("Look for a cut, another timber on the scale or a wrong tare.")
    assert oven.endswith("Look for a section too near an end, or of another timber.")


def test_a_weight_that_fell_for_good_opens_a_series():
    inch, metric = hold(*EXAMPLES[0])
    assert metric.startswith("Weight: it fell from 60.0 kg to 41.5 kg within 14 days, faster than its faces")
    assert "from 132.3 lb to 91.5 lb" in inch
    assert metric.endswith("the weights since 4 March 2027 count as a series of their own.")


def test_a_density_that_cannot_be_is_told_with_what_would_explain_it():
    inch, metric = hold("calibration.impossible_density", DENSITY)
    assert "152 kg and its size give a basic density of 1320 kg/m³ (1200 kg/m³ to 1410 kg/m³" in metric
    assert "335 lb and its size give a basic specific gravity of 1.32" in inch
    assert "It would fit if the weights were pounds taken for kilograms. Else look" in metric
    wood = said("calibration.impossible_density", {**DENSITY, "like_species": "ipe", "like_kg_m3": 920.0})
    assert "for kilograms, or if the wood were ipe, with 920 kg/m³." in wood
    none = said("calibration.impossible_density", {**DENSITY, "weights_in": None})
    assert "No wood of the table is like that. Look at the scale" in none


def test_the_yard_says_how_many_timbers_speak():
    oak = {"species": "white oak"}
    assert said("yard.leans_on", {**oak, "timbers": 23, "near": 9}) == (
        "How fast it dries rests on 9 other timbers of its lot and 14 other white oak timbers of this yard."
    )
    one = {**oak, "timbers": 1, "near": 1}
    assert said("yard.leans_on", one) == "How fast it dries rests on 1 other timber of its lot."
    assert said("yard.leans_on", {**oak, "timbers": 23, "near": 0}) == (
        "How fast it dries rests on 23 white oak timbers of this yard."
    )
    parted = said("yard.dries_unlike", {**oak, "timbers": 1, "near": 0})
    assert parted.startswith("It dries unlike 1 white oak timber of this yard, so what that one says counts")


def test_the_yard_says_what_earlier_forecasts_did_to_the_width():
    wider = said("yard.forecasts_missed", {"species": "red oak", "compared": 12, "width_share": 0.25})
    assert wider.startswith("12 earlier forecasts of red oak have missed by more than was to be expected,")
    assert wider.endswith("so this one is 25 % wider.")
    narrower = {"species": "red oak", "compared": 1, "width_share": 0.1}
    assert said("yard.forecasts_came_nearer", narrower) == (
        "One earlier forecast of red oak came nearer than was to be expected, so this one is 10 % narrower."
    )


def test_what_a_yard_has_learned_is_told_with_its_interval():
    words = {code: said(code, values) for code, values in EXAMPLES if "yard." in code}
    assert words["yard.wood_dries"].startswith("White oak of a new lot is expected to dry 0.41 times as fast")
    assert words["yard.meter_reads"] == "Hand-held meter: pins read 1.5 points high (+0.6 to +2.4)."
    assert "brings wood to 1.0 points drier than its air says" in words["yard.place_settles"]


def test_gaps_of_a_places_air_are_counted():
    values = dict(EXAMPLES)["climate.gaps"]
    assert "has 2 gaps of 60 days (the longest 40) since" in said("climate.gaps", values)
    assert "has a gap of 60 days since" in said("climate.gaps", {**values, "gaps": 1})
