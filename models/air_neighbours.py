"""Whether the humidity of one place has departed from that of the other places of a shop.

Rooms that exchange air with the same outdoors hold about the same water in a cubic metre: a heater changes
the relative humidity, hardly the vapour. So the vapour of a place is held against that of the others day by
day; where it has moved for a fortnight against what it was, while the others have stayed together, either the
air of that place has changed, or its sensor.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from baulk.models import neighbours, psychrometrics
from baulk.models.air import AirSeries
from baulk.models.constants import Floats

DEPARTED_PCT: Final = 12.0  # of the vapour: 8 points at 65 %RH; our own judgement, no source


def departed(airs: Mapping[str, AirSeries], now_s: float) -> dict[str, float]:
    """Return the places whose vapour has moved against all others, and by how much.

    Parameters
    ----------
    airs : mapping of str to AirSeries
        The air of each place; two are not enough to say which of them has moved. [degC, %RH]
    now_s : float
        Now, in seconds since 1970. [s]

    Returns
    -------
    dict of str to float
        By place the change of its vapour against the others, below 0 for drier. [%]

    References
    ----------
    None: that rooms of one shop share the vapour of the air outside is our own judgement.
    """
    days = {place: _daily(air, now_s) for place, air in airs.items()}
    return {place: _pct(by) for place, by in neighbours.departed(days, _is_much).items()}


def apart(one: AirSeries, other: AirSeries, now_s: float) -> float | None:
    """Return how far the vapour of one has moved against the other's; None where little, or not to be told.

    Parameters
    ----------
    one, other : AirSeries
        The air of a place, and of another or the weather's. [degC, %RH]
    now_s : float
        Now, in seconds since 1970. [s]

    Returns
    -------
    float or None
        Below 0 where the first has become drier beside the second. [%]
    """
    by = neighbours.apart(_daily(one, now_s), _daily(other, now_s), _is_much)
    return None if by is None else _pct(by)


def _daily(air: AirSeries, now_s: float) -> Floats:
    """Return the logarithm of each day's median vapour pressure, nan for a day without readings."""
    vapour = np.log(np.maximum(psychrometrics.vapour_pressure_pa(air.temp_c, air.rh_pct), 1.0))
    return neighbours.daily(air.posix_s, vapour, now_s)


def _pct(by: float) -> float:
    return 100 * float(np.expm1(by))


def _is_much(by: float) -> bool:
    return abs(_pct(by)) >= DEPARTED_PCT
