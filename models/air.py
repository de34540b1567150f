"""Air over time: what dries the timber."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, wraps
from typing import Concatenate, Final, ParamSpec, TypeVar

import numpy as np
from numpy.typing import NDArray

from baulk.models.errors import OutOfRange

P = ParamSpec("P")
T = TypeVar("T")
LONG: Final = 10_000  # readings; two years of a forecast, every six hours, have 3,000


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


def remembered(
    short: int, long: int
) -> Callable[[Callable[Concatenate[AirSeries, P], T]], Callable[Concatenate[AirSeries, P], T]]:
    """Cache what a function made of the series asked last, by their identity.

    A record of ten years, laid out, is 8 MB, and each timber has its own from its arrival on: as many of
    those as of a forecast's years would make a worker grow by hundreds of MB.

    Parameters
    ----------
    short, long : int
        How many of series of up to 10,000 readings, and of longer ones.

    Returns
    -------
    callable
        For a function whose first argument is a series and whose others can be hashed.
    """

    def decorate(work: Callable[Concatenate[AirSeries, P], T]) -> Callable[Concatenate[AirSeries, P], T]:
        of_short, of_long = lru_cache(maxsize=short)(work), lru_cache(maxsize=long)(work)

        @wraps(work)
        def ask(air: AirSeries, /, *args: P.args, **kwargs: P.kwargs) -> T:
            return (of_long if air.posix_s.size > LONG else of_short)(air, *args, **kwargs)  # type: ignore[arg-type]

        return ask

    return decorate
