"""The green size: its shrinkage against printed coefficients, its sum against the model's own."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from baulk.models import shrinkage, species, use_class
from baulk.models.allowance import engine
from baulk.models.errors import OutOfRange
from baulk.models.plan.sawing import allowance
from baulk.models.plan.sawing.order import Order
from baulk.models.section import Section

OAK = species.get("white oak")
ABOVE = use_class.get("backbone-above-water")
SIX = Order(width_mm=152.4, depth_mm=152.4, length_mm=3048)
PRINTED = [
    row
    for row in csv.DictReader(
        (Path(__file__).parents[1] / "reference/dimension-coefficients.csv").read_text().splitlines()
    )
    if row["species_or_row"]
    in {"Ash, white", "Tamarack", "Beech, American", "Walnut, black", "Cherry, black"}
]
NAMES = {
    "Ash, white": "white ash",
    "Tamarack": "tamarack",
    "Beech, American": "American beech",
    "Walnut, black": "black walnut",
    "Cherry, black": "black cherry",
}


def term(plan, name):
    return next(each for each in plan.terms if each.name == name)


def test_a_board_foot_is_144_cubic_inches():
    # definition: 1 ft x 1 ft x 1 in; 8 x 8 in x 8 ft is 42 2/3
    assert allowance.board_feet(304.8, 25.4, 304.8) == pytest.approx(1, rel=1e-12)
    assert allowance.board_feet(203.2, 203.2, 8 * 304.8) == pytest.approx(128 / 3, rel=1e-12)


def test_five_rows_of_coefficients_are_compared():
    assert len(PRINTED) == 5


@pytest.mark.parametrize("row", PRINTED, ids=lambda row: row["species_or_row"])
def test_far_from_the_pith_the_allowance_is_the_printed_coefficient(row):
    # Wood Handbook Table 13-5 (FPL-GTR-190 p. 13-16), on the dimension at 10 %, three digits printed. With
    # the pith a mile below, the rings lie along the width: the width is tangential, the depth radial.
    wood = species.get(NAMES[row["species_or_row"]])
    section = Section(width_mm=152.4, depth_mm=152.4, pith_y_mm=-1.6e6)
    (across, up), shape = engine.uses_up(engine.moves(section, wood, 14.0, 6.0))
    for lost, coefficient, total in (
        (across, row["CT_per_pct"], wood.shrinkage_tangential_pct),
        (up, row["CR_per_pct"], wood.shrinkage_radial_pct),
    ):
        shrunk = shrinkage.free_pct(np.array([10.0, 14.0]), total, 30) / 100
        at_10_pct_mm = 152.4 * (1 - shrunk[0]) / (1 - shrunk[1])  # 6 in as it is sawn, at 14 %
        assert lost == pytest.approx(float(coefficient) * 8 * at_10_pct_mm, rel=0.004)
    assert shape == pytest.approx(0, abs=0.01)


def test_the_terms_add_up_to_the_size_and_the_size_is_on_the_mills_step():
    plan = allowance.size(replace(SIX, step_mm=6.35, length_step_mm=304.8), OAK, ABOVE)
    assert sum(each.width_mm for each in plan.terms) + 152.4 == pytest.approx(plan.needed_width_mm, abs=0.02)
    assert sum(each.depth_mm for each in plan.terms) + 152.4 == pytest.approx(plan.needed_depth_mm, abs=0.02)
    assert plan.green.width_mm / 6.35 == pytest.approx(round(plan.green.width_mm / 6.35))
    assert 0 <= plan.green.width_mm - plan.needed_width_mm < 6.35
    assert plan.green_length_mm == pytest.approx(11 * 304.8)


def test_a_boxed_heart_is_alike_both_ways_and_checks_and_a_free_one_does_not_check():
    boxed = allowance.size(SIX, OAK, ABOVE)
    assert term(boxed, "shrinkage").width_mm == pytest.approx(term(boxed, "shrinkage").depth_mm, rel=1e-6)
    assert boxed.check_mm > 5
    assert (
        next(each for each in boxed.cautions if each.code == "caution.boxed_heart").values["check_mm"]
        == boxed.check_mm
    )
    free = allowance.size(replace(SIX, placement="free"), OAK, ABOVE)
    assert free.check_mm == 0
    assert term(free, "shrinkage").width_mm > term(free, "shrinkage").depth_mm  # rings lie along the width
    assert free.faces[0].tangential_share > 0.8


@pytest.mark.parametrize("side", [50.0, 152.4, 300.0])
def test_more_confidence_never_gives_a_smaller_size(side):
    needs = [
        allowance.needed(
            Order(width_mm=side, depth_mm=side, length_mm=2000, confidence=each), OAK, ABOVE
        ).width_mm
        for each in (0.5, 0.6, 0.8, 0.9, 0.99)
    ]
    assert needs == sorted(set(needs))


def test_the_scatter_holds_the_confidence_asked_for():
    # pieces drawn with the spread that the plan says, each settling somewhere in the middle half of 16 to
    # 22 %, must hold the finished size that often
    plan, rng = allowance.size(SIX, OAK, ABOVE), np.random.default_rng(3)
    vary = 1 + shrinkage.PIECES_VARY * rng.standard_normal(200_000)
    service = rng.uniform(17.5, 20.5, 200_000)
    lost = term(plan, "shrinkage").width_mm + term(plan, "distortion").width_mm
    drier, wetter = (
        float(engine.uses_up(engine.moves(plan.green, OAK, 64.0, each))[0][0]) for each in (18.0, 20.0)
    )
    off = (19.0 - service) * (drier - wetter) / 2
    room = lost + term(plan, "scatter").width_mm
    assert np.mean(vary * lost + off <= room) == pytest.approx(0.9, abs=0.005)


def test_a_wane_adds_only_what_the_rest_does_not_clear():
    bare = allowance.size(SIX, OAK, ABOVE)
    rest = sum(each.width_mm + each.depth_mm for each in bare.terms) / 2
    assert term(allowance.size(replace(SIX, wane_mm=5), OAK, ABOVE), "wane").width_mm == 0
    assert term(allowance.size(replace(SIX, wane_mm=rest + 4), OAK, ABOVE), "wane").width_mm == pytest.approx(
        4, abs=0.5
    )


def test_a_keel_in_the_water_needs_nothing_for_shrinkage_and_may_be_sawn_at_once():
    plan = allowance.size(SIX, OAK, use_class.get("backbone-immersed"))
    assert term(plan, "shrinkage").width_mm == 0
    now = next(each for each in plan.would_change if each.code == "sawing.saw_to_size_now")
    assert now.values == {
        "moves_mm": plan.squared_green_mm,
        "change_mm": plan.squared_change_mm,
        "tolerated_mm": plan.tolerated_mm,
    }


def test_the_shops_own_bow_takes_the_place_of_custom():
    own = allowance.size(replace(SIX, bow_mm=0.0, crook_mm=3.0), OAK, ABOVE)
    assert term(own, "bow").depth_mm == 0
    assert term(own, "crook").width_mm == 3
    assert term(own, "crook").mark == "measured"
    assert term(allowance.size(SIX, OAK, ABOVE), "bow").mark == "common practice"


def test_the_weight_of_an_8_by_8_of_white_oak_is_the_handbooks():
    # 8 x 8 in x 8 ft at 64 %: 0.1007 m3 x 600 kg/m3 x 1.64 = 99.1 kg (Gb 0.60, Wood Handbook FPL-GTR-282)
    plan = allowance.size(replace(SIX, start_pct=64, width_mm=178, depth_mm=178, length_mm=2400, trim_mm=0,
                                  step_mm=203.2 / 32, length_step_mm=609.6), OAK, ABOVE)  # fmt: skip
    assert (plan.green.width_mm, plan.green_length_mm) == (pytest.approx(203.2), pytest.approx(2438.4))
    assert plan.mass_kg == pytest.approx(99.1, abs=0.05)
    assert plan.volume_m3 == pytest.approx(0.1007, abs=5e-5)
    assert plan.board_feet == pytest.approx(42.667, abs=1e-3)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"width_mm": 1500}, "the largest log"),
        ({"width_mm": float("nan")}, "the largest log"),
        ({"length_mm": 90_000}, "lies between 50 mm and 30 m"),
        ({"confidence": 1.0}, "confidence lies between"),
        ({"kerf_mm": -1}, "the kerf lies between 0"),
        ({"wane_mm": 500}, "the wane lies between 0"),
        ({"placement": "middle"}, "boxed, free or offset"),
        ({"step_mm": 0}, "the mill's steps"),
        ({"start_pct": -3}, "moisture content lies"),
        ({"trim_mm": 1e5}, "the trim lies"),
    ],
)
def test_an_impossible_wish_is_a_sentence(change, says):
    with pytest.raises(OutOfRange, match=says):
        replace(SIX, **change)


def test_a_green_piece_that_no_log_gives_is_a_sentence():
    with pytest.raises(OutOfRange, match="more than any log gives"):
        allowance.size(Order(width_mm=1180, depth_mm=1180, length_mm=3000), OAK, ABOVE)


def test_the_plan_answers_in_codes_and_millimetres():
    plan = allowance.size(replace(SIX, step_mm=6.35, length_step_mm=304.8), OAK, ABOVE)
    saw, gives, amount = plan.lines()
    assert (saw.code, gives.code, amount.code) == ("sawing.order", "sawing.gives", "sawing.amount")
    assert saw.values["width_mm"] == pytest.approx(177.8)
    assert saw.values["length_mm"] == pytest.approx(11 * 304.8)
    assert (gives.values["width_mm"], gives.values["confidence"]) == (152.4, 0.9)
    assert amount.values["mass_kg"] < amount.values["heavy_kg"]


def test_other_choices_are_worked_out_in_millimetres():
    plan = allowance.size(SIX, OAK, ABOVE)
    other = {each.code: each.values for each in plan.would_change}
    half, straight = other["sawing.half_of_the_pieces"], other["sawing.straight"]
    assert half["width_mm"] < plan.needed_width_mm
    assert straight["depth_mm"] < plan.needed_depth_mm
    assert other["sawing.other_heart"]["heart"] == "free"
    assert other["sawing.driest_service"]["width_mm"] > plan.needed_width_mm
    assert {each.code for each in plan.assumptions} == {
        "sawing.moisture", "sawing.pieces_vary", "sawing.no_creep", "sawing.usual_bow",
    }  # fmt: skip
