"""Water in a room's air: what timbers, draughts and people bring, and what a machine takes out or adds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from baulk.models.constants import Floats
from baulk.models.psychrometrics import checked_air, vapour_pressure_pa

KELVIN: Final = 273.15
_VAPOUR_J_KG_K: Final = 461.52  # gas constant of water vapour, 8.314462 / 0.0180153
HOURS_A_DAY: Final = 24.0
AT_WORK_KG_H: Final = 0.3  # a person at work; 0.05 at rest. Two dehumidifier guides
RATED_C: Final = 27.0  # nameplates are read at this air; common practice, no source
RATED_RH: Final = 60.0  # nameplates are read at this air; common practice, no source
RATED_KWH_L: Final = 0.5  # refrigerant machine in its rated air; common practice, no source
DESICCANT_KWH_L: Final = 1.2  # at any temperature of a shop; common practice, no source
MIST_KWH_L: Final = 0.05  # humidifier with wick or mist, without the heat; common practice, no source
AIR_KJ_M3_K: Final = 1.2 * 1.006
FROST_FROM_C: Final = 15.0  # below it the cold coil begins to freeze; common practice, no source
FROST_WHOLLY_C: Final = 5.0  # at and below it such a machine gives nothing; common practice, no source


def vapour_g_m3(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Water vapour in a cubic metre of air.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, -30 to 110. [degC]
    rh_pct : array_like, shape (...,)
        Relative humidity, 0 to 100; over water below 0 degC too. [%]

    Returns
    -------
    ndarray, shape (...,)
        Absolute humidity. [g/m3]

    Raises
    ------
    OutOfRange
        If temperature or humidity lie outside the range above.

    References
    ----------
    Ideal gas law with the vapour pressure of `baulk.models.psychrometrics`.

    Examples
    --------
    >>> round(float(vapour_g_m3(20.0, 60.0)), 1)
    10.4
    """
    temp, rh = checked_air(temp_c, rh_pct)
    return np.asarray(1000 * vapour_pressure_pa(temp, rh) / (_VAPOUR_J_KG_K * (temp + KELVIN)))


def latent_heat_kj_kg(temp_c: ArrayLike) -> Floats:
    """Heat that a kilogram of water takes up as it becomes vapour.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Temperature, 0 to 100. [degC]

    Returns
    -------
    ndarray, shape (...,)
        2501 - 2.361 T. [kJ/kg]

    References
    ----------
    Textbook line through the steam table, from memory; within 0.5 % of 2256 kJ/kg at 100 degC.
    """
    return np.asarray(2501.0 - 2.361 * np.asarray(temp_c, dtype=float))


def draught_l_day(
    volume_m3: float, air_changes_per_h: float, outside_g_m3: ArrayLike, inside_g_m3: ArrayLike
) -> Floats:
    """Water that the exchange of air brings into a room.

    Parameters
    ----------
    volume_m3 : float
        Air in the room. [m3]
    air_changes_per_h : float
        How often an hour it is exchanged. [1/h]
    outside_g_m3, inside_g_m3 : array_like
        Absolute humidity outside and in the room. [g/m3]

    Returns
    -------
    ndarray
        Below 0 when it carries water out. [l/day]

    References
    ----------
    Balance of water over the room, ``n V (a_out - a_in)``.
    """
    flow = HOURS_A_DAY * volume_m3 * air_changes_per_h / 1000
    return np.asarray(flow * (np.asarray(outside_g_m3, dtype=float) - np.asarray(inside_g_m3, dtype=float)))


def refrigerant_share(temp_c: ArrayLike, rh_pct: ArrayLike) -> Floats:
    """Share of its nameplate that a refrigerant dehumidifier still takes out of colder or drier air.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature. [degC]
    rh_pct : array_like, shape (...,)
        Relative humidity. [%]

    Returns
    -------
    ndarray, shape (...,)
        Absolute humidity over that of 27 degC and 60 %, and less where its coil freezes: whole at 15 degC,
        none at 5 degC. [-]

    Raises
    ------
    OutOfRange
        If temperature or humidity lie outside the range above.

    References
    ----------
    Common practice, no source, for the law; a hire company's figure, 60 l/day at 35 degC and 100 % against
    about 20 at 20 degC and 70 %, is a ratio of 0.33 where this gives 0.31.
    """
    wet = vapour_g_m3(temp_c, rh_pct) / vapour_g_m3(RATED_C, RATED_RH)
    thaw = (np.asarray(temp_c, dtype=float) - FROST_WHOLLY_C) / (FROST_FROM_C - FROST_WHOLLY_C)
    return np.asarray(wet * np.clip(thaw, 0.0, 1.0))


def heating_kwh(volume_m3: float, air_changes_per_h: float, warmer_k: float, hours: float = 8760.0) -> float:
    """Heat that the air let in takes when a room is kept warmer; walls and roof lose more besides.

    Parameters
    ----------
    volume_m3 : float
        Air in the room. [m3]
    air_changes_per_h : float
        How often an hour it is exchanged. [1/h]
    warmer_k : float
        Above the air outside. [K]
    hours : float
        How long. [h]

    Returns
    -------
    float
        ``n V rho c dT``: the least that it takes. [kWh]

    References
    ----------
    Heat capacity of dry air, 1.006 kJ/(kg K) at 1.2 kg/m3 (ASHRAE Fundamentals).

    Examples
    --------
    >>> round(heating_kwh(300.0, 0.5, 5.0))
    2203
    """
    return volume_m3 * air_changes_per_h * AIR_KJ_M3_K / 3600 * warmer_k * hours


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """A dehumidifier or humidifier that a room needs.

    Parameters
    ----------
    kind : str
        "refrigerant dehumidifier", "desiccant dehumidifier", "humidifier" or "none".
    l_day : float
        Most that it must take out or add in any week. [l/day]
    rated_l_day : float
        What its nameplate must say, read at 27 degC and 60 %. [l/day]
    kwh_l : float
        Electricity for a litre, mean over the weeks it runs. [kWh/l]
    kwh : float
        Electricity over the weeks counted. [kWh]
    cost : float or None
        By the price given, in the money of the price.
    weeks : int
        How many weeks were counted.
    kwh_by_week : tuple of float
        Electricity of each of them: a litre costs more in cold air. [kWh]
    """

    kind: str
    l_day: float
    rated_l_day: float
    kwh_l: float
    kwh: float
    cost: float | None
    weeks: int
    kwh_by_week: tuple[float, ...] = ()


def machines(
    need_l_day: Floats, temp_c: Floats, rh_pct: Floats, *, heated: bool, price_kwh: float | None
) -> tuple[Machine, ...]:
    """Size what takes the water out, and what adds it, over some weeks.

    Parameters
    ----------
    need_l_day : ndarray, shape (n,)
        Water to take out each day of a week; below 0 to add. [l/day]
    temp_c, rh_pct : ndarray, shape (n,)
        Air held in that week. [degC, %]
    heated : bool
        Whether the temperature is held, so that what evaporates must be heated too.
    price_kwh : float or None
        Of a kilowatt-hour, in any money.

    Returns
    -------
    tuple of Machine
        None, one or two: the cheaper kind of dehumidifier to run, and a humidifier.

    Raises
    ------
    OutOfRange
        If temperature or humidity lie outside what `vapour_g_m3` is for.

    References
    ----------
    The parts: `refrigerant_share`, `latent_heat_kj_kg`; energy for a litre: common practice, no source.
    """
    out, into = np.maximum(need_l_day, 0.0), np.maximum(-need_l_day, 0.0)
    found = []
    if np.any(out > 0):
        share = refrigerant_share(temp_c, rh_pct)
        runs = share > 0.05
        rated = out / np.maximum(share, 0.05)  # a week without water to take out may be too cold for it
        dry = out * DESICCANT_KWH_L
        if np.all(runs[out > 0]) and np.sum(rated) * RATED_KWH_L <= np.sum(dry):
            cold = rated * RATED_KWH_L
            found.append(_machine("refrigerant dehumidifier", out, float(np.max(rated)), cold, price_kwh))
        else:
            found.append(_machine("desiccant dehumidifier", out, float(np.max(out)), dry, price_kwh))
    if np.any(into > 0):
        each = MIST_KWH_L + (latent_heat_kj_kg(temp_c) / 3600 if heated else 0.0)
        found.append(_machine("humidifier", into, float(np.max(into)), into * each, price_kwh))
    return tuple(found)


def _machine(
    kind: str, need_l_day: Floats, rated: float, kwh_a_day: Floats, price_kwh: float | None
) -> Machine:
    by_week = 7 * kwh_a_day
    kwh = float(np.sum(by_week))
    return Machine(
        kind=kind,
        l_day=float(np.max(need_l_day)),
        rated_l_day=rated,
        kwh_l=kwh / (7 * float(np.sum(need_l_day))),
        kwh=kwh,
        cost=None if price_kwh is None else kwh * price_kwh,
        weeks=int(need_l_day.size),
        kwh_by_week=tuple(float(each) for each in by_week),
    )
