"""A plan of a room's air in plain sentences, with what it rests on and what would change it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.checking import DECIDED_ABOVE_PCT
from baulk.models.formatting import day, share
from baulk.models.plan.humidity import schedule
from baulk.models.plan.humidity.remedies import both_c
from baulk.models.plan.humidity.timbers import WEEK_S
from baulk.models.plan.humidity.water import DESICCANT_KWH_L, RATED_KWH_L

if TYPE_CHECKING:
    from baulk.models.plan.humidity.plan import AirPlan, Gain, Week
    from baulk.models.plan.humidity.schedule import Need

Floats = NDArray[np.float64]

TURN_RH: Final = 2.0  # of the schedule that is worth naming
WARMER_K: Final = 5.0
NAMED_WEEKS: Final = 104
CAUTION: Final = (
    "Humidifiers and dehumidifiers put electricity beside water: a residual-current device of 30 mA or less, "
    "full tanks emptied, no combustion heater in a closed room. Never control safety by this plan."
)


def plan(made: AirPlan) -> tuple[str, ...]:
    """Say a plan.

    Parameters
    ----------
    made : AirPlan
        The plan.

    Returns
    -------
    tuple of str
        Sentences, the most needed first.

    References
    ----------
    None: words.
    """
    said = [_schedule(made), _window(made.weeks[0], made), *(_gain(each, made) for each in made.gains)]
    if not made.gains:
        said.append("No timber here waits to be dried to its square, so the air keeps to what is expected.")
    said += [_nothing(made), *_closed(made), *_water(made), CAUTION]
    return tuple(each for each in said if each)


def turns(values: Sequence[float], tolerance: float) -> list[int]:
    """Find the fewest points of a line that straight lines between them follow within a tolerance.

    Parameters
    ----------
    values : sequence of float
        Evenly spaced.
    tolerance : float
        Largest distance.

    Returns
    -------
    list of int
        Places, the first and the last among them.

    References
    ----------
    Ramer, U., 1972. Computer Graphics and Image Processing 1, 244-256.
    """
    line = np.asarray(values, dtype=float)

    def between(first: int, last: int) -> list[int]:
        if last - first < 2:
            return []
        straight = np.interp(np.arange(first, last + 1), [first, last], line[[first, last]])
        off = np.abs(line[first : last + 1] - straight)
        worst = first + int(np.argmax(off))
        if off.max() <= tolerance:
            return []
        return [*between(first, worst), worst, *between(worst, last)]

    return [0, *between(0, line.size - 1), line.size - 1]


def _schedule(made: AirPlan) -> str:
    warm = f" at {both_c(made.held_c)}" if made.held_c is not None else ""
    if made.what_if:
        return f"What if {made.place} is held at {made.set_pct:.0f} % RH{warm} from now on."
    weeks = made.weeks[:NAMED_WEEKS]
    marks = turns([each.set_pct for each in weeks], TURN_RH)
    told = [i for last, i in pairwise(marks) if abs(weeks[i].set_pct - weeks[last].set_pct) >= 1]
    later = [f"{weeks[i].set_pct:.0f} % by {day(weeks[i].starts_utc)}" for i in told]
    steps = (
        "" if all(abs(weeks[i].set_pct - made.set_pct) < TURN_RH for i in marks) else "; then step by step "
    )
    return f"Hold {made.place} at {made.set_pct:.0f} % RH this week{warm}" + (
        f"{steps}{', '.join(later[:6])}." if steps else ", and so on for two years."
    )


def _window(week: Week, made: AirPlan) -> str:
    sides = (
        f"{week.low_pct:.0f} % ({_side(week.low_by, made)}) to {week.high_pct:.0f} % "
        f"({_side(week.high_by, made)})"
    )
    if week.low_pct > week.high_pct:
        return f"This week no humidity suits all: the limits are {sides}."
    return f"The window this week, at {both_c(week.temp_c)}: {sides}."


def _side(by: str, made: AirPlan) -> str:
    keep = [each.name for each in made.bands]
    return {
        "checking": "the checking limit of the greenest timber",
        "mould": "mould, Hukka & Viitanen 1999",
        "condensation": "dew on timber that is colder than the air",
        "finished work": "finished work" + (f": {', '.join(keep)}" if keep else ""),
        "practice": "common practice",
    }[by]


def _gain(gain: Gain, made: AirPlan) -> str:
    horizon = len(made.weeks)
    years = f"{horizon / 52:.0f} years"

    def when(at: datetime | None) -> str:
        return (
            f"not {share(made.sure)} sure inside {years}"
            if at is None
            else f"{share(made.sure)} sure by {day(at)}"
        )

    gained = gain.gained_weeks
    middle = gained.median
    if abs(middle) < 0.5 and abs(gained.low) < 0.5 and abs(gained.high) < 0.5:
        told = "neither gains nor loses a week"
    else:
        way = "gains" if middle > -0.5 else "loses"
        told = (
            f"{way} {_weeks(abs(middle))}, nine times in ten "
            f"{round(gained.low):+d} to {round(gained.high):+d}"
        )
    left = f"; {share(gain.unready)} of the ensemble is not ready by then" if gain.unready > 0 else ""
    return (
        f"{gain.tag} may be squared: {when(gain.plan_utc)}; if nothing is done, {when(gain.nothing_utc)}"
        f"{_apart(gain)}. Of the ensemble's members the middle one {told}{left}."
    )


def _apart(gain: Gain) -> str:
    """Tell how far the two dates lie apart."""
    weeks = gain.date_gain_weeks
    if weeks is None:
        return ""
    return (
        f", {_weeks(abs(weeks))} {'later' if weeks >= 0 else 'sooner'}" if abs(weeks) >= 0.5 else ", the same"
    )


def _nothing(made: AirPlan) -> str:
    year = made.weeks[:52]
    rh = [each.expected_pct for each in year]
    dry = sum(each.checking_pct is not None and each.expected_pct < each.checking_pct - 0.5 for each in year)
    damp = sum(each.expected_pct > each.high_pct + 0.5 for each in year)
    out = []
    if dry:
        out.append(f"drier than the checking limit in {dry}")
    if damp:
        out.append(f"above the upper limit in {damp}")
    return (
        f"If nothing is done the season takes the air from {min(rh):.0f} to {max(rh):.0f} % RH in a year, "
        + (f"{' and '.join(out)} of 52 weeks." if out else "inside both limits all year.")
    )


def _closed(made: AirPlan) -> list[str]:
    if not made.closed:
        return []
    shut = sum(each[3] for each in made.closed)
    low, tag, high, weeks = made.closed[0]
    whose = f" of {tag}" if tag else ""
    return [
        (
            f"In {shut} of {len(made.weeks)} weeks no humidity suits all; in {weeks} of them the {low} "
            f"limit{whose} lies above the {high} limit. Those weeks keep to the upper one."
        ),
        *(each.words for each in made.remedies),
    ]


def _water(made: AirPlan) -> list[str]:
    year = made.weeks[:52]
    gives = np.array([each.timbers_l_day for each in year])
    said = [
        (
            f"The timbers give off {_litres(gives[0])} l of water a day now, {_litres(gives.mean())} on the "
            f"mean of a year and {_litres(gives.max())} at most."
        )
    ]
    if made.water_unknown or made.exchange is None:
        return [*said, f"What is to be taken out or added is not known: {made.water_unknown}"]
    need = np.array([each.need_l_day for each in year], dtype=float)
    now = year[0]
    way = "taken out" if need[0] >= 0 else "added"
    rate = made.exchange
    learned = f" (learned from {rate.days:.0f} days of readings)" if rate.how == "learned" else ""
    draught, most = _litres(now.draught_l_day or 0.0, "+"), _litres(need.max(), "+")
    said.append(
        f"With the draught ({rate.per_h:.2g} air changes an hour{learned}: {draught} l a day) and "
        f"{made.people_h_day:.0f} h of work a day, {_litres(abs(need[0]))} l a day must be {way} this week; "
        f"over the year from {_litres(need.min(), '+')} to {most} (above 0 out, below 0 in)."
    )
    for each in made.machines:
        money = "" if each.cost is None else f", {each.cost:.0f} at the price given"
        plate = (
            f" (nameplate {each.rated_l_day:.0f} l/day at 27 °C, 60 %: it takes less out of cold or dry air)"
            if each.rated_l_day > 1.05 * each.l_day
            else ""
        )
        said.append(
            f"A {each.kind} for {_litres(each.l_day)} l/day{plate}: about {each.kwh_l:.1f} kWh a litre, "
            f"{each.kwh:.0f} kWh a year{money}."
        )
    return said


def assumptions(need: Need) -> tuple[str, ...]:
    """Say what a plan rests on.

    Parameters
    ----------
    need : Need
        What it is for.

    Returns
    -------
    tuple of str
        Sentences.

    References
    ----------
    None: words.
    """
    room = need.room
    said = [
        "The air is held at the humidity named at every hour"
        + (
            " and at the temperature of the season."
            if room.held_c is None
            else f" and at {both_c(room.held_c)}."
        ),
        "Readiness is the verdict's own rule, with a squared piece staying in this room's air for its build."
        if any(each.build_days for each in need.targets)
        else "Readiness is the verdict's own rule, with squared pieces leaving the room for air like their "
        "place's.",
        (
            "Checking limits are published for boards of 1 and 2 inches: for a heavy timber a comparison, "
            "never a promise; a boxed heart checks whatever the air."
        ),
        "The stages of the published start hold as printed to their end."
        if need.strict
        else f"Below {DECIDED_ABOVE_PCT:.0f} % on the mean a surface may stand again the driest it has stood "
        "(our own judgement, no source).",
        (
            f"Nameplates and energy of machines ({RATED_KWH_L:g} kWh a litre in warm air, "
            f"{DESICCANT_KWH_L:g} for a desiccant) are common practice, no source; a person at work gives "
            "off 0.3 l an hour."
        ),
    ]
    without = sorted({each.species.name for each in need.stocks if not each.stages()})
    if without:
        said.append(
            f"For {', '.join(without)} no published safe start is known here: nothing in this window guards "
            "their surface."
        )
    return tuple(said)


def changes(need: Need, rh_pct: Floats) -> tuple[str, ...]:
    """Work out what would change a plan: a warmer room, squared pieces that leave it.

    Parameters
    ----------
    need : Need
        What it is for.
    rh_pct : ndarray, shape (n,)
        Its schedule. [%]

    Returns
    -------
    tuple of str
        Sentences with their weeks, by the proxy of `schedule.score`.

    References
    ----------
    None: the same computation with one thing changed.
    """
    if not need.targets:
        return ()
    room = need.room
    few = [schedule.told(each, room) for each in need.targets]
    now = schedule.score(rh_pct, need, few)
    warm = float(np.mean(room.temp_c[:52])) + WARMER_K
    said = []
    if warm <= 40:
        warmer = schedule.score(rh_pct, replace(need, room=replace(room, held_c=warm)), few)
        said.append(
            f"Held at {both_c(warm)}, with the same humidities, the chosen timbers would be ready "
            f"{_sooner(now - warmer)}."
        )
    if any(each.build_days for each in few):
        leaving = [replace(each, build_days=0.0, _kept={}) for each in few]
        said.append(
            "If squared pieces left this room at once for air like their place's, they would be ready "
            f"{_sooner(now - schedule.score(rh_pct, need, leaving))}."
        )
    said.append(
        "A further reading of the timbers narrows the weeks; each verdict names the one that helps most."
    )
    return tuple(said)


def _sooner(weeks: float) -> str:
    if abs(weeks) < 1:
        return "at about the same time"
    return f"about {_weeks(abs(weeks))} {'sooner' if weeks > 0 else 'later'} on the mean"


def _weeks(number: float) -> str:
    whole = round(number)
    return "1 week" if whole == 1 else f"{whole} weeks" if whole else "no week"


def _litres(amount: float, sign: str = "") -> str:
    digits = 1 if abs(amount) >= 1 else 2
    return f"{amount + 0.0:{sign}.{digits}f}"


def until(made: AirPlan) -> float:
    """Give the end of the week that a plan speaks of now, POSIX seconds.

    Parameters
    ----------
    made : AirPlan
        The plan.

    Returns
    -------
    float
        Moment. [s]

    References
    ----------
    None: a week.
    """
    return made.weeks[0].starts_utc.timestamp() + WEEK_S
