"""Sentences of what can be done with a room's air, what is to be done, and which air that rests on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from baulk.models.formatting import count, day, share
from baulk.models.text.common import Values, Writer, fixed
from baulk.models.units import System

MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
NAMES: Final[Mapping[str, str]] = {
    "nothing": "Leave the doors as they are",
    "hold": "Hold the planned humidity",
    "cover": "Cover with a sheet",
    "wrap": "Wrap the green timbers",
    "vent": "Open by the weather",
    "heat": "Heat the room",
    "dry": "Run a dehumidifier",
    "move": "Move one timber",
}
_NEARLY: Final[Mapping[str, str]] = {
    "hold": "holding the planned humidity",
    "cover": "a sheet over the pile",
    "wrap": "wrapping the green timbers",
    "vent": "opening by the weather",
    "heat": "a heater",
    "dry": "a dehumidifier",
    "move": "moving one timber",
}


def name(what: str) -> str:
    """Return what a way is called in a table."""
    return NAMES[what]


def _leave(values: Values, _system: System) -> str:
    tried = values["tried"]
    said = f"None of the {tried} other ways brings" if tried > 1 else "Holding that humidity does not bring"
    return (
        f"Leave the doors of {values['place']} as they are. {said} the timbers forward or "
        f"{'takes' if tried > 1 else 'take'} a risk away."
    )


def _leave_at_risk(values: Values, _system: System) -> str:
    return (
        f"Leave the doors of {values['place']} as they are, and look at the green faces: the chance that a "
        f"surface is asked for more than it stands is {share(values['chance'])}, and no way that was tried "
        "takes it away. See what a coat or another place would do below."
    )


def _leave_near(values: Values, _system: System) -> str:
    low, high = (_weeks(values[f"gained_{each}_weeks"]) for each in ("low", "high"))
    return (
        f"Leave the doors of {values['place']} as they are. {_NEARLY[values['what']].capitalize()} comes "
        f"nearest, {_weeks(values['gained_weeks'])} at the median, but it may be anything from {low} to "
        f"{high}: that is no reason to do it."
    )


def _offer(does: Writer) -> Writer:
    def write(values: Values, system: System) -> str:
        return f"{does(values, system)}: {_why(values)}."

    return write


def _why(values: Values) -> str:
    if values["why"] == "checks":
        return (
            f"the chance that a green surface is asked for more than it stands falls from "
            f"{share(values['nothing_chance'])} to {share(values['chance'])}"
        )
    if values["why"] == "finished":
        return "the finished work then lies in air that it tolerates"
    if values["why"] == "mould":
        return "mould that would be seen within a year does not come"
    low, high = (_weeks(values[f"gained_{each}_weeks"]) for each in ("low", "high"))
    return f"the timbers are ready {_weeks(values['gained_weeks'])} (90 % range {low} to {high})"


def _kelvin(warmer: float, system: System) -> str:
    """Write a difference of temperatures."""
    return f"{warmer * 1.8:.0f} °F" if system in {"inch", "F"} else f"{warmer:.0f} °C"


def _weeks(number: float) -> str:
    whole = round(abs(number))
    if not whole:
        return "at the same time"
    return f"{whole} week{'s' if whole > 1 else ''} {'sooner' if number > 0 else 'later'}"


def _hold(values: Values, _system: System) -> str:
    return f"Hold {values['place']} at {values['set_pct']:.0f} % RH this week"


def _cover(values: Values, _system: System) -> str:
    return f"Hang a sheet over the green timbers of {values['place']} to keep the draught off"


def _wrap(values: Values, _system: System) -> str:
    return f"Wrap the green timbers of {values['place']} for {count(round(values['weeks']), 'week')}"


def _vent(values: Values, _system: System) -> str:
    return f"Open {values['place']} while the dew point outside is lower than inside, and shut it otherwise"


def _heat(values: Values, system: System) -> str:
    return f"Keep {values['place']} {_kelvin(values['warmer_k'], system)} warmer than it would be"


def _dry(values: Values, _system: System) -> str:
    return f"Run a dehumidifier in {values['place']}, set to {values['to_pct']:.0f} % RH at the driest"


def _move(values: Values, _system: System) -> str:
    week = values["week"]
    when = "now" if not week else f"in {count(round(week), 'week')}"
    return f"Move {values['tag']} to {values['to']} {when}"


def _way_heat(values: Values, system: System) -> str:
    return (
        f"Heat: {_kelvin(values['warmer_k'], system)} warmer, with the water of the air "
        "as it is, so that it becomes drier. Its electricity is for the air let in alone; walls and roof "
        "lose more."
    )


def _way_move(values: Values, _system: System) -> str:
    week = values["week"]
    when = "now" if not week else f"in {count(round(week), 'week')}"
    return (
        f"Move: {values['tag']}, the wettest that waits, goes to {values['to']} {when} and stays there; of "
        "today, a quarter and half a year ahead this is the best."
    )


def _air_own(values: Values, _system: System) -> str:
    return f"The air ahead is the record of {values['place']}, measured in every month of the year."


def _air_filled(by: str) -> Writer:
    def write(values: Values, _system: System) -> str:
        return (
            f"The air ahead of {values['place']} was measured in {_named(values['months'])}; {by} for "
            f"{_named(values['missing'])}, which nobody has measured here."
        )

    return write


def _air_mean(values: Values, _system: System) -> str:
    return (
        f"No month of {values['place']} has been measured for a fortnight yet: the mean of its short record "
        "stands in for the whole year, so winter and summer are alike and every date is rough."
    )


def _air_settings(values: Values, _system: System) -> str:
    return f"The air ahead of {values['place']} is the settings' climate; no month has been measured yet."


def _weather_used(values: Values, _system: System) -> str:
    return (
        f"The days to {day(values['last_utc'])} come from the weather told on {day(values['issued_utc'])}; "
        f"of its changes {values['place']} follows {share(values['temp_share'])} in warmth and "
        f"{share(values['water_share'])} in water; over the last two of them the season takes over."
    )


def _weather_outside_only(values: Values, _system: System) -> str:
    return (
        f"The weather told on {day(values['issued_utc'])} counts outside until {day(values['last_utc'])}; "
        f"how far {values['place']} follows it is not known yet, so its own air is the season's."
    )


def _weather_no_outside(values: Values, _system: System) -> str:
    return (
        f"The weather told on {day(values['issued_utc'])} is not used: the air outside is not measured, "
        f"so that how far {values['place']} follows it can't be told."
    )


def _named(months: tuple[int, ...]) -> str:
    """Name months, those that follow each other by the first and the last."""
    runs: list[list[int]] = []
    for each in months:
        if runs and each == runs[-1][-1] + 1:
            runs[-1].append(each)
        else:
            runs.append([each])
    if len(runs) > 1 and runs[0][0] == 0 and runs[-1][-1] == 11:  # over the new year
        runs[0] = runs.pop() + runs[0]
    said = [MONTHS[run[0]] if len(run) == 1 else f"{MONTHS[run[0]]} to {MONTHS[run[-1]]}" for run in runs]
    return said[0] if len(said) == 1 else f"{', '.join(said[:-1])} and {said[-1]}"


SENTENCES: Final[Mapping[str, Writer]] = {
    "humidity.leave": _leave,
    "humidity.leave_at_risk": _leave_at_risk,
    "humidity.leave_near": _leave_near,
    "humidity.offer_hold": _offer(_hold),
    "humidity.offer_cover": _offer(_cover),
    "humidity.offer_wrap": _offer(_wrap),
    "humidity.offer_vent": _offer(_vent),
    "humidity.offer_heat": _offer(_heat),
    "humidity.offer_dry": _offer(_dry),
    "humidity.offer_move": _offer(_move),
    "humidity.way_nothing": fixed("Nothing: the air of the season, as assumed."),
    "humidity.way_hold": fixed("Hold: every hour at the planned humidity, by machine."),
    "humidity.way_cover": fixed(
        "Cover: a sheet with open ends leaves still air, in which a face gives off 45 % of what it gives off "
        "in a light draught (laminar plate, computed). Nothing is said of mould under the sheet."
    ),
    "humidity.way_wrap": fixed(
        "Wrap: film on all four faces for a quarter of a year, then bare. Mould under film is not modelled: "
        "look every week."
    ),
    "humidity.way_vent": fixed(
        "Open by the weather: doors open while the air outside holds less water; the room keeps its "
        "temperature. It is worked out with the months' usual hours, so that single dry days count too "
        "little."
    ),
    "humidity.way_heat": _way_heat,
    "humidity.way_dry": fixed(
        "Dehumidifier: water is taken out down to the dry side of the window, never below 50 % RH; none is "
        "added."
    ),
    "humidity.way_move": _way_move,
    "humidity.cannot_turn": fixed(
        "What turning brings can't be worked out: the model gives every face the same air. Turn for stain "
        "and stickers."
    ),
    "humidity.cannot_vent": fixed(
        "What opening by the weather brings can't be worked out: the air outside is not measured apart from "
        "this place. A sensor at a place called outside tells."
    ),
    "humidity.cannot_move": fixed(
        "What moving a timber brings can't be worked out: no other place has a record of its air."
    ),
    "humidity.air_own": _air_own,
    "humidity.air_nearest": _air_filled("the nearest measured month stands in"),
    "humidity.air_partly": _air_filled("the settings' climate stands in"),
    "humidity.air_mean": _air_mean,
    "humidity.air_settings": _air_settings,
    "humidity.weather_used": _weather_used,
    "humidity.weather_outside_only": _weather_outside_only,
    "humidity.weather_no_outside": _weather_no_outside,
}
