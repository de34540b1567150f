"""Air of years that have not come yet: a season that differs from year to year, and air that is held."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.constants import Floats
from baulk.models.errors import OutOfRange
from baulk.models.sorption import emc_pct

YEARS: Final = 16
# How far the mean of one month lies from that of many years. Greensboro, North Carolina (TMY3 723170, its
# months out of different years), two ways that agree within a fifth: what is left of the twelve months after
# the mean and two waves of the year, 1.6 degC and 4.0 points; and the days of each month, their variance
# taken as many times over as they hang together, 1.4 and 4.2 (tests/ingest/test_climate.py works both out).
MONTH_TEMP_SD_C: Final = 1.6
MONTH_RH_SD_PCT: Final = 4.0
# The same file: its weeks about the mean of their month, over the spread of its months, 1.2 to 1.9.
WEEK_SHARE: Final = 1.5
WEEK_S: Final = 604_800.0
LOWEST_C: Final = -30.0  # where the equation of the EMC ends
MONTH_TO_MONTH: Final = 0.3  # correlation of one month's deviation with the next one's; no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spread:
    """How far the mean of each calendar month lies from the season's, from one year to another.

    Parameters
    ----------
    temp_c, rh_pct : ndarray, shape (12,)
        Standard deviations, January first, 0 or more. [degC, %]
    """

    temp_c: Floats
    rh_pct: Floats

    def __post_init__(self) -> None:
        for part in (self.temp_c, self.rh_pct):
            if part.shape != (12,) or not np.all((part >= 0) & np.isfinite(part)):  # also refuses NaN
                raise OutOfRange("the spread of the months", "needs twelve numbers, 0 or more")


def usual_spread() -> Spread:
    """Spread of a place whose own record is too short to tell.

    Returns
    -------
    Spread
        The same in every month. [degC, %]

    References
    ----------
    Typical meteorological year TMY3 723170, National Solar Radiation Data Base, as worked out above.
    """
    return Spread(temp_c=np.full(12, MONTH_TEMP_SD_C), rh_pct=np.full(12, MONTH_RH_SD_PCT))


def several(season: AirSeries, spread: Spread, *, count: int = YEARS, seed: int = 7) -> tuple[AirSeries, ...]:
    """Air of several possible futures about one season.

    Parameters
    ----------
    season : AirSeries
        The season's mean from now on. [degC, %]
    spread : Spread
        How far months lie from it. [degC, %]
    count : int
        How many, 2 or more.
    seed : int
        Seed of the draw, so that the same season gives the same futures.

    Returns
    -------
    tuple of AirSeries
        As many. Their mean temperature and mean EMC are the season's; the means of their months have the
        spread, but for humidities that would leave 0 to 100 %; and the weeks differ within a month. [degC, %]

    Raises
    ------
    OutOfRange
        If fewer than two are asked for.

    Notes
    -----
    Temperature and humidity deviate on their own: in the typical year of Greensboro the daily deviations of
    both within a month correlate with -0.5 (July) to 0.5 (September), by 0.0 over the year.
    """
    if count < 2:
        raise OutOfRange("the number of years ahead", f"must be 2 or more, not {count}")
    days = season.posix_s.astype("datetime64[s]").astype("datetime64[M]")
    months, first, at = np.unique(days, return_index=True, return_inverse=True)
    calendar = (months.astype(int) % 12)[at]
    week = ((season.posix_s - season.posix_s[0]) // WEEK_S).astype(int)
    rng = np.random.default_rng(seed)

    def deviations() -> Floats:
        weeks = _deviations(rng, count, week[-1] + 1, 0.0)[:, week]
        lengths = np.diff(np.append(first, week.size))
        weeks -= (np.add.reduceat(weeks, first, axis=1) / lengths)[:, at]
        return np.asarray(_deviations(rng, count, months.size, MONTH_TO_MONTH)[:, at] + WEEK_SHARE * weeks)

    temp = season.temp_c + deviations() * spread.temp_c[calendar]
    rh = np.clip(season.rh_pct + deviations() * spread.rh_pct[calendar], 0.0, 100.0)
    rh = np.clip(rh - _too_damp(season, temp, rh), 0.0, 100.0)
    return tuple(
        AirSeries(posix_s=season.posix_s, temp_c=warm, rh_pct=damp)
        for warm, damp in zip(temp, rh, strict=True)
    )


def held(temp_c: float, rh_pct: float, *, since_s: float) -> AirSeries:
    """Air that a shop holds from a moment on.

    Parameters
    ----------
    temp_c, rh_pct : float
        What is held. [degC, %]
    since_s : float
        From when, POSIX seconds. [s]

    Returns
    -------
    AirSeries
        One reading, which holds to the end. [degC, %]

    Raises
    ------
    OutOfRange
        If that cannot be air.
    """
    return AirSeries(
        posix_s=np.array([since_s]), temp_c=np.array([float(temp_c)]), rh_pct=np.array([float(rh_pct)])
    )


def _too_damp(season: AirSeries, temp_c: Floats, rh_pct: Floats) -> Floats:
    """Humidity to take off every future so that their mean EMC is the season's: the EMC bends upward."""
    low, temp = np.maximum(season.temp_c, LOWEST_C), np.maximum(temp_c, LOWEST_C)
    more, less = np.clip(season.rh_pct + 1, 0, 100), np.clip(season.rh_pct - 1, 0, 100)
    slope = (emc_pct(low, more) - emc_pct(low, less)) / (more - less)
    return np.asarray((emc_pct(temp, rh_pct).mean(axis=0) - emc_pct(low, season.rh_pct)) / slope)


def _deviations(rng: np.random.Generator, count: int, steps: int, hold: float) -> Floats:
    """Draw standard deviations off the season, (count, steps), of mean 0 and spread 1 in every step."""
    found = rng.standard_normal((count, steps))
    for step in range(1, steps):
        found[:, step] = hold * found[:, step - 1] + (1 - hold**2) ** 0.5 * found[:, step]
    found -= found.mean(axis=0)
    return np.asarray(found / found.std(axis=0))
