"""What does not belong among a timber's readings, found after a fit."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.calibrate.assimilation import LONE_WOLF
from baulk.models.calibrate.result import FEWEST, Calibration, Fitted
from baulk.models.calibrate.screening import JUMP_DEPTH_MM, WET_DEPTH_MM, WET_WITHIN_S, Observation
from baulk.models.calibrate.weights import EVENT_SEGMENT
from baulk.models.constants import DAY_S, Floats
from baulk.models.reading import Series
from baulk.models.reason import Reason, Value, utc

STEP_PCT: Final = 3.0  # least lasting step of a series; our own judgement, no source
STEP_SDS: Final = 1.6  # and as a multiple of its error; our own judgement, no source
BESIDE: Final = 4  # readings on each side of a step that are looked at; our own judgement, no source
LASTS: Final = 3  # readings after a step before it is believed; our own judgement, no source
LONG_DAYS: Final = 60.0  # without a reading; our own judgement, no source


def beside(data: Sequence[Observation], predicted: Floats, off: Floats, away: Floats) -> tuple[Fitted, ...]:
    """Set every reading beside the fit, with the reason where it was set aside.

    Parameters
    ----------
    data : sequence of Observation
        Readings.
    predicted : ndarray, shape (n, m)
        What the members say. [%]
    off, away : ndarray, shape (n,)
        Measured minus the median [%], and in standard deviations.

    Returns
    -------
    tuple of Fitted
        In the same order.
    """
    return tuple(
        Fitted(
            posix_s=each.posix_s,
            series=each.series,
            measured_pct=each.measured_pct,
            model_pct=float(np.median(predicted[i])),
            sd_pct=float(each.sd_pct),
            at_least=each.at_least,
            left_out=each.aside
            or (
                Reason(code="calibration.outlier", values={"off_pct": float(off[i])})
                if away[i] > LONE_WOLF
                else None
            ),
            depth_mm=each.depth_mm,
            kg=each.kg,
        )
        for i, each in enumerate(data)
    )


def named(fitted: Sequence[Fitted], data: Sequence[Observation]) -> tuple[Reason, ...]:
    """Return one reason for each series and kind of readings that the fit itself set aside.

    Parameters
    ----------
    fitted : sequence of Fitted
        As from `beside`.
    data : sequence of Observation
        The same readings; those with a reason of their own are told already.

    Returns
    -------
    tuple of Reason
        Which, how many, and how far off the last of them lies.
    """
    found = []
    for series in sorted({each.series for each in fitted}):
        mine = [(one, each) for one, each in zip(fitted, data, strict=True) if one.series == series]
        lost = [one for one, each in mine if one.left_out and not each.aside]
        wet = [one for one in lost if _wet(one, fitted)]
        rest = [one for one in lost if one not in wet]
        for code, some in (("calibration.wet_outlier", wet), ("calibration.outlier", rest)):
            if some and some[-1].left_out is not None:
                told: dict[str, Value] = {"series": series, "count": len(some), "of": len(mine)}
                last = {**some[-1].left_out.values, "last_utc": utc(some[-1].posix_s)}
                found.append(Reason(code=code, values={**told, **last}))
    return tuple(found)


def _wet(one: Fitted, fitted: Sequence[Fitted]) -> bool:
    """Whether shallow pins read too wet while deeper ones, read about then, are not."""
    if one.depth_mm is None or one.depth_mm > WET_DEPTH_MM or one.measured_pct < one.model_pct:
        return False
    deep = [
        each
        for each in fitted
        if each.depth_mm is not None
        and each.depth_mm > max(one.depth_mm, JUMP_DEPTH_MM)
        and abs(each.posix_s - one.posix_s) <= WET_WITHIN_S
    ]
    return bool(deep) and all(each.left_out is None for each in deep)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shift:
    """What one series does at a moment: by how much, whether that is a step, and what speaks against one."""

    points: float
    need: float
    step: bool
    censored: bool
    weight: bool


def lasting_step(data: Sequence[Observation], off: Floats) -> tuple[float, Reason] | None:
    """Find the moment from which all series read something else at once.

    Parameters
    ----------
    data : sequence of Observation
        Readings in order of time.
    off : ndarray, shape (n,)
        Measured minus the fit's median. [%]

    Returns
    -------
    tuple of (float, Reason) or None
        First moment after the step, and what is to be told of it; None where there is none. [s]
    """
    series: dict[str, list[int]] = defaultdict(list)
    for i, each in enumerate(data):
        if each.lost_pct is None:
            series[each.series].append(i)
    at_s = np.array([each.posix_s for each in data])
    best: tuple[float, float, list[_Shift]] | None = None
    for moment in np.unique(at_s):
        shifts = [_shift([data[i] for i in mine], off[mine], at_s[mine] < moment) for mine in series.values()]
        found = [each for each in shifts if each is not None]
        strength = sum(abs(each.points) for each in found if each.step)
        if _at_once(found) and (best is None or strength > best[1]):
            best = (float(moment), strength, found)
    if best is None:
        return None
    moment_s, _, found = best
    points = float(np.median([each.points for each in found if each.step and not each.weight]))
    return moment_s, Reason(
        code="calibration.all_stepped",
        values={"since_utc": utc(moment_s), "series_count": len(found), "off_pct": points},
    )


def _at_once(found: Sequence[_Shift]) -> bool:
    """Whether at least two series make a step, one of them of pins, and no other speaks against it."""
    pins = [each for each in found if each.step and not each.weight]
    if not pins or sum(each.step for each in found) < 2:
        return False
    way = np.sign(np.median([each.points for each in pins]))
    return all(
        each.step if each.weight else way * each.points > (-each.need / 2 if each.censored else each.need / 2)
        for each in found
    )


def _shift(mine: Sequence[Observation], off: Floats, before: NDArray[np.bool_]) -> _Shift | None:
    """Return what a series does at a moment; None where it can't tell."""
    if before.sum() < 2 or (~before).sum() < LASTS or all(each.at_least for each in mine):
        return None
    last, first = int(np.flatnonzero(before)[-1]), int(np.flatnonzero(~before)[0])
    left, right = off[before][-BESIDE:], off[~before][:BESIDE]
    points = float(np.median(right) - np.median(left))
    stays = float(np.median(off[~before]) - np.median(left))
    need = max(STEP_PCT, STEP_SDS * mine[first].sd_pct)
    weight = mine[first].weight_ratio is not None
    parted = weight and mine[first].segment != mine[last].segment
    return _Shift(
        points=points,
        need=need,
        step=parted or (abs(points) > need and points * stays > 0 and abs(stays) > need / 2),
        censored=any(each.at_least for each in mine[max(0, last - BESIDE + 1) : first + BESIDE]),
        weight=weight,
    )


def parted_at(data: Sequence[Observation]) -> float | None:
    """Moment at which the weights fell or rose for good without an event that says why."""
    return next((each.posix_s for each in data if each.segment % EVENT_SEGMENT), None)


def without_after(data: Sequence[Observation], moment_s: float) -> tuple[Observation, ...]:
    """Set everything aside that was read since a moment."""
    return tuple(
        replace(each, aside=each.aside or Reason(code="calibration.after_step"))
        if each.posix_s >= moment_s and each.lost_pct is None
        else each
        for each in data
    )


def notes(fitted: Sequence[Fitted], now_s: float) -> tuple[Reason, ...]:
    """Return what the readings that took part can't tell.

    Parameters
    ----------
    fitted : sequence of Fitted
        Readings beside the fit, in order of time.
    now_s : float
        Now. [s]

    Returns
    -------
    tuple of Reason
        Empty where they tell all.
    """
    used = [each for each in fitted if each.left_out is None]
    if not used:
        return (Reason(code="calibration.no_readings"),)
    said = []
    if len(used) < FEWEST:
        said.append(Reason(code="calibration.few_readings"))
    elif used[-1].posix_s - used[0].posix_s < DAY_S:
        said.append(Reason(code="calibration.one_day", values={"read_utc": utc(used[0].posix_s)}))
    if all(each.at_least for each in used):
        said.append(Reason(code="calibration.all_saturated"))
    moments = [*(each.posix_s for each in used), now_s]
    gaps = np.diff(moments)
    if gaps.max() > LONG_DAYS * DAY_S:
        k = int(gaps.argmax())
        said.append(
            Reason(
                code="calibration.no_reading_for",
                values={
                    "days": float(gaps[k]) / DAY_S,
                    "since_utc": utc(moments[k]),
                    "until_utc": None if k == len(used) - 1 else utc(moments[k + 1]),
                },
            )
        )
    return tuple(said)


LEAST_GAIN: Final = 25.0  # squared standard deviations that each must gain; our own judgement, no source
OWN_SD_PCT: Final = (
    3.0  # doubt of a fit at another's pins, beside the reading's own; our own judgement, no source
)
SCALE_SD_SHARE: Final = 0.03  # a weight against the last one before; our own judgement, no source
WORST: Final = 4.0  # standard deviations that one reading counts for at most; our own judgement, no source
LEAST_READINGS: Final = 3  # of each timber after the exchange; our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Swap:
    """Since when two timbers read each other's wood.

    Parameters
    ----------
    tags : tuple of (str, str)
        Which.
    since_posix_s : float
        First reading that belongs to the other. [s]
    gain : float
        How much better the exchanged readings fit, the lesser of the two, in squared standard deviations. [-]
    """

    tags: tuple[str, str]
    since_posix_s: float
    gain: float

    @property
    def reason(self) -> Reason:
        """Which two, and since when."""
        return Reason(
            code="calibration.swapped", values={"tags": self.tags, "since_utc": utc(self.since_posix_s)}
        )


def swapped(a: Calibration, b: Calibration) -> Swap | None:
    """Tell whether the readings of two timbers were exchanged from some moment on.

    Parameters
    ----------
    a, b : Calibration
        Their fits, at about the same moment.

    Returns
    -------
    Swap or None
        The moment from which exchanged readings fit both timbers best, if much better than their own.

    Notes
    -----
    A reading is held against the median course of each timber at its depth, with that timber's own meter
    bias; a weight against the timber's last weight before the moment. Two timbers that are equally dry can't
    be told apart by pins, and no harm is done; their weights tell them unless they are equally heavy too.
    """
    own_a, own_b = _usable(a), _usable(b)
    if len(own_a) <= LEAST_READINGS or len(own_b) <= LEAST_READINGS:
        return None
    sides = (
        (own_a, own_b, _pin_gains(own_a, a, b)),
        (own_b, own_a, _pin_gains(own_b, b, a)),
    )
    best: tuple[float, float] | None = None
    gain = 0.0
    for moment in sorted({one.posix_s for one in (*own_a, *own_b)}):
        found = [each for each in (_gain(*side, moment) for side in sides) if each is not None]
        if len(found) == 2 and (best is None or sum(found) > best[0]) and min(found) > LEAST_GAIN:
            best, gain = (sum(found), moment), min(found)
    if best is None:
        return None
    one, two = (_tag(each) for each in (own_a, own_b))
    return Swap(tags=(one, two), since_posix_s=best[1], gain=gain)


def _usable(fitted: Calibration) -> list[Fitted]:
    return [one for one in fitted.readings if one.depth_mm is not None or one.kg is not None]


def _tag(readings: list[Fitted]) -> str:
    return Series.parse(readings[0].series).name


def _gain(mine: list[Fitted], other: list[Fitted], pins: Floats, moment: float) -> float | None:
    """Return how much better the readings since a moment fit the other timber; None where few are left."""
    after = np.array([one.posix_s >= moment for one in mine])
    of_pins = pins[after & np.isfinite(pins)]
    gains = list(of_pins)
    own_kg, their_kg = _last_kg(mine, moment), _last_kg(other, moment)
    if own_kg is not None and their_kg is not None:
        for one in mine:
            if one.kg is not None and one.posix_s >= moment:
                own, theirs = (np.log(one.kg / kg) / SCALE_SD_SHARE for kg in (own_kg, their_kg))
                gains.append(min(own**2, WORST**2) - min(theirs**2, WORST**2))
    return float(sum(gains)) if len(gains) >= LEAST_READINGS else None


def _last_kg(readings: list[Fitted], moment: float) -> float | None:
    kg = [one.kg for one in readings if one.kg is not None and one.posix_s < moment]
    return kg[-1] if kg else None


def _pin_gains(mine: list[Fitted], here: Calibration, there: Calibration) -> Floats:
    """Return for each reading how much better it fits the other timber; NaN for one that is not of pins."""
    own, theirs = (np.minimum(_away(mine, each) ** 2, WORST**2) for each in (here, there))
    return np.asarray(own - theirs)


def _away(readings: list[Fitted], fitted: Calibration) -> Floats:
    """Return the standard deviations between pins' readings and a timber's median course at their depth."""
    bias = float(np.median(fitted.meter_bias_pct))
    courses: dict[float, Floats] = {}
    found = np.full(len(readings), np.nan)
    for i, one in enumerate(readings):
        if one.depth_mm is None:
            continue
        depth_mm = min(one.depth_mm, float(fitted.depths_mm[-1]))
        if depth_mm not in courses:
            courses[depth_mm] = np.array(
                [np.interp(depth_mm, fitted.depths_mm, each) for each in fitted.history_depth_pct]
            )
        off = one.measured_pct - bias - np.interp(one.posix_s, fitted.history_posix_s, courses[depth_mm])
        found[i] = (max(off, 0.0) if one.at_least else off) / np.hypot(one.sd_pct, OWN_SD_PCT)
    return found
