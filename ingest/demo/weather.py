"""The demo's weather: a real typical year outdoors, and what an open shed makes of it.

Outdoors is the typical-year file of Greensboro, North Carolina (TMY3 723170, National Solar Radiation Data
Base), as the package pvlib ships it: hourly, in local standard time, each month taken from the real year that
was most typical of it. The shed is ours and plain: it lags the weather by hours, is a little warmer (sun on
the roof), and is a little damper (the timbers give off water). Those three numbers are common experience, no
source.
"""

from __future__ import annotations

import csv
import importlib.util
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from baulk.ingest.errors import extra_missing
from baulk.models.air import AirSeries
from baulk.models.constants import HOUR_S
from baulk.models.errors import BaulkError

_FILE = "723170TYA.CSV"
_STANDARD_TIME = timedelta(hours=-5)  # the file's header: -5.0

LAG_H = 7.0  # first-order lag of the shed's air behind the weather
WARMER_C = 1.2
DAMPER_PCT = 4.0  # vapour pressure inside over outside


class NoWeather(BaulkError):
    """The typical-year file is not on this machine."""


def typical_year_file() -> Path:
    """Return the path of the typical-year file that pvlib ships, without importing pvlib.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    NoWeather
        If pvlib or the file is missing.
    """
    spec = importlib.util.find_spec("pvlib")
    for folder in (spec.submodule_search_locations or ()) if spec else ():
        path = Path(folder) / "data" / _FILE
        if path.exists():
            return path
    raise NoWeather(extra_missing("The demo", "demo"))


@cache
def _year() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Dry-bulb temperature [degC] and relative humidity [%] of the 8760 hours of the typical year."""
    with typical_year_file().open(newline="") as text:
        rows = list(csv.reader(text))
    temp, humidity = (rows[1].index(name) for name in ("Dry-bulb (C)", "RHum (%)"))
    table = np.array([(float(row[temp]), float(row[humidity])) for row in rows[2:]])
    return table[:, 0], table[:, 1]


def outdoors(first_utc: datetime, hours: int) -> AirSeries:
    """Hourly weather of the typical year laid on the calendar.

    Parameters
    ----------
    first_utc : datetime
        First full hour, with a time zone.
    hours : int
        How many hours.

    Returns
    -------
    AirSeries
        Temperature and relative humidity; 29 February repeats the 28th. [degC, %]
    """
    temp_c, rh_pct = _year()
    start = first_utc.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    local = [start + _STANDARD_TIME + timedelta(hours=h) for h in range(hours)]
    # the file's hour 01:00 is the mean over the hour that ends then; it is taken at its end
    at = np.array([_hour_of_common_year(each) for each in local])
    posix_s = np.asarray(start.timestamp() + HOUR_S * np.arange(hours), dtype=np.float64)
    return AirSeries(posix_s=posix_s, temp_c=temp_c[at], rh_pct=rh_pct[at])


def shed(first_utc: datetime, hours: int) -> AirSeries:
    """Hourly air inside the open shed: the weather lagged, a little warmer, a little damper.

    Parameters
    ----------
    first_utc : datetime
        First full hour, with a time zone.
    hours : int
        How many hours.

    Returns
    -------
    AirSeries
        Temperature and relative humidity inside. [degC, %]
    """
    warm_up = 5 * 24
    out = outdoors(first_utc - timedelta(hours=warm_up), hours + warm_up)
    vapour = saturation_hpa(out.temp_c) * out.rh_pct / 100
    temp_c = _lagged(out.temp_c) + WARMER_C
    inside = _lagged(vapour) * (1 + DAMPER_PCT / 100)
    rh_pct = np.clip(100 * inside / saturation_hpa(temp_c), 15.0, 97.0)
    return AirSeries(posix_s=out.posix_s[warm_up:], temp_c=temp_c[warm_up:], rh_pct=rh_pct[warm_up:])


def saturation_hpa(temp_c: NDArray[np.float64]) -> NDArray[np.float64]:
    """Saturation vapour pressure over water, Magnus form with the constants of Alduchov and Eskridge (1996).

    Parameters
    ----------
    temp_c : ndarray
        Air temperature, -40 to 50. [degC]

    Returns
    -------
    ndarray
        Pressure. [hPa]
    """
    return np.asarray(6.1094 * np.exp(17.625 * temp_c / (temp_c + 243.04)))


def _hour_of_common_year(local: datetime) -> int:
    day = 28 if (local.month, local.day) == (2, 29) else local.day
    in_year = datetime(2001, local.month, day, local.hour, tzinfo=UTC) - datetime(2001, 1, 1, tzinfo=UTC)
    return (int(in_year.total_seconds() // HOUR_S) - 1) % 8760


def _lagged(values: NDArray[np.float64]) -> NDArray[np.float64]:
    keep = np.exp(-1 / LAG_H)
    out = np.empty_like(values)
    state = values[0]
    for i, value in enumerate(values):
        state = keep * state + (1 - keep) * value
        out[i] = state
    return out
