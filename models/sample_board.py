"""Sample boards and weighed timbers: moisture content with the error that the start carries along."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models import gravimetric
from baulk.models.errors import OutOfRange

# doubts of a start: looked up for the species, from one section against the whole piece; and of a weighing,
# as a share of the weight: common experience, no source
LOOKED_UP_SD_PCT: Final = 10.0
SECTION_SD_PCT: Final = 2.0
WEIGHING_SD_SHARE: Final = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class WeightAnswer:
    """A moisture content from weights, with its doubt.

    Parameters
    ----------
    mc_pct : ndarray, shape (...,)
        Mean moisture content of the piece. [% of oven-dry mass]
    sd_pct : ndarray, shape (...,)
        One standard deviation. [%]
    """

    mc_pct: NDArray[np.float64]
    sd_pct: NDArray[np.float64]


def oven_dry_kg(weight_kg: ArrayLike, end_mc_pct: tuple[float, float]) -> NDArray[np.float64]:
    """Oven-dry weight of a sample board from the two sections cut off its ends.

    Parameters
    ----------
    weight_kg : array_like, shape (...,)
        Weight of the board when the sections were cut, above 0. [kg]
    end_mc_pct : tuple of float
        Moisture content of the two sections by oven-drying, each at least 0. [%]

    Returns
    -------
    ndarray, shape (...,)
        What the board would weigh oven-dry. [kg]

    Raises
    ------
    OutOfRange
        If a number lies outside the range above.

    References
    ----------
    E. M. Wengert, Drying oak lumber, step 3B.

    Examples
    --------
    >>> round(float(oven_dry_kg(10.0, (60.0, 64.0))), 3)
    6.173
    """
    first, second = end_mc_pct
    if not (first >= 0 and second >= 0):
        raise OutOfRange(
            "the moisture content of a section", f"must be at least 0 %, not {min(first, second):g} %"
        )
    dry: NDArray[np.float64] = gravimetric.wet_kg(weight_kg, 0.0) * 100 / (100 + (first + second) / 2)
    return dry


def mc_pct(weight_kg: ArrayLike, oven_dry_kg: ArrayLike) -> NDArray[np.float64]:
    """Moisture content of a sample board from its weight today.

    Parameters
    ----------
    weight_kg : array_like, shape (...,)
        Weight today, not below the oven-dry one. [kg]
    oven_dry_kg : array_like, shape (...,)
        From `oven_dry_kg`, above 0. [kg]

    Returns
    -------
    ndarray, shape (...,)
        Moisture content; a gap (NaN) stays a gap. [%]

    Raises
    ------
    OutOfRange
        If a weight lies outside the range above.

    References
    ----------
    E. M. Wengert, Drying oak lumber, step 3B; Wood Handbook, FPL-GTR-282 (2021), eq. 4-1.

    Examples
    --------
    >>> round(float(mc_pct(8.0, oven_dry_kg(10.0, (60.0, 64.0)))), 1)
    29.6
    """
    return gravimetric.mc_pct(weight_kg, oven_dry_kg)


def mc_from_weight(
    weight_kg: ArrayLike,
    start_weight_kg: ArrayLike,
    start_mc_pct: ArrayLike,
    *,
    start_mc_sd_pct: ArrayLike,
    weight_sd_kg: ArrayLike = 0.0,
) -> WeightAnswer:
    """Mean moisture content from the weight now and at the start, with the error carried along.

    Parameters
    ----------
    weight_kg, start_weight_kg : array_like, shape (...,)
        Weight now and when the start was known; nothing may have been cut off between. [kg]
    start_mc_pct : array_like, shape (...,)
        Mean moisture content at the start. [%]
    start_mc_sd_pct : array_like, shape (...,)
        Its doubt; about 10 when it was only looked up for the species. [%]
    weight_sd_kg : array_like, shape (...,), optional
        Doubt of each weighing. [kg]

    Returns
    -------
    WeightAnswer
        Mean moisture content now and its doubt: the start's comes through in the ratio of the weights.

    Raises
    ------
    OutOfRange
        If a weight is not above 0, too low for the wood in it, or a doubt is below 0.

    References
    ----------
    Propagation of error, first order, through ``MC = (1 + MC0) W / W0 - 1``.

    Examples
    --------
    >>> found = mc_from_weight(8.0, 10.0, 62.0, start_mc_sd_pct=3.0, weight_sd_kg=0.05)
    >>> round(float(found.mc_pct), 1), round(float(found.sd_pct), 1)
    (29.6, 2.6)
    """
    start_sd, weight_sd = np.asarray(start_mc_sd_pct, dtype=float), np.asarray(weight_sd_kg, dtype=float)
    if np.any(start_sd < 0) or np.any(weight_sd < 0):
        raise OutOfRange("a doubt", "must be at least 0")
    mc = gravimetric.mc_from_weight_pct(weight_kg, start_weight_kg, start_mc_pct)
    now, start = np.asarray(weight_kg, dtype=float), np.asarray(start_weight_kg, dtype=float)
    of_weights = (100 + mc) * weight_sd * np.hypot(1 / now, 1 / start)
    return WeightAnswer(mc_pct=mc, sd_pct=np.hypot(start_sd * now / start, of_weights))
