"""The sentences of what can be done with a room's air, in either system of units."""

from __future__ import annotations

import pytest

from baulk.models import text
from baulk.models.plan.humidity import ways
from baulk.models.reason import Reason
from baulk.models.text import air_ways

GAINED = {"gained_weeks": 8.2, "gained_low_weeks": 2.6, "gained_high_weeks": 12.0}
WHY = {"place": "shed", "chance": 0.1, "nothing_chance": 0.9, **GAINED}
MOVE = {"tag": "OAK-1", "to": "loft", "week": 13.0}

# code, values, in metres and °C, in inches and °F (None: the same)
SAID = [
    (
        "humidity.leave",
        {"place": "shed", "tried": 6},
        (
            "Leave the doors of shed as they are. None of the 6 other ways brings the timbers forward or "
            "takes a risk away."
        ),
        None,
    ),
    (
        "humidity.leave",
        {"place": "shed", "tried": 1},
        (
            "Leave the doors of shed as they are. Holding that humidity does not bring the timbers "
            "forward or take a risk away."
        ),
        None,
    ),
    (
        "humidity.leave_at_risk",
        {"place": "shed", "chance": 0.8},
        (
            "Leave the doors of shed as they are, and look at the green faces: the chance that a surface "
            "is asked for more than it stands is 80 %, and no way that was tried takes it away. See what "
            "a coat or another place would do below."
        ),
        None,
    ),
    (
        "humidity.leave_near",
        {"place": "shed", "what": "heat", **GAINED, "gained_low_weeks": -3.0},
        (
            "Leave the doors of shed as they are. A heater comes nearest, 8 weeks sooner at the median, "
            "but it may be anything from 3 weeks later to 12 weeks sooner: that is no reason to do it."
        ),
        None,
    ),
    (
        "humidity.offer_hold",
        {**WHY, "why": "checks", "set_pct": 83.0},
        (
            "Hold shed at 83 % RH this week: the chance that a green surface is asked for more than it "
            "stands falls from 90 % to 10 %."
        ),
        None,
    ),
    (
        "humidity.offer_cover",
        {**WHY, "why": "checks"},
        (
            "Hang a sheet over the green timbers of shed to keep the draught off: the chance that a green"
            " surface is asked for more than it stands falls from 90 % to 10 %."
        ),
        None,
    ),
    (
        "humidity.offer_wrap",
        {**WHY, "why": "mould", "weeks": 13.0},
        (
            "Wrap the green timbers of shed for 13 weeks: mould that would be seen within a year does not"
            " come."
        ),
        None,
    ),
    (
        "humidity.offer_vent",
        {**WHY, "why": "weeks"},
        (
            "Open shed while the dew point outside is lower than inside, and shut it otherwise: the "
            "timbers are ready 8 weeks sooner (90 % range 3 weeks sooner to 12 weeks sooner)."
        ),
        None,
    ),
    (
        "humidity.offer_heat",
        {**WHY, "why": "finished", "warmer_k": 5.0},
        ("Keep shed 5 °C warmer than it would be: the finished work then lies in air that it tolerates."),
        ("Keep shed 9 °F warmer than it would be: the finished work then lies in air that it tolerates."),
    ),
    (
        "humidity.offer_dry",
        {**WHY, "why": "finished", "to_pct": 52.0},
        (
            "Run a dehumidifier in shed, set to 52 % RH at the driest: the finished work then lies in air"
            " that it tolerates."
        ),
        None,
    ),
    (
        "humidity.offer_move",
        {**WHY, "why": "finished", **MOVE},
        "Move OAK-1 to loft in 13 weeks: the finished work then lies in air that it tolerates.",
        None,
    ),
    (
        "humidity.way_move",
        {**MOVE, "week": 0.0},
        (
            "Move: OAK-1, the wettest that waits, goes to loft now and stays there; of today, a quarter "
            "and half a year ahead this is the best."
        ),
        None,
    ),
    (
        "humidity.air_own",
        {"place": "shed"},
        "The air ahead is the record of shed, measured in every month of the year.",
        None,
    ),
    (
        "humidity.air_nearest",
        {"place": "shed", "months": (0, 1, 10, 11), "missing": (2, 3, 4, 5, 6, 7, 8, 9)},
        (
            "The air ahead of shed was measured in November to February; the nearest measured month "
            "stands in for March to October, which nobody has measured here."
        ),
        None,
    ),
    (
        "humidity.air_partly",
        {"place": "shed", "months": (4, 6), "missing": (0, 1, 2, 3, 5, 7, 8, 9, 10, 11)},
        (
            "The air ahead of shed was measured in May and July; the settings' climate stands in for "
            "August to April and June, which nobody has measured here."
        ),
        None,
    ),
]


@pytest.mark.parametrize(("code", "values", "metric", "inch"), SAID, ids=[each[0] for each in SAID])
def test_each_is_said_in_the_readers_units(code, values, metric, inch):
    assert text.sentence(Reason(code=code, values=values), "metric") == metric
    assert text.sentence(Reason(code=code, values=values), "inch") == (inch or metric)


def test_every_way_has_a_name_and_says_how_it_is_worked_out():
    known = set(ways.What.__args__)
    assert set(air_ways.NAMES) == known
    assert {each.removeprefix("humidity.way_") for each in air_ways.SENTENCES if ".way_" in each} == known


def test_what_is_left_out_and_what_stands_in_is_said_in_whole_sentences():
    for code in air_ways.SENTENCES:
        if ".cannot_" in code or code in {"humidity.air_mean", "humidity.air_settings"}:
            said = text.sentence(Reason(code=code, values={"place": "shed"}), "metric")
            assert said.endswith(".")
            assert said[0].isupper()
