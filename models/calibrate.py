"""Fit of one timber's drying to its own readings: an ensemble smoother with multiple data assimilation.

Five numbers differ from timber to timber: how fast its water moves, how freely its faces give it off, how wet
it came, what its meter adds, and how far its own equilibrium lies from the table's. Each member draws
them from the prior; four assimilations of the whole record, each with four times the error variance, draw
the members toward the readings (Emerick & Reynolds 2013, Computers & Geosciences 55, 3-15).

What keeps one bad reading from spoiling it: a pin above fibre saturation says only "at least"; readings of
one series and day are one median; a series never counts for more than a few readings, because pins
stay where they were driven; and a reading that no member can follow gets a larger error and is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models import drying
from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.observations import Observation, observations
from baulk.models.reading import Reading
from baulk.models.species import Species
from baulk.models.timber import Timber

Floats = NDArray[np.float64]

ASSIMILATIONS: Final = 4
LN_D_SD: Final = float(
    np.log(2)
)  # a factor of two each way: heavy timbers, reference drying-checks C09 to C31
LN_SURFACE_SD: Final = 0.5  # common practice, no source
EMC_OFFSET_SD_PCT: Final = 1.0  # extractives and local air; common practice, no source
METER_BIAS_SD_PCT: Final = 1.5  # within -2 to +2 % of oven-dry: FPInnovations report 16773 (2015), abstract
START_SD_MEASURED_PCT: Final = 4.0  # one oven-dry section against a whole timber; common practice, no source
START_SD_SHARE: Final = 0.15  # of the species' table value; common practice, no source
LONE_WOLF: Final = 3.0  # standard deviations at which a reading is named and set aside
FEWEST: Final = 3
HISTORY_POINTS: Final = 60
_SAME_PIN: Final = 6.0  # independent readings that one series counts for at most


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fitted:
    """One reading beside what the fit makes of it.

    Parameters
    ----------
    posix_s : float
        When it was taken. [s]
    series : str
        Its series.
    measured_pct, model_pct, sd_pct : float
        Moisture content read, median of the fit at the same place, and the reading's error. [%]
    at_least : bool
        Whether the reading only says "at least".
    left_out : str or None
        Why it was set aside.
    """

    posix_s: float
    series: str
    measured_pct: float
    model_pct: float
    sd_pct: float
    at_least: bool
    left_out: str | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Calibration:
    """What a timber's readings say about it.

    Parameters
    ----------
    members : drying.Members
        The ensemble after the fit.
    meter_bias_pct : ndarray, shape (m,)
        What the meter adds to the truth. [%]
    used : int
        Readings (one a series and day) that took part and were not set aside.
    left_out : tuple of str
        What was set aside and why, one sentence each.
    field_now : MoistureField
        Moisture now, every member. [%]
    readings : tuple of Fitted
        Readings beside the fit.
    history_posix_s : ndarray, shape (t,)
        Moments of the history. [s]
    history_mean_pct, history_core_pct : ndarray, shape (t, m)
        Section mean and core since arrival. [%]
    weighed : bool
        Whether at least one usable weight exists, so that a further one would tell something.
    """

    members: drying.Members
    meter_bias_pct: Floats
    used: int
    left_out: tuple[str, ...]
    field_now: MoistureField
    readings: tuple[Fitted, ...]
    history_posix_s: Floats
    history_mean_pct: Floats
    history_core_pct: Floats
    weighed: bool

    @property
    def enough(self) -> bool:
        """Whether the readings, not only the species' prior, speak."""
        return self.used >= FEWEST


def fit(  # noqa: PLR0913 - the contract's own signature
    timber: Timber,
    species: Species,
    readings: Sequence[Reading],
    air: AirSeries,
    *,
    law: DiffusionLaw,
    now_posix_s: float,
    members: int = 64,
    seed: int = 0,
) -> Calibration:
    """Fit a timber's drying to its readings.

    Parameters
    ----------
    timber : Timber
        The timber; its arrival is the start.
    species : Species
        Its species.
    readings : sequence of Reading
        Every reading of it: pins, weights, wood temperatures.
    air : AirSeries
        Air since arrival.
    law : DiffusionLaw
        The species' diffusion law, the middle of the prior.
    now_posix_s : float
        Present moment. [s]
    members : int
        Size of the ensemble.
    seed : int
        Seed of the prior draw, so that the same readings give the same answer.

    Returns
    -------
    Calibration
        The ensemble and its moisture now. [%]

    Raises
    ------
    OutOfRange
        If the timber is registered wetter than its wood can be.

    References
    ----------
    Emerick, A. A., Reynolds, A. C., 2013. Ensemble smoother with multiple data assimilation. Computers &
    Geosciences 55, 3-15.
    """
    if timber.green_mc_pct is not None and timber.green_mc_pct > law.most_pct:
        raise OutOfRange(
            "the green moisture content",
            f"of {timber.green_mc_pct:g} % is more than {species.name} can hold, {law.most_pct:.0f} % with "
            "every pore full; weigh the section again, or correct it or the species",
        )
    start_s = min(timber.arrived_utc.timestamp(), now_posix_s)
    data, refused = observations(timber, species, readings, air, start_s=start_s, now_s=now_posix_s)
    rng = np.random.default_rng(seed)
    theta = _prior(timber, species, members, rng)
    data_s = [each.posix_s for each in data]
    spread_pct = _errors(data)
    for _ in range(ASSIMILATIONS if data else 0):
        run = _run(timber, theta, air, law, start_s, [*data_s, now_posix_s])
        predicted = _predict(data, run, theta, species)
        theta = _assimilate(theta, predicted, data, spread_pct, rng)
    history_s = np.unique(np.append(np.linspace(start_s, now_posix_s, HISTORY_POINTS), now_posix_s))
    run = _run(timber, theta, air, law, start_s, [*data_s, *history_s])
    fitted = _beside(data, _predict(data, run, theta, species), spread_pct)
    history = run[len(data) :]
    return Calibration(
        members=_members(theta),
        meter_bias_pct=theta[3],
        used=sum(each.left_out is None for each in fitted),
        left_out=(*refused, *_named(fitted)),
        field_now=history[-1],
        readings=fitted,
        history_posix_s=history_s,
        history_mean_pct=np.array([each.mean_pct for each in history]),
        history_core_pct=np.array([each.core_pct for each in history]),
        weighed=any(each.weight_ratio is not None for each in data),
    )


def _prior(timber: Timber, species: Species, members: int, rng: np.random.Generator) -> Floats:
    """Draws of ln D factor, ln surface factor, start MC, meter bias and EMC offset, shape (5, members)."""
    if timber.green_mc_pct is not None:
        start, start_sd = timber.green_mc_pct, START_SD_MEASURED_PCT
    else:
        start = species.green_heartwood_mc_pct
        start_sd = START_SD_SHARE * start
    middle = np.array([0.0, 0.0, start, 0.0, 0.0])
    spread = np.array([LN_D_SD, LN_SURFACE_SD, start_sd, METER_BIAS_SD_PCT, EMC_OFFSET_SD_PCT])
    draws = rng.standard_normal((5, members))
    draws -= draws.mean(axis=1, keepdims=True)
    draws /= draws.std(axis=1, keepdims=True)
    return _bounded(middle[:, None] + spread[:, None] * draws)


def _bounded(theta: Floats) -> Floats:
    low = np.array([-3.5, -2.5, 8.0, -8.0, -4.0])[:, None]
    high = np.array([3.5, 2.5, 250.0, 8.0, 4.0])[:, None]
    return np.clip(theta, low, high)


def _members(theta: Floats) -> drying.Members:
    return drying.Members(
        d_factor=np.exp(theta[0]),
        surface_factor=np.exp(theta[1]),
        start_mc_pct=theta[2].copy(),
        emc_offset_pct=theta[4].copy(),
    )


def _run(  # noqa: PLR0913, PLR0917 - all that a run needs
    timber: Timber, theta: Floats, air: AirSeries, law: DiffusionLaw, start_s: float, at_s: Sequence[float]
) -> tuple[MoistureField, ...]:
    members = _members(theta)
    return drying.dry(
        timber.section,
        members.start_mc_pct,
        air,
        law,
        start_posix_s=start_s,
        at_posix_s=np.asarray(at_s),
        members=members,
    )


def _predict(
    data: Sequence[Observation], run: Sequence[MoistureField], theta: Floats, species: Species
) -> Floats:
    """Work out what each member says each reading should be, in points of moisture, shape (n, members)."""
    predicted = np.empty((len(data), theta.shape[1]))
    means = np.array([field.mean_pct for field in run[: len(data)]])
    first = next((i for i, each in enumerate(data) if each.weight_ratio is not None), 0)
    for i, (each, field) in enumerate(zip(data, run, strict=False)):
        if each.weight_ratio is not None:  # the ratio to the first weight, told as moisture lost since
            ratio = (100 + means[i]) / (100 + means[first])
            predicted[i] = each.measured_pct + (ratio - each.weight_ratio) * (100 + each.start_pct)
            continue
        assert each.depth_mm is not None  # noqa: S101 - every reading but a weight is a pin's
        seen = field.pin_pct(each.depth_mm, each.face) + theta[3]
        limit = species.fsp_pct + (0.0 if each.at_least else 10.0)  # the meter is blind above saturation
        predicted[i] = np.minimum(seen, limit)
    return predicted


def _errors(data: Sequence[Observation]) -> Floats:
    """Error of each reading, larger where one series has many: a pin stays where it was driven."""
    count: dict[str, int] = {}
    for each in data:
        count[each.series] = count.get(each.series, 0) + 1
    return np.array([each.sd_pct * max(1.0, count[each.series] / _SAME_PIN) ** 0.5 for each in data])


def _lone(predicted: Floats, data: Sequence[Observation], sd_pct: Floats) -> tuple[Floats, Floats]:
    """Measured minus the ensemble's median, and that in standard deviations of both together."""
    off = np.array([each.measured_pct for each in data]) - np.median(predicted, axis=1)
    return off, np.abs(off) / np.sqrt(sd_pct**2 + np.var(predicted, axis=1))


def _assimilate(
    theta: Floats, predicted: Floats, data: Sequence[Observation], sd_pct: Floats, rng: np.random.Generator
) -> Floats:
    """One smoother step, every error variance taken `ASSIMILATIONS` times."""
    _, away = _lone(predicted, data, sd_pct)
    trusted = sd_pct * np.maximum(1.0, away / 1.5)  # Huber's weight, as a larger error
    trusted = np.where(away > LONE_WOLF, sd_pct * away**2, trusted)
    variance = ASSIMILATIONS * trusted**2
    measured = np.array([each.measured_pct for each in data])
    count = theta.shape[1]
    d_theta = theta - theta.mean(axis=1, keepdims=True)
    d_seen = predicted - predicted.mean(axis=1, keepdims=True)
    gain_right = d_seen @ d_seen.T / (count - 1) + np.diag(variance)
    noise = rng.standard_normal(predicted.shape)
    noise -= noise.mean(axis=1, keepdims=True)
    off = measured[:, None] + np.sqrt(variance)[:, None] * noise - predicted
    cross = d_theta @ d_seen.T / (count - 1)
    return _bounded(theta + cross @ np.linalg.solve(gain_right, off))


def _beside(data: Sequence[Observation], predicted: Floats, sd_pct: Floats) -> tuple[Fitted, ...]:
    if not data:
        return ()
    off, away = _lone(predicted, data, sd_pct)
    return tuple(
        Fitted(
            posix_s=each.posix_s,
            series=each.series,
            measured_pct=each.measured_pct,
            model_pct=float(np.median(predicted[i])),
            sd_pct=float(each.sd_pct),
            at_least=each.at_least,
            left_out=f"{abs(off[i]):.0f} points {'above' if off[i] > 0 else 'below'} what the rest says"
            if away[i] > LONE_WOLF
            else None,
        )
        for i, each in enumerate(data)
    )


def _named(fitted: Sequence[Fitted]) -> tuple[str, ...]:
    """One sentence for each series with readings set aside."""
    sentences = []
    for series in sorted({each.series for each in fitted}):
        mine = [each for each in fitted if each.series == series]
        lost = [each for each in mine if each.left_out]
        if lost:
            look = (
                "a cut, another timber on the scale or a wrong tare"
                if series.endswith("/weight")
                else "a loose pin, a wet surface or a swapped tag"
            )
            sentences.append(
                f"{series}: {len(lost)} of {len(mine)} set aside, the last one {lost[-1].left_out}; "
                f"look for {look}"
            )
    return tuple(sentences)
