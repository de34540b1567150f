"""Air over time: what dries the timber."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from baulk.models.errors import OutOfRange


@dataclass(frozen=True, slots=True, weakref_slot=True, kw_only=True, eq=False)
class AirSeries:
    """Temperature and relative humidity at increasing times.

    Parameters
    ----------
    posix_s : ndarray, shape (n,)
        Seconds since 1970-01-01 UTC, strictly increasing, n at least 1. [s]
    temp_c : ndarray, shape (n,)
        Air temperature. [degC]
    rh_pct : ndarray, shape (n,)
        Relative humidity, 0 to 100. [%]
    """

    posix_s: NDArray[np.float64]
    temp_c: NDArray[np.float64]
    rh_pct: NDArray[np.float64]

    def __post_init__(self) -> None:
        if self.posix_s.size == 0:
            raise OutOfRange(
                "the air", "has not a single reading; publish or enter temperature and humidity first"
            )
        if not self.posix_s.shape == self.temp_c.shape == self.rh_pct.shape or self.posix_s.ndim != 1:
            raise OutOfRange("the air", "needs as many temperatures and humidities as times")
        if np.any(np.diff(self.posix_s) <= 0):
            raise OutOfRange("the air's times", "must increase")
        if not (np.all(np.isfinite(self.temp_c)) and np.all((self.rh_pct >= 0) & (self.rh_pct <= 100))):
            raise OutOfRange("the air", "needs finite temperatures and humidities from 0 to 100 %")
