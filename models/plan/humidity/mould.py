"""How far mould comes on wood in some air: the mould index, which needs weeks above the limit to grow."""

from __future__ import annotations

from typing import Final

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.checking import mould_limit_pct
from baulk.models.constants import DAY_S, HOUR_S, Floats

VISIBLE: Final = 3.0  # from here on seen with the naked eye (Hukka & Viitanen 1999)
_SHORT_H, _LONG_H = 6.0, 24.0
_FADES_A_DAY, _RESTS_A_DAY = 0.032, 0.016


def index(air: AirSeries, *, days: float, start: float = 0.0) -> Floats:
    """Mould index of wood in some air.

    Parameters
    ----------
    air : AirSeries
        From now on; each value holds until the next. [degC, %]
    days : float
        How long to follow it. [d]
    start : float
        Index now, 0 to 6.

    Returns
    -------
    ndarray, shape (n,)
        At the end of each value's time: 1 is growth under the microscope, 3 growth that is seen, 6 a surface
        covered. [-]

    References
    ----------
    Hukka, A., Viitanen, H., 1999. Wood Sci. Technol. 33, 475-485, for sapwood of pine, without the terms of
    species and surface; above index 1 it grows twice as fast (Viitanen & Ojanen 2007, very sensitive
    materials). Read in a public program that prints both, not in the papers.
    """
    inside = air.posix_s <= air.posix_s[0] + days * DAY_S
    held_d = np.diff(air.posix_s[inside]) / DAY_S
    temp, rh = air.temp_c[inside][:-1], air.rh_pct[inside][:-1]
    warm = (temp > 0) & (temp <= 50)
    limit = np.full(temp.shape, 100.0)
    limit[warm] = mould_limit_pct(temp[warm])
    grows = warm & (rh > limit) & (limit < 100)
    share = np.clip((rh - limit) / np.maximum(100 - limit, 1e-9), 0.0, 1.0)
    most = 1 + 7 * share - 2 * share**2
    weeks_to_one = np.exp(-0.68 * np.log(np.maximum(temp, 0.1)) - 13.9 * np.log(np.maximum(rh, 1.0)) + 66.02)
    found, now, dry_h = np.empty(temp.size), start, 0.0
    for i, step in enumerate(held_d):
        if grows[i]:
            dry_h = 0.0
            rate = (1.0 if now < 1 else 2.0) / (7 * weeks_to_one[i])
            now += step * rate * max(1 - np.exp(2.3 * (now - most[i])), 0.0)
        else:
            now -= _faded(dry_h, step * DAY_S / HOUR_S)
            dry_h += step * DAY_S / HOUR_S
        now = found[i] = max(now, 0.0)
    return found


def _faded(dry_h: float, more_h: float) -> float:
    """Compute what the index loses in dry hours: fast for six, not at all up to a day, then slowly."""
    early = min(dry_h + more_h, _SHORT_H) - min(dry_h, _SHORT_H)
    late = max(dry_h + more_h, _LONG_H) - max(dry_h, _LONG_H)
    return (early * _FADES_A_DAY + late * _RESTS_A_DAY) * HOUR_S / DAY_S
