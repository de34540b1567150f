"""Sheds in four climates, the air in them, what their sensors record, and the wood's own equilibrium.

The monthly means are round figures of our own for a kind of climate, not a station's record. Every shed adds
red noise of its own at four memories (season, month, storm, day), which the shop knows only from its sensor.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

DAY_S = 86_400.0
STEP_S = 3 * 3600.0
STEPS_A_DAY = 8
YEAR_DAYS = 365.25

# Guggenheim, Anderson and de Boer's isotherm, m c k h / ((1 - k h) (1 - k h + c k h)), its three coefficients
# fitted by us to the cells up to 55 degC of the printed table 4-2 of the Wood Handbook, FPL-GTR-190
# (test_truth holds it against them); the program computes the Handbook's equation 4-5 instead.
GAB = (7.8245, -0.039735, 5.9148, 0.0052946, 0.73543, 0.00096776)


@dataclass(frozen=True, kw_only=True)
class Climate:
    """Mean of the year and half the swing between January and July, of temperature and humidity."""

    name: str
    temp_c: float
    temp_swing_c: float
    rh_pct: float
    rh_swing_pct: float  # above 0: the winter is the damper half
    day_c: float
    noise: float = 1.0


CLIMATES = (
    Climate(
        name="maritime cool",
        temp_c=10,
        temp_swing_c=5.5,
        rh_pct=80,
        rh_swing_pct=5,
        day_c=2.0,
    ),
    Climate(
        name="continental",
        temp_c=10,
        temp_swing_c=12.5,
        rh_pct=69,
        rh_swing_pct=6,
        day_c=4.0,
        noise=1.3,
    ),
    Climate(
        name="warm humid",
        temp_c=20,
        temp_swing_c=7.5,
        rh_pct=74,
        rh_swing_pct=-4,
        day_c=3.5,
        noise=0.8,
    ),
    Climate(
        name="dry summer",
        temp_c=13,
        temp_swing_c=8.5,
        rh_pct=66,
        rh_swing_pct=13,
        day_c=5.0,
    ),
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Air:
    """Every three hours from the first moment of a truth, shape (steps,). [s, degC, %]"""

    posix_s: np.ndarray
    temp_c: np.ndarray
    rh_pct: np.ndarray


def season(climate, posix_s):
    """Temperature and humidity that the calendar tells. [degC, %]"""
    turn = np.cos(2 * np.pi * (np.asarray(posix_s) / DAY_S % YEAR_DAYS - 17) / YEAR_DAYS)
    return (
        climate.temp_c - climate.temp_swing_c * turn,
        climate.rh_pct + climate.rh_swing_pct * turn,
    )


def monthly(climate):
    """Twelve means as a person types them into the settings, rounded to whole figures."""
    months = DAY_S * YEAR_DAYS * (np.arange(12) + 0.5) / 12
    temp, rh = season(climate, months)
    return np.round(temp).tolist(), np.round(rh).tolist()


def red(rng, count, memory_days, sd):
    """Noise with a memory, at the steps of the truth."""
    keep = np.exp(-STEP_S / DAY_S / memory_days)
    fresh = rng.normal(0, sd * (1 - keep**2) ** 0.5, count)
    fresh[0] = rng.normal(0, sd)
    out, state = np.empty(count), 0.0
    for i, value in enumerate(fresh):
        state = keep * state + value
        out[i] = state
    return out


def weather(rng, climate, first_s, steps):
    """Draw the air of one shed."""
    at_s = first_s + STEP_S * np.arange(steps)
    temp, rh = season(climate, at_s)
    day = np.cos(2 * np.pi * (at_s / DAY_S % 1 - 0.62))
    many = climate.noise
    temp = temp + rng.normal(0, 0.7) + red(rng, steps, 60, 0.9 * many) + red(rng, steps, 4, 2.6 * many)
    rh = rh + rng.normal(0, 1.5) + red(rng, steps, 60, 2.5 * many) + red(rng, steps, 3, 7.0 * many)
    return Air(
        posix_s=at_s,
        temp_c=temp + climate.day_c * day,
        rh_pct=np.clip(rh - 2.2 * climate.day_c * day, 15, 98.5),
    )


def equilibrium_pct(temp_c, rh_pct):
    """Equilibrium moisture content. [%]"""
    temp, wet = np.clip(temp_c, -10, 55), np.asarray(rh_pct) / 100
    m, c, k = (
        GAB[0] + GAB[1] * temp,
        GAB[2] * np.exp(GAB[3] * temp),
        GAB[4] + GAB[5] * temp,
    )
    return m * c * k * wet / ((1 - k * wet) * (1 - k * wet + c * k * wet))


def running_mean(values, days):
    """Mean of the last days, at every step."""
    window = max(1, round(days * STEPS_A_DAY))
    padded = np.concatenate([np.full(window - 1, values[:window].mean()), values])
    total = np.cumsum(np.concatenate([[0.0], padded]))
    return (total[window:] - total[:-window]) / window


@dataclass(frozen=True, kw_only=True, eq=False)
class Record:
    """What the shop's sensor tells. [s, degC, %]"""

    posix_s: np.ndarray
    temp_c: np.ndarray
    rh_pct: np.ndarray


def recorded(rng, air, since_s):
    """A sensor with a bias of its own, every six hours, that misses some weeks now and then."""
    at = np.flatnonzero(air.posix_s >= since_s)[::2]
    stay = np.ones(at.size, dtype=bool)
    years = (air.posix_s[-1] - since_s) / DAY_S / YEAR_DAYS
    for _ in range(rng.poisson(1.5 * years)):
        begin = rng.uniform(since_s + 10 * DAY_S, air.posix_s[-1])
        stay &= ~((air.posix_s[at] > begin) & (air.posix_s[at] < begin + DAY_S * rng.uniform(7, 42)))
    at = at[stay]
    temp = air.temp_c[at] + rng.normal(0, 0.5) + rng.normal(0, 0.1, at.size)
    rh = air.rh_pct[at] + rng.normal(0, 2.5) + rng.normal(0, 0.6, at.size)
    return Record(
        posix_s=air.posix_s[at],
        temp_c=np.round(temp, 2),
        rh_pct=np.round(np.clip(rh, 5, 99.5), 1),
    )
