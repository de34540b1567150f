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

from baulk.models import psychrometrics
from baulk.models.air import AirSeries
from baulk.models.constants import Floats

RECENT_DAYS: Final = 14  # held against what was before; our own judgement, no source
BEFORE_DAYS: Final = 42  # that they are held against; our own judgement, no source
FEWEST_DAYS: Final = 10  # with readings in either; our own judgement, no source
DEPARTED_PCT: Final = 12.0  # of the vapour: 8 points at 65 %RH; our own judgement, no source
FEWEST_PLACES: Final = 3  # of two nobody can say which has moved
SPREADS: Final = 3.0  # and so many spreads of its days; our own judgement, no source
_DAY_S: Final = 86_400.0


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
    places = sorted(airs)
    if len(places) < FEWEST_PLACES:
        return {}
    days = np.array([_daily(airs[place], now_s) for place in places])  # ln of vapour, oldest day first
    found = {}
    for index, place in enumerate(places):
        others = np.delete(days, index, axis=0)
        moved = _moved(days[index] - _middle(others))
        apart = [_moved(each - _middle(np.delete(others, k, axis=0))) for k, each in enumerate(others)]
        if moved is None or not _is_clear(moved):
            continue
        if any(one is None or abs(one[0]) > abs(moved[0]) / 2 for one in apart):
            continue  # the others have not stayed together
        found[place] = 100 * float(np.expm1(moved[0]))
    return found


def _daily(air: AirSeries, now_s: float) -> Floats:
    """Return the logarithm of each day's median vapour pressure, nan for a day without readings."""
    ago = np.floor((now_s - air.posix_s) / _DAY_S).astype(int)
    vapour = np.log(np.maximum(psychrometrics.vapour_pressure_pa(air.temp_c, air.rh_pct), 1.0))
    count = RECENT_DAYS + BEFORE_DAYS
    days = [vapour[ago == day] for day in range(count - 1, -1, -1)]
    return np.array([np.median(each) if each.size else np.nan for each in days])


def _middle(rows: Floats) -> Floats:
    """Return the median of the places of each day, nan where not one was measured."""
    known = np.isfinite(rows).any(axis=0)
    return np.where(known, np.nanmedian(np.where(known, rows, 0.0), axis=0), np.nan)


def _moved(apart: Floats) -> tuple[float, float] | None:
    """Return by how much a difference has moved, and the spread of its days; None where too few are known."""
    before, lately = (part[np.isfinite(part)] for part in (apart[:BEFORE_DAYS], apart[BEFORE_DAYS:]))
    if min(before.size, lately.size) < FEWEST_DAYS:
        return None
    middle = float(np.median(before))
    spread = 1.4826 * float(np.median(np.abs(before - middle)))
    return float(np.median(lately)) - middle, spread


def _is_clear(moved: tuple[float, float]) -> bool:
    by, spread = moved
    return abs(np.expm1(by)) >= DEPARTED_PCT / 100 and abs(by) >= SPREADS * spread
