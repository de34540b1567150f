"""Air cut into the time steps of the drying model."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.errors import OutOfRange
from baulk.models.sorption import emc_pct

Array = NDArray[np.float64]

DAY_S: Final = 86_400.0


def air_gaps(air: AirSeries, *, longer_than_s: float = 6 * 3600.0) -> tuple[tuple[float, float], ...]:
    """Stretches without a reading of the air; `dry` holds the last reading through them.

    Parameters
    ----------
    air : AirSeries
        The air.
    longer_than_s : float
        Shortest stretch to name. [s]

    Returns
    -------
    tuple of (float, float)
        Last moment before and first moment after each gap, POSIX seconds. [s]
    """
    gaps = np.nonzero(np.diff(air.posix_s) > longer_than_s)[0]
    return tuple((float(air.posix_s[i]), float(air.posix_s[i + 1])) for i in gaps)


def steps(
    air: AirSeries, law: DiffusionLaw, start_s: float, at_s: Array, step_s: float
) -> tuple[Array, NDArray[np.int64]]:
    """Cut the time from the start to the last wanted moment into steps.

    Parameters
    ----------
    air : AirSeries
        Temperature and humidity.
    law : DiffusionLaw
        For its temperature factor.
    start_s : float
        Start, POSIX seconds. [s]
    at_s : ndarray, shape (times,)
        Wanted moments, none before the start, not decreasing; each ends a step. [s]
    step_s : float
        Longest step, a minute to 31 days; the first day or step is cut into six. [s]

    Returns
    -------
    steps : ndarray, shape (steps, 3)
        Length [s], factor on D at the step's mean temperature [-], mean EMC over the step [%].
    before : ndarray, shape (times,)
        Number of steps before each wanted moment.
    """
    if not 60 <= step_s <= 31 * DAY_S:
        raise OutOfRange("the time step", f"must lie between a minute and 31 days, not {step_s:g} s")
    first = min(step_s, DAY_S) * np.array([0.04, 0.1, 0.2, 0.35, 0.6])
    whole = step_s * np.arange(0, int((at_s[-1] - start_s) / step_s) + 1)
    edges = np.unique(np.concatenate([whole, first, at_s - start_s]))
    edges = edges[edges <= at_s[-1] - start_s]
    mean_temp, mean_emc = _means(air, start_s + edges)
    steps = np.column_stack([np.diff(edges), law.temperature_factor(mean_temp), mean_emc])
    return np.ascontiguousarray(steps), np.searchsorted(edges, at_s - start_s).astype(np.int64)


def _means(air: AirSeries, edges_s: Array) -> tuple[Array, Array]:
    """Mean temperature and mean EMC between edges; each reading holds until the next."""
    emc = np.asarray(emc_pct(air.temp_c, air.rh_pct), dtype=np.float64)
    lengths = np.diff(air.posix_s)
    begin = np.clip(np.searchsorted(air.posix_s, edges_s, side="right") - 1, 0, None)
    means = []
    for values in (air.temp_c, emc):
        total = np.concatenate([[0.0], np.cumsum(values[:-1] * lengths)])
        upto = total[begin] + values[begin] * (edges_s - air.posix_s[begin])
        means.append(np.diff(upto) / np.diff(edges_s))
    return means[0], means[1]
