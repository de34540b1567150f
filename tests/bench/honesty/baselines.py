"""What anyone can put in a spreadsheet: last value, ruler, exponential, climate, a year an inch.

Each is given what the shop wrote down until now, the table's green moisture, and the mean equilibrium of the
settings' climate. The mean comes from the weighings of a timber that is weighed, else from all of its pins;
the core from the deep pins, the shell from the shallow ones.
"""

from __future__ import annotations

import warnings

import numpy as np
from scipy.optimize import OptimizeWarning, curve_fit

from honesty import climates

RULER_POINTS = 6


def signal(piece, noted, part):
    """Days and moisture that a person would plot for a part, and whether they come from the scale."""
    start = piece.told_green_pct or piece.kind.heart_pct
    kilos = [(each.day, each.value) for each in noted if each.what == "weight"]
    if part == "mean" and len(kilos) >= 2:
        day, kg = np.array(kilos).T
        return day, 100 * ((1 + start / 100) * kg / kg[0] - 1)
    pins = [
        (each.day, each.value)
        for each in noted
        if each.what == "pins"
        and (part == "mean" or (each.depth_mm == max(piece.pins_mm)) == (part == "core"))
    ]
    if not pins:
        return np.zeros(0), np.zeros(0)
    day, shown = np.array(pins).T
    every = np.unique(day)
    return every, np.array([shown[day == each].mean() for each in every])


def forecasts(piece, noted, part, now_day, horizons):
    """By name, what each rule says for every horizon; NaN where it can say nothing."""
    day, moist = signal(piece, noted, part)
    then = now_day + np.asarray(horizons, dtype=float)
    temp, rh = climates.monthly(piece.climate)
    emc = float(np.mean(climates.equilibrium_pct(np.array(temp), np.array(rh))))
    start = piece.told_green_pct or piece.kind.heart_pct
    inches = min(piece.width_mm, piece.depth_mm) / 25.4
    found = {
        "climate mean": np.full(then.size, emc),
        "year an inch": start + (emc - start) * np.minimum(1.0, then / 365.25 / inches),
    }
    nothing = np.full(then.size, np.nan)
    found["last value"] = np.full(then.size, moist[-1]) if day.size else nothing
    found["line"] = nothing
    if day.size >= 3:
        near = slice(-RULER_POINTS, None)
        found["line"] = np.maximum(np.polyval(np.polyfit(day[near], moist[near], 1), then), 0.0)
    found["exponential"] = _exponential(day, moist, emc, then) if day.size >= 3 else nothing
    return found


def _exponential(day, moist, emc, then):
    """Two numbers, start and time constant, toward the climate's equilibrium."""

    def fall(at, over, tau):
        return emc + over * np.exp(-at / tau)

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", OptimizeWarning)
            over, tau = curve_fit(
                fall,
                day,
                moist,
                p0=(max(moist[0] - emc, 1.0), 300.0),
                bounds=([0, 10], [300, 5000]),
            )[0]
    except RuntimeError:  # did not settle
        return np.full(then.size, np.nan)
    return fall(then, over, tau)
