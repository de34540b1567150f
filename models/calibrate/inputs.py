"""What a fit looks at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from baulk.models import sorption
from baulk.models.air import AirSeries
from baulk.models.calibrate.history import History
from baulk.models.diffusion import DiffusionLaw
from baulk.models.meter.profile import Corrections
from baulk.models.species import Species
from baulk.models.timber import Timber

__all__ = ["FitInputs", "mean_emc_pct"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FitInputs:
    """Everything that a fit of one timber looks at but its readings.

    Parameters
    ----------
    timber, species : Timber and Species
        The timber as it stands, and its wood.
    law : DiffusionLaw
        The species' law, which the members depart from.
    past : History
        What happened to it: sections, faces, ends, gaps in the air.
    air : AirSeries
        Its air; stands in for a wood temperature that nobody measured.
    emc_pct : float
        Mean EMC of that air since its arrival. [%]
    corrections : sequence of MeterSetting
        The shop's meters.
    start_s, now_s : float
        Arrival and now. [s]
    """

    timber: Timber
    species: Species
    law: DiffusionLaw
    past: History
    air: AirSeries
    emc_pct: float
    corrections: Corrections
    start_s: float
    now_s: float


def mean_emc_pct(air: AirSeries, first_s: float, last_s: float) -> float:
    """Return the mean EMC of the air between two moments, or of the nearest reading, [%]."""
    low = max(int(np.searchsorted(air.posix_s, first_s, side="right")) - 1, 0)
    high = max(int(np.searchsorted(air.posix_s, last_s, side="right")), low + 1)
    return float(np.mean(sorption.emc_pct(air.temp_c[low:high], air.rh_pct[low:high])))
