"""What a series of readings is called."""

from __future__ import annotations

from typing import Final

from baulk.models.formatting import show_along
from baulk.models.quantity import SIZES, SPECS, Owner, Quantity
from baulk.models.reading import Series, series_of
from baulk.models.units import System, show_length

OVEN_DRY: Final = "oven-dry"  # last part of the name of an event that the fit counts beside the readings


def of_section(name: str) -> bool:
    """Whether a series is of oven-dried sections."""
    return name.rpartition("/")[2] == OVEN_DRY


def called(name: str, system: System) -> str:
    """Return what a series is called, from its text form.

    Parameters
    ----------
    name : str
        As `str` of a series gives it, or of oven-dried sections.
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        For instance ``pins 45 mm deep, face b``; a name that is not understood stays as it is.
    """
    if of_section(name):
        return "oven-dried section"
    series = series_of(name)
    if series is None:
        return name
    if series.quantity in SIZES:
        return f"{SPECS[series.quantity].title}{_where(series, system)}"
    deep = "" if series.depth_mm is None else f", {show_length(series.depth_mm, system)} deep"
    face = "" if series.face is None else f", face {series.face.value}"
    if deep and series.quantity is Quantity.MOISTURE:
        return f"pins{deep.removeprefix(',')}{face}"
    return f"{SPECS[series.quantity].title}{deep}{face}"


def first_named(line: str, system: System) -> str:
    """Return a line whose first word is the text form of a series with that series in words.

    Parameters
    ----------
    line : str
        Such as ``timber/FER-03/pin-45/b/moisture = 23.5 %``.
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        For instance ``pins 45 mm deep in face b of FER-03 = 23.5 %``.
    """
    name, space, rest = line.partition(" ")
    return f"{named(name, system)}{space}{rest}"


def named(name: str, system: System) -> str:
    """Return what a series is called, with its owner, from its text form.

    Parameters
    ----------
    name : str
        As `str` of a series gives it, or of oven-dried sections.
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    str
        For instance ``pins 45 mm deep in face b of FER-03``; a name that is not understood stays as it is.
    """
    if of_section(name):
        return f"oven-dried section of {name.split('/')[1]}"
    series = series_of(name)
    if series is None:
        return name
    if series.depth_mm is not None:
        face = f" in face {series.face.value}" if series.face else ""
        return f"pins {show_length(series.depth_mm, system)} deep{face} of {series.name}"
    if series.quantity in SIZES:
        return f"{SPECS[series.quantity].title} of {series.name}{_where(series, system)}"
    of = "in" if series.owner is Owner.AIR else "of"
    return f"{SPECS[series.quantity].title} {of} {series.name}"


def _where(series: Series, system: System) -> str:
    """Write where a width or a depth is measured; mid-face, away from the ends, goes without saying."""
    face = "" if series.face is None else f" along face {series.face.value}"
    if series.from_end_mm is None:
        return face
    return f"{face}, {show_along(series.from_end_mm, system)} from an end"
