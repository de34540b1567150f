"""What moisture content wood settles at in given air, and the other way round."""

from __future__ import annotations

import functools
from types import ModuleType
from typing import Final, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange

# Wood Handbook eq. 4-5: printed for 30 to 270 degF; carried on to the cold of a winter shed
LOWEST_C: Final = -30.0
HIGHEST_C: Final = 110.0
_HALVINGS: Final = 60  # of 100 %RH: far below the last digit of a double


def emc_pct(temp_c: ArrayLike, rh_pct: ArrayLike) -> NDArray[np.float64]:
    """Equilibrium moisture content of wood in air.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 110; the copy checked covers -1.1 to 98.9. [degC]
    rh_pct : array_like, shape (...,)
        Relative humidity, 0 to 100. [%]

    Returns
    -------
    ndarray, shape (...,)
        Equilibrium moisture content; a gap (NaN) stays a gap. [% of oven-dry mass]

    Raises
    ------
    OutOfRange
        If temperature or humidity lie outside the range above.

    References
    ----------
    Wood Handbook, FPL-GTR-190 (2010) and FPL-GTR-282 (2021), eq. 4-5, coefficients for degC. One curve for
    all species, between adsorption and desorption; species differ by one to two percent at the same air.

    Examples
    --------
    >>> round(float(emc_pct(21.1, 50)), 1)
    9.2
    """
    temp, rh = _checked(temp_c, rh_pct)
    return _emc(temp, rh)


def rh_pct(temp_c: ArrayLike, emc_pct: ArrayLike) -> NDArray[np.float64]:
    """Relative humidity at which wood would settle at a moisture content.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 110. [degC]
    emc_pct : array_like, shape (...,)
        Equilibrium moisture content, from 0 to what the equation gives at 100 %RH. [%]

    Returns
    -------
    ndarray, shape (...,)
        Relative humidity; a gap (NaN) stays a gap. [%]

    Raises
    ------
    OutOfRange
        If no humidity from 0 to 100 % gives that moisture content at that temperature.

    References
    ----------
    Wood Handbook eq. 4-5, inverted by halving the interval.

    Examples
    --------
    >>> round(float(rh_pct(21.1, 9.2)))
    50
    """
    temp, _ = _checked(temp_c, 0.0)
    wanted = np.asarray(emc_pct, dtype=float)
    temp, wanted = np.broadcast_arrays(temp, wanted)
    top = _emc(temp, np.full(temp.shape, 100.0))
    if np.any((wanted < 0) | (wanted > top + 1e-9)):
        raise OutOfRange(
            "the moisture content",
            f"must lie between 0 and {float(np.nanmin(top)):.1f} %, the most that air at that temperature"
            f" gives, not {_worst(wanted, 0.0, float(np.nanmin(top))):g} %",
        )
    low, high = np.zeros(temp.shape), np.full(temp.shape, 100.0)
    for _half in range(_HALVINGS):
        middle = (low + high) / 2
        below = _emc(temp, middle) < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.where(np.isnan(temp + wanted), np.nan, (low + high) / 2)[()]


def mean_of_emc_pct(air: AirSeries) -> float:
    """Time-weighted mean of the EMC of each air reading (not the EMC of the mean air).

    Parameters
    ----------
    air : AirSeries
        Air readings; between two of them the EMC is taken to run straight.

    Returns
    -------
    float
        Mean EMC; a single reading is its own mean. [%]
    """
    emc = emc_pct(air.temp_c, air.rh_pct)
    if emc.size == 1:
        return float(emc[0])
    return float(np.trapezoid(emc, air.posix_s) / (air.posix_s[-1] - air.posix_s[0]))


def dewpoint_c(temp_c: ArrayLike, rh_pct: ArrayLike) -> NDArray[np.float64]:
    """Temperature at which the air's moisture begins to condense (below 0 degC: over ice).

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 110. [degC]
    rh_pct : array_like, shape (...,)
        Relative humidity, above 0 to 100. [%]

    Returns
    -------
    ndarray, shape (...,)
        Dew point; a gap (NaN) stays a gap. [degC]

    Raises
    ------
    OutOfRange
        If temperature or humidity lie outside the range above.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) chapter 1 eq. 5 and 6, solved by PsychroLib.

    Examples
    --------
    >>> round(float(dewpoint_c(25, 80)), 1)
    21.3
    """
    temp, rh = np.broadcast_arrays(*_checked(temp_c, rh_pct))
    if np.any(rh < 0.1):
        raise OutOfRange("the humidity", f"must be at least 0.1 % for a dew point, not {np.nanmin(rh):g} %")
    dew = np.full(temp.shape, np.nan)
    for i in map(tuple, np.argwhere(np.isfinite(temp + rh))):
        dew[i] = _psychrolib().GetTDewPointFromRelHum(float(temp[i]), float(rh[i]) / 100)
    return dew[()]


@functools.cache
def _psychrolib() -> ModuleType:
    """Load PsychroLib late and set its units once.

    It loads numba, which the plain EMC must not wait for; each setting of the units throws away what numba
    has compiled (a second a time), and asking it for its units ends the process (seen with 2.5.0 and numba).
    """
    import psychrolib  # noqa: PLC0415

    psychrolib.SetUnitSystem(psychrolib.SI)
    return cast("ModuleType", psychrolib)


def _emc(temp: NDArray[np.float64], rh: NDArray[np.float64]) -> NDArray[np.float64]:
    w = 349 + 1.29 * temp + 0.0135 * temp**2
    k = 0.805 + 0.000736 * temp - 0.00000273 * temp**2
    k1 = 6.27 - 0.00938 * temp - 0.000303 * temp**2
    k2 = 1.91 + 0.0407 * temp - 0.000293 * temp**2
    kh = k * rh / 100
    held = k1 * kh + k1 * k2 * kh**2
    emc: NDArray[np.float64] = 1800 / w * (kh / (1 - kh) + (held + k1 * k2 * kh**2) / (1 + held))
    return emc


def _checked(temp_c: ArrayLike, rh_pct: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    temp, rh = np.asarray(temp_c, dtype=float), np.asarray(rh_pct, dtype=float)
    if np.any((temp < LOWEST_C) | (temp > HIGHEST_C)):
        raise OutOfRange(
            "the temperature",
            f"must lie between {LOWEST_C:g} and {HIGHEST_C:g} °C, not {_worst(temp, LOWEST_C, HIGHEST_C):g};"
            " was it in °F?",
        )
    if np.any((rh < 0) | (rh > 100)):
        raise OutOfRange("the humidity", f"must lie between 0 and 100 %, not {_worst(rh, 0, 100):g} %")
    return temp, rh


def _worst(values: NDArray[np.float64], low: float, high: float) -> float:
    """Find the value furthest outside the range, for the sentence."""
    excess = np.maximum(low - values, values - high)
    return float(np.ravel(values)[np.nanargmax(np.ravel(excess))])
