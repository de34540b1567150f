"""How often an hour a room's air is exchanged, learned from its own humidity beside the weather's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import scipy
from numpy.typing import NDArray

from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S, HOUR_S, Floats
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity.timbers import WEEK_S
from baulk.models.plan.humidity.water import vapour_g_m3
from baulk.models.plan.humidity.window import DRIEST_RH

LAST_DAYS: Final = 60.0  # older readings tell of other doors; our own judgement, no source
FEWEST_DAYS: Final = 5.0  # several weathers must have passed; our own judgement, no source
LEAST_SWING_G_M3: Final = 0.4  # outside, above what sensors differ by; our own judgement, no source
WIDEST: Final = 6.0  # an interval wider than this, high over low, tells nothing; our own judgement, no source
LEAST_DOUBT: Final = 0.15  # of the air changes, for doors and winds; our own judgement, no source
SLOWEST, FASTEST = 0.02, 20.0
_STEPS: Final = 90
_NINE_IN_TEN: Final = 2.706  # quantile of chi-square with one degree of freedom at 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """Air changes with their doubt.

    Parameters
    ----------
    per_h : float
        How often an hour. [1/h]
    low, high : float
        Nine times in ten it lies between. [1/h]
    source_g_m3_h : float
        Water given off inside, timbers and people, for each cubic metre of the room. [g/(m3 h)]
    days : float
        How long a record it is from. [d]
    how : str
        "given" or "learned".
    """

    per_h: float
    low: float
    high: float
    source_g_m3_h: float | None
    days: float
    how: str


def learn(inside: AirSeries, outside: AirSeries) -> Exchange:
    """Fit a room's balance of water to its own readings.

    Parameters
    ----------
    inside, outside : AirSeries
        Measured at the same time. [degC, %]

    Returns
    -------
    Exchange
        Air changes with an interval.

    Raises
    ------
    OutOfRange
        If the readings can't tell: too short, too steady outside, or too wide an interval.

    Notes
    -----
    ``da/dt = n (a_out - a) + s`` with a constant source, solved exactly from hour to hour, run freely through
    the record. The interval is the likelihood's profile with as many independent errors as their
    autocorrelation leaves. Wood and walls take up and give back water, which looks like slower exchange:
    take it as the exchange that matters over a day.

    References
    ----------
    Balance of water over the room; the interval: Wilks, S. S., 1938 (likelihood ratio).
    """
    first = max(inside.posix_s[0], outside.posix_s[0], inside.posix_s[-1] - LAST_DAYS * DAY_S)
    last = min(inside.posix_s[-1], outside.posix_s[-1])
    days = (last - first) / DAY_S
    if days < FEWEST_DAYS:
        raise OutOfRange(
            "the air changes",
            f"can't be learned: inside and outside were measured together for {max(days, 0.0):.1f} days "
            f"only, and {FEWEST_DAYS:.0f} are needed; give them with --air-changes",
        )
    at_s = np.arange(first, last, HOUR_S)
    within, without = (_hourly(air, at_s) for air in (inside, outside))
    if float(np.std(without)) < LEAST_SWING_G_M3:
        raise OutOfRange(
            "the air changes",
            f"can't be learned: the water in the air outside hardly changed in {days:.0f} days; wait for "
            "other weather, or give them with --air-changes",
        )
    rates = np.geomspace(SLOWEST, FASTEST, _STEPS)
    runs = [_run(rate, within, without) for rate in rates]
    errors = np.array([each[0] for each in runs])
    at = int(np.argmin(errors))
    alike = _independent(runs[at][2]) * np.log(errors / errors[at]) <= _NINE_IN_TEN
    low = min(float(rates[alike].min()), rates[at] * (1 - LEAST_DOUBT))
    high = max(float(rates[alike].max()), rates[at] * (1 + LEAST_DOUBT))
    if at in {0, _STEPS - 1} or low <= SLOWEST or high >= FASTEST or high > WIDEST * low:
        raise OutOfRange(
            "the air changes",
            f"can't be told from {days:.0f} days of readings: anything from {low:.2g} to {high:.2g} an hour "
            "fits them; give them with --air-changes",
        )
    return Exchange(
        per_h=float(rates[at]),
        low=float(low),
        high=float(high),
        source_g_m3_h=runs[at][1],
        days=float(days),
        how="learned",
    )


def _hourly(air: AirSeries, at_s: Floats) -> Floats:
    vapour = vapour_g_m3(np.clip(air.temp_c, -30, 60), air.rh_pct)
    return np.asarray(np.interp(at_s, air.posix_s, vapour))


def _run(rate: float, within: Floats, without: Floats) -> tuple[float, float, Floats]:
    """Sum of squared errors, source and errors of the best run with this rate."""
    keep = float(np.exp(-rate))
    before, after = without[:-1], without[1:]
    drive = after - keep * before - (after - before) * (1 - keep) / rate  # exact for straight lines between
    steps = np.stack([np.ones(drive.size), np.full(drive.size, -keep)])  # each hour keeps of the one before
    driven = np.append(0.0, scipy.linalg.solve_banded((1, 0), steps, drive))
    fade = keep ** np.arange(within.size)
    given = (1 - fade) / rate
    columns = np.column_stack([given, fade])
    found, *_ = np.linalg.lstsq(columns, within - driven, rcond=None)
    error = within - driven - columns @ found
    return float(np.sum(error**2)), float(found[0]), error


def _independent(error: Floats) -> float:
    """Count the independent errors that a series with this autocorrelation is worth."""
    off = error - error.mean()
    along = float(np.sum(off[1:] * off[:-1]) / max(float(np.sum(off**2)), 1e-12))
    return max(error.size * (1 - along) / (1 + along), 5.0) if along < 1 else 5.0


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
