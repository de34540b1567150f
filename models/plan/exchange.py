"""How often an hour a room's air is exchanged, learned from its own humidity beside the weather's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange
from baulk.models.plan.stock import DAY_S
from baulk.models.plan.water import vapour_g_m3

Floats = NDArray[np.float64]

HOUR_S: Final = 3600.0
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
    driven = np.concatenate([[0.0], signal.lfilter([1.0], [1.0, -keep], drive)])
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
