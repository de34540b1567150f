"""Sorption and shrinkage of one piece in one air, in plain numbers, without loading numpy.

The formulas stand here once; `sorption` and `shrinkage` take arrays, ranges and inverses from there.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_Number = TypeVar("_Number", float, "NDArray[np.float64]")

# root mean square of (printed - eq. 4-5) over the eight values of four woods, europeanwood.org species pages
SPECIES_SD_PCT: Final = 1.2
# EMC while gaining moisture is about 0.85 of that while losing it: common knowledge, from memory
ADSORPTION_OVER_DESORPTION: Final = 0.85
# single pieces differ from the mean of their species by this share of the shrinkage: Wood Handbook chapter 4,
# from memory
PIECES_VARY: Final = 0.15
_NO_FROST_C: Final = (0.0, 110.0)  # below, frost adds to the doubt, and `sorption.answer` knows how much


def emc_4_5_pct(temp_c: _Number, rh_pct: _Number) -> _Number:
    """Equilibrium moisture content by eq. 4-5, with nothing checked.

    Parameters
    ----------
    temp_c : float or ndarray, shape (...,)
        Air temperature. [degC]
    rh_pct : float or ndarray, shape (...,)
        Relative humidity, 0 to 100. [%]

    Returns
    -------
    float or ndarray, shape (...,)
        Equilibrium moisture content. [% of oven-dry mass]

    References
    ----------
    Wood Handbook, FPL-GTR-190 (2010) and FPL-GTR-282 (2021), eq. 4-5, coefficients for degC.

    Examples
    --------
    >>> round(emc_4_5_pct(21.1, 50.0), 1)
    9.2
    """
    w = 349 + 1.29 * temp_c + 0.0135 * temp_c**2
    k = 0.805 + 0.000736 * temp_c - 0.00000273 * temp_c**2
    k1 = 6.27 - 0.00938 * temp_c - 0.000303 * temp_c**2
    k2 = 1.91 + 0.0407 * temp_c - 0.000293 * temp_c**2
    kh = k * rh_pct / 100
    held = k1 * kh + k1 * k2 * kh**2
    return 1800 / w * (kh / (1 - kh) + (held + k1 * k2 * kh**2) / (1 + held))


def hysteresis_sd_pct(emc_pct: _Number) -> _Number:
    """Doubt of an EMC from not knowing whether the wood came to it by wetting or by drying.

    Parameters
    ----------
    emc_pct : float or ndarray, shape (...,)
        Equilibrium moisture content. [%]

    Returns
    -------
    float or ndarray, shape (...,)
        Half the distance between the two ways over the root of three. [%]
    """
    ratio = ADSORPTION_OVER_DESORPTION
    return emc_pct * (1 - ratio) / (1 + ratio) / math.sqrt(3.0)


def above_freezing(temp_c: float, rh_pct: float) -> bool:
    """Return whether `emc_above_freezing` answers for this air."""
    lowest, highest = _NO_FROST_C
    return lowest <= temp_c <= highest and 0.0 <= rh_pct <= 100.0


def emc_above_freezing(temp_c: float, rh_pct: float) -> tuple[float, float]:
    """Equilibrium moisture content by eq. 4-5 with its doubt, for one air without frost.

    Parameters
    ----------
    temp_c : float
        Air temperature, 0 to 110. [degC]
    rh_pct : float
        Relative humidity, 0 to 100. [%]

    Returns
    -------
    emc, sd : float
        As `sorption.answer` gives them for that air. [%]

    Examples
    --------
    >>> emc, sd = emc_above_freezing(20.0, 65.0)
    >>> round(emc, 1), round(sd, 1)
    (12.0, 1.3)
    """
    emc = emc_4_5_pct(temp_c, rh_pct)
    species = min(SPECIES_SD_PCT, emc / 3)  # no wood is drier than dry: the spread shrinks with the value
    return emc, min(math.hypot(species, hysteresis_sd_pct(emc)), emc)


def change_mm(size_mm: float, from_pct: float, to_pct: float, total_pct: float, onset_pct: float) -> float:
    """Change of one dimension between two moisture contents, by the law of `shrinkage.dimension_change_mm`.

    Parameters
    ----------
    size_mm : float
        Dimension as it is at `from_pct`. [mm]
    from_pct, to_pct : float
        Moisture contents before and after, at least 0. [%]
    total_pct : float
        Shrinkage from green to oven-dry in the same direction. [% of the green dimension]
    onset_pct : float
        Moisture content at which shrinkage begins, above 0. [%]

    Returns
    -------
    float
        Change, negative when it shrinks. [mm]

    Examples
    --------
    >>> round(change_mm(150.0, 30.0, 12.0, 10.5, 30.0), 2)
    -9.45
    """
    before, after = (1 - total_pct * max(0.0, 1 - mc / onset_pct) / 100 for mc in (from_pct, to_pct))
    return size_mm * (after / before - 1)
