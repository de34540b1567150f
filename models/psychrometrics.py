"""What else the air's temperature and humidity say: dew point, wet bulb, water held; mostly by PsychroLib.

Relative humidity is over liquid water below 0 degC too: so hygrometers show it and weather services report
it (WMO-No. 8, Guide to Instruments and Methods of Observation, part I chapter 4; American Meteorological
Society, Glossary of Meteorology, "relative humidity"). Over ice air is then saturated below 100 %: at
-20 degC at 82 %.
"""

from __future__ import annotations

import functools
from collections.abc import Callable
from types import ModuleType
from typing import Final, cast

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.errors import OutOfRange

# the range that the wood equations are held to (see sorption); PsychroLib's own is -100 to 200 degC
LOWEST_C: Final = -30.0
HIGHEST_C: Final = 110.0
SEA_LEVEL_PA: Final = 101325.0
_LOWEST_PA, _HIGHEST_PA = 50_000.0, 110_000.0  # 5600 m up to the deepest low of a mine
_DRIEST_RH: Final = 0.1
_KELVIN: Final = 273.15


def saturation_pa(temp_c: ArrayLike) -> NDArray[np.float64]:
    """Pressure of water vapour over liquid water, undercooled below 0 degC.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Temperature, -30 to 110. [degC]

    Returns
    -------
    ndarray, shape (...,)
        Saturation pressure; a gap (NaN) stays a gap. [Pa]

    Raises
    ------
    OutOfRange
        If a temperature lies outside the range above.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) chapter 1 eq. 6; below 0 degC, where it is not printed, the formula of
    WMO-No. 8 (2008) annex 4.B, 6.112 exp(17.62 t / (243.12 + t)) hPa, for -45 to 60 degC. They meet at 0.

    Examples
    --------
    >>> round(float(saturation_pa(25))), round(float(saturation_pa(-20)))
    (3169, 126)
    """
    temp, _ = checked_air(temp_c, 0.0)
    t = temp + _KELVIN
    liquid = (
        -5.8002206e3 / t + 1.3914993 - 4.8640239e-2 * t + 4.1764768e-5 * t**2 - 1.4452093e-8 * t**3
        + 6.5459673 * np.log(t)
    )  # fmt: skip
    undercooled = 17.62 * temp / (243.12 + temp)
    return np.asarray(np.where(temp < 0, 611.2 * np.exp(undercooled), np.exp(liquid)))


def ice_saturation_pa(temp_c: ArrayLike) -> NDArray[np.float64]:
    """Pressure of water vapour over ice; from 0 degC on over water.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Temperature, -30 to 110. [degC]

    Returns
    -------
    ndarray, shape (...,)
        Saturation pressure; a gap (NaN) stays a gap. [Pa]

    Raises
    ------
    OutOfRange
        If a temperature lies outside the range above.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) chapter 1 eq. 5.

    Examples
    --------
    >>> round(float(ice_saturation_pa(-20)))
    103
    """
    temp, _ = checked_air(temp_c, 0.0)
    t = temp + _KELVIN
    ice = (
        -5.6745359e3 / t + 6.3925247 - 9.677843e-3 * t + 6.2215701e-7 * t**2 + 2.0747825e-9 * t**3
        - 9.484024e-13 * t**4 + 4.1635019 * np.log(t)
    )  # fmt: skip
    return np.asarray(np.where(temp < 0, np.exp(ice), saturation_pa(temp)))


def dewpoint_c(temp_c: ArrayLike, rh_pct: ArrayLike) -> NDArray[np.float64]:
    """Temperature at which the air's moisture begins to condense (below 0 degC: as frost).

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 110. [degC]
    rh_pct : array_like, shape (...,)
        Relative humidity, 0.1 to 100; over water below 0 degC too. [%]

    Returns
    -------
    ndarray, shape (...,)
        Dew point, below 0 degC frost point; that of air too damp for its frost is its own temperature. A gap
        (NaN) stays a gap. [degC]

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
    temp, rh = checked_air(temp_c, rh_pct)
    if np.any(rh < _DRIEST_RH):
        raise OutOfRange(
            "the humidity", f"must be at least {_DRIEST_RH:g} % for a dew point, not {np.nanmin(rh):g} %"
        )
    pressure = np.minimum(vapour_pressure_pa(temp, rh), ice_saturation_pa(temp))
    dew = _each(lambda t, e: _psychrolib().GetTDewPointFromVapPres(t, e), temp, pressure)
    return np.minimum(dew, temp)[()]


def vapour_pressure_pa(temp_c: ArrayLike, rh_pct: ArrayLike) -> NDArray[np.float64]:
    """Pressure of the water vapour in the air.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 110. [degC]
    rh_pct : array_like, shape (...,)
        Relative humidity, 0 to 100, over water below 0 degC too; at 100 it is the saturation pressure. [%]

    Returns
    -------
    ndarray, shape (...,)
        Partial pressure of the vapour; a gap (NaN) stays a gap. [Pa]

    Raises
    ------
    OutOfRange
        If temperature or humidity lie outside the range above.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) chapter 1 eq. 22, with the saturation of `saturation_pa`.

    Examples
    --------
    >>> round(float(vapour_pressure_pa(25, 100)))
    3169
    """
    temp, rh = checked_air(temp_c, rh_pct)
    return np.asarray(saturation_pa(temp) * rh / 100)[()]


def humidity_ratio(
    temp_c: ArrayLike, rh_pct: ArrayLike, *, pressure_pa: float = SEA_LEVEL_PA
) -> NDArray[np.float64]:
    """Water in the air for each kilogram of dry air.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 110, below the boiling point at the pressure. [degC]
    rh_pct : array_like, shape (...,)
        Relative humidity, 0 to 100. [%]
    pressure_pa : float, optional
        Air pressure, 50,000 to 110,000; see `standard_pressure_pa`. [Pa]

    Returns
    -------
    ndarray, shape (...,)
        Humidity ratio; a gap (NaN) stays a gap. [kg/kg]

    Raises
    ------
    OutOfRange
        If temperature, humidity or pressure lie outside the range above.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) chapter 1 eq. 20, by PsychroLib (which never answers below
    1e-7). The handbook's own table lies 0.4 % higher, for it counts air as a real gas.

    Examples
    --------
    >>> round(float(humidity_ratio(25, 100)), 4)
    0.0201
    """
    temp, rh = checked_air(temp_c, rh_pct)
    pressure = _pressure(pressure_pa)
    if np.any(vapour_pressure_pa(temp, rh) > 0.9 * pressure):
        raise OutOfRange("the air", "so hot and damp is nearly all steam; check temperature and humidity")
    vapour = vapour_pressure_pa(temp, rh)
    return _each(lambda e, _: _psychrolib().GetHumRatioFromVapPres(e, pressure), vapour, vapour)


def wet_bulb_c(
    temp_c: ArrayLike, rh_pct: ArrayLike, *, pressure_pa: float = SEA_LEVEL_PA
) -> NDArray[np.float64]:
    """Temperature of a thermometer in a wet wick (the thermodynamic wet bulb; below 0 degC: an icy one).

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 90. [degC]
    rh_pct : array_like, shape (...,)
        Relative humidity, 0 to 100. [%]
    pressure_pa : float, optional
        Air pressure, 50,000 to 110,000. [Pa]

    Returns
    -------
    ndarray, shape (...,)
        Wet bulb to within 0.001; a gap (NaN) stays a gap. [degC]

    Raises
    ------
    OutOfRange
        If temperature, humidity or pressure lie outside the range above.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) chapter 1 eq. 33 and 35, solved by PsychroLib. A real wick in still
    air reads higher.

    Examples
    --------
    >>> round(float(wet_bulb_c(25, 50)), 1)
    17.9
    """
    temp, rh = checked_air(temp_c, rh_pct)
    pressure = _pressure(pressure_pa)
    if np.any(temp > 90):
        raise OutOfRange("the temperature", f"must be at most 90 °C for a wet bulb, not {np.nanmax(temp):g}")
    over_ice = np.minimum(rh * saturation_pa(temp) / ice_saturation_pa(temp), 100.0)
    return _each(lambda t, h: _psychrolib().GetTWetBulbFromRelHum(t, h / 100, pressure), temp, over_ice)


def rh_from_wet_bulb_pct(
    temp_c: ArrayLike, wet_bulb_c: ArrayLike, *, pressure_pa: float = SEA_LEVEL_PA
) -> NDArray[np.float64]:
    """Relative humidity from a dry and a wet thermometer.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Dry bulb, -30 to 90. [degC]
    wet_bulb_c : array_like, shape (...,)
        Wet bulb, not above the dry one. [degC]
    pressure_pa : float, optional
        Air pressure, 50,000 to 110,000. [Pa]

    Returns
    -------
    ndarray, shape (...,)
        Relative humidity, over water below 0 degC too; a gap (NaN) stays a gap. [%]

    Raises
    ------
    OutOfRange
        If the wet bulb is above the dry one, or so low that no air is that dry.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) chapter 1 eq. 33 and 35, by PsychroLib.

    Examples
    --------
    >>> round(float(rh_from_wet_bulb_pct(40, 20)))
    14
    """
    temp, _ = checked_air(temp_c, 0.0)
    temp, wet = np.broadcast_arrays(temp, np.asarray(wet_bulb_c, dtype=float))
    if np.any(wet > temp):
        raise OutOfRange(
            "the wet bulb", "can't be warmer than the dry one; were the two thermometers mixed up?"
        )
    lowest = _each(lambda t, _: _psychrolib().GetTWetBulbFromRelHum(t, 0.0, pressure_pa), temp, wet)
    if np.any(wet < lowest - 0.01):
        raise OutOfRange("the wet bulb", f"of {np.nanmin(wet):g} °C is lower than driest air makes it")
    pressure = _pressure(pressure_pa)
    rh = _each(lambda t, w: 100 * _psychrolib().GetRelHumFromTWetBulb(t, w, pressure), temp, wet)
    return np.asarray(np.clip(rh, 0.0, 100.0) * ice_saturation_pa(temp) / saturation_pa(temp))[()]


def standard_pressure_pa(height_m: float) -> float:
    """Air pressure to be expected at a height.

    Parameters
    ----------
    height_m : float
        Height above the sea, -500 to 5000. [m]

    Returns
    -------
    float
        Pressure of the standard atmosphere. [Pa]

    Raises
    ------
    OutOfRange
        If the height lies outside the range above.

    References
    ----------
    ASHRAE Handbook Fundamentals (2017) chapter 1 eq. 3, by PsychroLib.

    Examples
    --------
    >>> round(standard_pressure_pa(500))
    95461
    """
    if not -500 <= height_m <= 5000:
        raise OutOfRange("the height", f"must lie between -500 and 5000 m, not {height_m:g}; was it in feet?")
    return float(_psychrolib().GetStandardAtmPressure(float(height_m)))


def checked_air(temp_c: ArrayLike, rh_pct: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Refuse impossible air; the range is the same for every formula of air and wood.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 110. [degC]
    rh_pct : array_like, shape (...,)
        Relative humidity, 0 to 100. [%]

    Returns
    -------
    temp, rh : ndarray
        The two as arrays. [degC, %]

    Raises
    ------
    OutOfRange
        If temperature or humidity lie outside the range above.
    """
    temp, rh = np.asarray(temp_c, dtype=float), np.asarray(rh_pct, dtype=float)
    if np.any((temp < LOWEST_C) | (temp > HIGHEST_C)):
        raise OutOfRange(
            "the temperature",
            f"must lie between {LOWEST_C:g} and {HIGHEST_C:g} °C, not {worst(temp, LOWEST_C, HIGHEST_C):g};"
            " was it in °F?",
        )
    if np.any((rh < 0) | (rh > 100)):
        raise OutOfRange("the humidity", f"must lie between 0 and 100 %, not {worst(rh, 0, 100):g} %")
    return temp, rh


def worst(values: NDArray[np.float64], low: float, high: float) -> float:
    """Find the value furthest outside a range, for the sentence of a refusal.

    Parameters
    ----------
    values : ndarray
        At least one of them a number.
    low, high : float
        The range, in the unit of the values.

    Returns
    -------
    float
        One of the values.
    """
    excess = np.maximum(low - values, values - high)
    return float(np.ravel(values)[np.nanargmax(np.ravel(excess))])


def _pressure(pressure_pa: float) -> float:
    if not _LOWEST_PA <= pressure_pa <= _HIGHEST_PA:
        raise OutOfRange("the air pressure", f"must lie between 50000 and 110000 Pa, not {pressure_pa:g}")
    return float(pressure_pa)


def _each(
    formula: Callable[[float, float], float], a: NDArray[np.float64], b: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Apply a formula of two numbers to arrays; gaps stay gaps."""
    first, second = np.broadcast_arrays(a, b)
    out = np.full(first.shape, np.nan)
    for i in map(tuple, np.argwhere(np.isfinite(first + second))):
        out[i] = formula(float(first[i]), float(second[i]))
    return out[()]


@functools.cache
def _psychrolib() -> ModuleType:
    """Load PsychroLib late and set its units once, in this place only.

    It loads numba, which the plain EMC must not wait for; each setting of the units throws away what numba
    has compiled (a second a time), and asking it for its units ends the process (seen with 2.5.0 and numba).
    """
    import psychrolib  # noqa: PLC0415

    psychrolib.SetUnitSystem(psychrolib.SI)
    return cast("ModuleType", psychrolib)
