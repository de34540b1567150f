"""How every text writes a date, a share, a movement and a length along the grain."""

from __future__ import annotations

import re
from datetime import datetime
from fractions import Fraction
from typing import Final

from baulk.models.units import System, default_length_unit, show_length, show_mass, show_size

_FORMULA: Final = re.compile(r"[=+\-@\t\r\n]")
_NUMBER: Final = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")


_WEEK_DAYS: Final = 7.0
_MONTH_DAYS: Final = 30.4
_THIRDS: Final = ("early ", "mid-", "late ")


def spreadsheet_cell(text: str) -> str:
    """Write a text as a cell of a CSV file that no spreadsheet works out as a formula.

    One that would be gets an apostrophe in front, which spreadsheets do not show; a number stays a number.
    """
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def bare_cell(text: str) -> str:
    """Read what `spreadsheet_cell` wrote."""
    return text[1:] if text[:1] == "'" and spreadsheet_cell(text[1:]) == text else text


def in_brief(text: str, most: int = 120) -> str:
    """Shorten text from outside, such as a topic, to its beginning and end.

    Parameters
    ----------
    text : str
        Any text; up to ``most`` characters it stays as it is.
    most : int
        From 20 on. [characters]
    """
    if len(text) <= most:
        return text
    end = most // 4
    return f"{text[: most - end - 3]}...{text[-end:]}"


def printable(text: str) -> str:
    """Write a stranger's text on one line, with nothing in it that a terminal or a log would obey."""
    return "".join(one if one.isprintable() else repr(one)[1:-1] for one in text)


def factor(times: float) -> str:
    """Write how many times as much something is: two digits below one, a tenth above.

    Parameters
    ----------
    times : float
        Above 0. [-]

    Returns
    -------
    str
        ``0.34`` or ``1.3``.
    """
    return f"{times:.2f}" if times < 0.995 else f"{times:.1f}"


def share(part: float, below: float | None = None) -> str:
    """Write a probability or a share; never a certainty that an ensemble can't give.

    Parameters
    ----------
    part : float
        0 to 1. [-]
    below : float, optional
        What was wanted: a share that falls short of it is never written as the same number.

    Returns
    -------
    str
        ``41 %``, "just under 90 %", or "less than 1 %", or "more than 99 %".
    """
    told = _share(part)
    if below is not None and part < below and told == _share(below):
        return f"just under {told.removeprefix('more than ')}"
    return told


def _share(part: float) -> str:
    if part < 0.01:
        return "less than 1 %"
    return "more than 99 %" if part > 0.99 else f"{100 * part:.0f} %"


def day(moment: datetime) -> str:
    """Write a date as ``4 March 2027``."""
    return f"{moment.day} {moment:%B %Y}"


def hours_minutes(seconds: float) -> str:
    """Write how far a clock is off as ``1 h 0 min``, ``37 min`` or ``3 days``; the sign does not count."""
    minutes = round(abs(seconds) / 60)
    hours, rest = divmod(minutes, 60)
    if hours >= 48 and not minutes % 1440:
        return f"{minutes // 1440} days"
    return f"{hours} h {rest} min" if hours else f"{rest} min"


def about(moment: datetime, spread_days: float | None, *, short: bool = False) -> str:
    """Write an expected date as surely as it is known, with no more than that.

    Parameters
    ----------
    moment : datetime
        The date.
    spread_days : float or None
        Its standard deviation; None where nobody worked it out, which a month is told for. [d]
    short : bool
        With the month's short name, for a table.

    Returns
    -------
    str
        ``about 4 March 2027`` (up to a week), ``about mid-March 2027`` (three weeks), ``about March 2027``
        (two months), ``about early 2027`` (five months), otherwise ``about 2027``.
    """
    spread = _MONTH_DAYS if spread_days is None else spread_days
    month = f"{moment:%b %Y}" if short else f"{moment:%B %Y}"
    if spread <= _WEEK_DAYS:
        told = f"{moment.day} {month}"
    elif spread <= 3 * _WEEK_DAYS:
        told = f"{_THIRDS[min((moment.day - 1) // 10, 2)]}{month}"
    elif spread <= 2 * _MONTH_DAYS:
        told = month
    elif spread <= 5 * _MONTH_DAYS:
        told = f"{_THIRDS[(moment.month - 1) // 4]}{moment.year}"
    else:
        told = f"{moment.year}"
    return f"about {told}"


def capital(text: str) -> str:
    """Return a text with a capital at its beginning."""
    return text[:1].upper() + text[1:]


def count(number: int, what: str) -> str:
    """Write a number of things: ``1 weight``, ``3 weights``."""
    return f"{number} {what}{'' if number == 1 else 's'}"


def show_movement(mm: float, system: System, finer: int = 0) -> str:
    """Write a movement: hundredths of an inch, or tenths of a millimetre, or some digits finer.

    Parameters
    ----------
    mm : float
        The movement. [mm]
    system : {"inch", "metric"}
        The reader's units.
    finer : int
        Digits more.

    Returns
    -------
    str
        For instance ``0.17 in`` or ``4.2 mm``.
    """
    return f"{_movement(mm, system, finer)} {default_length_unit(system)}"


def show_allowance(mm: float, system: System) -> str:
    """Write a part of an allowance as a rule shows it: thirty-seconds of an inch, or tenths of a millimetre.

    Parameters
    ----------
    mm : float
        The part. [mm]
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        For instance ``3/4 in``, ``1 1/32 in``, ``under 1/32 in`` or ``4.2 mm``.
    """
    if system == "metric":
        return show_movement(mm, system)
    parts = round(abs(mm) / 25.4 * 32)
    if not parts:
        return "0 in" if abs(mm) < 0.005 else "under 1/32 in"
    whole, rest = divmod(parts, 32)
    told = " ".join([*([str(whole)] if whole else []), *([str(Fraction(rest, 32))] if rest else [])])
    return f"{'-' if mm < 0 else ''}{told} in"


def show_gauge(mm: float, system: System) -> str:
    """Write what a feeler gauge or a rule was put into: the fraction that was read, else as a movement.

    Parameters
    ----------
    mm : float
        The width of an opening. [mm]
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        For instance ``1/8 in``, ``0.03 in`` or ``3.2 mm``.
    """
    sixteenths = mm / 25.4 * 16
    as_read = system == "inch" and round(sixteenths) > 0 and abs(sixteenths - round(sixteenths)) < 0.01
    return show_length(mm, system) if as_read else show_movement(mm, system)


_IN_SI: Final = re.compile(r"""('[^']*'|"[^"]*")|(\d+(?:\.\d+)?)(?: x (\d+(?:\.\d+)?))? (mm|kg)\b""")


def in_reader_units(sentence: str, system: System) -> str:
    """Return the sentence of an error with its millimetres and kilograms in the reader's units.

    Errors are worded where they are raised, in SI; nobody there knows who reads them. What stands in quotes
    is the person's own words, and stays.

    Parameters
    ----------
    sentence : str
        For instance ``a check is at most 203 mm deep``.
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        For instance ``a check is at most 8 in deep``.
    """

    def told(found: re.Match[str]) -> str:
        quoted, value, second, unit = found.groups()
        if quoted is not None:
            return quoted
        if unit == "kg":
            return show_mass(float(value), system)
        return show_size(float(value), float(second), system) if second else show_length(float(value), system)

    return sentence if system == "metric" else _IN_SI.sub(told, sentence)


def show_movement_range(values: tuple[float, float, float], system: System) -> str:
    """Write a movement with its interval: ``5.4 mm (3.8 to 7.4)``.

    Parameters
    ----------
    values : (float, float, float)
        Low end, middle and high end. [mm]
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        The middle with its unit, the ends without.
    """
    low, middle, high = (_movement(each, system) for each in values)
    return f"{middle} {default_length_unit(system)} ({low} to {high})"


def show_change(values: tuple[float, float, float], system: System) -> str:
    """Write a change of size with its way and its interval: ``shrink 4.2 mm (3.1 to 5.5)``.

    Parameters
    ----------
    values : (float, float, float)
        Low end, middle and high end, below 0 when it shrinks. [mm]
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        With the verb "shrink" or "swell"; ``change by -0.2 mm (-0.9 to +0.4)`` where it may go either way.
    """
    low, _, high = values
    if high <= 0:
        return f"shrink {show_movement_range((-high, -values[1], -low), system)}"
    if low >= 0:
        return f"swell {show_movement_range(values, system)}"
    first, middle, last = (show_signed(each, system).rsplit(" ", 1)[0] for each in values)
    return f"change by {middle} {default_length_unit(system)} ({first} to {last})"


def show_signed(mm: float, system: System) -> str:
    """Write a change of size with its sign: ``-4.2 mm`` shrinks, ``+4.0 mm`` swells.

    Parameters
    ----------
    mm : float
        The change. [mm]
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        To the digit of `show_movement`; 0 has no sign.
    """
    told = show_movement(mm, system)
    return f"+{told}" if mm > 0 and told != show_movement(0.0, system) else told


def _movement(mm: float, system: System, finer: int = 0) -> str:
    value, digits = (mm / 25.4, 2 + finer) if system == "inch" else (mm, 1 + finer)
    return f"{round(value, digits) + 0.0:.{digits}f}"  # + 0.0: never -0.0


def show_along(length_mm: float, system: System) -> str:
    """Write a length along the grain as ``11 ft 10 in`` or ``3.60 m``.

    Parameters
    ----------
    length_mm : float
        The length. [mm]
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        Feet and whole inches, or metres.
    """
    if system == "metric":
        return f"{length_mm / 1000:.2f} m"
    feet, inches = divmod(round(length_mm / 25.4), 12)
    return f"{feet} ft {inches} in" if feet and inches else f"{feet} ft" if feet else f"{inches} in"
