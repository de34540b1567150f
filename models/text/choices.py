"""Sentences of what could be done with one timber, side by side."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from baulk.models.formatting import count, share
from baulk.models.text.common import Values, Writer, fixed, pct
from baulk.models.units import System, show_length, show_size

NAMES: Final[Mapping[str, str]] = {
    "leave": "Leave it",
    "rough_out": "Rough it out",
    "square": "Square it now",
    "kerf": "Saw a relief kerf",
    "coat": "Coat all four faces",
    "move": "Move it",
    "use": "Use it elsewhere",
}


def name(what: str, values: Mapping[str, Any], system: System) -> str:
    """Return what a choice is called in a table.

    Parameters
    ----------
    what : str
        What is done.
    values : mapping
        What belongs to it. [mm, weeks]
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        For instance ``Move it to loft in 13 weeks``.
    """
    if what == "rough_out":
        return f"Rough it out to {show_size(values['width_mm'], values['depth_mm'], system)}"
    if what == "kerf":
        return f"Kerf face {values['face']}, {show_length(values['depth_mm'], system)} deep"
    if what == "move":
        week = values["week"]
        when = f"in {count(round(week), 'week')}" if week else "now"
        return f"Move it to {values['place']} {when}"
    if what == "use":
        return f"Use it for {values['use']}"
    return NAMES[what]


def _best(values: Values, system: System) -> str:
    first = values["first"]
    when = values["ready_utc"]
    never = f"not ready within {values['horizon_days'] / 30.44:.0f} months"
    ready = never if when is None else f"ready about {when:%B %Y}"
    what = name(first["what"], first, system)
    said = f"{what}: {ready}, and {share(values['chance'])} sure to come out and stay."
    equal = [name(each["what"], each, system) for each in values["equal"]]
    if not equal:
        return f"{said} Nothing else is as good."
    few = equal[0] if len(equal) == 1 else f"{'; '.join(equal[:-1])}; and {equal[-1]}"
    return f"{said} As good, as far as is known: {few}."


def _compared(code: str) -> Writer:
    """Return the writer of a difference of two chances."""

    def write(values: Values, system: System) -> str:
        than = name(values["than"]["what"], values["than"], system)
        return f"{code}: {share(values['chance'])}, against {share(values['other_chance'])} ({than})."

    return write


def _sooner(values: Values, system: System) -> str:
    low, high = -values["high_weeks"], -values["low_weeks"]
    return _weeks(
        "Sooner", {**values, "weeks": -values["weeks"], "low_weeks": low, "high_weeks": high}, system
    )


def _later(values: Values, system: System) -> str:
    return _weeks("Later", values, system)


def _weeks(word: str, values: Values, system: System) -> str:
    than = name(values["than"]["what"], values["than"], system)
    return (
        f"{word} by {count(round(values['weeks']), 'week')} (90 % range {round(values['low_weeks'])} to "
        f"{round(values['high_weeks'])}) than: {than}."
    )


def _contradiction(values: Values, _system: System) -> str:
    return (
        f"Scale and pins of {values['tag']} contradict each other: settle that first, for what is below "
        "rests on both."
    )


def _few_readings(values: Values, _system: System) -> str:
    return f"There are too few readings of its own: this rests on what is usual for {values['species']}."


def _checks_decided(values: Values, _system: System) -> str:
    return (
        f"At {pct(values['mean_pct'])} in the mean, below {pct(values['below_pct'])}, nearly all drying "
        "checks have opened or will not: the chance of a bad check is counted as none."
    )


SENTENCES: Final[Mapping[str, Writer]] = {
    "choice.best": _best,
    "choice.contradiction": _contradiction,
    "choice.surer": _compared("Surer"),
    "choice.less_sure": _compared("Less sure"),
    "choice.fewer_checks": _compared("A bad check is less likely"),
    "choice.more_checks": _compared("A bad check is likelier"),
    "choice.sooner": _sooner,
    "choice.later": _later,
    "choice.first": fixed("The best, by more than is known of the difference."),
    "choice.equal": fixed("Equal: the difference is smaller than what is known of it."),
    "choice.no_rough_out": fixed("Roughing out: there is too little to take off to be worth the saw."),
    "choice.no_kerf": fixed("Relief kerf: the piece is free of heart; a kerf relieves one that holds it."),
    "choice.kerfed": fixed("Relief kerf: it is kerfed already."),
    "choice.coated": fixed("Coat: all four faces are coated or wrapped already."),
    "choice.cannot_move": fixed("Moving: no other place under a roof has a month of air on record."),
    "choice.no_use_sooner": fixed("Another use: none of the shop's uses could be served sooner."),
    "choice.hours": fixed(
        "Hours are one person's and our own estimate. Hoist what is heavy; extract the dust. A kerf weakens "
        "a timber that carries load or people: ask a licensed designer."
    ),
    "choice.kerf_and_checks": fixed(
        "The chance of a bad check is that of the skin. What a kerf spares the heart is counted in its "
        "movement alone."
    ),
    "choice.few_readings": _few_readings,
    "choice.checks_decided": _checks_decided,
    "choice.no_price": fixed(
        "No price is set: `hour` and `coat_m2` under [costs] of baulk.toml give the money."
    ),
}
