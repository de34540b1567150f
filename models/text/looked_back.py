"""Sentences of plans of a room's air that are looked back on, and of what they teach the next one."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from baulk.models.formatting import about, count, day, share
from baulk.models.text.air_ways import NAMES
from baulk.models.text.common import Values, Writer, fixed, listed, pct
from baulk.models.units import System

MONTH_DAYS: Final = 30.4
SURE: Final = 1.96  # the two ends of a normal 95 % range


def _plan(values: Values, _system: System) -> str:
    by = f" by {values['by']}" if values["by"] else ""
    return f"{_when(values)}, followed{by}: {NAMES[values['way']].lower()}."


def _kept(values: Values, _system: System) -> str:
    return f"{_when(values)}. Nobody said that it is followed, so it counts as what comes if nothing is done."


def _when(values: Values) -> str:
    return f"The plan of {day(values['made_utc'])}"


def _early(values: Values, _system: System) -> str:
    weeks = int(values["weeks"])
    return (
        f"Too early to say: {count(weeks, 'week')} {'has' if weeks == 1 else 'have'} passed, of the "
        f"{values['wanted_weeks']:.0f} that it takes at the least."
    )


def _inside(values: Values, _system: System) -> str:
    return (
        f"The air lay inside the window for {_part(values['share'])}{_error(values['se_share'], 100, '')} "
        f"of {count(values['hours'], 'measured hour')}, over {count(values['weeks'], 'week')}."
    )


def _part(part: float) -> str:
    return f"{100 * part:.0f} %"


def _error(error: float | None, times: float, unit: str) -> str:
    """Write a standard error over weeks behind its mean."""
    return "" if error is None else f" (± {times * error:.1f}{unit})"


def _humidity(values: Values, _system: System) -> str:
    return (
        f"Mean humidity promised {values['promised_pct']:.0f} %, measured {values['measured_pct']:.0f} %"
        f"{_error(values['se_pct'], 1, '')}."
    )


def _warmth(values: Values, system: System) -> str:
    times, unit = (1.8, "°F") if system in {"inch", "F"} else (1.0, "°C")
    off = times * values["off_k"]
    if abs(off) < 0.5:
        return "It was as warm as promised, within half a degree."
    error = _error(values["se_k"], times, "")
    return f"It was {abs(off):.1f} {unit}{error} {'warmer' if off > 0 else 'colder'} than promised."


def _left(values: Values, _system: System) -> str:
    return f"{values['tag']} has left the room, so its promise can't be held against what came."


def _moisture(values: Values, _system: System) -> str:
    off = values["now_pct"] - values["promised_pct"]
    said = (
        f"{values['tag']} was to be at {pct(values['promised_pct'])} by now and is at "
        f"{pct(values['now_pct'])}"
    )
    known = SURE * values["sd_pct"]
    if abs(off) <= known:
        return f"{said}: as promised, within what is known of both (± {known:.1f})."
    return f"{said}: {'wetter' if off > 0 else 'drier'} by more than is known of both (± {known:.1f})."


def _months(days: float) -> str:
    """Write a difference of dates without its sign: months, or weeks below one."""
    if abs(days) < MONTH_DAYS:
        return count(round(abs(days) / 7), "week")
    return f"{abs(days) / MONTH_DAYS:.1f} months"


def _late(values: Values) -> str:
    days, known = values["late_days"], SURE * values["sd_days"]
    if abs(days) < 3.5:
        return "on the promised week"
    way = "later" if days > 0 else "sooner"
    sure = "no more than is known" if abs(days) <= known else "more than is known"
    return f"{_months(days)} {way} than promised, {sure} of the two dates (± {_months(known)})"


def _promised(values: Values) -> str:
    return f"{values['tag']} was promised for {about(values['promised_utc'], None).removeprefix('about ')}"


def _ready(values: Values, _system: System) -> str:
    return f"{_promised(values)} and was ready in the week of {day(values['came_utc'])}: {_late(values)}."


def _overdue(values: Values, _system: System) -> str:
    came = values["came_utc"]
    now = "no date is told for it" if came is None else f"it is expected {about(came, None)}"
    return f"{_promised(values)} and is not ready; now {now}: {_late(values)}."


def _ahead(values: Values, _system: System) -> str:
    return f"{_promised(values)}; now it is expected {about(values['came_utc'], None)}: {_late(values)}."


def _unknown(values: Values, _system: System) -> str:
    return f"{_promised(values)}; its verdict tells no date now."


def _no_date(values: Values, _system: System) -> str:
    tags = list(values["tags"])
    were = "it was" if len(tags) == 1 else "they were"
    return f"No date was promised for {listed(tags)}: {were} not expected within the plan's three years."


def _checks(values: Values, _system: System) -> str:
    tags = values["tags"]
    came = f"a check was entered of {', '.join(tags)}" if tags else "no new check was entered"
    over = "In that year" if values["over"] else "So far"
    return (
        f"The chance told that a surface is asked for more than it stands, the worst of "
        f"{count(values['count'], 'timber')} in the first year: {share(values['chance'])}. {over} {came}."
    )


def _water(values: Values, _system: System) -> str:
    litres, kwh = values["litres"], values["energy_kwh"]
    told = [
        *([f"{litres:.0f} litres"] if litres else []),
        *([f"{kwh:.0f} kWh"] if kwh else []),
    ]
    stands = "" if values["told"] else "; nobody told what was moved or used, so nothing stands against it"
    return f"Promised for the first year: {' and '.join(told)}{stands}."


def _used(values: Values, _system: System) -> str:
    told = [
        f"{values[came]:.0f} {unit} in {count(round(values[days]), 'day')}, promised for them "
        f"{values[due]:.0f}"
        for came, due, days, unit in (
            ("litres", "promised_litres", "litres_days", "litres"),
            ("energy_kwh", "promised_kwh", "kwh_days", "kWh"),
        )
        if values[days]
    ]
    return f"Told by those who read it off: {'; '.join(told)}."


def _read_off(values: Values, _system: System) -> str:
    amounts = [
        *([] if values["litres"] is None else [f"{values['litres']:g} litres"]),
        *([] if values["energy_kwh"] is None else [f"{values['energy_kwh']:g} kWh"]),
    ]
    by = f", by {values['by']}" if values["by"] else ""
    return f"{' and '.join(amounts)} from {day(values['since_utc'])} to {day(values['until_utc'])}{by}"


def _lesson(values: Values, _system: System) -> str:
    known = _months(values["told_sd_days"] * SURE)
    return (
        f"{_erred(values)} Drawn toward none by how few they are, that is not beyond its own uncertainty "
        f"(± {known}), so no date is moved by it."
    )


def _lesson_used(values: Values, _system: System) -> str:
    told, known = values["told_days"], _months(values["told_sd_days"] * SURE)
    return (
        f"{_erred(values)} So every date here is {_months(told)} (± {known}) "
        f"{'later' if told > 0 else 'sooner'} than the model alone has it; a timber's own verdict does not "
        "know of that."
    )


def _erred(values: Values) -> str:
    days, plans = values["late_days"], values["plans"]
    whose = "One earlier plan" if plans == 1 else f"{plans} earlier plans"
    way = "too early" if days > 0 else "too late"
    return (
        f"{whose} promised {_months(days)} {way} for {count(values['timbers'], 'timber')} (standard error "
        f"{_months(values['se_days'])})."
    )


def _chances(values: Values, _system: System) -> str:
    years = values["years"]
    return (
        f"Over {count(years, 'year')} that ended, the chances told come to {values['expected']:.1f} "
        f"{'year' if values['expected'] == 1 else 'years'} with a check (± {SURE * values['sd']:.1f}); "
        f"a check was entered in {values['came']}."
    )


SENTENCES: Final[Mapping[str, Writer]] = {
    "back.plan": _plan,
    "back.kept": _kept,
    "back.early": _early,
    "back.no_air": fixed("Too little air was measured since to hold it against the window."),
    "back.inside": _inside,
    "back.humidity": _humidity,
    "back.warmth": _warmth,
    "back.left": _left,
    "back.moisture": _moisture,
    "back.ready": _ready,
    "back.overdue": _overdue,
    "back.ahead": _ahead,
    "back.unknown": _unknown,
    "back.no_date": _no_date,
    "back.checks": _checks,
    "back.water": _water,
    "back.used": _used,
    "back.read_off": _read_off,
    "back.lesson": _lesson,
    "back.lesson_used": _lesson_used,
    "back.chances": _chances,
}
