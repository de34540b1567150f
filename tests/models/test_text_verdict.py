"""The words of a verdict and of the next reading: every code, in both systems of units."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from prose import LATER, WHEN, hold, said

from baulk.models import use_class
from baulk.models.text import changes, next_reading, verdict

SPAN = (38.2, 42.0, 47.6)
MOVED = {"movement_mm": (3.1, 4.2, 5.5), "change_mm": (-2.4, -1.3, -0.6)}
SIZE = {"width_mm": 152.4, "depth_mm": 101.6}
TAKE = {"kind": "weight", "depth_mm": None, "of": "date", "less_share": 0.21, "least_share": 0.05,
        "why_not": None, "or_weigh": False, "sd_days": 40.2, "sd_then_days": 31.8}  # fmt: skip
LEFT = {"wanted": 0.9, "size_width_mm": 171.5, "size_depth_mm": 171.5, "largest_width_mm": 149.3,
        "largest_depth_mm": 149.3}  # fmt: skip
PINS = {**TAKE, "kind": "pins", "depth_mm": 45.0}
BY_MM = {"of": "movement", "sd_mm": 0.8, "sd_then_mm": 0.6}

STAGE = {"what": "build", "probability": 0.12, "needed": 0.95, "sure_utc": LATER, "sure_today": False,
         "spread_days": 45.0, "limit_mm": 2.5, "limit_pct": None, "build_days": 365.0,
         "horizon_days": 728.0}  # fmt: skip
BUILT = {"build_probability": 0.97, "probability": 0.93, "now_probability": 0.12}
PLACE = {"rh_pct": 87.1, "temp_c": 14.0, "mould_rh_pct": 80.0, "ready_days": 240.0, "horizon_days": 728.0}

EXAMPLES = [
    ("verdict.contradiction", {"scale_pct": (52, 57, 61), "pins_pct": (12, 14, 16), "since_utc": WHEN,
                               "weights": 7, "sections": 1, "pins": 7}),
    ("verdict.settle_first", {}),
    ("verdict.few_readings", {"used": 2, "needed": 3}),
    ("verdict.may_stay_wet", {"use": "Keel", "note": "It never shrinks in service."}),
    ("verdict.moves", {**SIZE, **MOVED, "mostly": "cup", "use": "Planking", "tolerance_mm": 1.2}),
    ("verdict.chance_today", {"probability": 0.96}),
    ("verdict.chance_by", {"probability": 0.41, "needed": 0.95, "square_utc": LATER, "spread_days": 45.0}),
    ("verdict.chance_not_reached", {"probability": 0.001, "needed": 0.95, "horizon_days": 728.0}),
    ("verdict.first_yes", {"wanted": 0.9, "needed": 0.95}),
    ("verdict.just_enough", {**SIZE, "out_probability": 0.94, "probability": 0.88, "needed": 0.9}),
    ("verdict.binds", {**STAGE, "yes": False}),
    ("verdict.binds_together", {"probability": 0.93, "needed": 0.95, "same_day": True}),
    ("verdict.binds_together", {"probability": 0.74, "needed": 0.95, "same_day": False}),
    ("verdict.stage", {**STAGE, "what": "mean_limit", "limit_mm": None, "limit_pct": 18.0}),
    ("verdict.too_dry", {"mean_pct": (4.1, 5.0, 6.2), "service_low_pct": 16.0, "service_high_pct": 22.0,
                         "change_mm": (3.2, 4.0, 4.9), "use": "Frame"}),
    ("verdict.drier_than_service", {"service_low_pct": 12.0, "service_high_pct": 20.0,
                                    "change_mm": (-0.2, 0.5, 1.1)}),
    ("verdict.comes_out", {**SIZE, **LEFT, "probability": 0.97}),
    ("verdict.little_left", {**SIZE, **LEFT, "probability": 0.72, "checks_mm": 6.0}),
    ("verdict.no_longer_comes_out", {**SIZE, **LEFT, "probability": 0.02}),
    ("verdict.moisture", {"core_pct": SPAN, "mean_pct": (30.0, 33.4, 36.0)}),
    ("verdict.shrinkage_done", {"done": 0.41, "service_low_pct": 12.0, "service_high_pct": 20.0}),
    ("verdict.left_whole", {"mean_pct": 19.2, "probability": 0.6, "horizon_days": 728.0}),
    ("verdict.roughing_not_ready", {**SIZE, "horizon_days": 728.0, "whole_ready": False}),
    ("verdict.roughing_gains_little", {**SIZE, "gain_days": 1.0}),
    ("verdict.roughing", {**SIZE, "ready_utc": LATER, "spread_days": 12.0, "gain_days": 84.0,
                          "at_least": True,
                          "probability": 0.97}),
    ("verdict.build", {**MOVED, "build_days": 365.0}),
    ("verdict.service_range", {"driest_mm": -4.6, "service_low_pct": 12.0, "wettest_mm": 0.9,
                               "service_high_pct": 20.0, "dry_limit_mm": None, "damp_limit_mm": None}),
    ("verdict.boxed_heart", {"face": "a", "as_likely": "bcd", "depth_mm": 76.2, "kerf": False,
                             "opening_mm": 10.8, "crown_mm": 3.2, "side_lean_mm": 4.3}),
    ("verdict.boxed_heart", {"face": "c", "as_likely": "", "depth_mm": 0.0, "kerf": True, "opening_mm": 10.8,
                             "crown_mm": 3.2, "side_lean_mm": 4.3}),
    ("verdict.boxed_heart", {"face": "b", "as_likely": "", "depth_mm": 20.0, "kerf": False, "check": True,
                             "checked": "b", "opening_mm": 10.8, "crown_mm": 3.2, "side_lean_mm": 4.3}),
    ("verdict.boxed_heart", {"face": "a", "as_likely": "", "depth_mm": 76.2, "kerf": False, "check": False,
                             "checked": "bd", "opening_mm": 10.8, "crown_mm": 3.2, "side_lean_mm": 4.3}),
    ("verdict.use_note", {"note": "Service class 2.", "source": "EN 1995-1-1"}),
    ("checking.no_start", {"species": "teak"}),
    ("checking.past", {}),
    ("checking.margin", {"wanted_pct": 5.12, "tolerated_pct": 3.745, "in_air_pct": 6.3, "board_mm": 50.8,
                         "emc_pct": 19.3, "source": "schedule T3-C1", "species": "white oak",
                         "times_thicker": 3.94}),
    ("checking.ahead_within", {"days": 14, "wanted_pct": 3.12, "probability": 0.12}),
    ("checking.ahead_over", {"days": 14, "wanted_pct": 5.64, "probability": 0.97, "from_utc": LATER}),
    ("checking.stress", {"stress": 0.21, "stress_ahead": 0.44, "days": 14, "depth_mm": 10.0}),
    ("checking.decided_now", {"above_pct": 45.0}),
    ("checking.mostly_over", {"below_pct": 45.0}),
    ("change.allowance", {"allowance_mm": 4.2, "tolerance_mm": 1.8}),
    ("change.allowance_no_help", {"most_pct": 18.0, "probability": 0.03}),
    ("change.allowance_no_help_season", {"season": "damp_season", "probability": 0.03}),
    ("change.uses_today", {"uses": ({"use": "Keel", "may_stay_wet": True},
                                    {"use": "Frame", "may_stay_wet": False})}),
    ("change.uses_sooner", {"uses": ({"use": "Frame", "ready_utc": LATER, "spread_days": 200.0},)}),
    ("change.no_use_sooner", {}),
    ("change.drier_air_not_ready", {"drier_rh_pct": 10.0, "horizon_days": 728.0}),
    ("change.drier_air_no_matter", {"drier_rh_pct": 10.0}),
    ("change.drier_air_later", {"drier_rh_pct": 10.0, "later_days": 30.0}),
    ("change.drier_air_sooner", {"drier_rh_pct": 10.0, "gain_days": 56.0, "at_least": False}),
    ("change.damper_air_not_ready", {"damper_rh_pct": 10.0, "horizon_days": 728.0}),
    ("change.damper_air_no_matter", {"damper_rh_pct": 10.0}),
    ("change.damper_air_later", {"damper_rh_pct": 10.0, "later_days": 30.0}),
    ("change.damper_air_sooner", {"damper_rh_pct": 10.0, "gain_days": 56.0, "at_least": True,
                                  "mould_rh_pct": 80.0}),
    ("change.right_place", PLACE),
    ("change.other_place", {**BUILT, "place": "the loft"}),
    ("change.shop_air", {**BUILT, "rh_pct": 87.1, "temp_c": 14.0, "service_mc_pct": 19.0,
                         "mould_rh_pct": 80.0}),
    ("change.shorter_build", {**BUILT, "build_days": 365.0, "shorter_days": 45.6, "enough": True}),
    ("next_reading.take", PINS),
    ("next_reading.take", {**TAKE, **BY_MM, "why_not": "pins_blind"}),
    ("next_reading.take", {**TAKE, "kind": "core", "why_not": "small_gain", "or_weigh": True}),
    ("next_reading.take", {**TAKE, **BY_MM, "kind": "section", "why_not": "small_gain"}),
    ("next_reading.not_needed", {}),
    ("next_reading.first_weight", {}),
    ("next_reading.none", {"least_share": 0.05}),
    ("next_reading.settle", {"from_end_mm": 522.0}),
    ("next_reading.settle_from_middle", {}),
]  # fmt: skip


@pytest.mark.parametrize(("code", "values"), EXAMPLES)
def test_each_code_is_a_sentence_in_the_readers_units(code, values):
    hold(code, values)


@pytest.mark.parametrize("gain_days", [0.0, 0.4])
def test_roughing_out_that_gains_nothing_is_not_told_with_a_count_of_days(gain_days):
    told = said("verdict.roughing_gains_little", {**SIZE, "gain_days": gain_days})
    assert told.endswith("today would not make it ready any sooner.")


def test_no_code_is_without_an_example():
    assert {code for code, _ in EXAMPLES} == {*verdict.SENTENCES, *changes.SENTENCES, *next_reading.SENTENCES}


def test_how_far_it_would_move_which_way_and_how_sure():
    values = dict(EXAMPLES)["verdict.moves"]
    assert said("verdict.moves", values, "inch") == (
        "Squared today, the finished 6 x 4 in would still move 0.17 in (0.12 to 0.22) until it has settled, "
        "mostly as cup of a face; its size would shrink 0.05 in (0.02 to 0.09). Planking tolerates 0.05 in."
    )
    in_size = {**values, "mostly": "size", "change_mm": (3.1, 4.0, 4.9)}
    assert said("verdict.moves", in_size) == (
        "Squared today, the finished 152 x 102 mm would still swell 4.0 mm (3.1 to 4.9) until it has "
        "settled. Planking tolerates 1.2 mm."
    )
    either = {**in_size, "change_mm": (-0.9, -0.2, 0.4)}
    assert "would still change by -0.2 mm (-0.9 to +0.4) until" in said("verdict.moves", either)
    assert said("verdict.chance_by", dict(EXAMPLES)["verdict.chance_by"]) == (
        "The chance that it meets every condition is 41 % today, and 95 % about January 2028."
    )
    assert said("verdict.chance_not_reached", dict(EXAMPLES)["verdict.chance_not_reached"]) == (
        "The chance that it meets every condition is less than 1 % today; it does not reach 95 % within two "
        "years."
    )


def test_what_binds_is_told_with_its_limit_its_chance_and_its_date():
    binds = {**STAGE, "yes": False}
    assert said("verdict.binds", binds) == (
        "What decides is how far it moves in the shop's air while it is built in (no more than 2.5 mm): 12 % "
        "sure today, 95 % about January 2028."
    )
    never = said("verdict.binds", {**binds, "what": "dry_season", "sure_utc": None})
    assert never.endswith(": 12 % sure today, and not 95 % within two years.")
    assert never.startswith("What decides is how far it will have shrunk by the driest season in service")
    assert said("verdict.binds", {**binds, "yes": True, "probability": 0.96}) == (
        "It meets every condition of its use. The closest is how far it moves in the shop's air while "
        "it is built in (no more than 2.5 mm): 96 % sure today."
    )
    limit = dict(EXAMPLES)["verdict.stage"]
    assert said("verdict.stage", limit).startswith(
        "The mean MC that its use asks for when it is squared (18 % or less): 12 % sure today, "
    )


@pytest.mark.parametrize("probability", [0.9, 0.946, 0.949, 0.9499])
def test_a_no_is_never_told_with_the_number_that_a_yes_needs(probability):
    waits = {"probability": probability, "needed": 0.95, "spread_days": 45.0}
    for code, values in (
        ("verdict.chance_by", {**waits, "square_utc": LATER}),
        ("verdict.chance_not_reached", {**waits, "horizon_days": 728.0}),
        ("verdict.binds", {**STAGE, **waits, "yes": False}),
        ("verdict.stage", {**STAGE, **waits}),
        ("verdict.binds_together", waits),
    ):
        words = said(code, values)
        told = re.search(r"(?:is|: )(.*?) (?:sure )?today", words)
        assert told[1].strip() != "95 %", words
        assert ("just under 95 %" in words) == (probability >= 0.945), words


def test_a_date_is_told_as_surely_as_it_is_known():
    when = {"probability": 0.4, "needed": 0.95, "square_utc": LATER}
    for spread, told in (
        (5.0, "about 9 January 2028"), (15.0, "about early January 2028"), (45.0, "about January 2028"),
        (100.0, "about early 2028"), (200.0, "about 2028"),
    ):  # fmt: skip
        assert said("verdict.chance_by", {**when, "spread_days": spread}).endswith(f"95 % {told}.")


def test_a_timber_too_dry_for_its_use_says_so_and_what_cures_it():
    assert said("verdict.too_dry", dict(EXAMPLES)["verdict.too_dry"]) == (
        "It is too dry for its use: the finished piece has a mean MC of 5 % (4 to 6). Service at 16 to 22 % "
        "would make it swell 4.0 mm (3.2 to 4.9). It needs damper air, or time where it will be used, before "
        "it is squared."
    )
    assert said("change.right_place", PLACE, "inch") == (
        "In air as where it will be used, about 87 % RH at 57 °F, it would most likely be ready in 8 months. "
        "But that is above 80 % RH, where mould can start."
    )
    never = said("change.right_place", {**PLACE, "ready_days": None, "mould_rh_pct": None})
    assert never.endswith("it would most likely not be ready within two years either.")


@pytest.mark.parametrize(("whole", "end"), [(False, "two years either."), (True, "within two years.")])
def test_a_roughed_piece_is_late_too_only_where_the_whole_timber_is(whole, end):
    values = {**dict(EXAMPLES)["verdict.roughing_not_ready"], "whole_ready": whole}
    assert said("verdict.roughing_not_ready", values).endswith(end)


def test_both_ends_of_service_are_told_with_their_way():
    values = dict(EXAMPLES)["verdict.service_range"]
    assert said("verdict.service_range", values).startswith(
        "By its driest season, at 12 %, it would have shrunk 4.6 mm; by its dampest, at 20 %, it would have "
        "swollen 0.9 mm. Its use sets no limit for a season"
    )
    limits = {**values, "dry_limit_mm": 2.5, "damp_limit_mm": 3.0}
    assert said("verdict.service_range", limits).endswith(
        "Its use allows 2.5 mm of shrinkage to its driest season and 3.0 mm of swelling to its dampest "
        "season."
    )


def test_another_build_is_told_with_what_it_gains():
    values = dict(EXAMPLES)["change.shorter_build"]
    assert said("change.shorter_build", values) == (
        "Built in within 7 weeks instead of 12 months, it would be 97 % sure to stay within its tolerance "
        "meanwhile; the chance that it meets every condition would be 93 % instead of 12 %."
    )
    assert said("change.shorter_build", {**values, "enough": False, "build_probability": 0.4}) == (
        "Even built in within 7 weeks, it would be 40 % sure to stay within its tolerance meanwhile."
    )
    same = said("change.shop_air", {**dict(EXAMPLES)["change.shop_air"], "probability": 0.12})
    assert "; the chance that it meets every condition stays 12 %." in same


@pytest.mark.parametrize(
    ("used", "begin"),
    [(0, "There is no usable reading so far, and 3 are needed."),
     (1, "There is only one usable reading so far,"), (2, "There are only 2 usable readings so far,")],
)  # fmt: skip
def test_too_few_readings(used, begin):
    assert said("verdict.few_readings", {"used": used, "needed": 3}).startswith(begin)


def test_a_contradiction_names_what_speaks_against_what():
    assert said("verdict.contradiction", EXAMPLES[0][1]) == (
        "Scale and pins contradict each other: by 7 weights and 1 oven-dry section the mean MC is 57 % (52 "
        "to 61), by 7 pin readings it is 14 % (12 to 16). They cannot both be right since 4 March 2027."
    )


def test_the_margin_is_told_with_boards_and_the_emc_of_the_schedule():
    inch, metric = hold("checking.margin", dict(EXAMPLES)["checking.margin"])
    assert "more than the 3.7 % that boards of 51 mm stand" in metric
    assert "boards of 2 in" in inch
    assert "(air at 19.3 % EMC; schedule T3-C1)" in inch
    assert metric.endswith("compare airs for white oak only: this piece is 4 times as thick as those boards.")
    values = {**dict(EXAMPLES)["checking.margin"], "times_thicker": 1.2}
    assert said("checking.margin", values).endswith("this piece is about as thick as those boards.")


def test_a_risk_ahead_gives_its_day_and_one_of_today_says_so():
    values = dict(EXAMPLES)["checking.ahead_over"]
    later, now = (
        said("checking.ahead_over", values),
        said("checking.ahead_over", {**values, "from_utc": None}),
    )
    assert later.startswith("By ")
    assert "likely to be asked for more than those boards stand" in later
    assert "Raise the humidity before then" in later
    assert now.startswith("Already today it is asked for more")
    assert "Raise the humidity now" in now
    assert "up to 5.6 %." in now


def test_mould_is_told_only_where_the_air_that_would_do_is_damp_enough_for_it():
    values = dict(EXAMPLES)["change.shop_air"]
    assert said("change.shop_air", values).endswith("But that is above 80 % RH, where mould can start.")
    assert said("change.shop_air", {**values, "mould_rh_pct": None}).endswith("instead of 12 %.")


def test_the_next_reading_says_what_to_do_and_what_it_is_worth():
    assert said("next_reading.take", PINS, "inch") == (
        "Drive pins 1 3/4 in below mid-face today. That is expected to reduce the uncertainty of the date on "
        "which it is ready by 21 %: its standard deviation falls from 40 to 32 days."
    )
    blind = said("next_reading.take", {**TAKE, **BY_MM, "why_not": "pins_blind"})
    assert blind.startswith("Weigh it today. ")
    assert "movement to come by 21 %: its standard deviation falls from 0.80 mm to 0.60 mm." in blind
    assert blind.endswith("Pins tell little while the core is above fibre saturation.")
    cut = said("next_reading.take", {**TAKE, "kind": "core", "why_not": "small_gain", "or_weigh": True})
    assert "No pin reading or weight today would reduce it by more than 5 %." in cut
    assert "Without cutting, weigh it now and again in four weeks" in cut
    assert said("next_reading.none", {"least_share": 0.05}).startswith(
        "No reading available today would reduce the uncertainty by more than 5 %."
    )


def test_a_section_that_settles_it_is_sawn_at_a_round_distance():
    assert " section 550 mm from the end that will be offcut," in said(
        "next_reading.settle", {"from_end_mm": 522}
    )
    assert " 500 mm from" in said("next_reading.settle", {"from_end_mm": 500.0})
    assert " 24 in from" in said("next_reading.settle", {"from_end_mm": 522.0}, "inch")


def test_a_use_that_the_tables_know_fits_the_sentences():
    for name in use_class.names():
        use = use_class.get(name)
        assert said("verdict.may_stay_wet", {"use": use.title, "note": use.note}).startswith(use.title)
        note = said("verdict.use_note", {"note": use.note, "source": use.source})
        assert note.startswith("What the trade asks of it: ")
        assert note.endswith(f" Source: {use.source}.")
        assert "{" not in note


def test_a_length_in_a_note_is_in_the_readers_units():
    note = {"note": use_class.get("planking").note, "source": "Peck"}
    assert " over 102 mm in total thickness " in said("verdict.use_note", note)
    assert " over 4 in in total thickness " in said("verdict.use_note", note, "inch")
