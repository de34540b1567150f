"""What could be done with a room or with a timber as rows, the same on a page, from a command, on paper."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Final

from baulk.dashboard import words
from baulk.models.formatting import share, show_movement
from baulk.models.plan.choices.choice import Choice
from baulk.models.plan.humidity import mould
from baulk.models.plan.humidity.air_plan import AirPlan
from baulk.models.plan.humidity.outcome import Alternative
from baulk.models.text import air_ways, sentence
from baulk.models.text import choices as text_choices
from baulk.models.units import System, TemperatureUnit, show_temperature

UNKNOWN = "-"
WEEK_HEADS = ("week from", "temp", "hold", "not below", "not above", "if nothing is done", "l/day out")
_WEEKS: Final = (0, 1, 2, 3, 4, 6, 8, 12, 16, 20, 26, 32, 38, 44, 52, 65, 78, 91, 104)
CHOICE_HEADS = ("", "Ready", "Comes out", "Stays", "Bad check", "Work, h", "Cost", "Sawn off")


def known(
    headings: tuple[str, ...], rows: list[tuple[str, ...]]
) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Leave out the columns of which nothing is known or used, so that the others have room on a screen.

    Parameters
    ----------
    headings : tuple of str
        Of the columns.
    rows : list of tuple of str
        As many cells each.
    """
    kept = [i for i, cells in enumerate(zip(*rows, strict=True)) if set(cells) - {UNKNOWN, "0"}]
    return tuple(headings[i] for i in kept), [tuple(row[i] for i in kept) for row in rows]


def weeks(
    made: AirPlan, temperature: TemperatureUnit, day: Callable[[datetime], str]
) -> list[tuple[str, ...]]:
    """Return the air of a plan week by week, a row each under `WEEK_HEADS`: every week at first, fewer later.

    Parameters
    ----------
    made : AirPlan
        The plan.
    temperature : {"F", "C"}
        The reader's degrees.
    day : callable
        Writes the day on which a week begins.
    """
    return [
        (
            day(week.starts_utc),
            show_temperature(week.temp_c, temperature),
            f"{week.set_pct:.0f} %",
            f"{week.low_pct:.0f} ({week.low_by})",
            f"{week.high_pct:.0f} ({week.high_by})",
            f"{week.expected_pct:.0f} %",
            UNKNOWN if week.need_l_day is None else f"{week.need_l_day:+.1f}",
        )
        for n, week in enumerate(made.weeks)
        if n in _WEEKS
    ]


def alternatives(made: AirPlan) -> list[tuple[str, ...]]:
    """Return what could be done, a row each: name, ready, gained, checks, mould, decay, costs.

    Parameters
    ----------
    made : AirPlan
        The plan; the row of what is to be done is marked.
    """
    return [_row(each, chosen=i == made.offered) for i, each in enumerate(made.alternatives)]


def _row(each: Alternative, *, chosen: bool) -> tuple[str, ...]:
    gained = each.gained
    return (
        f"{name(each)}{' (do this)' if chosen else ''}",
        ready(each),
        "0"
        if each.what == "nothing"
        else f"{signed(gained.median)} ({signed(gained.low)} to {signed(gained.high)})",
        f"{100 * each.check_chance:.0f} %",
        mouldy(each.mould_index),
        f"{each.decay_h:.0f}",
        UNKNOWN if each.litres is None else f"{each.litres:.0f}",
        UNKNOWN if each.kwh is None else f"{each.kwh:.0f}",
        UNKNOWN if each.money is None else f"{each.money:.0f}",
        f"{each.work_h:.0f}",
    )


def name(each: Alternative) -> str:
    """Return what an alternative is called."""
    if each.what == "move":
        return f"Move {each.values['tag']} to {each.values['to']}"
    return air_ways.name(each.what)


def ready(each: Alternative) -> str:
    """Return the month in which the last timber is ready."""
    if not each.timbers:
        return "none waits"
    dates = [one.ready_utc for one in each.timbers]
    known = [date for date in dates if date is not None]
    if len(known) < len(dates):
        return f"{len(known)} of {len(dates)} in 3 years" if known else "not in 3 years"
    return f"{words.local(max(known)):%b %Y}"


def mouldy(index: float) -> str:
    """Return how far mould comes in words."""
    if index < 1:
        return "none"
    return "microscopic" if index < mould.VISIBLE else "visible"


def choices(found: tuple[Choice, ...], system: System, *, narrow: bool = False) -> list[tuple[str, ...]]:
    """Return what could be done with a timber, a row each under `CHOICE_HEADS`.

    Parameters
    ----------
    found : tuple of Choice
        The best first.
    system : {"inch", "metric"}
        The reader's units.
    narrow : bool
        Whether chances are written with signs, so that a screen of 80 columns has room for what is done.
    """

    def chance(part: float) -> str:
        told = share(part)
        return told.replace("more than", ">").replace("less than", "<") if narrow else told

    return [
        (
            f"{each.rank}. {text_choices.name(each.what, each.values, system)}",
            "not in 2 years" if each.ready_utc is None else f"{words.local(each.ready_utc):%b %Y}",
            chance(each.comes_out),
            chance(each.stays),
            UNKNOWN if each.check_chance is None else chance(each.check_chance),
            f"{each.work_h:g}",
            UNKNOWN if each.money is None else f"{each.money:.0f}",
            " x ".join(show_movement(lost, system) for lost in each.lost_mm) if any(each.lost_mm) else "none",
        )
        for each in found
    ]


def decides(each: Choice, system: System) -> str:
    """Return what decides about a choice, in one sentence behind its name."""
    return f"{text_choices.name(each.what, each.values, system)}: {sentence(each.beside, system)}"


def signed(weeks: float) -> str:
    """Return whole weeks with their sign; none is 0, never -0."""
    whole = round(weeks)
    return f"{whole:+d}" if whole else "0"
