"""The shop's air: where mould starts, and the mildest published safe start for green stock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.errors import OutOfRange


@dataclass(frozen=True, slots=True, kw_only=True)
class Floor:
    """The driest air that a published schedule tolerates at one stage of drying.

    Parameters
    ----------
    above_pct : float
        Holds while the wettest piece is above this mean moisture content. [%]
    emc_pct : float
        Equilibrium moisture content of that air. [%]
    words : str
        The air as the source prints it.
    source : str
        Where it is printed.
    """

    above_pct: float
    emc_pct: float
    words: str
    source: str


# Dry bulb and depression as printed; EMC from ASHRAE psychrometrics at 101.325 kPa and Wood Handbook eq. 4-5.
# The source dried 4/4 boards of Oregon white oak: for a heavy timber it is a comparison, never a promise.
_ESPENAS = "Espenas & Kozlik 1975, 4/4 Oregon white oak"
MILDEST_START: tuple[Floor, ...] = (
    Floor(
        above_pct=40.0, emc_pct=17.7, words="110 °F with a 4 °F wet-bulb depression, 87 % RH", source=_ESPENAS
    ),
    Floor(
        above_pct=30.0, emc_pct=15.2, words="110 °F with a 6 °F wet-bulb depression, 82 % RH", source=_ESPENAS
    ),
)


def floor_for(mean_mc_pct: float) -> Floor | None:
    """Find the driest air that the mildest published start tolerates at a moisture content.

    Parameters
    ----------
    mean_mc_pct : float
        Mean moisture content of the greenest piece. [%]

    Returns
    -------
    Floor or None
        The stage; None at 30 % and below, where the source sets no floor that matters to a shop.

    References
    ----------
    .. [1] Espenas, L. D., Kozlik, C. J. (1975): schedule for 4/4 Oregon white oak.
    """
    return next((stage for stage in MILDEST_START if mean_mc_pct > stage.above_pct), None)


def mould_limit_pct(temp_c: ArrayLike) -> NDArray[np.float64]:
    """Lowest relative humidity at which mould can grow on wood, given weeks of it.

    Parameters
    ----------
    temp_c : array_like, shape (...,)
        Air temperature, 0 to 50. [degC]

    Returns
    -------
    ndarray, shape (...,)
        Critical relative humidity; 80 above 20 degC, at most 100. [%]

    Raises
    ------
    OutOfRange
        If a temperature lies outside 0 to 50 degC, where mould does not grow.

    References
    ----------
    .. [1] Hukka, A., Viitanen, H. (1999): Wood Sci. Technol. 33, critical humidity; the sign of the linear
       term is fixed by continuity with 80 % at 20 degC.

    Examples
    --------
    >>> float(mould_limit_pct(25.0))
    80.0
    """
    t = np.asarray(temp_c, dtype=float)
    if np.any((t < 0) | (t > 50)):
        raise OutOfRange("the air temperature", "for a mould limit lies between 0 and 50 °C")
    cold = -0.00267 * t**3 + 0.160 * t**2 - 3.13 * t + 100.0
    return np.asarray(np.where(t > 20, 80.0, np.clip(cold, 80.0, 100.0)))
