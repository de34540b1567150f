"""Sentences of a plan of a room's humidity."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from baulk.models.formatting import about, capital, count, day, share
from baulk.models.text.common import Values, Writer, fixed
from baulk.models.units import System, show_temperature

LIMITS: Final[Mapping[str, str]] = {
    "checking": "checking limit",
    "mould": "mould limit",
    "condensation": "dew limit",
    "finished work": "limit of the finished work",
    "practice": "limit of common practice",
}


def limit(by: str) -> str:
    """Return what a limit of the window is called."""
    return LIMITS[by]


def _what_if(values: Values, system: System) -> str:
    return (
        f"What if: {values['place']} is held at {values['set_pct']:.0f} % RH{_warm(values, system)} from "
        f"now on."
    )


def _hold_on(values: Values, system: System) -> str:
    years = f"{values['weeks'] / 52:.0f} years"
    return (
        f"Hold {values['place']} at {values['set_pct']:.0f} % RH{_warm(values, system)} this week and for "
        f"the "
        f"next {years}."
    )


def _hold(values: Values, system: System) -> str:
    steps = ", ".join(f"{each['set_pct']:.0f} % by {day(each['by_utc'])}" for each in values["steps"])
    return (
        f"Hold {values['place']} at {values['set_pct']:.0f} % RH{_warm(values, system)} this week. Then "
        f"change "
        f"it in steps: {steps}."
    )


def _warm(values: Values, system: System) -> str:
    return "" if values["held_c"] is None else f" and {show_temperature(values['held_c'], system)}"


def _window(values: Values, system: System) -> str:
    return (
        f"This week's window at {show_temperature(values['temp_c'], system)}: {values['low_pct']:.0f} % "
        f"({_side(values, 'low_by')}) to {values['high_pct']:.0f} % ({_side(values, 'high_by')})."
    )


def _no_window(values: Values, _system: System) -> str:
    return (
        f"This week no humidity suits every timber. The lower limit is {values['low_pct']:.0f} % "
        f"({_side(values, 'low_by')}), the upper limit {values['high_pct']:.0f} % "
        f"({_side(values, 'high_by')})."
    )


def _side(values: Values, which: str) -> str:
    by, finished = values[which], values["finished"]
    if by == "finished work" and finished:
        return f"finished work: {', '.join(finished)}"
    return {
        "checking": "checking limit of the greenest timber",
        "mould": "mould limit, Hukka & Viitanen 1999",
        "condensation": "dew on timber that is colder than the air",
        "finished work": "finished work",
        "practice": "common practice",
    }[by]


def _gain(values: Values, _system: System) -> str:
    said = [_dates(values), _weeks_gained(values)]
    if values["unready_share"] > 0:
        left = capital(share(values["unready_share"]))
        said.append(f"{left} of the ensemble is not ready within {_horizon(values)} even with the plan.")
    return " ".join(said)


def _horizon(values: Values) -> str:
    return f"{values['horizon_weeks'] / 52:.0f} years"


def _dates(values: Values) -> str:
    with_it, without = (
        None if values[f"{each}_utc"] is None else about(values[f"{each}_utc"], values[f"{each}_spread_days"])
        for each in ("plan", "nothing")
    )
    sure, tag = share(values["probability"]), values["tag"]
    never = f"does not reach a probability of {sure} of being ready within {_horizon(values)}"
    if with_it is None:
        if without is None:
            return f"{tag} {never}, with this plan or without it."
        return f"With this plan {tag} {never}. If nothing is done, it may be squared {without}."
    planned = f"With this plan {tag} may be squared {with_it} (probability {sure})."
    if without is None:
        return f"{planned} If nothing is done, it {never}."
    sooner = values["sooner_weeks"]
    if abs(sooner) < 0.5:
        return f"{planned} If nothing is done, the date is the same."
    way = "later" if sooner > 0 else "sooner"
    return f"{planned} If nothing is done, the date is {without}, {_weeks(abs(sooner))} {way}."


def _weeks_gained(values: Values) -> str:
    middle, low, high = (round(values[f"gained_{each}weeks"]) for each in ("", "low_", "high_"))
    if not (middle or low or high):
        apart = values["sooner_weeks"] is not None and abs(values["sooner_weeks"]) >= 0.5
        if apart:  # the dates are those of one probability: close to it, a small change moves them far
            return (
                "In nine chances of ten the plan neither gains nor loses a week: the dates differ because "
                f"the probability stays close to {share(values['probability'])} between them."
            )
        return "The plan neither gains nor loses a week."
    return f"Weeks gained by the plan: median {middle}, 90 % range {low} to {high}."


def _nothing_done(values: Values, _system: System) -> str:
    outside = []
    if values["dry_weeks"]:
        outside.append(f"below the checking limit in {values['dry_weeks']}")
    if values["damp_weeks"]:
        outside.append(f"above the upper limit in {values['damp_weeks']}")
    end = f"{' and '.join(outside)} of {values['weeks']} weeks" if outside else "within both limits all year"
    least, most = (f"{values[each]:.0f}" for each in ("least_pct", "most_pct"))
    if least == most:
        return f"If nothing is done, the air stays at {least} % RH: {end}."
    return f"If nothing is done, the season takes the air from {least} to {most} % RH in a year: {end}."


def _surface_risk(values: Values, _system: System) -> str:
    def told(name: str) -> str:
        most, weeks = f"{values[f'{name}_pct']:.1f} %", values[f"{name}_weeks"]
        if not weeks:
            return f"never ({most} at most)"
        return f"in {_weeks(weeks)}, first in that of {day(values[f'{name}_utc'])} ({most} at most)"

    return (
        f"While checks are decided the surface of {values['tag']} should want to shrink no more than "
        f"{values['tolerated_pct']:.1f} %, as boards of its wood do at the mildest published start. If "
        f"nothing is done it is asked for more {told('nothing')}; with this plan {told('plan')}."
    )


def _closed(values: Values, _system: System) -> str:
    whose = f" of {values['tag']}" if values["tag"] else ""
    return (
        f"No humidity suits every timber in {values['weeks']} of {values['of_weeks']} weeks. In "
        f"{values['met_weeks']} of them the {limit(values['low_by'])}{whose} lies above the "
        f"{limit(values['high_by'])}. The plan keeps to the upper limit in those weeks."
    )


def _move(values: Values, _system: System) -> str:
    return f"Moving {values['tag']} to a room of its own opens {_opens(values)}."


def _cover(values: Values, _system: System) -> str:
    return f"Wrapping or moving the finished work ({', '.join(values['names'])}) opens {_opens(values)}."


def _surface(done: str) -> Writer:
    """Return the writer of a remedy that keeps the surface of one timber damp."""

    def write(values: Values, _system: System) -> str:
        return (
            f"{done.format(tag=values['tag'])} keeps its surface damp enough in {values['weeks']} of the "
            f"{values['of_weeks']} closed weeks. In the worst week the surface is at "
            f"{values['surface_pct']:.0f} % MC and the safe start asks for {values['needed_pct']:.0f} %. It "
            "slows the drying."
        )

    return write


def _cool(values: Values, system: System) -> str:
    return (
        f"Cooler air opens {_opens(values)}: in the first of them "
        f"{show_temperature(values['cooler_c'], system)} instead of "
        f"{show_temperature(values['now_c'], system)}, held steadily. Mould needs damper air in the cold."
    )


def _no_cooling(values: Values, system: System) -> str:
    return f"Cooling the air, even to {show_temperature(values['coldest_c'], system)}, opens no closed week."


def _opens(values: Values) -> str:
    return f"{values['weeks']} of the {values['of_weeks']} closed weeks"


def _timbers_give(values: Values, _system: System) -> str:
    return (
        f"The timbers give off {_litres(values['now_l_day'])} l of water a day now. Over a year it is "
        f"{_litres(values['mean_l_day'])} l a day on average and {_litres(values['most_l_day'])} l at most."
    )


def _balance(values: Values, _system: System) -> str:
    learned = values["learned_days"]
    source = "" if learned is None else f", learned from {count(round(learned), 'day')} of readings"
    now = values["now_l_day"]
    return (
        f"At {values['per_h']:.2g} air changes an hour{source}, draughts bring in "
        f"{_litres(values['draught_l_day'], '+')} l a day. With {values['people_h_day']:.0f} h of work a "
        f"day, "
        f"{'remove' if now >= 0 else 'add'} {_litres(abs(now))} l a day this week. Over the year it is "
        f"{_litres(values['least_l_day'], '+')} to {_litres(values['most_l_day'], '+')} l a day "
        "(plus: remove, minus: add)."
    )


def _machine(values: Values, _system: System) -> str:
    cost = "" if values["cost"] is None else f", {values['cost']:.0f} at the price given"
    said = (
        f"A {values['kind']} for {_litres(values['l_day'])} l a day uses about {values['kwh_l']:.1f} kWh a "
        f"litre: {values['kwh']:.0f} kWh a year{cost}."
    )
    if values["rated_l_day"] > 1.05 * values["l_day"]:
        said += (
            f" Choose a rating of {values['rated_l_day']:.0f} l a day; ratings hold for warm, damp air, and "
            f"it "
            "removes less from cold or dry air."
        )
    return said


def _litres(amount: float, sign: str = "") -> str:
    digits = 1 if abs(amount) >= 1 else 2
    return f"{amount + 0.0:{sign}.{digits}f}"


def _held_at_every_hour(values: Values, system: System) -> str:
    held = values["held_c"]
    warm = "the season's temperature" if held is None else show_temperature(held, system)
    return f"The room is held at the planned humidity at every hour, at {warm}."


def _surface_may_dry_again(values: Values, _system: System) -> str:
    return (
        f"Below a mean of {values['below_pct']:.0f} % MC a surface may dry again to the driest it has been "
        "(our own judgement, no source)."
    )


def _dates_compare(values: Values, _system: System) -> str:
    tags = values.get("tags", ())  # plans kept before the verdicts told their chances have none
    of = f" of {', '.join(tags)}" if tags else ""
    return (
        f"The dates{of} compare two airs in one usual year, with fewer members and on a coarser grid than a "
        "verdict. A timber's own date is that of its verdict; it may lie months from these."
    )


def _machine_figures(values: Values, _system: System) -> str:
    return (
        f"Machine ratings and energy ({values['refrigerant_kwh_l']:g} kWh a litre for a refrigerant "
        f"dehumidifier in warm air, {values['desiccant_kwh_l']:g} for a desiccant one) are common practice, "
        f"no "
        f"source. A person at work gives off {values['person_l_h']:g} l an hour."
    )


def _no_safe_start(values: Values, _system: System) -> str:
    return (
        f"No published safe start is known for {', '.join(values['species'])}. Nothing in this window "
        "protects its surface from checking."
    )


def _left_out(values: Values, _system: System) -> str:
    return f"{values['tag']} is left out: {values['error']}."


def _few_readings(values: Values, _system: System) -> str:
    return f"{values['tag']} has too few readings of its own. Its forecast rests on its species."


def _representatives(values: Values, _system: System) -> str:
    return (
        f"{values['sampled']} of the {values['count']} timbers in {values['place']} are worked out one by "
        "one, chosen from every wood, use and size as far as possible, the wettest of each first. The "
        "others are counted by their volume and are taken to dry as these do. Name a timber to have it "
        "worked out too."
    )


def _not_learned(values: Values, _system: System) -> str:
    return f"{capital(values['error'])}."


def _if_warmer(values: Values, system: System) -> str:
    return (
        f"Held at {show_temperature(values['held_c'], system)}, with the same humidities, the chosen timbers "
        f"would be ready {_sooner(values)}."
    )


def _if_leaving(values: Values, _system: System) -> str:
    return f"If squared pieces left this room at once, they would be ready {_sooner(values)}."


def _sooner(values: Mapping[str, Any]) -> str:
    weeks = values["sooner_weeks"]
    if abs(weeks) < 1:
        return "at about the same time"
    return f"about {_weeks(abs(weeks))} {'sooner' if weeks > 0 else 'later'} on average"


def _weeks(number: float) -> str:
    whole = round(number)
    return "1 week" if whole == 1 else f"{whole} weeks"


SENTENCES: Final[Mapping[str, Writer]] = {
    "humidity.what_if": _what_if,
    "humidity.hold": _hold,
    "humidity.hold_on": _hold_on,
    "humidity.window": _window,
    "humidity.no_window": _no_window,
    "humidity.gain": _gain,
    "humidity.nothing_to_dry": fixed(
        "No timber here waits to be squared, so the plan stays close to the expected humidity."
    ),
    "humidity.nothing_done": _nothing_done,
    "humidity.closed": _closed,
    "humidity.remedy_move": _move,
    "humidity.remedy_coat": _surface("Coating the four faces of {tag} with wax or paint"),
    "humidity.remedy_still_air": _surface("Keeping draughts off {tag}"),
    "humidity.remedy_cover": _cover,
    "humidity.remedy_cool": _cool,
    "humidity.no_cooling": _no_cooling,
    "humidity.timbers_give": _timbers_give,
    "humidity.balance": _balance,
    "humidity.machine": _machine,
    "humidity.water_unknown": fixed("How much water to remove or add is not known:"),
    "humidity.volume_unknown": fixed("The volume of the room is not known; give it with --volume."),
    "humidity.air_changes_unknown": fixed(
        "The air changes are not known; give them with --air-changes. They can be learned only where a "
        "sensor "
        "measures the air outside too, at a place called outside."
    ),
    "humidity.air_changes_not_learned": _not_learned,
    "humidity.outside_not_measured": fixed(
        "The air outside is not measured. Its water is taken from this place's own season, which is right "
        "for "
        "an open or unheated shed."
    ),
    "humidity.left_out": _left_out,
    "humidity.representatives": _representatives,
    "humidity.few_readings": _few_readings,
    "humidity.held_at_every_hour": _held_at_every_hour,
    "humidity.built_in_this_room": fixed(
        "Readiness follows the rule of the verdict. A squared piece stays in this room's air while it is "
        "built "
        "in."
    ),
    "humidity.built_elsewhere": fixed(
        "Readiness follows the rule of the verdict. A squared piece leaves the room for air like that of its "
        "place of use."
    ),
    "humidity.surface_risk": _surface_risk,
    "humidity.dates_told": fixed(
        "If nothing is done, each date is that of the timber's verdict. What a way changes is worked out in "
        "one usual year with fewer members, and laid upon it."
    ),
    "humidity.dates_compare": _dates_compare,
    "humidity.checking_limits": fixed(
        "Checking limits are published for thin boards. For a heavy timber they are a comparison, not a "
        "promise. A boxed heart checks in any air."
    ),
    "humidity.stages_as_printed": fixed("Every stage of the published safe start is kept to its end."),
    "humidity.surface_may_dry_again": _surface_may_dry_again,
    "humidity.machine_figures": _machine_figures,
    "humidity.no_safe_start": _no_safe_start,
    "humidity.if_warmer": _if_warmer,
    "humidity.if_leaving": _if_leaving,
    "humidity.more_readings": fixed(
        "More readings of the timbers narrow the dates. Each verdict names the reading that helps most."
    ),
}
