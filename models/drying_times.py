"""A published drying time by formula, to hold the drying model against."""

from __future__ import annotations

import math
from typing import Final

from baulk.models.errors import OutOfRange

INCH_MM: Final = 25.4


def saturation_mmhg(temp_c: float) -> float:
    """Saturation pressure of water vapour.

    Parameters
    ----------
    temp_c : float
        Temperature, 1 to 100. [degC]

    Returns
    -------
    float
        Pressure. [mmHg]

    Raises
    ------
    OutOfRange
        If the temperature lies outside the range above.

    References
    ----------
    Antoine's equation with the textbook constants 8.07131, 1730.63 and 233.426 for 1 to 100 degC (from
    memory; with them the worked value of `red_oak_board_days` comes out to its last digit).
    """
    if not 1 <= temp_c <= 100:
        raise OutOfRange("the temperature", f"must lie between 1 and 100 degC, not {temp_c:g}")
    return float(10 ** (8.07131 - 1730.63 / (233.426 + temp_c)))


def red_oak_board_days(
    thickness_mm: float, start_pct: float, end_pct: float, *, temp_c: float, emc_pct: float
) -> float:
    """Time that a red oak board dries in steady air, by a fitted time constant.

    ``t = -L**1.52 / (0.0575 + 0.00142 p) ln((M - Me) / (M0 - Me))``, L in inches, p in mmHg, t in days.

    Parameters
    ----------
    thickness_mm : float
        Thickness of a board that dries from both faces, above 0. [mm]
    start_pct, end_pct : float
        Mean moisture content at the start and at the end; the start is the wetter one. [%]
    temp_c : float
        Temperature of the air, 1 to 100. [degC]
    emc_pct : float
        Equilibrium moisture content of the air, below the end. [%]

    Returns
    -------
    float
        Time. [d]

    Raises
    ------
    OutOfRange
        If a thickness, moisture content or temperature cannot be.

    References
    ----------
    Tschernitz, J.L., Simpson, W.T., 1979. Wood Science 11(4), 202-208; at second hand, as quoted in the
    encyclopedia article on wood drying. Fitted to kiln-dried boards of an inch or so: no law for baulks.

    Examples
    --------
    >>> round(red_oak_board_days(38.1, 100, 14, temp_c=22.2222, emc_pct=13.551))
    113
    """
    if not 0 < thickness_mm < math.inf:
        raise OutOfRange("the thickness", f"must be above 0 mm, not {thickness_mm:g}")
    if not 0 <= emc_pct < end_pct <= start_pct < math.inf:
        raise OutOfRange(
            "the moisture content",
            f"must fall from start to end and stay above the air's {emc_pct:.1f} %, "
            f"not {start_pct:g} to {end_pct:g} %",
        )
    constant_days = (thickness_mm / INCH_MM) ** 1.52 / (0.0575 + 0.00142 * saturation_mmhg(temp_c))
    return float(constant_days) * math.log((start_pct - emc_pct) / (end_pct - emc_pct))
