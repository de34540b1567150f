"""What moisture content wood settles at in given air, and the other way round."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.air import AirSeries, remembered
from baulk.models.errors import OutOfRange
from baulk.models.psychrometrics import (
    HIGHEST_C,
    LOWEST_C,
    checked_air,
    dewpoint_c,
    ice_saturation_pa,
    saturation_pa,
    worst,
)
from baulk.models.single_values import SPECIES_SD_PCT, emc_4_5_pct, hysteresis_sd_pct

__all__ = [
    "HIGHEST_C",
    "LOWEST_C",
    "EmcAnswer",
    "Equation",
    "answer",
    "dewpoint_c",
    "emc_at_mean_pct",
    "emc_of_air_pct",
    "emc_pct",
    "mean_of_emc_pct",
    "rh_pct",
]

# the two equations of the Wood Handbook, by their numbers there
Equation = Literal["4-5", "4-6"]
# eq. 4-5 is printed for 30 to 270 degF; LOWEST_C carries it on to the cold of a winter shed, with more doubt
_PRINTED_FROM_C: Final = (30 - 32) / 1.8
_HALVINGS: Final = 60  # of 100 %RH: far below the last digit of a double
_HIGHEST_RH_4_6: Final = 99.5  # eq. 4-6 grows without bound towards 100 %


@dataclass(frozen=True, slots=True, kw_only=True)
class EmcAnswer:
    """An equilibrium moisture content with its doubt.

    Parameters
    ----------
    emc_pct : ndarray, shape (...,)
        Equilibrium moisture content. [% of oven-dry mass]
    sd_pct : ndarray, shape (...,)
        One standard deviation, for the wood's kind and its history of drying and wetting are not known. [%]
    equation : {"4-5", "4-6"}
        The Wood Handbook's equation.
    """

    emc_pct: NDArray[np.float64]
    sd_pct: NDArray[np.float64]
    equation: Equation = "4-5"


def emc_pct(temp_c: ArrayLike, rh_pct: ArrayLike, *, equation: Equation = "4-5") -> NDArray[np.float64]:
    """Equilibrium moisture content of wood in air.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 110; the copy checked covers -1.1 to 98.9. [degC]
    rh_pct : array_like, shape (...,)
        Relative humidity, 0 to 100, over water below 0 degC too; by eq. 4-6 at most 99.5. [%]
    equation : {"4-5", "4-6"}, optional
        Eq. 4-5 is behind the printed table; the newer 4-6 is a second opinion.

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
    Wood Handbook, FPL-GTR-190 (2010) and FPL-GTR-282 (2021), eq. 4-5, coefficients for degC; eq. 4-6 (Glass
    and others 2014), FPL-GTR-282 p. 4-4 as transcribed in the PyPI package geotech-references 1.4.1. One
    curve for all species, between adsorption and desorption; `answer` gives the doubt.

    Examples
    --------
    >>> round(float(emc_pct(21.1, 50)), 1)
    9.2
    >>> round(float(emc_pct(20, 83, equation="4-6")), 1)
    17.7
    """
    temp, rh = checked_air(temp_c, rh_pct)
    if _is_newer(equation):
        if np.any(rh > _HIGHEST_RH_4_6):
            raise OutOfRange(
                "the humidity",
                f"must be at most {_HIGHEST_RH_4_6:g} % for eq. 4-6, not {np.nanmax(rh):g} %; use eq. 4-5",
            )
        return _emc_4_6(temp, rh)
    return emc_4_5_pct(temp, rh)


# A verdict asks for the same few from three sides, the next timber of the place for most of them again: as
# many as `drying.layout` keeps laid out, told apart by which they are
@remembered(short=40, long=2)
def emc_of_air_pct(air: AirSeries) -> NDArray[np.float64]:
    """Equilibrium moisture content of every reading of a series of air, worked out once.

    Parameters
    ----------
    air : AirSeries
        Temperature, -30 to 110, and humidity. [degC, %]

    Returns
    -------
    ndarray, shape (n,)
        As from `emc_pct`, not to be written to. [% of oven-dry mass]

    Raises
    ------
    OutOfRange
        As from `emc_pct`.

    References
    ----------
    As of `emc_pct`.
    """
    found = emc_pct(air.temp_c, air.rh_pct)
    found.flags.writeable = False
    return found


def answer(temp_c: ArrayLike, rh_pct: ArrayLike, *, equation: Equation = "4-5") -> EmcAnswer:
    """Equilibrium moisture content together with its doubt.

    Parameters
    ----------
    temp_c, rh_pct : array_like, shape (...,)
        As in `emc_pct`. [degC, %]
    equation : {"4-5", "4-6"}, optional
        As in `emc_pct`.

    Returns
    -------
    EmcAnswer
        The value and its standard deviation: species differ by 1.2 points, wetting or drying moves the
        value 8 % of itself to either side, and below freezing it grows, for there the equation is not printed
        and a humidity may have been told over ice. [%]

    Raises
    ------
    OutOfRange
        As in `emc_pct`.

    References
    ----------
    Species: europeanwood.org pages of four woods, at 37 and 83 % (one value lies 1.9 off). Hysteresis: ratio
    0.85 of adsorption to desorption, from memory; even odds between the two, so its half-width over the root
    of three. Frost: half of what humidity over ice instead of over water would change (WMO-No. 8 takes it
    over water, some instruments reckon from a frost point), and all that the equation changes below the 30
    degF from which the handbook prints it: our own judgement.

    Examples
    --------
    >>> found = answer(20, 65)
    >>> round(float(found.emc_pct), 1), round(float(found.sd_pct), 1)
    (12.0, 1.3)
    """
    emc = emc_pct(temp_c, rh_pct, equation=equation)
    # no wood is drier than dry: the species' spread shrinks with the value
    species = np.minimum(SPECIES_SD_PCT, emc / 3)
    sd = np.hypot(np.hypot(species, hysteresis_sd_pct(emc)), _frost_sd_pct(temp_c, rh_pct, emc, equation))
    return EmcAnswer(emc_pct=emc, sd_pct=np.minimum(sd, emc), equation=equation)


def _frost_sd_pct(
    temp_c: ArrayLike, rh_pct: ArrayLike, emc: NDArray[np.float64], equation: Equation
) -> NDArray[np.float64]:
    """Return what frost adds to the doubt of an EMC; 0 above freezing."""
    temp, rh = checked_air(temp_c, rh_pct)
    lower = ice_saturation_pa(temp) / saturation_pa(temp)  # exactly 1 above freezing
    over_ice = emc_pct(temp, rh * lower, equation=equation)
    printed = emc_pct(np.maximum(temp, _PRINTED_FROM_C), rh, equation=equation)
    frost: NDArray[np.float64] = np.hypot((emc - over_ice) / 2, emc - printed)
    return frost


def rh_pct(temp_c: ArrayLike, emc_pct: ArrayLike, *, equation: Equation = "4-5") -> NDArray[np.float64]:
    """Relative humidity at which wood would settle at a moisture content.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 110. [degC]
    emc_pct : array_like, shape (...,)
        Equilibrium moisture content, from 0 to what the equation gives at its highest humidity. [%]
    equation : {"4-5", "4-6"}, optional
        As in `emc_pct`.

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
    Wood Handbook eq. 4-5, inverted by halving the interval; eq. 4-6 by its printed inverse, eq. 4-7.

    Examples
    --------
    >>> round(float(rh_pct(21.1, 9.2)))
    50
    """
    temp, _ = checked_air(temp_c, 0.0)
    wanted = np.asarray(emc_pct, dtype=float)
    temp, wanted = np.broadcast_arrays(temp, wanted)
    newer = _is_newer(equation)
    full = np.full(temp.shape, 100.0)
    top = _emc_4_6(temp, np.float64(_HIGHEST_RH_4_6)) if newer else emc_4_5_pct(temp, full)
    if np.any((wanted < 0) | (wanted > top + 1e-9)):
        raise OutOfRange(
            "the moisture content",
            f"must lie between 0 and {float(np.nanmin(top)):.1f} %, the most that air at that temperature"
            f" gives, not {worst(wanted, 0.0, float(np.nanmin(top))):g} %",
        )
    return _rh_4_7(temp, wanted) if newer else _rh(temp, wanted)


def mean_of_emc_pct(air: AirSeries) -> float:
    """Time-weighted mean of the EMC of each air reading: what a season does to wood.

    Not `emc_at_mean_pct`: humidity and EMC bend, so over a month the two lie up to two points apart.

    Parameters
    ----------
    air : AirSeries
        Air readings; between two of them the EMC is taken to run straight.

    Returns
    -------
    float
        Mean EMC; a single reading is its own mean. [%]

    Raises
    ------
    OutOfRange
        As from `emc_pct`.
    """
    return _mean(emc_pct(air.temp_c, air.rh_pct), air)


def emc_at_mean_pct(air: AirSeries) -> float:
    """EMC at the time-weighted mean temperature and mean humidity, as climate tables are made.

    Not `mean_of_emc_pct`, which is what wood follows; this one serves to compare with published tables.

    Parameters
    ----------
    air : AirSeries
        Air readings; between two of them the air is taken to run straight.

    Returns
    -------
    float
        EMC of the mean air. [%]

    Raises
    ------
    OutOfRange
        As from `emc_pct`.

    References
    ----------
    Simpson, FPL-RN-0268 (1998), took monthly mean temperature and humidity.
    """
    return float(emc_pct(_mean(air.temp_c, air), _mean(air.rh_pct, air)))


def _mean(values: NDArray[np.float64], air: AirSeries) -> float:
    if values.size == 1:
        return float(values[0])
    return float(np.trapezoid(values, air.posix_s) / (air.posix_s[-1] - air.posix_s[0]))


def _rh(temp: NDArray[np.float64], wanted: NDArray[np.float64]) -> NDArray[np.float64]:
    low, high = np.zeros(temp.shape), np.full(temp.shape, 100.0)
    for _half in range(_HALVINGS):
        middle = (low + high) / 2
        below = emc_4_5_pct(temp, middle) < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.where(np.isnan(temp + wanted), np.nan, (low + high) / 2)[()]


# eq. 4-6 and 4-7: EMC = 100 [A T (1 - T/Tc)^B ln(1 - h)]^(C T^D), T in kelvin
_A: Final = -0.000612
_B: Final = 2.43
_C: Final = 0.0577
_D: Final = 0.430
_CRITICAL_K: Final = 647.1


def _emc_4_6(temp: NDArray[np.float64], rh: NDArray[np.float64] | np.float64) -> NDArray[np.float64]:
    kelvin = temp + 273.15
    inner = _A * kelvin * (1 - kelvin / _CRITICAL_K) ** _B * np.log1p(-rh / 100)
    emc: NDArray[np.float64] = 100 * inner ** (_C * kelvin**_D)
    return emc


def _rh_4_7(temp: NDArray[np.float64], emc: NDArray[np.float64]) -> NDArray[np.float64]:
    kelvin = temp + 273.15
    raised = (emc / 100) ** (1 / (_C * kelvin**_D))
    rh: NDArray[np.float64] = -100 * np.expm1(raised / (_A * kelvin) * (1 - kelvin / _CRITICAL_K) ** -_B)
    return rh


def _is_newer(equation: Equation) -> bool:
    if equation not in {"4-5", "4-6"}:
        raise OutOfRange("the equation", f"is 4-5 or 4-6 of the Wood Handbook, not {equation!r}")
    return equation == "4-6"
