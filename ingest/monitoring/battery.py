"""When a battery will be empty, by a straight line that single readings do not bend."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt

# limits of our own, without a published source
LEAST_DAYS: Final = 10  # with a reading, over at least
LEAST_SPAN: Final = timedelta(days=21)
CHANGED_PCT: Final = 10.0  # that a charge rises from one day to the next when a battery is changed
FARTHEST: Final = timedelta(days=730)  # beyond, nobody plans, and no battery ages along a line
_DAY_S: Final = 86_400.0
_Z_90: Final = 1.6448536269514722  # of the normal distribution, two-sided 90 %


@dataclass(frozen=True, slots=True, kw_only=True)
class Runs:
    """How a battery runs down.

    Parameters
    ----------
    empty_utc : datetime
        When it will be empty.
    week_utc : datetime
        The Monday of that week, at midnight UTC.
    per_month_pct : float
        Charge lost in thirty days. [%]
    """

    empty_utc: datetime
    week_utc: datetime
    per_month_pct: float


def runs(posix_s: Sequence[float] | npt.NDArray[np.float64], charge_pct: npt.ArrayLike) -> Runs | None:
    """Return when a battery will be empty; None while that can't be told.

    It is told from ten days with a reading over three weeks on, where the 90 % interval of the slope lies
    below zero, and within two years.

    Parameters
    ----------
    posix_s : array_like, shape (n,)
        Moments, ascending. [s since 1970]
    charge_pct : array_like, shape (n,)
        Charge. [%]
    """
    days, charge = _since_changed(*_daily(np.asarray(posix_s, float), np.asarray(charge_pct, float)))
    if len(days) < LEAST_DAYS or (days[-1] - days[0]) < LEAST_SPAN / timedelta(days=1):
        return None
    slope, _low, high = slope_of(days, charge)
    if not (slope < 0 and high < 0):
        return None
    level = float(np.median(charge - slope * days))
    left = -level / slope - days[-1]
    if not 0 <= left <= FARTHEST / timedelta(days=1):
        return None
    empty = datetime.fromtimestamp((days[-1] + left) * _DAY_S, UTC)
    monday = (empty - timedelta(days=empty.weekday())).replace(hour=0, minute=0, second=0, microsecond=0)
    return Runs(empty_utc=empty, week_utc=monday, per_month_pct=-30 * slope)


def slope_of(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> tuple[float, float, float]:
    """Return the median slope of all pairs of points and its 90 % interval.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points, no two with the same x.

    References
    ----------
    P. K. Sen (1968), Estimates of the regression coefficient based on Kendall's tau, Journal of the American
    Statistical Association 63, 1379-1389; the interval by the normal approximation of Kendall's tau, which is
    a little too wide where values are equal.
    """
    first, second = np.triu_indices(len(x), 1)
    slopes = np.sort((y[second] - y[first]) / (x[second] - x[first]))
    n, pairs = len(x), len(slopes)
    half = _Z_90 * math.sqrt(n * (n - 1) * (2 * n + 5) / 18)
    low = max(round((pairs - half) / 2) - 1, 0)
    high = min(round((pairs + half) / 2), pairs - 1)
    return float(np.median(slopes)), float(slopes[low]), float(slopes[high])


def _daily(
    posix_s: npt.NDArray[np.float64], charge: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the median of each day at its median time, in days."""
    day = np.floor(posix_s / _DAY_S)
    each = np.unique(day)
    times = np.array([np.median(posix_s[day == one]) for one in each]) / _DAY_S
    return times, np.array([np.median(charge[day == one]) for one in each])


def _since_changed(
    days: npt.NDArray[np.float64], charge: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    rises = np.flatnonzero(np.diff(charge) >= CHANGED_PCT)
    start = int(rises[-1]) + 1 if len(rises) else 0
    return days[start:], charge[start:]
