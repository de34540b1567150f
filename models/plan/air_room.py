"""A room as a plan sees it: what its air is expected to be, week by week, and what it could be held at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange
from baulk.models.plan.stock import WEEK_S
from baulk.models.plan.window import DRIEST_RH

Floats = NDArray[np.float64]

WEEKS: Final = 156  # how far a plan looks: what dries slowly is not ready in two years
STEP_RH: Final = 3.0  # what the air is changed by in a week at most; our own judgement, no source
COLDEST_C, WARMEST_C = -20.0, 45.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Room:
    """Where the timbers lie.

    Parameters
    ----------
    place : str
        Its name.
    year : AirSeries
        Air expected from now on if nothing is done, six-hourly, to the end of the last build. [degC, %]
    rh_now_pct : float
        Humidity today. [%]
    held_c : float or None
        Temperature held; None for that of the season. [degC]
    lag_k : ndarray, shape (n,)
        How far timbers fall below the air, by week, in the season's swings. [K]
    coldest_c : float or None
        Of timber or steel that is brought in, or stands against a cold wall. [degC]
    step_pct : float
        Largest change of humidity from one week to the next. [%RH]
    driest_rh : float
        Driest air to plan for. [%RH]
    weeks : int
        How many weeks.
    """

    place: str
    year: AirSeries
    rh_now_pct: float
    held_c: float | None
    lag_k: Floats
    coldest_c: float | None = None
    step_pct: float = STEP_RH
    driest_rh: float = DRIEST_RH
    weeks: int = WEEKS

    def __post_init__(self) -> None:
        for name, value in (("the temperature held", self.held_c), ("the coldest timber", self.coldest_c)):
            if value is not None and not COLDEST_C <= value <= WARMEST_C:  # also refuses NaN
                raise OutOfRange(
                    name,
                    f"lies between {COLDEST_C:.0f} and {WARMEST_C:.0f} °C in a shop, not {value:g} °C; "
                    "was it in °F?",
                )
        if not 0 < self.step_pct <= 100:
            raise OutOfRange("the change in a week", f"is above 0 % RH, not {self.step_pct:g}")
        if not 5 <= self.driest_rh <= 95:
            raise OutOfRange("the driest air", f"lies between 5 and 95 % RH, not {self.driest_rh:g}")

    @property
    def start_s(self) -> float:
        """Now, POSIX seconds."""
        return float(self.year.posix_s[0])

    def at_s(self, every: int = 1) -> Floats:
        """Give the starts of the weeks and the end of the last, POSIX seconds, shape (n + 1,)."""
        return np.asarray(self.start_s + WEEK_S * np.arange(0, self.weeks + 1, every))

    def _week(self) -> NDArray[np.intp]:
        return np.minimum((self.year.posix_s - self.start_s) // WEEK_S, self.weeks - 1).astype(np.intp)

    def weekly(self, values: Floats) -> Floats:
        """Mean of each week of what is known at the moments of `year`, shape (n,)."""
        inside = self.year.posix_s < self.start_s + WEEK_S * self.weeks
        sums = np.bincount(self._week()[inside], values[inside], self.weeks)
        return np.asarray(sums / np.maximum(np.bincount(self._week()[inside], minlength=self.weeks), 1))

    @property
    def expected_rh(self) -> Floats:
        """Mean humidity of each week if nothing is done, shape (n,), [%]."""
        return self.weekly(self.year.rh_pct)

    @property
    def expected_c(self) -> Floats:
        """Mean temperature of each week if nothing is done, shape (n,), [degC]."""
        return self.weekly(self.year.temp_c)

    @property
    def temp_c(self) -> Floats:
        """Temperature of each week, held or the season's, shape (n,), [degC]."""
        return self.expected_c if self.held_c is None else np.full(self.weeks, self.held_c)

    @property
    def colder_k(self) -> Floats:
        """How far what is coldest in the room lies below its air, by week, shape (n,), [K]."""
        swing = self.lag_k if self.held_c is None else np.zeros(self.weeks)
        if self.coldest_c is None:
            return swing
        return np.maximum(swing, self.temp_c - self.coldest_c)

    def held(self, rh_pct: Floats) -> AirSeries:
        """Air of the room when each week is held at a humidity; the last one holds to the end.

        Parameters
        ----------
        rh_pct : ndarray, shape (n,)
            By week. [%]
        """
        return AirSeries(
            posix_s=self.year.posix_s,
            temp_c=self.year.temp_c
            if self.held_c is None
            else np.full(self.year.temp_c.shape, float(self.held_c)),
            rh_pct=np.clip(rh_pct[self._week()], 0.0, 100.0),
        )
