"""Temperature of the wood between the pins: measured, or taken from the air on record."""

from __future__ import annotations

import bisect
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S, Floats

MEASURED_WITHIN_S: Final = 12 * 3600.0
# A heavy timber does not follow the air of the minute. Over squares of 150 to 300 mm, with the thermal
# diffusivity 1.6e-7 m2/s (Wood Handbook FPL-GTR-190 ch. 4, from memory), conductivities of 0.16 to 0.35 W/mK
# and 10 W/m2K at the faces (common practice), the mean of the air over the last 2.8 days for each metre of
# its side, 13 hours for 8 in, is within 0.3 to 1.3 degC of the middle in air that swings by 12 degC from day
# to night and again over six days; the air of the minute is 4 to 6 degC off (a test computes some of them).
FOLLOWS_DAYS_PER_M: Final = 2.8
# Green wood takes longer to freeze than to cool, because its free water has to give off its heat of fusion:
# about a day at -5 degC for an 8 in square (300 kg of water a cubic metre, the same faces; own estimate).
FREEZES_DAYS: Final = 2.0
FROZEN_BELOW_C: Final = -1.0
# sun, a cold floor, the way to the sensor; and where nobody measured the air. Our own judgement, no source
AIR_SD_C: Final = 3.0
UNMEASURED_AIR_SD_C: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WoodTemperatures:
    """Temperature of the wood at each of some readings.

    Parameters
    ----------
    temp_c : ndarray, shape (n,)
        Measured, or the mean of the air, at least 0 then. [degC]
    sd_c : ndarray, shape (n,)
        One standard deviation; 0 where it was measured. [degC]
    frozen_c : ndarray, shape (n,)
        Mean of the air, as measured, over the days that it takes to freeze a timber, where that says that it
        was frozen and nobody measured the wood; NaN elsewhere. [degC]
    """

    temp_c: Floats
    sd_c: Floats
    frozen_c: Floats


def at_readings(
    at_s: Sequence[float] | Floats,
    measured: Sequence[tuple[float, float]],
    air: AirSeries,
    side_mm: float,
    unmeasured: Sequence[tuple[float, float]] = (),
) -> WoodTemperatures:
    """Return the temperature of the wood at each reading.

    Parameters
    ----------
    at_s : array_like, shape (n,)
        Moments of the readings. [s]
    measured : sequence of (float, float)
        Moments and measured temperatures of the wood, in order of time; the nearest within twelve hours
        is taken. [s, degC]
    air : AirSeries
        Air about the timber; stands in where the wood was not measured. [degC]
    side_mm : float
        Smaller side of the section, above 0. [mm]
    unmeasured : sequence of (float, float)
        Stretches in which nobody measured that air. [s]

    Returns
    -------
    WoodTemperatures
        One for each reading. [degC]
    """
    at = np.asarray(at_s, np.float64)
    follows_days = FOLLOWS_DAYS_PER_M * side_mm / 1000
    wood_c, days_c = (mean_before(air, at, days) for days in (follows_days, FREEZES_DAYS))
    sd = np.where(_unmeasured(air, at, follows_days, unmeasured), UNMEASURED_AIR_SD_C, AIR_SD_C)
    # a day of frost does not freeze it through: the wood is near 0, and how near is part of the doubt
    temp, sd = np.maximum(wood_c, 0.0), np.hypot(sd, np.minimum(wood_c, 0.0))
    # nor does frost that nobody measured: the usual air of a month says nothing of a shop that may be heated
    certain = (days_c < FROZEN_BELOW_C) & ~_unmeasured(air, at, FREEZES_DAYS, unmeasured)
    frozen = np.where(certain, days_c, np.nan)
    moments = [moment for moment, _ in measured]
    for i, one_s in enumerate(at.tolist() if moments else ()):
        if (found := _nearest(measured, moments, one_s)) is not None:
            temp[i], sd[i], frozen[i] = found, 0.0, np.nan
    return WoodTemperatures(temp_c=temp, sd_c=sd, frozen_c=frozen)


def _unmeasured(
    air: AirSeries, at_s: Floats, days: float, stretches: Sequence[tuple[float, float]]
) -> NDArray[np.bool_]:
    """Whether the air of the days before each moment was not measured throughout."""
    since_s = at_s - days * DAY_S
    found = np.asarray(since_s < air.posix_s[0])
    for begin_s, end_s in stretches:
        found |= (begin_s < at_s) & (since_s < end_s)
    return found


def mean_before(air: AirSeries, at_s: Floats, days: float) -> Floats:
    """Return the mean temperature of the air over some days before each moment.

    Parameters
    ----------
    air : AirSeries
        The air; straight lines between its readings, its first and last held beyond them. [degC]
    at_s : ndarray, shape (n,)
        Moments. [s]
    days : float
        How long, above 0. [d]

    Returns
    -------
    ndarray, shape (n,)
        Means. [degC]
    """
    if at_s.size == 0:
        return np.zeros(0)
    since_s = at_s - days * DAY_S
    marks = np.unique(np.concatenate([air.posix_s, at_s, since_s]))
    temp = np.interp(marks, air.posix_s, air.temp_c)
    area = np.append(0.0, np.cumsum(np.diff(marks) * (temp[1:] + temp[:-1]) / 2))
    gone = area[np.searchsorted(marks, at_s)] - area[np.searchsorted(marks, since_s)]
    return np.asarray(gone / (days * DAY_S))


def _nearest(measured: Sequence[tuple[float, float]], moments: Sequence[float], at_s: float) -> float | None:
    """Return the temperature measured nearest in time, if any lies within `MEASURED_WITHIN_S`."""
    after = bisect.bisect(moments, at_s)
    near = min(
        measured[max(0, after - 1) : after + 1], key=lambda one: abs(one[0] - at_s), default=(-np.inf, 0.0)
    )
    return near[1] if abs(near[0] - at_s) <= MEASURED_WITHIN_S else None
