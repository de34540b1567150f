"""A weight and a size that no piece of the registered wood can have together."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models import species as table
from baulk.models.fit_inputs import FitInputs
from baulk.models.fit_weights import tare_kg
from baulk.models.reading import Quantity, Reading
from baulk.models.timber import EventKind

Floats = NDArray[np.float64]

# pieces of one wood differ by 10 % (one standard deviation): Wood Handbook, FPL-GTR-282, chapter 5, from
# memory; four of those leave room for a size that is only about right
WITHIN: Final = 0.4
FITS: Final = 0.2  # share within which another unit or wood is said to fit; our own judgement, no source
KG_PER_LB: Final = 0.45359237  # exact, see baulk.models.units
FIRST: Final = 3  # weights; a later one may be of a piece that something was taken off


def impossible(
    given: FitInputs, readings: Sequence[Reading], history_s: Floats, history_mean_pct: Floats
) -> str | None:
    """Say that the first weights and the size do not go together, and what would explain it.

    Parameters
    ----------
    given : FitInputs
        The timber and what happened to it.
    readings : sequence of Reading
        Every reading of it; only its first weights are looked at.
    history_s : ndarray, shape (t,)
        Moments of the history. [s]
    history_mean_pct : ndarray, shape (t, m)
        Mean moisture of the section then, every member: what it may have been. [%]

    Returns
    -------
    str or None
        One sentence; None where some plausible moisture makes them go together, where there is no weight,
        and where something was cut off its length or its section since.
    """
    weighed = sorted(_net(given, readings))[:FIRST]
    if not weighed or any(given.past.kind(kind) for kind in (EventKind.CUT, EventKind.PLANED)):
        return None
    section, timber = given.past.section, given.timber
    volume_m3 = section.width_mm * section.depth_mm * timber.length_mm / 1e9
    told = [_density(kg / volume_m3, history_mean_pct[_at(history_s, at_s)]) for at_s, kg in weighed]
    low, middle, high = (median(each[i] for each in told) for i in range(3))
    usual = given.species.basic_density_kg_m3
    if low <= (1 + WITHIN) * usual and high >= (1 - WITHIN) * usual:
        return None
    return (
        f"timber/{timber.tag}/weight: {weighed[0][1]:.0f} kg and its size make a basic density of "
        f"{middle:.0f} kg/m3 "
        f"({low:.0f} to {high:.0f} at any moisture it may have had), and {given.species.name} has about "
        f"{usual:.0f}; {_because(middle, usual)}"
    )


def _net(given: FitInputs, readings: Sequence[Reading]) -> list[tuple[float, float]]:
    found = []
    for each in readings:
        at_s = each.taken_utc.timestamp()
        if each.series.quantity is Quantity.WEIGHT and given.start_s <= at_s <= given.now_s:
            found.append((at_s, each.value - tare_kg(given.past, at_s)))
    return [(at_s, kg) for at_s, kg in found if kg > 0]


def _at(history_s: Floats, at_s: float) -> int:
    return int(np.argmin(np.abs(history_s - at_s)))


def _density(kg_m3: float, mean_pct: Floats) -> tuple[float, float, float]:
    """Return the basic density at the wettest, the middle and the driest that the members hold."""
    wet, middle, dry = (float(each) for each in np.quantile(mean_pct, (1.0, 0.5, 0.0)))
    return kg_m3 / (1 + wet / 100), kg_m3 / (1 + middle / 100), kg_m3 / (1 + dry / 100)


def _because(found: float, usual: float) -> str:
    """Say which units or wood would fit, and what else to look for."""
    units = ((KG_PER_LB, "pounds taken for kilograms"), (1 / KG_PER_LB, "kilograms taken for pounds"))
    fits = [f"if the weights were {unit}" for factor, unit in units if abs(found * factor / usual - 1) < FITS]
    near = min(
        (table.get(name) for name in table.names()), key=lambda one: abs(one.basic_density_kg_m3 / found - 1)
    )
    if abs(near.basic_density_kg_m3 / found - 1) < FITS:
        fits.append(f"if the wood were not {usual:.0f} but {near.basic_density_kg_m3:.0f}, as {near.name} is")
    if not fits:
        return "no wood of the table is like that: look at the scale, its tare and unit, and at the size"
    return f"it would fit {', or '.join(fits)}; else look at the scale, its tare and at the size"
