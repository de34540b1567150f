"""One moisture scale for every chart and list, from dry straw to deep water; loads no library of charts."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np

# Straw, through sage, to deep water: lightness falls all the way, so it reads in grey and to every kind of
# colour vision (tests/dashboard/test_charts.py checks the fall under simulated dichromacy).
MOISTURE: Final = ("#f2e2a0", "#cfcf8d", "#9fb98a", "#6b9f8d", "#3f8088", "#225e76", "#12395c")
DRY_PCT: Final = 6.0
WET_PCT: Final = 60.0


@lru_cache(maxsize=512)
def moisture_colour(mc_pct: float) -> str:
    """Return the scale's colour for one moisture content.

    Parameters
    ----------
    mc_pct : float
        Moisture content. [%]

    Returns
    -------
    str
        Colour as ``#rrggbb``.
    """
    at = float(np.clip((mc_pct - DRY_PCT) / (WET_PCT - DRY_PCT), 0, 1)) * (len(MOISTURE) - 1)
    stops = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in MOISTURE], dtype=float)
    rgb = [round(float(np.interp(at, np.arange(len(MOISTURE)), stops[:, i]))) for i in range(3)]
    return "#" + "".join(f"{v:02x}" for v in rgb)
