"""A series of pins that drifts, or whose pins are in another wood, found by what explains the readings best.

Three explanations of each series are weighed: it is sound; its meter drifts in a straight line from nothing;
it is in other wood, with a level and a course of its own. Each says how probable all readings of the timber
are together, whatever the timber's own numbers, which are integrated out over their prior: what a drift could
be taken for, a slow timber or a biased meter, is thereby allowed for, and a fit that has followed the drift
hides nothing of it. What the model gets wrong in sound timbers stands in the covariance; its sizes are those
under which the sound timbers of the bench in `tests/bench/honesty`, whose truths are not this program's, are
most probable. `tests/bench/test_faults.py` prints how many of each fault are named there, and that no sound
series is.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from baulk.models.calibrate.parameters import FSP, PASSIVE
from baulk.models.calibrate.screening import Observation
from baulk.models.constants import DAY_S, Floats
from baulk.models.reason import Reason, Value

Kind = Literal["drift", "other wood"]

MONTH_S: Final = 30.44 * DAY_S
# departures of sound timbers from the model, in points of the meter's scale; most probable on the bench, see
# above
SCATTER_PCT: Final = 1.2  # of one reading below saturation
WET_SCATTER_PCT: Final = 2.35  # and above it
OUTLIER_SDS: Final = 3.0  # from its neighbours in its series: such a reading is as doubtful as it is far
LEVEL_PCT: Final = 0.15  # of a whole series
WET_LEVEL_PCT: Final = 1.1  # more above saturation, where the meter's curve is its own
WET_TREND_PCT: Final = 0.24  # a month: deep wood stays wet longer than the model says
# slow departure of the model, the same on every face at a depth, by points above saturation: largest where
# free water has just gone
DEPTH_AT_PCT: Final = (-10.0, -3.0, 5.0)
DEPTH_PCT: Final = (0.3, 1.25, 1.15)
FACE_PCT: Final = 0.2  # and of one series
FACE_TREND_PCT: Final = 0.02  # a month, of one series: what a face does that the model does not know
SLOW_MONTHS: Final = 2.6  # how long those last
# of one series while its wood passes saturation: a front reaches the pins of one face weeks before another's,
# and what has passed it dries at once. Larger than is most probable, for few woods do it and they do it much
PASSING_PCT: Final = 1.5
PASSING_AT_PCT: Final = (1.0, 4.0)  # above saturation: where, and how far around
SCALE_SHARE: Final = 0.38  # of the error that the fit gives to a weight
SCALE_PCT: Final = 0.1  # slow departure of the weights
CURVED_SHARE: Final = 0.35  # of what the members show that is not linear in their numbers
WET_SCATTER_FROM_PCT: Final = (0.8, 1.75)  # above fibre saturation, and how gradually it sets in
# of level and trend: set by eye on the bench between what is most probable there and what finds most
STILL_WET_FROM_PCT: Final = (3.0, 1.0)
FREEDOM: Final = 12.0  # of the t distribution of all readings: timbers differ in how well the model fits

# the two faults, before any reading; our own judgement, no source
DRIFT_PCT: Final = 0.5  # a month, either way
OTHER_PCT: Final = 5.0  # level of other wood at the first reading
OTHER_TREND_PCT: Final = 0.4  # a month
OTHER_SLOW_PCT: Final = 1.0  # and what a straight line does not tell of its course
OTHER_SLOW_MONTHS: Final = 4.0

LEAST_READINGS: Final = 6
LEAST_MONTHS: Final = 4.0
LEAST_TELLING: Final = 3  # readings of the series below saturation, as shown or by the model
TELLING_FROM_PCT: Final = 1.0  # above it
MEMBERS_A_ROW: Final = 2.0  # fewer members do not tell how each reading hangs on each number
SMOOTHING: Final = 1e-3 / 20  # of that regression; of the prior's variance
# natural logarithm of how many times more probable the fault makes the readings than a sound series does. Of
# 254 sound histories of the bench one showed 4.1, where a front passed the shallow pins; the next 2.7
SURE: Final = 4.2
BEATS: Final = 3.0  # and than the same fault of any other series does, else it is one of two


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
        Points a month of a drift; points of the last readings above the rest for other wood. [%]
    surer : float
        Natural logarithm of how many times more probable it makes the readings than a sound series. [-]
    weighed : bool
        Whether weights speak among the rest.
    instead : str, optional
        The series that may be at fault in its place: one of the two is, and nothing tells which.
    """

    series: str
    kind: Kind
    points: float
    surer: float
    weighed: bool
    instead: str | None = None

    @property
    def every(self) -> tuple[str, ...]:
        """It, and the one that may be at fault in its place."""
        return (self.series,) if self.instead is None else (self.series, self.instead)

    @property
    def reason(self) -> Reason:
        """What the series does, against what."""
        told: dict[str, Value] = {"series": self.series, "weighed": self.weighed}
        if self.instead is not None:
            return Reason(code="calibration.one_of_two", values={**told, "instead": self.instead})
        if self.kind == "drift":
            return Reason(code="calibration.drifts", values={**told, "drift_pct_per_month": self.points})
        return Reason(code="calibration.other_wood", values={**told, "off_pct": self.points})

    @property
    def of_a_reading(self) -> Reason:
        """Why one of its readings is set aside."""
        return Reason(code=self.reason.code)


def suspect(data: Sequence[Observation], predicted: Floats, theta: Floats, begun: Floats) -> Suspect | None:
    """Find the series of pins that is most surely at fault, if any is.

    Parameters
    ----------
    data : sequence of Observation
        Readings, in order of time; those set aside are not looked at.
    predicted : ndarray, shape (n, m)
        What the members say of each after the fit. [%]
    theta : ndarray, shape (22, m)
        The members after the fit.
    begun : ndarray, shape (22, m)
        And before it: the prior.

    Returns
    -------
    Suspect or None
        None where every series may be sound, or where three explain what is wrong equally well.

    References
    ----------
    Kass, R. E., Raftery, A. E., 1995. Bayes factors. Journal of the American Statistical Association 90,
    773-795. An added departure of known form in all readings at once: Willsky, A. S., Jones, H. L., 1976.
    IEEE Transactions on Automatic Control 21, 108-112.
    """
    kept = [i for i, each in enumerate(data) if not each.aside]
    part = [data[i] for i in kept]
    if not part or part[-1].posix_s - part[0].posix_s < LEAST_MONTHS * MONTH_S:
        return None
    record = _Record.of(part, predicted[kept], float(np.median(theta[FSP])))
    names = [name for name in record.of_pins() if np.sum(record.series == name) >= LEAST_READINGS]
    told = _numbers(theta, begun)
    if not names or len(set(record.series)) < 2 or predicted.shape[1] < MEMBERS_A_ROW * told[0].shape[0]:
        return None
    whole = _Whole.of(record, predicted[kept], *told)
    faults = {name: whole.faults(np.flatnonzero(record.series == name)) for name in names}
    first, *others = _surest(faults)
    fault = faults[first]
    if len(others) > 1 or fault.surer < SURE or not record.telling(first):
        return None
    return Suspect(
        series=first, kind=fault.kind, points=fault.points, surer=fault.surer,
        weighed=any(each.weight_ratio is not None for each in part),
        instead=others[0] if others else None,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class _Record:
    """The readings as arrays, and how wet the wood of each is; shape (n,) throughout.

    `shown_pct` is smoothed. `least_pct` is the lowest that a series has shown so far: wood deep under a face
    does not get wetter again, so what is shown above it later speaks of the meter.
    """

    measured_pct: Floats
    own_sd_pct: Floats
    middle_pct: Floats
    shown_pct: Floats
    least_pct: Floats
    months: Floats
    series: NDArray[np.str_]
    pin: NDArray[np.bool_]
    depth_mm: Floats
    fsp_pct: float

    @classmethod
    def of(cls, part: Sequence[Observation], predicted: Floats, fsp_pct: float) -> _Record:
        measured = np.array([each.measured_pct for each in part])
        series = np.array([each.series for each in part])
        months = np.array([each.posix_s for each in part]) / MONTH_S
        shown, least = measured.copy(), measured.copy()
        for name in set(series):
            mine = np.flatnonzero(series == name)
            for k, i in enumerate(mine):  # the median of a reading and its two neighbours on both sides
                shown[i] = np.median(measured[mine[max(0, k - 2) : k + 3]])
            least[mine] = np.minimum.accumulate(shown[mine])
        return cls(
            measured_pct=measured,
            own_sd_pct=np.array([each.sd_pct for each in part]),
            middle_pct=np.median(predicted, axis=1),
            shown_pct=shown,
            least_pct=least,
            months=months - months[0],
            series=series,
            pin=np.array([each.depth_mm is not None for each in part], dtype=bool),
            depth_mm=np.array([each.depth_mm or 0.0 for each in part]),
            fsp_pct=fsp_pct,
        )

    def of_pins(self) -> list[str]:
        return sorted({str(name) for name in self.series[self.pin]})

    def telling(self, name: str) -> bool:
        """Whether enough readings of a series lie where a meter tells one moisture from another."""
        dry = np.minimum(self.middle_pct, self.shown_pct) < self.fsp_pct + TELLING_FROM_PCT
        return int(np.sum(dry & (self.series == name))) >= LEAST_TELLING

    def wet(self, level_pct: Floats, sets_in_pct: tuple[float, float]) -> Floats:
        """Share of a reading that lies above saturation, 0 to 1; none of a weight."""
        start, bend = sets_in_pct
        over = (np.maximum(self.middle_pct, level_pct) - self.fsp_pct - start) / bend
        return np.where(self.pin, 1 / (1 + np.exp(-np.clip(over, -30.0, 30.0))), 0.0)


def _numbers(theta: Floats, begun: Floats) -> tuple[Floats, Floats]:
    """Return the numbers that readings inform, after the fit and before it, in the prior's own sds."""
    rows = np.ones(theta.shape[0], dtype=bool)
    rows[PASSIVE] = False
    rows &= np.ptp(begun, axis=1) > 0
    middle, sd = begun[rows].mean(axis=1, keepdims=True), begun[rows].std(axis=1, keepdims=True)
    return (theta[rows] - middle) / sd, (begun[rows] - middle) / sd


def _unmodelled(record: _Record) -> Floats:
    """Return the covariance of what sound timbers do that no member does, shape (n, n)."""
    pin, series, months = record.pin, record.series, record.months
    wet = record.wet(record.shown_pct, WET_SCATTER_FROM_PCT)
    scatter = np.where(
        pin, SCATTER_PCT + wet * (WET_SCATTER_PCT - SCATTER_PCT), SCALE_SHARE * record.own_sd_pct
    )
    away = np.abs(record.measured_pct - record.shown_pct)
    scatter = np.where(pin & (away > OUTLIER_SDS * record.own_sd_pct), away, scatter)
    both = pin[:, None] & pin
    same = both & (series[:, None] == series)
    level_there = both & (record.depth_mm[:, None] == record.depth_mm)
    slow = np.exp(-np.abs(months[:, None] - months) / SLOW_MONTHS)
    grows = np.outer(months, months)
    still_wet = record.wet(record.least_pct, STILL_WET_FROM_PCT)
    over = record.middle_pct - record.fsp_pct
    depth = np.interp(over, DEPTH_AT_PCT, DEPTH_PCT)
    passing = PASSING_PCT * np.exp(-0.5 * ((over - PASSING_AT_PCT[0]) / PASSING_AT_PCT[1]) ** 2)
    found = np.diag(scatter**2)
    found += same * (LEVEL_PCT**2 + FACE_TREND_PCT**2 * grows + FACE_PCT**2 * slow)
    found += same * np.outer(still_wet, still_wet) * (WET_LEVEL_PCT**2 + WET_TREND_PCT**2 * grows)
    found += same * np.outer(passing, passing) * slow
    found += level_there * np.outer(depth, depth) * slow
    found += SCALE_PCT**2 * slow * (~pin[:, None] & ~pin)
    return np.asarray(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fault:
    """What a fault of one series explains: the surer of both kinds and its size, `surer` counting both."""

    kind: Kind
    points: float
    surer: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Whole:
    """All readings against the prior: the inverse of their covariance, and it times what they are off."""

    precision: Floats
    pulled: Floats
    misfit: float
    months: Floats

    @classmethod
    def of(cls, record: _Record, predicted: Floats, after: Floats, before: Floats) -> _Whole:
        """Carry the model back to the prior along the straight lines on which the fit's members lie."""
        middle, mean = after.mean(axis=1, keepdims=True), predicted.mean(axis=1, keepdims=True)
        apart, shown = after - middle, predicted - mean
        members = apart.shape[1]
        inner = apart @ apart.T + SMOOTHING * members * np.eye(apart.shape[0])
        slopes = np.linalg.solve(inner, apart @ shown.T).T
        curved = np.var(shown - slopes @ apart, axis=1)
        spread = slopes @ before
        covariance = _unmodelled(record) + spread @ spread.T / members + np.diag(CURVED_SHARE * curved)
        off = record.measured_pct - mean[:, 0] + slopes @ middle[:, 0]
        precision = np.asarray(np.linalg.inv(covariance), np.float64)
        pulled = precision @ off
        return cls(precision=precision, pulled=pulled, misfit=float(off @ pulled), months=record.months)

    def faults(self, mine: NDArray[np.intp]) -> _Fault:
        """Weigh a drift of some readings, and other wood, against neither."""
        since = self.months[mine]
        line = DRIFT_PCT**2 * np.outer(since, since)
        slow = OTHER_SLOW_PCT**2 * np.exp(-np.abs(since[:, None] - since) / OTHER_SLOW_MONTHS)
        other = OTHER_PCT**2 + OTHER_TREND_PCT**2 * np.outer(since, since) + slow
        (drifts, by), (elsewhere, to) = self._departing(mine, line), self._departing(mine, other)
        surer = float(np.logaddexp(drifts, elsewhere) - np.log(2))
        if drifts > elsewhere:
            return _Fault(kind="drift", points=float(by[-1] / since[-1]), surer=surer)
        return _Fault(kind="other wood", points=float(np.mean(to[-3:])), surer=surer)

    def _departing(self, mine: NDArray[np.intp], departure: Floats) -> tuple[float, Floats]:
        """Return ln of how much more probable a departure of that covariance is than none, and its middle."""
        inside = np.eye(mine.size) + departure @ self.precision[np.ix_(mine, mine)]
        pulled = self.pulled[mine]
        departs = np.linalg.solve(inside, departure @ pulled)
        left = self.misfit - float(pulled @ departs)
        free = (FREEDOM + self.pulled.size) / 2
        gained = free * np.log((FREEDOM + self.misfit) / (FREEDOM + left))
        return float(gained - np.linalg.slogdet(inside)[1] / 2), np.asarray(departs, np.float64)


def _surest(faults: Mapping[str, _Fault]) -> list[str]:
    """Return the series whose fault explains most, and those whose fault does so nearly as well."""
    order = sorted(faults, key=lambda name: -faults[name].surer)
    return [name for name in order if faults[name].surer > faults[order[0]].surer - BEATS]
