"""The sentences of a buying plan and its list for the mill, in either system of units."""

from __future__ import annotations

import csv
import io
import re
from datetime import UTC, datetime, timedelta

import pytest

from baulk.dashboard.printing import mill_list
from baulk.models import species, text
from baulk.models.plan.buying import buy
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import InYard, Wish
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.reason import Reason
from baulk.models.section import Section
from baulk.models.text import buying

INCHES = re.compile(r"\d (?:in|ft|lb|°F|board feet)\b|inch|foot|feet|pound")
METRES = re.compile(r"\d (?:mm|cm|m|m³|kg|°C)\b|metre")
MARCH = datetime(2027, 3, 4, tzinfo=UTC)
SAWN = {"width_mm": 177.8, "depth_mm": 177.8, "length_mm": 3352.8}
VERDICT = {"code": "buying.by_verdict", "values": {}}
TAKEN = {
    **SAWN,
    "part": "Post",
    "count": 2,
    "tag": "T-1",
    "ready_utc": MARCH,
    "how": VERDICT,
    "late_weeks": 0.0,
}
SHORT = {
    **SAWN,
    "part": "Post",
    "count": 2,
    "yard": {"buying.too_short": 3, "buying.late": 1},
    "species": "white oak",
    "sweep_mm": 0.0,
    "crook": False,
    "arrives": None,
}
ARRIVES = {"seasoned_pct": None, "probability": 0.0, "latest_utc": None, "ready_utc": None}
GREEN = {"code": "buying.green", "values": {}}
LINE = {
    **SAWN,
    "count": 2,
    "species": "white oak",
    "heart": "boxed",
    "sweep_mm": 0.0,
    "moisture": GREEN,
    "by_utc": None,
    "volume_m3": 0.212,
    "each_kg": 96.2,
    "each_heavy_kg": 115.4,
}
YARD = "Post: 2 short. Timbers in the yard: 3 too short, 1 ready too late."

# code, values, in inches, in metres (None: the same)
SAID = [
    (
        "buying.yard_gives",
        {"given": 3, "wanted": 3, "short": 0},
        "3 of 3 pieces can be cut from the yard.",
        None,
    ),
    (
        "buying.yard_gives",
        {"given": 0, "wanted": 1, "short": 1},
        "0 of 1 piece can be cut from the yard; 1 must be bought.",
        None,
    ),
    (
        "buying.assigned",
        TAKEN,
        "Post: 2 from T-1, sawn 7 x 7 in x 11 ft, ready about March 2027 (its verdict).",
        "Post: 2 from T-1, sawn 178 x 178 mm x 3.35 m, ready about March 2027 (its verdict).",
    ),
    (
        "buying.assigned",
        {**TAKEN, "ready_utc": None, "late_weeks": 4.3},
        (
            "Post: 2 from T-1, sawn 7 x 7 in x 11 ft, ready some day after its forecast ends (its "
            "verdict), 4 weeks late."
        ),
        (
            "Post: 2 from T-1, sawn 178 x 178 mm x 3.35 m, ready some day after its forecast ends (its "
            "verdict), 4 weeks late."
        ),
    ),
    (
        "buying.assigned",
        {**TAKEN, "late_weeks": 0.4},
        "Post: 2 from T-1, sawn 7 x 7 in x 11 ft, ready about March 2027 (its verdict), days late.",
        "Post: 2 from T-1, sawn 178 x 178 mm x 3.35 m, ready about March 2027 (its verdict), days late.",
    ),
    (
        "buying.left_over",
        {"left_mm": {"T-1": 697.0, "T-2": 1219.2}},
        "Left over: T-1 2 ft 3 in, T-2 4 ft.",
        "Left over: T-1 0.70 m, T-2 1.22 m.",
    ),
    (
        "buying.short",
        SHORT,
        (
            "Post: 2 short. Timbers in the yard: 3 too short, 1 ready too late. Buy 7 x 7 in x 11 ft, "
            "white oak."
        ),
        (
            "Post: 2 short. Timbers in the yard: 3 too short, 1 ready too late. Buy 178 x 178 mm x 3.35"
            " m, white oak."
        ),
    ),
    (
        "buying.short",
        {**SHORT, "yard": {}, "sweep_mm": 50.8, "arrives": {**ARRIVES, "latest_utc": MARCH}},
        (
            "Post: 2 short. Buy 7 x 7 in x 11 ft, white oak, best with a natural sweep of 2 in, green, "
            "to arrive by 4 March 2027."
        ),
        (
            "Post: 2 short. Buy 178 x 178 mm x 3.35 m, white oak, best with a natural sweep of 51 mm, "
            "green, to arrive by 4 March 2027."
        ),
    ),
    (
        "buying.short",
        {**SHORT, "yard": {}, "sweep_mm": 203.2, "crook": True, "arrives": {**ARRIVES, "ready_utc": MARCH}},
        (
            "Post: 2 short. Buy 7 x 7 in x 11 ft, white oak, a natural crook with a sweep of 8 in over "
            "the part (a straight timber gives short grain), green. Bought today it is ready about "
            "March 2027."
        ),
        (
            "Post: 2 short. Buy 178 x 178 mm x 3.35 m, white oak, a natural crook with a sweep of 203 "
            "mm over the part (a straight timber gives short grain), green. Bought today it is ready "
            "about March 2027."
        ),
    ),
    (
        "buying.short",
        {**SHORT, "yard": {}, "arrives": {**ARRIVES, "seasoned_pct": 24.0, "probability": 0.005}},
        (
            "Post: 2 short. Buy 7 x 7 in x 11 ft, white oak. Green, it is ready in time with a "
            "probability of less than 1 % only: buy it part-seasoned, at a mean MC of 24 % at most."
        ),
        (
            "Post: 2 short. Buy 178 x 178 mm x 3.35 m, white oak. Green, it is ready in time with a "
            "probability of less than 1 % only: buy it part-seasoned, at a mean MC of 24 % at most."
        ),
    ),
    (
        "buying.short",
        {**SHORT, "yard": {}, "arrives": ARRIVES},
        "Post: 2 short. Buy 7 x 7 in x 11 ft, white oak, green. It would not be ready within five years.",
        (
            "Post: 2 short. Buy 178 x 178 mm x 3.35 m, white oak, green. It would not be ready within "
            "five years."
        ),
    ),
    (
        "buying.short_no_size",
        {
            "part": "Post",
            "count": 2,
            "yard": {"buying.taken": 1},
            "why": {"code": "buying.no_wood_named", "values": {}},
        },
        (
            "Post: 2 short. Timbers in the yard: 1 taken by other parts. No wood is named for it; fill "
            "in the column wood of the parts list, or give --species."
        ),
        None,
    ),
    (
        "buying.mill",
        {"volume_m3": 0.212},
        "For the mill: 90 board feet in all.",
        "For the mill: 0.21 m³ in all.",
    ),
    (
        "buying.mill_line",
        LINE,
        (
            "2 x 7 x 7 in x 11 ft white oak, heart boxed, green: 90 board feet. Each weighs 212 lb "
            "green, up to 254 lb."
        ),
        (
            "2 x 178 x 178 mm x 3.35 m white oak, heart boxed, green: 0.212 m³. Each weighs 96 kg "
            "green, up to 115 kg."
        ),
    ),
    (
        "buying.mill_line",
        {**LINE, "heart": "free", "sweep_mm": 50.8, "by_utc": MARCH},
        (
            "2 x 7 x 7 in x 11 ft white oak, free of heart, natural sweep of 2 in, green, by 4 March "
            "2027: 90 board feet. Each weighs 212 lb green, up to 254 lb."
        ),
        (
            "2 x 178 x 178 mm x 3.35 m white oak, free of heart, natural sweep of 51 mm, green, by 4 "
            "March 2027: 0.212 m³. Each weighs 96 kg green, up to 115 kg."
        ),
    ),
    (
        "buying.green",
        {},
        "green",
        None,
    ),
    (
        "buying.part_seasoned",
        {"mc_pct": 24.0},
        "mean MC 24 % at most",
        None,
    ),
    (
        "buying.other_wood",
        {"species": "white oak", "wanted_species": "tamarack"},
        "It is white oak, not tamarack.",
        None,
    ),
    (
        "buying.too_short",
        {},
        "It is too short for the part.",
        None,
    ),
    (
        "buying.too_small",
        {},
        "Its section is too small for the part.",
        None,
    ),
    (
        "buying.too_straight",
        {"one_in": 4.46},
        "It is too straight for the part's curve: the grain would run out at 1 in 4.",
        None,
    ),
    (
        "buying.too_bent",
        {},
        "It is bent too much for the part.",
        None,
    ),
    (
        "buying.heart_in_the_way",
        {"heart": "free"},
        "It has no room for the part free of heart.",
        None,
    ),
    (
        "buying.not_ready",
        {"probability": 0.3},
        "It is ready in time with a probability of 30 % only.",
        None,
    ),
    (
        "buying.late",
        {"ready_utc": MARCH, "how": VERDICT},
        "It is ready only about March 2027 (its verdict).",
        None,
    ),
    (
        "buying.taken",
        {},
        "It is taken by other parts.",
        None,
    ),
    (
        "buying.by_use",
        {},
        "its use may stay wet",
        None,
    ),
    (
        "buying.by_verdict",
        {},
        "its verdict",
        None,
    ),
    (
        "buying.by_moisture_now",
        {"above_pct": 15.5, "below_pct": 24.0},
        "its moisture today against a mean MC from 16 to 24 %; it has no forecast",
        None,
    ),
    (
        "buying.by_forecast",
        {"above_pct": 15.0, "below_pct": 24.0},
        "its forecast, at a mean MC from 15 to 24 %",
        None,
    ),
    (
        "buying.too_dry",
        {"above_pct": 15.0, "below_pct": 24.0, "mean_pct": 9.0},
        (
            "At a mean MC of 9 % it is too dry: the part may be squared from 15 to 24 %, else it swells too "
            "much in its use."
        ),
        None,
    ),
    (
        "buying.moves_too_much",
        {"confidence": 0.95},
        (
            "With 95 % confidence there is no moisture from which a part of its wood stays within what its "
            "use tolerates."
        ),
        None,
    ),
    (
        "buying.by_drying_on",
        {"mean_pct": 26.0, "probability": 0.93},
        "dried on from 26 % MC, probability 93 %",
        None,
    ),
    (
        "buying.no_wood_named",
        {},
        "No wood is named for it; fill in the column wood of the parts list, or give --species.",
        None,
    ),
    (
        "buying.no_size",
        {"error": "the green size would be more than any log gives"},
        "The green size would be more than any log gives.",
        None,
    ),
    (
        "buying.no_log",
        {"width_mm": 1270.0, "depth_mm": 1270.0, "length_mm": 3048.0},
        "The green size would be 50 x 50 in x 10 ft, more than any log gives; build it up.",
        "The green size would be 1270 x 1270 mm x 3.05 m, more than any log gives; build it up.",
    ),
    (
        "buying.confidence",
        {"confidence": 0.9},
        "Sizes and dates hold with 90 % confidence, as far as the model knows.",
        None,
    ),
    (
        "buying.least_waste",
        {},
        (
            "Parts lie end to end in a timber, side by side where its section allows. "
            "As few pieces as possible stay "
            "short; then the least wood is wasted. "
            "Not every way to saw is compared: side by side lie sizes near one another, a few at a time, and "
            "none is turned."
        ),
        None,
    ),
    (
        "buying.least_cost",
        {},
        (
            "Parts lie end to end in a timber, side by side where its section allows. "
            "As few pieces as possible stay "
            "short; then the cost of waste and waiting is least. "
            "Not every way to saw is compared: side by side lie sizes near one another, a few at a time, and "
            "none is turned."
        ),
        None,
    ),
    (
        "buying.left_worth",
        {"keep_mm": 914.4, "worth_share": 0.5},
        (
            "Of a timber that is cut, a length left of 3 ft or more is counted as worth 50 % of its wood, "
            "a shorter one as firewood (our own judgement)."
        ),
        (
            "Of a timber that is cut, a length left of 0.91 m or more is counted as worth 50 % of its wood, "
            "a shorter one as firewood (our own judgement)."
        ),
    ),
    (
        "buying.kept_for_its_use",
        {},
        "A timber entered for one use is cut for another only where a part would be short without it.",
        None,
    ),
    (
        "buying.where_dates_come_from",
        {},
        (
            "Where use and size agree, the date is that of the timber's own verdict. Elsewhere it is "
            "the day its forecast mean MC, taken as even, lies where the verdict's rule lets the part be "
            "squared. Beyond the forecast the timber is dried on by what is known of its species."
        ),
        None,
    ),
    (
        "buying.first_served",
        {},
        (
            "Parts needed first are served first, though more of the later ones stay short; of timbers alike "
            "they get the one that is ready sooner."
        ),
        None,
    ),
    (
        "buying.other_woods",
        {},
        (
            "Another wood of a part's list is taken only where the part would be short or late without it, "
            "or where it saves more than a tenth of the part's own wood."
        ),
        None,
    ),
    (
        "buying.taken_as_green",
        {"tags": ("T-1", "T-2", "T-3", "T-4", "T-5", "T-6", "T-7")},
        (
            "No evaluation yet for T-1, T-2, T-3, T-4, T-5, T-6 and 1 more: taken as green, at the "
            "usual moisture of the species."
        ),
        None,
    ),
    (
        "buying.new_timber_dries",
        {"futures": 4},
        (
            "New timber is dried from its arrival in 4 possible years of the shop's air, ends sealed. "
            "Only its species is known, so its drying rate may be off by a factor of two. Movement "
            "during the build is not included."
        ),
        None,
    ),
    (
        "buying.proved",
        {},
        "Among the ways to lay the parts that were compared, no plan is better: that is proved.",
        None,
    ),
    (
        "buying.not_proved",
        {"gap_share": 0.03, "fewer": 0},
        (
            "Not every plan could be looked at in the time: among the ways to lay the parts that were "
            "compared, a plan up to 3.0 % cheaper may exist."
        ),
        None,
    ),
    (
        "buying.next_best",
        {
            "number": 1,
            "short_more": 0,
            "more": 0.0472,
            "in_money": False,
            "instead": [
                {"part": "Post", "from": ["T-2"], "not_from": ["T-1"]},
                {"part": "Beam", "from": ["T-3"], "not_from": []},
            ],
        },
        "Next best, 20 board feet more wood lost: Post from T-2 instead of T-1; Beam from T-3 too.",
        "Next best, 0.047 m³ more wood lost: Post from T-2 instead of T-1; Beam from T-3 too.",
    ),
    (
        "buying.alike",
        {"groups": [{"tags": ["T-2", "T-4"], "instead": ["T-1"]}, {"tags": ["T-9"], "instead": ["T-8"]}]},
        "As good: T-2, T-4 instead of T-1; T-9 instead of T-8.",
        None,
    ),
    (
        "buying.alike",
        {"groups": [{"tags": ["T-9"], "instead": ["T-8"]}] * 8},
        f"As good: {'; '.join(['T-9 instead of T-8'] * 6)}; and 2 more such groups of timbers alike.",
        None,
    ),
    (
        "buying.no_other",
        {"found": 0, "proved": True, "alike": False, "served": True},
        "There is no other assignment that serves a part.",
        None,
    ),
    (
        "buying.no_other",
        {"found": 0, "proved": True, "alike": True, "served": True},
        "Apart from that, there is no other assignment that serves a part.",
        None,
    ),
    (
        "buying.no_other",
        {"found": 1, "proved": True, "alike": False, "served": True},
        "There is no further assignment that serves a part.",
        None,
    ),
    (
        "buying.no_other",
        {"found": 1, "proved": False, "alike": False, "served": True},
        "No further assignment was found in the time.",
        None,
    ),
    (
        "buying.no_other",
        {"found": 0, "proved": True, "alike": False, "served": False},
        (
            "Nothing of the list can come out of the yard as it is asked for, so there is no assignment to "
            "compare."
        ),
        None,
    ),
    (
        "buying.no_day",
        {},
        "No part is wanted by a day, so a week later changes nothing.",
        None,
    ),
    (
        "buying.no_wood_asked",
        {},
        "No part asks for a wood: any wood in the yard is compared already.",
        None,
    ),
    (
        "buying.if_week_later",
        {"fewer": 0, "more": 0.0, "in_money": False, "step_mm": 5.0},
        "Wanted a week later, nothing changes.",
        None,
    ),
    (
        "buying.if_any_day",
        {"fewer": 1, "more": 0.0, "in_money": False, "step_mm": 5.0},
        "If the parts could wait for the timber, 1 piece fewer would be short.",
        None,
    ),
    (
        "buying.if_smaller",
        {"fewer": 0, "more": -0.0472, "in_money": False, "step_mm": 6.35, "parts": ["Post"]},
        "With Post 1/4 in smaller both ways, 20 board feet less wood would be used.",
        "With Post 6.3 mm smaller both ways, 0.047 m³ less wood would be used.",
    ),
    (
        "buying.if_any_wood",
        {"fewer": 0, "more": -12.5, "in_money": True, "step_mm": 5.0},
        "If any wood in the yard would do, it would cost 12.5 less.",
        None,
    ),
    (
        "buying.if_first_wood",
        {"fewer": -2, "more": 0.0, "in_money": False, "step_mm": 5.0},
        "Without the other woods of the list, 2 pieces more would be short.",
        None,
    ),
    (
        "buying.if_any_heart",
        {"fewer": 2, "more": 0.0, "in_money": False, "step_mm": 5.0},
        "If the place of the heart did not matter, 2 pieces fewer would be short.",
        None,
    ),
    (
        "buying.size_or_length",
        {},
        (
            "Neither waiting, nor another wood, nor another place of the heart fills a gap: the timbers"
            " are too small or too short."
        ),
        None,
    ),
    (
        "buying.drier_air",
        {},
        "Drier air or a later day would let part of the order come green; a plan of the air says which air.",
        None,
    ),
    (
        "buying.more_readings",
        {},
        "One more reading of a timber narrows its date; its verdict names the one that helps most.",
        None,
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
    assert text.sentence(Reason.from_json(reason.to_json()), "inch") == inch


def test_every_code_is_held_here():
    assert {each[0] for each in SAID} == set(buying.SENTENCES)


def test_each_reason_of_a_timber_is_counted_by_its_code():
    assert set(buying.COUNTED) <= set(buying.SENTENCES)


@pytest.fixture(scope="module")
def plan():
    now = datetime(2026, 11, 25, 12, tzinfo=UTC)
    post = Part(
        name="Post", width_mm=150, depth_mm=150, length_mm=2500, use_class="backbone-above-water",
        wanted_by_utc=now + timedelta(days=90),
    )  # fmt: skip
    yard = [
        InYard(
            stock=Stock(name="T-1", section=Section(width_mm=203, depth_mm=203), length_mm=3350),
            wood=species.get("white oak"), mean_pct=30.0,
            use_class="backbone-above-water", finished_mm=(152.4, 152.4),
            square_utc=now + timedelta(days=60), square_probability=0.9,
        )
    ]  # fmt: skip
    curved = Part(
        name="Knee",
        width_mm=100,
        depth_mm=100,
        length_mm=900,
        use_class="deck",
        sweep_mm=90,
        species="tamarack",
    )
    return buy.buy([post, Part(**{**_fields(post), "name": "Other post"}), curved], yard,
                   Wish(species="white oak"), now_utc=now)  # fmt: skip


def _fields(part):
    return {name: getattr(part, name) for name in part.__slots__}


def test_everything_that_a_plan_says_has_words_in_one_system(plan):
    said = [*plan.lines(), *plan.assumptions, *plan.would_change, *plan.cautions]
    said += [why for each in plan.shortfalls for why in each.reasons.values()]
    assert {each.code for each in said} >= {
        "buying.assigned",
        "buying.short",
        "buying.mill_line",
        "caution.heaviest",
    }
    for each in said:
        assert not METRES.search(text.sentence(each, "inch"))
        assert not INCHES.search(slopes_apart(text.sentence(each, "metric")))


@pytest.mark.parametrize(("system", "size"), [("inch", "in"), ("metric", "mm")])
def test_the_list_for_the_mill_is_read_back(plan, system, size):
    rows = list(csv.DictReader(io.StringIO(mill_list.mill_csv(plan, system))))
    assert list(rows[0]) == mill_list.MILL_COLUMNS.split(",")
    for row, line in zip(rows, plan.mill, strict=True):
        assert float(row["board_feet"]) == pytest.approx(line.board_feet, abs=0.05)
        assert row["for"] == "; ".join(line.parts)
        assert row["size"].endswith(f" {size}")
        assert row["moisture"] == "green"
