"""A series of pins that drifts, or whose pins are in another wood, found in what a fit leaves unexplained.

What is left of every reading after the fit is held against what is left in sound timbers: each reading's own
scatter, a series' own level, slow departures of the model at a depth and on a face, and what the members do
not agree on. A series that departs in a straight line from nothing drifts; one that departs by a level is
in other wood than it says. The sizes of these departures were estimated on sound timbers of the bench in
`tests/bench/honesty`, whose truths are not this program's; `tests/bench/test_faults.py` prints how many of
each fault are named there, and that no sound series is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from baulk.models.calibrate.parameters import FSP
from baulk.models.calibrate.screening import Observation
from baulk.models.constants import DAY_S, Floats
from baulk.models.reason import Reason, Value

Kind = Literal["drift", "other wood"]

MONTH_S: Final = 30.44 * DAY_S
# what is left in sound timbers, in points of the meter's scale; estimated on the bench, see above
SCATTER_PCT: Final = 1.35  # of one reading below saturation
WET_SCATTER_PCT: Final = 3.0  # and above it
LEVEL_PCT: Final = 0.2  # of a whole series
WET_LEVEL_PCT: Final = 4.0  # more above saturation, where the meter's curve is its own
WET_TREND_PCT: Final = 0.15  # a month
DEPTH_PCT: Final = 0.65  # slow departure of the model, the same on every face
FACE_PCT: Final = 0.5  # and of one series
FACE_TREND_PCT: Final = 0.05  # a month, of one series: what a face does that the model does not know
SLOW_MONTHS: Final = 2.0  # how long those last
SCALE_SHARE: Final = 0.65  # of the error that the fit gives to a weight
SCALE_PCT: Final = 0.4  # slow departure of the weights
MEMBERS_SHARE: Final = 1.0  # of the covariance of the members
WET_FROM_PCT: Final = 3.3  # above fibre saturation
WET_BEND_PCT: Final = 1.5
FREEDOM: Final = 6.0  # of the t distribution of what is left: timbers differ in how well the model fits

LEAST_READINGS: Final = 6
LEAST_MONTHS: Final = 4.0
# thresholds above the most that a sound series of 100 such timbers showed after 9 and 15 months: 3.0 upward,
# 3.6 downward, for wet wood may dry quicker than the model but hardly slower
UPWARD_SDS: Final = 3.3
DOWNWARD_SDS: Final = 3.7
DRIFT_PCT: Final = (0.2, 0.85)  # a month
OTHER_SDS: Final = 4.1  # of level and trend together
OTHER_END_PCT: Final = 2.0  # still at the last reading
OTHER_STAYS: Final = 0.35  # share of a wetter start that must be there still
LEVEL_ADDS: Final = 9.0  # squared standard deviations that a level at the start adds to a drift at most
BEATS: Final = 4.0  # squared standard deviations by which it explains more than any other series does


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A series of pins that can't be right.

    Parameters
    ----------
    series : str
        Which.
    kind : {"drift", "other wood"}
        What it looks like.
    points : float
        Points a month of a drift; points of the last reading above the rest for other wood. [%]
    sds : float
        How sure, in standard deviations. [-]
    weighed : bool
        Whether weights speak among the rest.
    """

    series: str
    kind: Kind
    points: float
    sds: float
    weighed: bool

    @property
    def reason(self) -> Reason:
        """What the series does, against what."""
        told: dict[str, Value] = {"series": self.series, "weighed": self.weighed}
        if self.kind == "drift":
            return Reason(code="calibration.drifts", values={**told, "drift_pct_per_month": self.points})
        return Reason(code="calibration.other_wood", values={**told, "off_pct": self.points})

    @property
    def of_a_reading(self) -> Reason:
        """Why one of its readings is set aside."""
        return Reason(code=self.reason.code)


def suspect(data: Sequence[Observation], predicted: Floats, theta: Floats) -> Suspect | None:
    """Find the series of pins that is most surely at fault, if any is.

    Parameters
    ----------
    data : sequence of Observation
        Readings, in order of time; those set aside are not looked at.
    predicted : ndarray, shape (n, m)
        What the members say of each after the fit. [%]
    theta : ndarray, shape (22, m)
        The members.

    Returns
    -------
    Suspect or None
        None where every series may be sound, or where two explain what is wrong equally well.

    References
    ----------
    Generalized likelihood ratio of an added departure of known form: Willsky, A. S., Jones, H. L., 1976.
    IEEE Transactions on Automatic Control 21, 108-112; here on what a fit leaves, all readings at once.
    """
    kept = [i for i, each in enumerate(data) if not each.aside]
    part = [data[i] for i in kept]
    names = sorted({each.series for each in part if each.depth_mm is not None})
    series = np.array([each.series for each in part])
    counts = {name: int(np.sum(series == name)) for name in names}
    names = [name for name in names if counts[name] >= LEAST_READINGS]
    if not names or len(set(series)) < 2:
        return None
    months = np.array([each.posix_s for each in part]) / MONTH_S
    months -= months[0]
    if months[-1] < LEAST_MONTHS:
        return None
    left, covariance = _left(part, predicted[kept], float(np.median(theta[FSP])), months)
    whole = _Whole.of(left, covariance)
    weighed = any(each.weight_ratio is not None for each in part)
    time = months / months[-1]
    level = np.stack([np.ones_like(time), time], axis=1)
    mine = {name: (series == name)[:, None] for name in names}
    line = _best(whole, {name: np.where(mine[name], months[:, None], 0.0) for name in names})
    other = _best(whole, {name: np.where(mine[name], level, 0.0) for name in names})
    if line is not None and _drifts(line, other):
        return Suspect(
            series=line.series, kind="drift", points=float(line.sizes[0]), sds=line.sds, weighed=weighed
        )
    if other is not None and _elsewhere(other):
        end = float(other.sizes.sum())
        return Suspect(series=other.series, kind="other wood", points=end, sds=other.sds, weighed=weighed)
    return None


def _left(
    part: Sequence[Observation], predicted: Floats, fsp_pct: float, months: Floats
) -> tuple[Floats, Floats]:
    """Return what the fit leaves, shape (n,), and its covariance in a sound timber, shape (n, n)."""
    measured = np.array([each.measured_pct for each in part])
    middle = np.median(predicted, axis=1)
    series = np.array([each.series for each in part])
    pin = np.array([each.depth_mm is not None for each in part], dtype=bool)
    depth = np.array([each.depth_mm or 0.0 for each in part])
    level = np.maximum(middle, _smoothed(measured, series))
    wet = np.where(pin, 1 / (1 + np.exp(-(level - fsp_pct - WET_FROM_PCT) / WET_BEND_PCT)), 0.0)
    own_pct = np.array([each.sd_pct for each in part])
    scatter = np.where(pin, SCATTER_PCT + wet * (WET_SCATTER_PCT - SCATTER_PCT), SCALE_SHARE * own_pct)
    both = pin[:, None] & pin
    same = both & (series[:, None] == series)
    level_there = both & (depth[:, None] == depth)
    slow = np.exp(-np.abs(months[:, None] - months) / SLOW_MONTHS)
    away = predicted - predicted.mean(axis=1, keepdims=True)
    covariance = np.diag(scatter**2) + MEMBERS_SHARE * away @ away.T / (away.shape[1] - 1)
    wetness = np.outer(wet, wet) * (WET_LEVEL_PCT**2 + WET_TREND_PCT**2 * np.outer(months, months))
    covariance += same * FACE_TREND_PCT**2 * np.outer(months, months)
    covariance += same * (LEVEL_PCT**2 + wetness + FACE_PCT**2 * slow)
    covariance += DEPTH_PCT**2 * slow * level_there
    covariance += SCALE_PCT**2 * slow * (~pin[:, None] & ~pin)
    return measured - middle, covariance


def _smoothed(measured: Floats, series: NDArray[np.str_]) -> Floats:
    """Return the median of each reading and its two neighbours on both sides in its series."""
    found = measured.copy()
    for name in set(series):
        mine = np.flatnonzero(series == name)
        for k, i in enumerate(mine):
            found[i] = np.median(measured[mine[max(0, k - 2) : k + 3]])
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class _Whole:
    """What is left of all readings, with the inverse of its covariance."""

    left: Floats
    precision: Floats
    misfit: float

    @classmethod
    def of(cls, left: Floats, covariance: Floats) -> _Whole:
        precision = np.asarray(np.linalg.inv(covariance), np.float64)
        return cls(left=left, precision=precision, misfit=float(left @ precision @ left))

    def departing(self, forms: Floats) -> tuple[float, Floats]:
        """Return what departures of some forms explain, in squared sd, and their sizes; forms (n, k)."""
        weighted = forms.T @ self.precision
        sizes = np.linalg.solve(weighted @ forms, weighted @ self.left)
        explained = float(weighted @ self.left @ sizes)
        spread = (FREEDOM + self.misfit - explained) / (FREEDOM + self.left.size - forms.shape[1])
        return float(explained / spread), np.asarray(sizes, np.float64)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Departure:
    """What one series explains by departing in some form: in standard deviations, and the sizes."""

    series: str
    sds: float
    sizes: Floats


def _best(whole: _Whole, forms: Mapping[str, Floats]) -> _Departure | None:
    """Return the series that explains most, if it explains clearly more than any other."""
    found = {name: whole.departing(form) for name, form in forms.items()}
    first, *others = sorted(found, key=lambda name: -found[name][0])
    explained, sizes = found[first]
    if others and explained - found[others[0]][0] < BEATS:
        return None
    return _Departure(series=first, sds=float(np.sqrt(max(explained, 0.0))), sizes=sizes)


def _drifts(line: _Departure, other: _Departure | None) -> bool:
    """Whether a straight line from nothing at the start is sure, likely in size, and explains it all."""
    rate = float(line.sizes[0])
    if line.sds < (UPWARD_SDS if rate > 0 else DOWNWARD_SDS) or not DRIFT_PCT[0] <= abs(rate) <= DRIFT_PCT[1]:
        return False
    return other is None or other.sds**2 - line.sds**2 < LEVEL_ADDS


def _elsewhere(other: _Departure) -> bool:
    """Whether a level of its own is sure and still there.

    A face with more sapwood, or one that the air hardly reaches, comes wetter and dries later: that is no
    fault.
    """
    start, end = float(other.sizes[0]), float(other.sizes.sum())
    stays = abs(end) >= OTHER_END_PCT and not 0 <= end < OTHER_STAYS * start
    return other.sds >= OTHER_SDS and stays
