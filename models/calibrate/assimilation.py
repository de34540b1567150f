"""One step of the ensemble smoother: what each member says the readings are, and how far it is drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from baulk.models import end_grain
from baulk.models.calibrate.inputs import FitInputs
from baulk.models.calibrate.parameters import BIAS, DRIFT, EMC, END, FSP, PASSIVE, SLOPE, SURFACE, WET, ln_d
from baulk.models.calibrate.screening import Observation
from baulk.models.constants import DAY_S, YEAR_S, Floats
from baulk.models.diffusion import REFERENCE_PCT
from baulk.models.field import MoistureField, pins_over
from baulk.models.meter import resistance
from baulk.models.section import Face
from baulk.models.timber import EventKind

LONE_WOLF: Final = 3.0  # standard deviations at which a reading is named and set aside
SAME_PIN: Final = 6.0  # independent readings that one series counts for at most; our own judgement, no source
# from here on the cells alone, off by a point at most while the weather swings, are better than a meter is;
# layers under all faces of every member cost as much as two runs more
SHALLOW_MM: Final = 6.0
MOST_BY_ENDS: Final = 0.8  # of the water above the EMC, in a short timber; our own judgement, no source

First = tuple[float, Floats]


def firsts(data: Sequence[Observation], means: Floats) -> dict[int, First]:
    """Moment and mean moisture content, every member, of the first weight of each series."""
    found: dict[int, First] = {}
    for each, mean in zip(data, means, strict=False):
        if each.weight_ratio is not None and each.segment not in found:
            found[each.segment] = (each.posix_s, mean)
    return found


def shallow(data: Sequence[Observation]) -> bool:
    """Whether a pin is among them for which the section's cells follow the weather too slowly."""
    return any(each.depth_mm is not None and each.depth_mm < SHALLOW_MM for each in data)


def predict(
    data: Sequence[Observation],
    run: Sequence[MoistureField],
    theta: Floats,
    given: FitInputs,
    first: Mapping[int, First] | None = None,
) -> Floats:
    """Work out what each member says each reading should be.

    Parameters
    ----------
    data : sequence of Observation
        Readings.
    run : sequence of MoistureField
        A field for each; further ones are not looked at. [%]
    theta : ndarray, shape (22, m)
        The ensemble.
    given : FitInputs
        The timber, its wood and what happened to it.
    first : mapping of int to (float, ndarray), optional
        First weight of each series, where it is not among the readings.

    Returns
    -------
    ndarray, shape (n, m)
        In points of moisture. [%]
    """
    predicted = np.empty((len(data), theta.shape[1]))
    whole = whole_means(data, run, theta, given)
    known = {**firsts(data, whole), **(first or {})}
    pins: dict[tuple[float, Face | None], list[int]] = {}
    for i, (each, field) in enumerate(zip(data, run, strict=False)):
        if each.weight_ratio is not None:  # the ratio to the first weight, told as moisture lost since
            first_s, first_mean = known[each.segment]
            drift = 1 + theta[DRIFT] / 100 * (each.posix_s - first_s) / YEAR_S
            ratio = (100 + whole[i]) / (100 + first_mean) * drift
            predicted[i] = each.measured_pct + (ratio - each.weight_ratio) * (100 + each.start_pct)
        elif each.lost_pct is not None:
            predicted[i] = field.mean_pct - each.lost_pct
        else:
            assert each.depth_mm is not None  # noqa: S101 - every reading but these is a pin's
            pins.setdefault((each.depth_mm, each.face), []).append(i)
    for (depth_mm, face), which in pins.items():
        found = pins_over([run[i] for i in which], np.array([depth_mm]), face)[:, 0]
        predicted[which] = shown_pct(found, theta)
        for i in which:
            if data[i].scale_ended:  # a member that is wetter than the scale agrees with it
                predicted[i] = np.minimum(predicted[i], data[i].measured_pct)
    return predicted


def whole_means(
    data: Sequence[Observation], run: Sequence[MoistureField], theta: Floats, given: FitInputs
) -> Floats:
    """Return the mean of the whole timber, its ends included, at each weight, shape (n, m), [%].

    Rows of other readings are not a number.
    """
    found = np.full((len(data), theta.shape[1]), np.nan)
    weighed = [i for i, each in enumerate(data) if each.weight_ratio is not None]
    if weighed:
        mean = np.array([run[i].mean_pct for i in weighed])
        lost = _dried_by_ends(np.array([data[i].posix_s for i in weighed]), theta, given)
        above = np.maximum(mean - given.emc_pct - theta[EMC], 0.0)
        found[weighed] = mean - np.minimum(lost, MOST_BY_ENDS) * above
    return found


def _dried_by_ends(at_s: Floats, theta: Floats, given: FitInputs) -> Floats:
    """Return the share of its water that the whole timber has lost through its ends, shape (n, m)."""
    begin_s = given.past.stretches[0].begin_s
    cuts = np.array([begin_s, *(one.at_utc.timestamp() for one in given.past.kind(EventKind.CUT))])
    since_s = np.array([cuts[cuts <= max(one, begin_s)].max() for one in at_s])
    law = given.law
    d_m2_s = law.d_ref_m2_s * np.exp(ln_d(theta) + theta[SLOPE] * (theta[FSP] - REFERENCE_PCT))
    warm = float(np.mean(law.temperature_factor(given.air.temp_c)))
    share = end_grain.dried_share(
        given.timber.length_mm, warm * d_m2_s, np.maximum(at_s - since_s, 0.0)[:, None] / DAY_S,
        sealed=given.past.sealed, surface_factor=np.exp(theta[SURFACE]),
    )  # fmt: skip
    return np.asarray(np.exp(theta[END]) * share)


def shown_pct(mc_pct: Floats, theta: Floats) -> Floats:
    """Return what each member's meter shows of wood at a moisture content, shape (..., m), [%]."""
    return np.asarray(resistance.shown_pct(mc_pct, theta[FSP], theta[WET]) + theta[BIAS])


def errors(data: Sequence[Observation], before: Mapping[str, int] | None = None) -> Floats:
    """Error of each reading, larger where one series has many: a pin stays where it was driven.

    Parameters
    ----------
    data : sequence of Observation
        Readings.
    before : mapping of str to int, optional
        Readings that each series has had already.

    Returns
    -------
    ndarray, shape (n,)
        One standard deviation. [%]
    """
    count = dict(before or {})
    for each in data:
        count[each.series] = count.get(each.series, 0) + 1
    return np.array([each.sd_pct * max(1.0, count[each.series] / SAME_PIN) ** 0.5 for each in data])


def lone(predicted: Floats, data: Sequence[Observation], sd_pct: Floats) -> tuple[Floats, Floats]:
    """Measured minus the ensemble's median, and that in standard deviations of both together."""
    off = np.array([each.measured_pct for each in data]) - np.median(predicted, axis=1)
    return off, np.abs(off) / np.sqrt(sd_pct**2 + np.var(predicted, axis=1))


def off_in_moisture(predicted: Floats, data: Sequence[Observation], fsp_pct: float) -> Floats:
    """Measured minus the ensemble's median, pins of both no higher than saturation, shape (n,), [%].

    What a meter shows above saturation is its own scale: a step there is no step of the wood.
    """
    measured = np.array([each.moisture_pct for each in data])
    middle = np.median(predicted, axis=1)
    pins = np.array([each.depth_mm is not None for each in data])
    return np.asarray(measured - np.where(pins, np.minimum(middle, fsp_pct), middle))


def drawn(  # noqa: PLR0913 - a step of the smoother
    state: Floats,
    predicted: Floats,
    data: Sequence[Observation],
    sd_pct: Floats,
    rng: np.random.Generator,
    *,
    times: float,
) -> Floats:
    """Draw the members toward the readings.

    Parameters
    ----------
    state : ndarray, shape (p, m)
        The rows of ``theta``, and whatever else is to be drawn behind them.
    predicted : ndarray, shape (n, m)
        As from `predict`. [%]
    data : sequence of Observation
        Readings.
    sd_pct : ndarray, shape (n,)
        Their errors. [%]
    rng : Generator
        For the members' own copies of the readings.
    times : float
        Factor on every error variance: the number of assimilations of the same readings. [-]

    Returns
    -------
    ndarray, shape (p, m)
        The state after it.

    References
    ----------
    Emerick, A. A., Reynolds, A. C., 2013. Computers & Geosciences 55, 3-15. Errors of readings that lie off:
    after Huber 1964, Annals of Mathematical Statistics 35, 73-101, and beyond `LONE_WOLF` much larger.
    """
    _, away = lone(predicted, data, sd_pct)
    trusted = sd_pct * np.maximum(1.0, away / 1.5)  # Huber's weight, as a larger error
    trusted = np.where(away > LONE_WOLF, sd_pct * away**2, trusted)
    variance = times * trusted**2
    measured = np.array([each.measured_pct for each in data])
    count = state.shape[1]
    d_state = state - state.mean(axis=1, keepdims=True)
    d_seen = predicted - predicted.mean(axis=1, keepdims=True)
    gain_right = d_seen @ d_seen.T / (count - 1) + np.diag(variance)
    noise = rng.standard_normal(predicted.shape)
    noise -= noise.mean(axis=1, keepdims=True)
    off = measured[:, None] + np.sqrt(variance)[:, None] * noise - predicted
    cross = d_state @ d_seen.T / (count - 1)
    cross[PASSIVE] = 0.0  # no reading tells them: what they seem to share with one is chance
    return np.asarray(state + cross @ np.linalg.solve(gain_right, off))
