"""The window of humidity that a room may be held in, week by week, and what sets each side of it.

The lower side: the checking limit of the greenest pieces, what finished work beside them tolerates, and the
driest air that a shop is worth bringing to. The upper side: mould, condensation on timber that is colder
than the air, and what finished work tolerates.

A piece sets a checking limit while a published safe start for its wood does: each stage as printed. Below
45 % on the mean, where damage is no longer decided, a surface that has already stood drier air may stand
it again: the limit is then the drier of the stage and of the driest that its surface has been. That is our
own judgement; `strict` holds to the stages as printed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models import sorption
from baulk.models.checking import DECIDED_ABOVE_PCT, mould_limit_pct
from baulk.models.constants import Floats
from baulk.models.plan.humidity.timbers import Stock
from baulk.models.psychrometrics import ice_saturation_pa, saturation_pa

DRIEST_RH: Final = 35.0  # what a shop is worth bringing to; our own judgement, no source
DAMPEST_RH: Final = 95.0  # wetter air can't be held, nor measured; our own judgement, no source
FILM_W_M2_K: Final = 8.0  # heat from still indoor air to a surface; common practice, no source
WOOD_J_KG_K: Final = 1300.0  # dry wood at 20 degC, rounded; common practice, no source
WATER_J_KG_K: Final = 4186.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Moisture content that a finished or glued piece tolerates to be held at.

    Parameters
    ----------
    name : str
        Whose: a tag, or "the band given".
    low_pct, high_pct : float
        The band. [% of oven-dry mass]
    """

    name: str
    low_pct: float
    high_pct: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Window:
    """Limits by week; every array has shape (n,), nan where there is no such limit.

    Parameters
    ----------
    checking_pct, mould_pct, condensation_pct, finished_low_pct, finished_high_pct : ndarray
        Relative humidity. [%]
    low_pct, high_pct : ndarray
        The tightest of each side; empty where the low one lies above. [%]
    low_by, high_by : tuple of str
        What sets each side: "checking", "finished work", "practice"; "mould", "condensation", "finished
        work", "practice".
    greenest, finished : tuple of str
        Which piece sets the checking limit, and which the band; "" for none.
    """

    checking_pct: Floats
    mould_pct: Floats
    condensation_pct: Floats
    finished_low_pct: Floats
    finished_high_pct: Floats
    low_pct: Floats
    high_pct: Floats
    low_by: tuple[str, ...]
    high_by: tuple[str, ...]
    greenest: tuple[str, ...]
    finished: tuple[str, ...]

    @property
    def open(self) -> NDArray[np.bool_]:
        """Whether there is a humidity that suits, shape (n,)."""
        return np.asarray(self.low_pct <= self.high_pct)


def rh_at(temp_c: Floats, mc_pct: Floats | float) -> Floats:
    """Humidity that holds wood at a moisture content; 100 for one that no air holds.

    Parameters
    ----------
    temp_c : ndarray, shape (n,)
        Air temperature. [degC]
    mc_pct : ndarray or float
        Moisture content wanted. [%]

    Returns
    -------
    ndarray, shape (n,)
        Relative humidity, read-only; a gap stays a gap. [%]

    Raises
    ------
    OutOfRange
        If the air lies outside what the EMC is worked out for.

    References
    ----------
    Wood Handbook eq. 4-5, inverted.
    """
    temp, wanted = np.broadcast_arrays(np.asarray(temp_c, dtype=float), np.asarray(mc_pct, dtype=float))
    return _rh_at(temp.tobytes(), wanted.tobytes()).reshape(temp.shape)


# what finished work tolerates, and floors that did not move, are asked for with every window of a room
@lru_cache(maxsize=128)  # of three years of weeks, 1 kB each and twice that for what is asked
def _rh_at(temp_c: bytes, mc_pct: bytes) -> Floats:
    temp, wanted = np.frombuffer(temp_c), np.frombuffer(mc_pct)
    top = np.asarray(sorption.emc_pct(temp, 100.0))
    known = np.isfinite(wanted)
    held = np.where(known, np.clip(wanted, 0.5, top - 0.01), 10.0)
    found = np.where(known, np.where(wanted >= top, 100.0, sorption.rh_pct(temp, held)), np.nan)
    found.flags.writeable = False
    return np.asarray(found)


def lag_s(stock: Stock) -> float:
    """Time in which a timber follows two thirds of a change of the air's temperature.

    Parameters
    ----------
    stock : Stock
        The timber; taken as evenly warm, so that its surface is thought to lag as much as the whole.

    Returns
    -------
    float
        Heat capacity over what passes its surface. [s]

    References
    ----------
    Newton's law of cooling; the heat capacity of wood and of still air's film: common practice, no source.
    """
    section = stock.timber.section
    share = float(np.median(stock.start.mean_pct)) / 100
    per_m3 = stock.species.basic_density_kg_m3 * (WOOD_J_KG_K + share * WATER_J_KG_K)
    area_m2, round_m = (
        section.width_mm * section.depth_mm / 1e6,
        2 * (section.width_mm + section.depth_mm) / 1e3,
    )
    return per_m3 * area_m2 / (round_m * FILM_W_M2_K)


def colder_by_k(posix_s: Floats, temp_c: Floats, lag: float) -> Floats:
    """How far a timber's surface lags below the air at each moment, 0 where it is warmer, shape (n,).

    Parameters
    ----------
    posix_s, temp_c : ndarray, shape (n,)
        The air. [s, degC]
    lag : float
        From `lag_s`. [s]

    Returns
    -------
    ndarray, shape (n,)
        Kelvin below the air. [K]

    References
    ----------
    First-order lag, exact for air that holds between two moments.
    """
    keep = np.exp(-np.diff(posix_s) / lag)
    wood = np.empty_like(temp_c)
    wood[0] = temp_c[0]
    for i, each in enumerate(keep, start=1):
        wood[i] = temp_c[i - 1] + (wood[i - 1] - temp_c[i - 1]) * each
    return np.asarray(np.maximum(temp_c - wood, 0.0))


def condensation_limit_pct(temp_c: Floats, colder_k: Floats) -> Floats:
    """Humidity above which the air's dew or frost point lies above a surface that is colder than it.

    Parameters
    ----------
    temp_c : ndarray, shape (n,)
        Air. [degC]
    colder_k : ndarray, shape (n,)
        How far below it the surface is, 0 or more. [K]

    Returns
    -------
    ndarray, shape (n,)
        Saturation pressure at the surface, over ice where it freezes, over that of the air. [%]

    Raises
    ------
    OutOfRange
        If a temperature lies outside -30 to 110 degC.

    References
    ----------
    ASHRAE Fundamentals (2017) chapter 1 eq. 5 and 6.
    """
    surface_c = temp_c - np.maximum(colder_k, 0.0)
    return np.asarray(100 * ice_saturation_pa(surface_c) / saturation_pa(temp_c))


def band_of(stock: Stock) -> Band:
    """Give the moisture that a finished piece may be held at: its service range, or as far as it may move.

    Parameters
    ----------
    stock : Stock
        The finished piece.

    Returns
    -------
    Band
        The wider of the use's service range and of the middle of it plus or minus what moves the piece by
        its tolerance. [%]

    References
    ----------
    Wood Handbook, FPL-GTR-282, chapter 4 (linear law); the tolerance is its use class's.
    """
    use, wood, piece = stock.use, stock.species, stock.finished
    side = max(piece.width_mm, piece.depth_mm)
    a_point_mm = side * wood.shrinkage_tangential_pct / 100 / wood.shrinkage_onset_pct
    reach = use.tolerance_mm(piece.width_mm, piece.depth_mm) / a_point_mm
    middle = use.service_mc_pct
    return Band(
        name=stock.tag,
        low_pct=min(use.service_low_pct, middle - reach),
        high_pct=max(use.service_high_pct, middle + reach),
    )


def floor_emc_pct(stock: Stock, mean_pct: Floats, surface_pct: Floats, *, strict: bool) -> Floats:
    """Driest EMC that a piece's surface is to be asked for, by week, shape (n,), nan where nothing is known.

    Parameters
    ----------
    stock : Stock
        The piece.
    mean_pct, surface_pct : ndarray, shape (n,)
        Medians of its mean moisture at the start of each week, and of its driest face in the week before. [%]
    strict : bool
        Whether to hold to the stages as printed to their end.

    Returns
    -------
    ndarray, shape (n,)
        Equilibrium moisture content. [%]

    References
    ----------
    The published start, see `baulk.models.checking`; that a surface may stand again what it has stood:
    our own judgement, no source.
    """
    found = np.full(mean_pct.shape, np.nan)
    stages = stock.stages()
    for stage in reversed(stages):  # the driest first
        found[mean_pct > stage.above_pct] = stage.emc_pct
    if not strict:
        stood = np.minimum(np.minimum.accumulate(surface_pct), stock.stood_pct)
        found = np.where(mean_pct > DECIDED_ABOVE_PCT, found, np.minimum(found, stood))
    return found


def window(
    temp_c: Floats,
    colder_k: Floats,
    floors_emc_pct: Sequence[tuple[str, Floats]],
    bands: Sequence[Band],
    *,
    driest_rh: float = DRIEST_RH,
) -> Window:
    """Put the limits together.

    Parameters
    ----------
    temp_c, colder_k : ndarray, shape (n,)
        Air of each week, and how far the timbers' surface falls below it. [degC, K]
    floors_emc_pct : sequence of (str, ndarray)
        By piece, from `floor_emc_pct`. [%]
    bands : sequence of Band
        Of finished work. [%]
    driest_rh : float
        Driest air to plan for. [%]

    Returns
    -------
    Window
        Limits and what sets them. [%RH]

    References
    ----------
    Mould: Hukka & Viitanen 1999, by `checking.mould_limit_pct`; below 0 and above 50 degC none.
    """
    none = np.full(temp_c.shape, np.nan)
    checking, greenest = none, ("",) * temp_c.size
    if floors_emc_pct:
        emc = np.array([each for _, each in floors_emc_pct])
        which = np.argmax(np.nan_to_num(emc, nan=-1.0), axis=0)
        checking = rh_at(temp_c, emc[which, np.arange(temp_c.size)])
        greenest = tuple(
            floors_emc_pct[i][0] if np.isfinite(limit) else ""
            for i, limit in zip(which, checking, strict=True)
        )
    mould = np.where((temp_c >= 0) & (temp_c <= 50), mould_limit_pct(np.clip(temp_c, 0.0, 50.0)), np.nan)
    dew = condensation_limit_pct(temp_c, colder_k)
    low, high, whose = none, none, ("",) * temp_c.size
    if bands:
        lows = np.array([rh_at(temp_c, each.low_pct) for each in bands])
        highs = np.array([rh_at(temp_c, each.high_pct) for each in bands])
        low, high = lows.max(axis=0), highs.min(axis=0)
        whose = tuple(bands[i].name for i in np.argmax(lows, axis=0))
    under = {"checking": checking, "finished work": low, "practice": np.full(temp_c.shape, driest_rh)}
    over = {
        "mould": mould,
        "condensation": dew,
        "finished work": high,
        "practice": np.full(temp_c.shape, DAMPEST_RH),
    }
    lower, upper = np.array(list(under.values())), np.array(list(over.values()))
    at_low = np.argmax(np.nan_to_num(lower, nan=-1.0), axis=0)
    at_high = np.argmin(np.nan_to_num(upper, nan=999.0), axis=0)
    weeks = np.arange(temp_c.size)
    return Window(
        checking_pct=checking,
        mould_pct=mould,
        condensation_pct=dew,
        finished_low_pct=low,
        finished_high_pct=high,
        low_pct=lower[at_low, weeks],
        high_pct=upper[at_high, weeks],
        low_by=tuple(list(under)[i] for i in at_low),
        high_by=tuple(list(over)[i] for i in at_high),
        greenest=greenest,
        finished=whose,
    )
