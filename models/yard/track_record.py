"""What was forecast of a timber, and what came: misses of earlier forecasts, and what they say of the spread.

A reading by pins is held against what the forecast said of the same pins; a weight against the mean that it
said, laid where today's fit sees the weight. All readings of one timber under one forecast miss together, so
that they count as a single comparison.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from baulk.models.constants import DAY_S
from baulk.models.quantity import Quantity
from baulk.models.reading import series_of

Rows = Sequence[Sequence[float]]

BAND_SDS: Final = 3.29  # standard deviations from the 5 % to the 95 % row of a normal distribution
AHEAD_DAYS: Final = (30.0, 400.0)  # readings that lie so far ahead of a forecast try it; our own judgement
APART_DAYS: Final = 120.0  # between two forecasts of a timber that count as two; our own judgement
LARGEST: Final = 9.0  # three standard deviations, squared: one miss can't widen a species by itself
PRIOR_WORTH: Final = 8.0  # comparisons that the prior of one counts for; our own judgement, no source
NARROWEST: Final = 0.7  # factor on the spread; our own judgement, no source
WIDEST: Final = 2.0  # factor on the spread; our own judgement, no source


class Read(Protocol):
    """A reading as a fit took it."""

    @property
    def posix_s(self) -> float:
        """When. [s]."""

    @property
    def series(self) -> str:
        """Its series, as text."""

    @property
    def measured_pct(self) -> float:
        """What it says. [%]."""

    @property
    def model_pct(self) -> float | None:
        """What the fit makes of it. [%]."""

    @property
    def sd_pct(self) -> float | None:
        """Its error. [%]."""

    @property
    def at_least(self) -> bool:
        """Whether it lies above fibre saturation."""

    @property
    def left_out(self) -> object:
        """Why it was set aside; None where it was not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What an earlier forecast said.

    Parameters
    ----------
    made_s : float
        When it was made. [s]
    posix_s : sequence of float, shape (nt,)
        Moments of `mean_pct`. [s]
    mean_pct : sequence, shape (5, nt)
        Section mean: 5, 25, 50, 75 and 95 % of the chances lay below. [%]
    pins_posix_s : sequence of float, shape (np,)
        Moments of `pins_pct`. [s]
    pins_pct : mapping of str to sequence, shape (5, np)
        What pins were to read, by series. [%]
    spread : float
        Factor on its width that was learned by then. [-]
    """

    made_s: float
    posix_s: Sequence[float]
    mean_pct: Rows
    pins_posix_s: Sequence[float]
    pins_pct: Mapping[str, Rows]
    spread: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The way of the mean as today's fit sees it.

    Parameters
    ----------
    posix_s, mean_pct : sequence of float, shape (nt,)
        Moments and median. [s, %]
    """

    posix_s: Sequence[float]
    mean_pct: Sequence[float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Met:
    """One later reading beside what was forecast for it.

    Parameters
    ----------
    reading : Read
        The reading, as today's fit took it.
    came_pct : float
        Where it lies: the meter's own number, or for a weight the mean that it tells. [%]
    low_pct, middle_pct, high_pct : float
        What was forecast: 5, 50 and 95 % of the chances lay below. [%]
    """

    reading: Read
    came_pct: float
    low_pct: float
    middle_pct: float
    high_pct: float

    @property
    def within(self) -> bool:
        """Whether it came within the band; one that says "at least" does unless the band lies below it."""
        return self.came_pct <= self.high_pct and (self.reading.at_least or self.came_pct >= self.low_pct)

    @property
    def off_pct(self) -> float:
        """How far from the middle; one that says "at least" only counts where the middle lies below it."""
        off = self.came_pct - self.middle_pct
        return max(off, 0.0) if self.reading.at_least else off


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What earlier forecasts of a species say of the width of the next.

    Parameters
    ----------
    factor : float
        On the width, from `NARROWEST` to `WIDEST`. [-]
    compared : int
        Timbers and forecasts that were held against what came.
    """

    factor: float = 1.0
    compared: int = 0


def weighed(reading: Read) -> bool:
    """Whether a reading is a weight."""
    series = series_of(reading.series)
    return series is not None and series.quantity is Quantity.WEIGHT


def met(said: Said, readings: Iterable[Read], today: Course | None) -> tuple[Met, ...]:
    """Hold every reading since an earlier forecast against it.

    Parameters
    ----------
    said : Said
        The earlier forecast.
    readings : iterable of Read
        Readings as today's fit took them.
    today : Course or None
        The mean as today's fit sees it; without it weights can't be held against the forecast. [%]

    Returns
    -------
    tuple of Met
        In the order of the readings; what today's fit set aside is not among them.
    """
    found = []
    for each in readings:
        if each.posix_s <= said.made_s or each.left_out is not None:
            continue
        if each.series in said.pins_pct:
            rows, at_s, came = said.pins_pct[each.series], said.pins_posix_s, each.measured_pct
        elif weighed(each) and each.model_pct is not None and today is not None:
            rows, at_s = said.mean_pct, said.posix_s
            mean = float(np.interp(each.posix_s, today.posix_s, today.mean_pct))
            came = mean + each.measured_pct - each.model_pct
        else:
            continue
        low, middle, high = (float(np.interp(each.posix_s, at_s, rows[i])) for i in (0, 2, 4))
        found.append(Met(reading=each, came_pct=came, low_pct=low, middle_pct=middle, high_pct=high))
    return tuple(found)


def apart(made_s: Sequence[float]) -> list[int]:
    """Choose forecasts of one timber that lie far enough apart to count as several.

    Parameters
    ----------
    made_s : sequence of float
        When each was made, rising. [s]

    Returns
    -------
    list of int
        Which, the first of all among them.
    """
    found: list[int] = []
    for i, each in enumerate(made_s):
        if not found or each - made_s[found[-1]] >= APART_DAYS * DAY_S:
            found.append(i)
    return found


def missed(said: Said, found: Iterable[Met]) -> float | None:
    """Tell by how much a forecast missed, over how much it was to miss.

    Parameters
    ----------
    said : Said
        The forecast.
    found : iterable of Met
        What came.

    Returns
    -------
    float or None
        Mean square of the misses in standard deviations of the forecast before any factor on its width: of
        each series, then over the series; 1 where it said truly, 9 at most. None where nothing tries it.
    """
    series: dict[str, list[float]] = defaultdict(list)
    for each in found:
        days = (each.reading.posix_s - said.made_s) / DAY_S
        if each.reading.at_least or not AHEAD_DAYS[0] <= days <= AHEAD_DAYS[1]:
            continue
        sd = (each.high_pct - each.low_pct) / BAND_SDS / said.spread
        if weighed(each.reading):  # what pins were to read holds their own scatter already
            sd = float(np.hypot(sd, each.reading.sd_pct or 0.0))
        if sd > 0:
            series[each.reading.series].append((each.off_pct / sd) ** 2)
    if not series:
        return None
    return min(float(np.mean([np.mean(each) for each in series.values()])), LARGEST)


def spread_of(squares: Sequence[float]) -> Spread:
    """Learn the factor on the width of a species' forecasts.

    Parameters
    ----------
    squares : sequence of float
        As from `missed`, one for each timber and forecast.

    Returns
    -------
    Spread
        Square root of the mean of prior and misses: the prior is one and counts for `PRIOR_WORTH` of them.

    References
    ----------
    Conjugate (inverse-gamma) estimate of a variance; textbook knowledge, no source looked up.
    """
    square = (PRIOR_WORTH + sum(squares)) / (PRIOR_WORTH + len(squares))
    factor = min(max(square**0.5, NARROWEST), WIDEST)
    return Spread(factor=round(factor, 2), compared=len(squares))
