"""The sentences of a plan of a room's humidity and of the cautions, in either system of units."""

from __future__ import annotations

import re
from datetime import UTC, datetime

import pytest

from baulk.models import text
from baulk.models.reason import Reason
from baulk.models.text import cautions, humidity

INCHES = re.compile(r"\d (?:in|ft|lb|°F|board feet)\b|inch|foot|feet|pound")
METRES = re.compile(r"\d (?:mm|cm|m|m³|kg|°C)\b|metre")
MARCH, MAY = datetime(2027, 3, 4, tzinfo=UTC), datetime(2027, 5, 2, tzinfo=UTC)
OPENS = {"tag": "OAK-1", "weeks": 3, "of_weeks": 20}
SURFACE = {**OPENS, "surface_pct": 15.2, "needed_pct": 19.3}
WINDOW = {
    "temp_c": 16.0,
    "low_pct": 55.0,
    "low_by": "checking",
    "high_pct": 80.0,
    "high_by": "mould",
    "finished": (),
}
GAIN = {
    "tag": "OAK-1", "probability": 0.9, "horizon_weeks": 156, "plan_utc": MARCH, "nothing_utc": MAY,
    "plan_spread_days": 18.0, "nothing_spread_days": 40.0, "sooner_weeks": 8.4,
    "gained_weeks": 7.0, "gained_low_weeks": -1.0, "gained_high_weeks": 12.0,
    "unready_share": 0.0,
}  # fmt: skip
BALANCE = {
    "per_h": 0.5, "learned_days": None, "draught_l_day": 3.04, "people_h_day": 16.0, "now_l_day": 5.2,
    "least_l_day": -2.0, "most_l_day": 9.0,
}  # fmt: skip
MACHINE = {
    "kind": "refrigerant dehumidifier", "l_day": 9.0, "rated_l_day": 9.1, "kwh_l": 0.5, "kwh": 1600.0,
    "cost": None,
}  # fmt: skip
HELD = {"place": "shed", "set_pct": 70.0, "held_c": 16.0}

# code, values, in inches and °F, in metres and °C (None: the same)
SAID = [
    (
        "humidity.what_if",
        HELD,
        "What if: shed is held at 70 % RH and 61 °F from now on.",
        "What if: shed is held at 70 % RH and 16 °C from now on.",
    ),
    (
        "humidity.surface_risk",
        {
            "tag": "OAK-1",
            "tolerated_pct": 3.745,
            "nothing_pct": 5.61,
            "nothing_weeks": 30,
            "nothing_utc": MARCH,
            "plan_pct": 3.42,
            "plan_weeks": 0,
            "plan_utc": None,
        },
        (
            "While checks are decided the surface of OAK-1 should want to shrink no more than 3.7 %, as "
            "boards of its wood do at the mildest published start. If nothing is done it is asked for more "
            "in 30 weeks, first in that of 4 March 2027 (5.6 % at most); with this plan never (3.4 % at "
            "most)."
        ),
        None,
    ),
    (
        "humidity.hold",
        {**HELD, "held_c": None, "steps": ({"set_pct": 64.6, "by_utc": MARCH},)},
        "Hold shed at 70 % RH this week. Then change it in steps: 65 % by 4 March 2027.",
        None,
    ),
    (
        "humidity.hold_on",
        {**HELD, "weeks": 104},
        "Hold shed at 70 % RH and 61 °F this week and for the next 2 years.",
        "Hold shed at 70 % RH and 16 °C this week and for the next 2 years.",
    ),
    (
        "humidity.window",
        WINDOW,
        (
            "This week's window at 61 °F: 55 % (checking limit of the greenest timber) to 80 % (mould "
            "limit, Hukka & Viitanen 1999)."
        ),
        (
            "This week's window at 16 °C: 55 % (checking limit of the greenest timber) to 80 % (mould "
            "limit, Hukka & Viitanen 1999)."
        ),
    ),
    (
        "humidity.no_window",
        {**WINDOW, "high_by": "finished work", "finished": ("glued frames",)},
        (
            "This week no humidity suits every timber. The lower limit is 55 % (checking limit of the "
            "greenest timber), the upper limit 80 % (finished work: glued frames)."
        ),
        None,
    ),
    (
        "humidity.gain",
        GAIN,
        (
            "With this plan OAK-1 may be squared about early March 2027 (probability 90 %). If nothing is "
            "done, the date is about May 2027, 8 weeks later. Weeks gained by the plan: median 7, 90 % "
            "range -1 to 12."
        ),
        None,
    ),
    (
        "humidity.gain",
        {
            **GAIN,
            "plan_utc": None,
            "nothing_utc": None,
            "sooner_weeks": None,
            "gained_weeks": 0.1,
            "gained_low_weeks": 0.0,
            "gained_high_weeks": 0.2,
            "unready_share": 0.4,
        },
        (
            "OAK-1 does not reach a probability of 90 % of being ready within 3 years, with this plan "
            "or without it. The plan neither gains nor loses a week. 40 % of the ensemble is not ready "
            "within 3 years even with the plan."
        ),
        None,
    ),
    (
        "humidity.gain",
        {**GAIN, "gained_weeks": 0.0, "gained_low_weeks": 0.0, "gained_high_weeks": 0.4},
        (
            "With this plan OAK-1 may be squared about early March 2027 (probability 90 %). If nothing is "
            "done, the date is about May 2027, 8 weeks later. In nine chances of ten the plan neither gains "
            "nor loses a week: the dates differ because the probability stays close to 90 % between them."
        ),
        None,
    ),
    (
        "humidity.gain",
        {**GAIN, "sooner_weeks": 0.2, "gained_weeks": -3.0},
        (
            "With this plan OAK-1 may be squared about early March 2027 (probability 90 %). If nothing is "
            "done, the date is the same. Weeks gained by the plan: median -3, 90 % range -1 to 12."
        ),
        None,
    ),
    (
        "humidity.gain",
        {**GAIN, "plan_utc": None, "sooner_weeks": None},
        (
            "With this plan OAK-1 does not reach a probability of 90 % of being ready within 3 years. "
            "If nothing is done, it may be squared about May 2027. Weeks gained by the plan: median 7, "
            "90 % range -1 to 12."
        ),
        None,
    ),
    (
        "humidity.gain",
        {**GAIN, "nothing_utc": None, "sooner_weeks": None},
        (
            "With this plan OAK-1 may be squared about early March 2027 (probability 90 %). If nothing is "
            "done, it does not reach a probability of 90 % of being ready within 3 years. Weeks gained "
            "by the plan: median 7, 90 % range -1 to 12."
        ),
        None,
    ),
    (
        "humidity.nothing_to_dry",
        {},
        "No timber here waits to be squared, so the plan stays close to the expected humidity.",
        None,
    ),
    (
        "humidity.nothing_done",
        {"least_pct": 48.0, "most_pct": 88.0, "weeks": 52, "dry_weeks": 4, "damp_weeks": 9},
        (
            "If nothing is done, the season takes the air from 48 to 88 % RH in a year: below the "
            "checking limit in 4 and above the upper limit in 9 of 52 weeks."
        ),
        None,
    ),
    (
        "humidity.nothing_done",
        {"least_pct": 68.1, "most_pct": 68.2, "weeks": 52, "dry_weeks": 0, "damp_weeks": 0},
        "If nothing is done, the air stays at 68 % RH: within both limits all year.",
        None,
    ),
    (
        "humidity.closed",
        {
            "weeks": 20,
            "of_weeks": 156,
            "low_by": "checking",
            "tag": "OAK-1",
            "high_by": "mould",
            "met_weeks": 14,
        },
        (
            "No humidity suits every timber in 20 of 156 weeks. In 14 of them the checking limit of "
            "OAK-1 lies above the mould limit. The plan keeps to the upper limit in those weeks."
        ),
        None,
    ),
    (
        "humidity.remedy_move",
        OPENS,
        "Moving OAK-1 to a room of its own opens 3 of the 20 closed weeks.",
        None,
    ),
    (
        "humidity.remedy_coat",
        SURFACE,
        (
            "Coating the four faces of OAK-1 with wax or paint keeps its surface damp enough in 3 of "
            "the 20 closed weeks. In the worst week the surface is at 15 % MC and the safe start asks "
            "for 19 %. It slows the drying."
        ),
        None,
    ),
    (
        "humidity.remedy_still_air",
        SURFACE,
        (
            "Keeping draughts off OAK-1 keeps its surface damp enough in 3 of the 20 closed weeks. In "
            "the worst week the surface is at 15 % MC and the safe start asks for 19 %. It slows the "
            "drying."
        ),
        None,
    ),
    (
        "humidity.remedy_cover",
        {**OPENS, "names": ("glued frames",)},
        "Wrapping or moving the finished work (glued frames) opens 3 of the 20 closed weeks.",
        None,
    ),
    (
        "humidity.remedy_cool",
        {**OPENS, "cooler_c": 7.0, "now_c": 16.0},
        (
            "Cooler air opens 3 of the 20 closed weeks: in the first of them 45 °F instead of 61 °F, "
            "held steadily. Mould needs damper air in the cold."
        ),
        (
            "Cooler air opens 3 of the 20 closed weeks: in the first of them 7 °C instead of 16 °C, "
            "held steadily. Mould needs damper air in the cold."
        ),
    ),
    (
        "humidity.no_cooling",
        {"coldest_c": 1.0},
        "Cooling the air, even to 34 °F, opens no closed week.",
        "Cooling the air, even to 1 °C, opens no closed week.",
    ),
    (
        "humidity.timbers_give",
        {"now_l_day": 3.21, "mean_l_day": 0.456, "most_l_day": 4.0},
        (
            "The timbers give off 3.2 l of water a day now. Over a year it is 0.46 l a day on average "
            "and 4.0 l at most."
        ),
        None,
    ),
    (
        "humidity.balance",
        BALANCE,
        (
            "At 0.5 air changes an hour, draughts bring in +3.0 l a day. With 16 h of work a day, "
            "remove 5.2 l a day this week. Over the year it is -2.0 to +9.0 l a day (plus: remove, "
            "minus: add)."
        ),
        None,
    ),
    (
        "humidity.balance",
        {**BALANCE, "learned_days": 30.0, "now_l_day": -2.0},
        (
            "At 0.5 air changes an hour, learned from 30 days of readings, draughts bring in +3.0 l a "
            "day. With 16 h of work a day, add 2.0 l a day this week. Over the year it is -2.0 to +9.0 "
            "l a day (plus: remove, minus: add)."
        ),
        None,
    ),
    (
        "humidity.machine",
        MACHINE,
        "A refrigerant dehumidifier for 9.0 l a day uses about 0.5 kWh a litre: 1600 kWh a year.",
        None,
    ),
    (
        "humidity.machine",
        {**MACHINE, "rated_l_day": 20.0, "cost": 400.0},
        (
            "A refrigerant dehumidifier for 9.0 l a day uses about 0.5 kWh a litre: 1600 kWh a year, "
            "400 at the price given. Choose a rating of 20 l a day; ratings hold for warm, damp air, "
            "and it removes less from cold or dry air."
        ),
        None,
    ),
    (
        "humidity.water_unknown",
        {},
        "How much water to remove or add is not known:",
        None,
    ),
    (
        "humidity.volume_unknown",
        {},
        "The volume of the room is not known; give it with --volume.",
        None,
    ),
    (
        "humidity.air_changes_unknown",
        {},
        (
            "The air changes are not known; give them with --air-changes. They can be learned only "
            "where a sensor measures the air outside too, at a place called outside."
        ),
        None,
    ),
    (
        "humidity.air_changes_not_learned",
        {"error": "the air changes can't be learned"},
        "The air changes can't be learned.",
        None,
    ),
    (
        "humidity.outside_not_measured",
        {},
        (
            "The air outside is not measured. Its water is taken from this place's own season, which is"
            " right for an open or unheated shed."
        ),
        None,
    ),
    (
        "humidity.left_out",
        {"tag": "OAK-1", "error": "its air is not known"},
        "OAK-1 is left out: its air is not known.",
        None,
    ),
    (
        "humidity.representatives",
        {"place": "shed", "sampled": 40, "count": 212},
        (
            "40 of the 212 timbers in shed are worked out one by one, chosen from every wood, use and size "
            "as far as possible, the wettest of each first. The others are counted by their volume and are "
            "taken to dry as these do. Name a timber to have it worked out too."
        ),
        None,
    ),
    (
        "humidity.few_readings",
        {"tag": "OAK-1"},
        "OAK-1 has too few readings of its own. Its forecast rests on its species.",
        None,
    ),
    (
        "humidity.held_at_every_hour",
        {"held_c": 16.0},
        "The room is held at the planned humidity at every hour, at 61 °F.",
        "The room is held at the planned humidity at every hour, at 16 °C.",
    ),
    (
        "humidity.built_in_this_room",
        {},
        (
            "Readiness follows the rule of the verdict. A squared piece stays in this room's air while "
            "it is built in."
        ),
        None,
    ),
    (
        "humidity.built_elsewhere",
        {},
        (
            "Readiness follows the rule of the verdict. A squared piece leaves the room for air like "
            "that of its place of use."
        ),
        None,
    ),
    (
        "humidity.dates_told",
        {},
        (
            "If nothing is done, each date is that of the timber's verdict. What a way changes is worked out "
            "in one usual year with fewer members, and laid upon it."
        ),
        None,
    ),
    (
        "humidity.dates_compare",
        {"tags": ["OAK-1", "OAK-2"]},
        (
            "The dates of OAK-1, OAK-2 compare two airs in one usual year, with fewer members and on a "
            "coarser grid than a verdict. A timber's own date is that of its verdict; it may lie months "
            "from these."
        ),
        None,
    ),
    (
        "humidity.checking_limits",
        {},
        (
            "Checking limits are published for thin boards. For a heavy timber they are a comparison, "
            "not a promise. A boxed heart checks in any air."
        ),
        None,
    ),
    (
        "humidity.stages_as_printed",
        {},
        "Every stage of the published safe start is kept to its end.",
        None,
    ),
    (
        "humidity.surface_may_dry_again",
        {"below_pct": 45.0},
        (
            "Below a mean of 45 % MC a surface may dry again to the driest it has been (our own "
            "judgement, no source)."
        ),
        None,
    ),
    (
        "humidity.machine_figures",
        {"refrigerant_kwh_l": 0.5, "desiccant_kwh_l": 1.2, "person_l_h": 0.3},
        (
            "Machine ratings and energy (0.5 kWh a litre for a refrigerant dehumidifier in warm air, "
            "1.2 for a desiccant one) are common practice, no source. A person at work gives off 0.3 l "
            "an hour."
        ),
        None,
    ),
    (
        "humidity.no_safe_start",
        {"species": ("teak",)},
        (
            "No published safe start is known for teak. Nothing in this window protects its surface "
            "from checking."
        ),
        None,
    ),
    (
        "humidity.if_warmer",
        {"held_c": 20.0, "sooner_weeks": 4.2},
        (
            "Held at 68 °F, with the same humidities, the chosen timbers would be ready about 4 weeks "
            "sooner on average."
        ),
        (
            "Held at 20 °C, with the same humidities, the chosen timbers would be ready about 4 weeks "
            "sooner on average."
        ),
    ),
    (
        "humidity.if_leaving",
        {"sooner_weeks": 0.3},
        "If squared pieces left this room at once, they would be ready at about the same time.",
        None,
    ),
    (
        "humidity.more_readings",
        {},
        "More readings of the timbers narrow the dates. Each verdict names the reading that helps most.",
        None,
    ),
    (
        "caution.machine",
        {},
        (
            "A humidifier or dehumidifier is electricity beside water: feed it through a "
            "residual-current device of 30 mA or less, and empty full tanks. Burn nothing in a closed "
            "room. Never rely on this plan for safety."
        ),
        None,
    ),
    (
        "caution.wiring",
        {},
        (
            "Have fixed wiring done by a licensed electrician, and never let this plan control a "
            "machine's safety."
        ),
        None,
    ),
    (
        "caution.mould",
        {},
        (
            "Mould grows in weeks of damp, still air. Inspect wet faces, keep the air moving, and wear "
            "a mask where mould has grown."
        ),
        None,
    ),
    (
        "caution.combustion",
        {},
        "Close a room against draughts only where nothing burns fuel in it.",
        None,
    ),
    (
        "caution.set_point",
        {"hours": 24.0},
        (
            "The set-point expires after 24 hours unless it is published again. It is a request, never "
            "a safety control. The machine must have its own limits, switch itself off when it is full,"
            " hot or out of contact, and be fed through a residual-current device."
        ),
        None,
    ),
    (
        "caution.heavy",
        {"mass_kg": 96.2, "heavy_kg": 115.4},
        (
            "It weighs 212 lb green, and up to 254 lb from a dense tree or with much sapwood. Lift it with "
            "a hoist, skates or enough people, keep feet clear, and choose slings for the larger weight."
        ),
        (
            "It weighs 96 kg green, and up to 115 kg from a dense tree or with much sapwood. Lift it with a"
            " hoist, skates or enough people, keep feet clear, and choose slings for the larger weight."
        ),
    ),
    (
        "weight.green",
        {"light_kg": 72.6, "usual_kg": 91.2, "heavy_kg": 146.1, "known": False},
        (
            "It weighs about 201 lb green, from 160 lb out of a light tree with little sapwood to 322 lb out"
            " of a dense one or with much sapwood."
        ),
        (
            "It weighs about 91 kg green, from 73 kg out of a light tree with little sapwood to 146 kg out of"
            " a dense one or with much sapwood."
        ),
    ),
    (
        "weight.green",
        {"light_kg": 72.6, "usual_kg": 91.2, "heavy_kg": 110.0, "known": True},
        "It weighs about 201 lb, from 160 lb out of a light tree to 243 lb out of a dense one.",
        "It weighs about 91 kg, from 73 kg out of a light tree to 110 kg out of a dense one.",
    ),
    (
        "caution.lift",
        {"heavy_kg": 146.1, "alone_kg": 25.0},
        (
            "Plan the lift for 322 lb. Not a lift for one: keep feet clear and use a hoist, skates or "
            "enough people (by hand 6, at 55 lb each). Your local rules for lifting come first."
        ),
        (
            "Plan the lift for 146 kg. Not a lift for one: keep feet clear and use a hoist, skates or "
            "enough people (by hand 6, at 25 kg each). Your local rules for lifting come first."
        ),
    ),
    (
        "caution.heaviest",
        {"heavy_kg": 115.4},
        (
            "The heaviest piece may weigh 254 lb. Arrange hoist, slings and vehicle for that weight, "
            "and keep people from under it."
        ),
        (
            "The heaviest piece may weigh 115 kg. Arrange hoist, slings and vehicle for that weight, "
            "and keep people from under it."
        ),
    ),
    (
        "caution.boxed_heart",
        {"check_mm": 6.35},
        (
            "A boxed heart checks in any air. Expect about 0.25 in of open checks in all on the face "
            "nearest the pith."
        ),
        (
            "A boxed heart checks in any air. Expect about 6.3 mm of open checks in all on the face "
            "nearest the pith."
        ),
    ),
    (
        "caution.turn_the_check",
        {},
        "A boxed heart checks in any air. Turn its check to a face that nobody sees.",
        None,
    ),
    (
        "caution.saw",
        {},
        (
            "A heavy timber on a saw: support it at both ends of the cut, look for metal, and keep the "
            "dust out of your lungs."
        ),
        None,
    ),
    (
        "caution.strength",
        {},
        (
            "Strength is not checked here. Where people depend on the piece, its size and grade follow "
            "the local code and a licensed designer."
        ),
        None,
    ),
]


NAMES = [f"{n}-{each[0]}" for n, each in enumerate(SAID)]


@pytest.mark.parametrize(("code", "values", "inch", "metric"), SAID, ids=NAMES)
def test_a_reason_is_written_in_the_readers_units(code, values, inch, metric):
    reason = Reason(code=code, values=values)
    assert text.sentence(reason, "inch") == inch
    assert text.sentence(reason, "metric") == (metric or inch)
    assert not METRES.search(text.sentence(reason, "inch"))
    assert not INCHES.search(text.sentence(reason, "metric").replace("keep feet clear", ""))


def test_every_code_is_held_here():
    assert {each[0] for each in SAID} == {*humidity.SENTENCES, *cautions.SENTENCES}


def test_a_reason_is_read_the_same_after_json():
    for code, values, inch, _ in SAID:
        stored = Reason.from_json(Reason(code=code, values=values).to_json())
        assert text.sentence(stored, "inch") == inch
