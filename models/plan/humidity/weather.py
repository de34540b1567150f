"""Weather ahead that somebody gave: how far a room follows it, and how the season takes over."""

from __future__ import annotations

from typing import Final

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S, Floats
from baulk.models.plan.humidity.water import vapour_g_m3

FEWEST_DAYS: Final = 14  # both measured, before a room's answer to the weather is told; our own judgement
HAND_OVER_DAYS: Final = (
    2.0  # over which the season takes over, at most half of what is given; our own judgement
)


def weight(at_s: Floats, given: AirSeries) -> Floats:
    """Return how much given weather counts beside the season, falling to nothing at its end.

    Parameters
    ----------
    at_s : ndarray, shape (n,)
        Moments, POSIX seconds. [s]
    given : AirSeries
        The weather.

    Returns
    -------
    ndarray, shape (n,)
        1 at first, a straight line to 0 over the last two days or the last half, 0 outside. [-]
    """
    first, last = float(given.posix_s[0]), float(given.posix_s[-1])
    over_s = max(min(HAND_OVER_DAYS * DAY_S, (last - first) / 2), 1.0)
    left = np.clip((last - at_s) / over_s, 0.0, 1.0)
    return np.asarray(np.where(at_s < first, 0.0, left))


def shares(inside: AirSeries, outside: AirSeries) -> tuple[float, float] | None:
    """Learn how far a room's days follow the weather's, in temperature and in water.

    Parameters
    ----------
    inside, outside : AirSeries
        Measured at the same time. [degC, %]

    Returns
    -------
    (float, float) or None
        Shares of the weather's departure, 0 to 1; None where both were not measured for a fortnight, or the
        weather did not change. [-]

    References
    ----------
    Least squares on the changes of daily means from one day to the next, in which the season hardly shows.
    """
    days = np.intersect1d(inside.posix_s // DAY_S, outside.posix_s // DAY_S)
    if days.size < FEWEST_DAYS:
        return None
    found = []
    for of in (_temp, _water):
        room, weather = (np.diff(_daily(air, of(air), days)) for air in (inside, outside))
        square = float(weather @ weather)
        if square <= 1e-6:
            return None
        found.append(float(np.clip(room @ weather / square, 0.0, 1.0)))
    return found[0], found[1]


def with_weather(
    season: AirSeries, outside: AirSeries, given: AirSeries, share: tuple[float, float]
) -> AirSeries:
    """Lay the weather's departure from its season upon the season of a room.

    Parameters
    ----------
    season, outside : AirSeries
        What is usual in the room and outside. [degC, %]
    given : AirSeries
        Weather of the coming days, outside. [degC, %]
    share : (float, float)
        From `shares`; 1 and 1 for air outside. [-]

    Returns
    -------
    AirSeries
        At the season's moments; beyond the given days it is the season. [degC, %]
    """
    at_s = season.posix_s
    usual_c = np.interp(at_s, outside.posix_s, outside.temp_c)
    usual_g = np.interp(at_s, outside.posix_s, _water(outside))
    counts = weight(at_s, given)
    temp = season.temp_c + share[0] * counts * (np.interp(at_s, given.posix_s, given.temp_c) - usual_c)
    water = _water(season) + share[1] * counts * (np.interp(at_s, given.posix_s, _water(given)) - usual_g)
    rh = 100 * np.maximum(water, 0.0) / vapour_g_m3(temp, np.full(temp.size, 100.0))
    untouched = counts == 0
    return AirSeries(
        posix_s=at_s,
        temp_c=temp,
        rh_pct=np.where(untouched, season.rh_pct, np.clip(rh, 0.0, 100.0)),
    )


def _temp(air: AirSeries) -> Floats:
    return np.asarray(air.temp_c)


def _water(air: AirSeries) -> Floats:
    return np.asarray(vapour_g_m3(air.temp_c, air.rh_pct))


def _daily(air: AirSeries, values: Floats, days: Floats) -> Floats:
    day = air.posix_s // DAY_S
    return np.array([float(values[day == each].mean()) for each in days])
