"""The sentences of the sawing plans, in either system of units."""

from __future__ import annotations

import re

import pytest

from baulk.models import species, text, use_class
from baulk.models.allowance.parts import Wet
from baulk.models.plan.sawing import allowance, place_cut
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.plan.sawing.order import Order
from baulk.models.reason import Reason
from baulk.models.section import Section
from baulk.models.text import sawing

INCHES = re.compile(r"\d (?:in|ft|lb|°F|board feet)\b|inch|foot|feet|pound")
METRES = re.compile(r"\d (?:mm|cm|m|m³|kg|°C)\b|metre")
SIZE = {"width_mm": 177.8, "depth_mm": 177.8}
MOVES = {"moves_mm": 4.318, "change_mm": -2.54, "tolerated_mm": 2.54}
CHOICE = {"count": 1, "heart": "boxed", "when_dry": False}
CURVES = {"part_mm": 50.8, "timber_mm": 25.4, "extra_mm": 25.4}

# code, values, in inches, in metres (None: the same)
SAID = [
    (
        "sawing.order",
        {
            **SIZE,
            "length_mm": 3352.8,
            "species": "white oak",
            "heart": "boxed",
            "needed_width_mm": 173.0,
            "needed_depth_mm": 174.6,
        },
        (
            "Saw or order 7 x 7 in, 11 ft, white oak, heart boxed at the centre (6 13/16 x 6 7/8 in "
            "before rounding up)."
        ),
        (
            "Saw or order 178 x 178 mm, 3.35 m, white oak, heart boxed at the centre (173 x 175 mm "
            "before rounding up)."
        ),
    ),
    (
        "sawing.gives",
        {"width_mm": 152.4, "depth_mm": 152.4, "length_mm": 3606.8, "confidence": 0.9},
        "It gives the finished 6 x 6 in, 11 ft 10 in, with 90 % confidence.",
        "It gives the finished 152 x 152 mm, 3.61 m, with 90 % confidence.",
    ),
    (
        "sawing.amount",
        {"volume_m3": 0.106, "mass_kg": 96.2, "heavy_kg": 115.4},
        "It is 45 board feet and weighs 212 lb green, up to 254 lb from a dense tree or with much sapwood.",
        "It is 0.106 m³ and weighs 96 kg green, up to 115 kg from a dense tree or with much sapwood.",
    ),
    (
        "sawing.moisture",
        {
            "start_pct": 64.0,
            "squared_pct": 19.0,
            "use": "Backbone above the water",
            "service_low_pct": 16.0,
            "service_high_pct": 22.0,
        },
        (
            "Sawn at 64 % MC and squared once it is evenly at 19 %, the middle of the service range of "
            "backbone above the water (16 to 22 %)."
        ),
        None,
    ),
    (
        "sawing.pieces_vary",
        {"sd_share": 0.15, "confidence": 0.9},
        (
            "The shrinkage of single pieces has a standard deviation of 15 % about their species (Wood "
            "Handbook chapter 4, from memory). With this allowance 90 % of the pieces hold the size, as"
            " far as shrinkage decides."
        ),
        None,
    ),
    (
        "sawing.no_creep",
        {},
        "Creep is left out; it makes the real piece distort a little less.",
        None,
    ),
    (
        "sawing.usual_bow",
        {"bend_mm": 6.35, "confidence": 0.9, "timbers": 0},
        (
            "Bow or crook nobody has measured is taken as 1/4 in, within which 90 % of such pieces stay "
            "(common practice, no source). Knots, sapwood edges and spiral grain can bend a timber much more."
        ),
        (
            "Bow or crook nobody has measured is taken as 6.3 mm, within which 90 % of such pieces stay "
            "(common practice, no source). Knots, sapwood edges and spiral grain can bend a timber much more."
        ),
    ),
    (
        "sawing.pith_beyond",
        {"beyond_mm": 25.4},
        "The pith lies 1 in beyond face c of the green piece.",
        "The pith lies 25 mm beyond face c of the green piece.",
    ),
    (
        "sawing.other_heart",
        {**SIZE, "heart": "free"},
        "Free of heart, it needs 7 x 7 in.",
        "Free of heart, it needs 178 x 178 mm.",
    ),
    (
        "sawing.driest_service",
        {**SIZE, "mc_pct": 16.0},
        "Dried to the driest of its service, 16 % MC, before it is squared, it needs 7 x 7 in.",
        "Dried to the driest of its service, 16 % MC, before it is squared, it needs 178 x 178 mm.",
    ),
    (
        "sawing.half_of_the_pieces",
        SIZE,
        "For half of the pieces 7 x 7 in is enough.",
        "For half of the pieces 178 x 178 mm is enough.",
    ),
    (
        "sawing.straight",
        SIZE,
        "A timber that stays straight needs 7 x 7 in.",
        "A timber that stays straight needs 178 x 178 mm.",
    ),
    (
        "sawing.squared_green",
        MOVES,
        "Squared at once, it would move 0.17 in (its size -0.10 in). Its use tolerates 0.10 in.",
        "Squared at once, it would move 4.3 mm (its size -2.5 mm). Its use tolerates 2.5 mm.",
    ),
    (
        "sawing.saw_to_size_now",
        MOVES,
        (
            "Squared at once, it would move 0.17 in (its size -0.10 in). Its use tolerates 0.10 in. Its "
            "use lets it stay wet,"
            " so it may be sawn to size now."
        ),
        (
            "Squared at once, it would move 4.3 mm (its size -2.5 mm). Its use tolerates 2.5 mm. Its use "
            "lets it stay wet, "
            "so it may be sawn to size now."
        ),
    ),
    (
        "sawing.term.shrinkage",
        {},
        "radial and tangential by the rings in each face; the narrowest place counts",
        None,
    ),
    (
        "sawing.term.distortion",
        {},
        "out of square, and the cup of both faces",
        None,
    ),
    (
        "sawing.term.scatter",
        {"sd_share": 0.15, "confidence": 0.9, "mc_sd_pct": 0.87},
        (
            "single pieces vary by 15 %, and their moisture now and in service is known to 0.9 points; 90 % "
            "of them hold the size"
        ),
        None,
    ),
    (
        "sawing.term.twist",
        {},
        "taking out the twist, as measured",
        "taking out the twist, as measured",
    ),
    (
        "sawing.term.bow_measured",
        {},
        "straightening the depth, as measured by the shop",
        None,
    ),
    (
        "sawing.term.crook_measured",
        {},
        "straightening the width, as measured by the shop",
        None,
    ),
    (
        "sawing.term.usual_bow",
        {"bend_mm": 6.35, "confidence": 0.9, "timbers": 3},
        (
            "straightening the depth: 1/4 in, within which 90 % of such pieces stay (as 3 timbers of this "
            "wood measured here say); measure your own"
        ),
        (
            "straightening the depth: 6.3 mm, within which 90 % of such pieces stay (as 3 timbers of this "
            "wood measured here say); measure your own"
        ),
    ),
    (
        "sawing.term.usual_crook",
        {"bend_mm": 6.35, "confidence": 0.9, "timbers": 3},
        (
            "straightening the width: 1/4 in, within which 90 % of such pieces stay (as 3 timbers of this "
            "wood measured here say); measure your own"
        ),
        (
            "straightening the width: 6.3 mm, within which 90 % of such pieces stay (as 3 timbers of this "
            "wood measured here say); measure your own"
        ),
    ),
    (
        "sawing.term.saw_cut",
        {},
        "one cut to size on each dimension",
        None,
    ),
    (
        "sawing.term.planing",
        {"each_mm": 3.175},
        "1/8 in off each of two faces",
        "3.2 mm off each of two faces",
    ),
    (
        "sawing.term.tolerance",
        {},
        "the finished piece may be that much under size",
        None,
    ),
    (
        "sawing.term.checks",
        {"check_mm": 6.35},
        "checks 1/4 in deep, beyond what planing takes off",
        "checks 6.3 mm deep, beyond what planing takes off",
    ),
    (
        "sawing.term.wane",
        {"wane_mm": 12.7},
        "a bevel of 1/2 in at each corner, beyond what the rest removes",
        "a bevel of 13 mm at each corner, beyond what the rest removes",
    ),
    (
        "sawing.cut",
        {"number": 2, "face": "a", "off_mm": 88.9, "marked_on": ["b", "d"], "beyond": True},
        "Cut 2: mark 3 1/2 in from face a on b and d; saw just beyond the mark.",
        "Cut 2: mark 89 mm from face a on b and d; saw just beyond the mark.",
    ),
    (
        "sawing.cut",
        {"number": 4, "face": 1, "off_mm": 88.9, "marked_on": [3, "c"], "beyond": True},
        "Cut 4: mark 3 1/2 in from cut face 1 on cut face 3 and c; saw just beyond the mark.",
        "Cut 4: mark 89 mm from cut face 1 on cut face 3 and c; saw just beyond the mark.",
    ),
    (
        "sawing.cut",
        {"number": 4, "face": "a", "off_mm": 88.9, "marked_on": [2, 3], "beyond": False},
        "Cut 4: mark 3 1/2 in from face a on cut faces 2 and 3; saw just short of the mark.",
        "Cut 4: mark 89 mm from face a on cut faces 2 and 3; saw just short of the mark.",
    ),
    (
        "sawing.most_proved",
        {"count": 3, "at_most": 3},
        "More than 3 pieces can't come out by cuts that go right through: that is proved.",
        None,
    ),
    (
        "sawing.most_not_proved",
        {"count": 3, "at_most": 4},
        "3 pieces were found; that none more comes out is not proved, 4 is the most that could.",
        None,
    ),
    (
        "sawing.best_by",
        {"by_value": 1, "by_stability": 2},
        "Way 1 gives the most finished wood, way 2 moves least.",
        None,
    ),
    (
        "sawing.best_by",
        {"by_value": 1, "by_stability": 1},
        "Way 1 gives the most finished wood and moves least.",
        None,
    ),
    (
        "sawing.checks_seen",
        {"count": 2},
        (
            "2 checks as measured, taken to run from the place of the face nearest to the pith straight "
            "inward: look where each lies before you saw."
        ),
        None,
    ),
    (
        "sawing.wane_is_a_bevel",
        {},
        "Wane is a bevel from face to face; a piece may carry as much of it as the plane takes off.",
        None,
    ),
    (
        "sawing.wane_everywhere",
        {},
        (
            "Nobody said at which corner the wane is, so it is taken at all four; name the corner where it "
            "is, and more may come out."
        ),
        None,
    ),
    (
        "sawing.choice",
        CHOICE,
        "one piece, heart boxed",
        None,
    ),
    (
        "sawing.choice",
        {"count": 4, "heart": "free", "when_dry": True},
        "4 pieces, free of heart, only when it is dry",
        None,
    ),
    (
        "sawing.timber",
        {**SIZE, "name": "FER-03", "species": "white oak", "mean_pct": 64.0, "choice": CHOICE},
        "FER-03, 7 x 7 in, white oak, 64 % MC now: one piece, heart boxed.",
        "FER-03, 178 x 178 mm, white oak, 64 % MC now: one piece, heart boxed.",
    ),
    (
        "sawing.choice_costs",
        {
            "number": 1,
            "choice": CHOICE,
            "moves_mm": 4.318,
            "change_mm": 2.54,
            "used_share": 0.6,
            "check_mm": 6.35,
            "holds": True,
        },
        (
            "1. One piece, heart boxed: moves up to 0.17 in on the way to service (its size +0.10 in), "
            "uses 60 % of the "
            "section, checks open 0.25 in."
        ),
        (
            "1. One piece, heart boxed: moves up to 4.3 mm on the way to service (its size +2.5 mm), "
            "uses 60 % of the "
            "section, checks open 6.3 mm."
        ),
    ),
    (
        "sawing.choice_costs",
        {
            "number": 2,
            "choice": {**CHOICE, "heart": "any"},
            "moves_mm": 4.318,
            "change_mm": 2.54,
            "used_share": 0.6,
            "check_mm": 0.0,
            "holds": False,
        },
        (
            "2. One piece, heart wherever it falls: moves up to 0.17 in on the way to service (its size "
            "+0.10 in), uses 60 "
            "% of the section. It would not hold the finished size."
        ),
        (
            "2. One piece, heart wherever it falls: moves up to 4.3 mm on the way to service (its size "
            "+2.5 mm), uses 60 %"
            " of the section. It would not hold the finished size."
        ),
    ),
    (
        "sawing.piece",
        {
            **SIZE,
            "finished_width_mm": 152.4,
            "finished_depth_mm": 152.4,
            "off_a_mm": 12.7,
            "off_d_mm": 25.4,
            "out_of_square_mm": 2.54,
            "cup_mm": 1.27,
            "spare_mm": 0.254,
        },
        (
            "Saw 7 x 7 in for 6 x 6 in: 1/2 in from face a and 1 in from face d. Out of square 0.10 in,"
            " cup 0.05 in, spare 0.01 in."
        ),
        (
            "Saw 178 x 178 mm for 152 x 152 mm: 13 mm from face a and 25 mm from face d. Out of square "
            "2.5 mm, cup 1.3 mm, spare 0.3 mm."
        ),
    ),
    (
        "sawing.no_place",
        {
            "heart": "boxed",
            "width_mm": 152.4,
            "depth_mm": 152.4,
            "sawn_width_mm": 177.8,
            "sawn_depth_mm": 177.8,
        },
        "No clear place with the heart boxed for 6 x 6 in; 7 x 7 in would have to be sawn now.",
        "No clear place with the heart boxed for 152 x 152 mm; 178 x 178 mm would have to be sawn now.",
    ),
    (
        "sawing.moisture_evaluated",
        {"mean_pct": 35.0, "service_pct": 19.0},
        (
            "The moisture over the section is that of the last evaluation, mean MC 35 %. Each piece is "
            "squared once it is evenly at 19 %."
        ),
        None,
    ),
    (
        "sawing.moisture_even",
        {"mean_pct": 35.0, "service_pct": 19.0},
        "The moisture is taken as an even 35 % MC. Each piece is squared once it is evenly at 19 %.",
        None,
    ),
    (
        "sawing.size_recorded",
        {},
        (
            "The timber is laid out in the size that was entered, or measured last. By what it has dried "
            "since, it has shrunk: measure it before you saw, and enter that."
        ),
        None,
    ),
    (
        "sawing.defects_run_through",
        {},
        (
            "Defects run through the whole length as drawn at the end. A knot or shake that shows only "
            "further along is not in the plan."
        ),
        None,
    ),
    (
        "sawing.through_cuts",
        {},
        (
            "Every cut goes right through what is left, with the width of the saw cut between two "
            "pieces. The allowance fits the heart where each piece lies."
        ),
        None,
    ),
    (
        "sawing.growth_stress",
        {},
        "Growth stress in the tree is left out; a piece sawn off centre may spring.",
        None,
    ),
    (
        "sawing.choice_moves",
        {"choice": CHOICE, "more_mm": 4.318, "holds": True},
        "One piece, heart boxed: moves 0.17 in more than the first choice.",
        "One piece, heart boxed: moves 4.3 mm more than the first choice.",
    ),
    (
        "sawing.choice_moves",
        {"choice": CHOICE, "more_mm": -4.318, "holds": False},
        (
            "One piece, heart boxed: moves 0.17 in less than the first choice and would not hold the "
            "finished size."
        ),
        (
            "One piece, heart boxed: moves 4.3 mm less than the first choice and would not hold the "
            "finished size."
        ),
    ),
    (
        "sawing.choice_moves",
        {"choice": CHOICE, "more_mm": 0.01, "holds": True},
        "One piece, heart boxed: moves as much as the first choice.",
        None,
    ),
    (
        "sawing.dry_it_whole",
        {},
        "Let the timber dry whole before it is sawn: less is lost then, and the size may hold.",
        None,
    ),
    (
        "sawing.drier_needs_less",
        {},
        "A drier timber moves less after sawing: the same plan later needs a smaller allowance.",
        None,
    ),
    (
        "sawing.no_curve",
        {},
        "Part and timber are straight.",
        None,
    ),
    (
        "sawing.curve_follows",
        {**CURVES, "timber_mm": 50.8, "extra_mm": 0.0},
        "Part and timber curve alike, 2 in over the part's length: the grain follows the part.",
        "Part and timber curve alike, 51 mm over the part's length: the grain follows the part.",
    ),
    (
        "sawing.curve_fits",
        {**CURVES, "one_in": 30.0},
        (
            "The part curves 2 in, the timber 1 in over the same length: 1 in of extra wood. At the "
            "ends the grain leaves the edge at 1 in 30."
        ),
        (
            "The part curves 51 mm, the timber 25 mm over the same length: 25 mm of extra wood. At the "
            "ends the grain leaves the edge at 1 in 30."
        ),
    ),
    (
        "sawing.curve_steep",
        {**CURVES, "one_in": 12.0},
        (
            "The part curves 2 in, the timber 1 in over the same length: 1 in of extra wood. At the "
            "ends the grain leaves the edge at 1 in 12. That is weaker than straight grain; use it only"
            " for parts that carry little in bending."
        ),
        (
            "The part curves 51 mm, the timber 25 mm over the same length: 25 mm of extra wood. At the "
            "ends the grain leaves the edge at 1 in 12. That is weaker than straight grain; use it only"
            " for parts that carry little in bending."
        ),
    ),
    (
        "sawing.curve_short",
        {**CURVES, "one_in": 5.0},
        (
            "The part curves 2 in, the timber 1 in over the same length: 1 in of extra wood. At the "
            "ends the grain leaves the edge at 1 in 5. That is short grain, which snaps. Look for a "
            "crook that follows the part, or laminate or scarf it."
        ),
        (
            "The part curves 51 mm, the timber 25 mm over the same length: 25 mm of extra wood. At the "
            "ends the grain leaves the edge at 1 in 5. That is short grain, which snaps. Look for a "
            "crook that follows the part, or laminate or scarf it."
        ),
    ),
]
NAMES = [f"{n}-{each[0]}" for n, each in enumerate(SAID)]


def slopes_apart(said):
    """Leave out slopes of grain, which are written 1 in 30 in either system."""
    return re.sub(r"1 in \d+", "a slope", said)


@pytest.mark.parametrize(("code", "values", "inch", "metric"), SAID, ids=NAMES)
def test_a_reason_is_written_in_the_readers_units(code, values, inch, metric):
    reason = Reason(code=code, values=values)
    assert text.sentence(reason, "inch") == inch
    assert text.sentence(reason, "metric") == (metric or inch)
    assert not METRES.search(text.sentence(reason, "inch"))
    assert not INCHES.search(slopes_apart(text.sentence(reason, "metric")))


def test_every_code_is_held_here():
    assert {each[0] for each in SAID} == set(sawing.SENTENCES)


def test_a_board_foot_is_144_cubic_inches():
    # definition: 1 ft x 1 ft x 1 in
    assert sawing.show_volume(8 * 0.3048 * 0.3048 * 0.0254, "inch") == "8 board feet"


@pytest.mark.parametrize("use", ["backbone-above-water", "backbone-immersed", "joinery"])
def test_everything_that_a_plan_says_has_words_in_one_system(use):
    oak, where = species.get("white oak"), use_class.get(use)
    order = Order(width_mm=152.4, depth_mm=152.4, length_mm=3048, placement="free", wane_mm=5, tolerance_mm=1)
    sized = allowance.size(order, oak, where)
    stock = Stock(name="T-1", section=Section(width_mm=203, depth_mm=190), length_mm=3650, crook_mm=20)
    small = Order(width_mm=80, depth_mm=80, length_mm=2000)
    cut = place_cut.plan(stock, small, oak, where, wet=Wet(mean_pct=64.0), part_sweep_mm=30, pieces=True)
    said = [each.why for each in sized.terms] + [each.name for each in cut.choices]
    for made in (sized, cut):
        said += [*made.lines(), *made.assumptions, *made.would_change, *made.cautions]
    assert len(said) > 25
    for each in said:
        assert not METRES.search(text.sentence(each, "inch"))
        assert not INCHES.search(slopes_apart(text.sentence(each, "metric")).replace("keep feet clear", ""))
        assert Reason.from_json(each.to_json()).code == each.code
