"""What a series of readings is called."""

from __future__ import annotations

from typing import Final

from baulk.models.quantity import Quantity
from baulk.models.reading import series_of
from baulk.models.units import System, show_length

OVEN_DRY: Final = "oven-dry"  # last part of the name of an event that the fit counts beside the readings
_QUANTITIES: Final = {
    Quantity.RESISTANCE: "pin resistance",
    Quantity.MOISTURE: "pin meter",
    Quantity.WOOD_TEMP: "wood temperature",
    Quantity.WEIGHT: "weight",
    Quantity.TEMP: "air temperature",
    Quantity.HUMIDITY: "air humidity",
    Quantity.BATTERY: "battery",
    Quantity.BATTERY_VOLTAGE: "battery voltage",
}


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
        For instance ``pin meter, 45 mm deep, face b``; a name that is not understood stays as it is.
    """
    if of_section(name):
        return "oven-dried section"
    series = series_of(name)
    if series is None:
        return name
    deep = "" if series.depth_mm is None else f", {show_length(series.depth_mm, system)} deep"
    face = "" if series.face is None else f", face {series.face}"
    return f"{_QUANTITIES[series.quantity]}{deep}{face}"
