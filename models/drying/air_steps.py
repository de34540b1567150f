"""Air as the drying model takes it: gaps named, and its mean over any step at hand."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
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


def integrated(air: AirSeries, law: DiffusionLaw, start_s: float) -> Array:
    """Lay out the air so that its mean over any step is one subtraction.

    Parameters
    ----------
    air : AirSeries
        Temperature and humidity; each reading holds until the next, the last one to the end, the first one
        back to the start.
    law : DiffusionLaw
        For its temperature factor.
    start_s : float
        Start, POSIX seconds. [s]

    Returns
    -------
    ndarray, shape (rows, 5)
        Seconds after the start from which a row holds, factor on D [-], EMC [%], and the integrals of both
        from the first row on [s, % s]. Means of the factor and of the EMC, so that two halves of a step have
        the same mean as the whole.
    """
    emc = np.asarray(emc_pct(air.temp_c, air.rh_pct), dtype=np.float64)
    factor = law.temperature_factor(air.temp_c)
    begin = max(int(np.searchsorted(air.posix_s, start_s, side="right")) - 1, 0)
    since = air.posix_s[begin:] - start_s
    since[0] = min(since[0], 0.0)
    lengths = np.diff(since)
    values = np.stack([factor[begin:], emc[begin:]])
    upto = np.cumsum(values[:, :-1] * lengths, axis=1)
    return np.ascontiguousarray(np.column_stack([since, *values, *np.pad(upto, ((0, 0), (1, 0)))]))
