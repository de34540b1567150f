"""Widths and depths by rule or gauge: how much this piece shrinks, and where it is not as foreseen.

No other reading tells how much a piece shrinks: its factor is drawn from the spread of pieces of a species.
A measured size tells it: each member's factor is drawn anew from what the sizes say of it given the member's
own moisture, and keeps its place among the members. The moisture itself is left to meters and scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from statistics import NormalDist
from typing import Final

import numpy as np

from baulk.models import end_grain
from baulk.models.calibrate import ensemble, parameters
from baulk.models.calibrate.assimilation import LONE_WOLF
from baulk.models.calibrate.inputs import SAME_MM, FitInputs
from baulk.models.calibrate.measured_form import (
    RULE_SD_MM,
    SAWN_SD_MM,
    Bodies,
    SizeSeen,
    forms_beside,
    forms_of,
)
from baulk.models.columns import Readings, columns_of, medians
from baulk.models.constants import DAY_S, Floats
from baulk.models.field import MoistureField
from baulk.models.quantity import Quantity
from baulk.models.reason import Reason, utc
from baulk.models.section import Face
from baulk.models.timber import EventKind

# errors, one standard deviation; common practice, no source
GAUGE_SD_MM: Final = 0.1  # one that stays where it is
# of the movement, for the model: set, creep and rings that are no circles; our own judgement, no source
MODEL_SD_SHARE: Final = 0.05
MOST_OF_A_GAUGE: Final = 12  # days of one gauge that count, evenly chosen; our own judgement, no source
SAME_PLACE_MM: Final = 25.0  # along the timber; our own judgement, no source
_GRID: Final = np.linspace(-0.6, 0.6, 481)  # of ln of the factor: what a member is held within
_GAUGES: Final = {Quantity.WIDTH: "width", Quantity.DEPTH: "depth"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """One size as it was measured.

    Parameters
    ----------
    posix_s : float
        When. [s]
    what : str
        "width" or "depth".
    mm, sd_mm : float
        The size and the error of what measured it. [mm]
    face : Face or None
        Along which face; None between the middles of two faces.
    place : int
        Which place along the timber: sizes of one place have the saw's error in common.
    from_end_mm : float or None
        How far from an end, if that was told. [mm]
    reach_mm : float or None
        How far the end has dried the timber, where that is farther: such a size tells nothing of how much the
        section shrinks, which is wetter than the place. [mm]
    """

    posix_s: float
    what: str
    mm: float
    sd_mm: float
    face: Face | None = None
    place: int = 0
    from_end_mm: float | None = None
    reach_mm: float | None = None

    @property
    def measure(self) -> str:
        """Name among the measures of `distortion.measures`."""
        return f"face {self.face}" if self.face is not None else f"middle {self.what}"


def sizes_of(given: FitInputs, readings: Readings) -> tuple[Size, ...]:
    """Gather the sizes that were measured since the timber has its present section.

    Parameters
    ----------
    given : FitInputs
        The timber and what happened to it.
    readings : Columns or iterable of Reading
        Every reading of it.

    Returns
    -------
    tuple of Size
        In order of time: by rule each one, of a gauge the median of a day, of at most `MOST_OF_A_GAUGE` days.
    """
    begin_s = _begin_s(given)
    places: list[float] = []
    found: list[Size] = []
    for each in given.past.kind(EventKind.MEASURED):
        at_s = each.at_utc.timestamp()
        if at_s < begin_s - DAY_S:
            continue
        end_mm = float(each.detail["from_end_mm"]) if "from_end_mm" in each.detail else None
        place, reach_mm = _place(places, end_mm), _reach_mm(given, end_mm, each.at_utc)
        found += [
            Size(
                posix_s=min(max(at_s, begin_s), given.now_s),
                what=what,
                mm=float(each.detail[f"{what}_mm"]),
                sd_mm=RULE_SD_MM,
                face=Face(str(each.detail["face"])) if "face" in each.detail else None,
                place=place,
                from_end_mm=end_mm,
                reach_mm=reach_mm,
            )
            for what in ("width", "depth")
            if f"{what}_mm" in each.detail
        ]
    return tuple(sorted([*found, *_of_gauges(given, readings, begin_s, places)], key=lambda one: one.posix_s))


def narrowed(theta: Floats, given: FitInputs, readings: Readings) -> tuple[Floats, tuple[SizeSeen, ...]]:
    """Draw each member's shrinkage from the sizes that were measured.

    Parameters
    ----------
    theta : ndarray, shape (22, m)
        The ensemble after the readings.
    given : FitInputs
        The timber and what happened to it.
    readings : Columns or iterable of Reading
        Every reading of it; those of gauges count.

    Returns
    -------
    theta : ndarray, shape (22, m)
        The same where nothing was measured.
    seen : tuple of SizeSeen
        Each size beside what was foreseen. [mm]

    References
    ----------
    Bayes' rule on a grid of the factor, member by member, each at its own quantile. Errors of sizes that lie
    far off grow as those of other readings do (Huber 1964, Annals of Mathematical Statistics 35, 73-101).
    """
    sizes, forms = sizes_of(given, readings), forms_of(given, _begin_s(given))
    if not sizes and not forms:
        return theta, ()
    begin_s = _begin_s(given) + 60.0  # behind the planing that made the section
    at_s = [*(each.posix_s for each in sizes), *(each.posix_s for each in forms)]
    run = ensemble.run(theta, given, [begin_s, *(max(one, begin_s) for one in at_s)])
    bodies = Bodies(given, theta)
    begun = bodies.of(run[0]).did(run[0].mc_pct)
    also = forms_beside(bodies, begun, forms, run[1 + len(sizes) :])
    if not sizes:
        return theta, also
    change = _changes(given, sizes, bodies, begun, run[1:])
    green = np.array([_side_mm(given, each) for each in sizes])
    measured = np.array([each.mm for each in sizes]) - green
    factor = np.exp(theta[parameters.SHRINKAGE])
    seen = _beside(sizes, green, measured, change)
    tell = [i for i, each in enumerate(sizes) if each.reach_mm is None]
    if not tell:
        return theta, (*seen, *also)
    shared, measured, change = _shared([sizes[i] for i in tell]), measured[tell], change[tell]
    away = np.abs([seen[i].off_sds for i in tell])
    more = np.where(away > LONE_WOLF, away**2, np.maximum(1.0, away / 1.5))
    found = theta.copy()
    found[parameters.SHRINKAGE] = [
        _drawn(measured, one / of, _errors([sizes[i] for i in tell], one, more) + shared, quantile)
        for one, of, quantile in zip(change.T, factor, _quantiles(theta), strict=True)
    ]
    return found, (*seen, *also)


def reasons(theta: Floats, seen: Sequence[SizeSeen]) -> tuple[Reason, ...]:
    """Return what the measured sizes say of a piece.

    Parameters
    ----------
    theta : ndarray, shape (22, m)
        The ensemble after `narrowed`.
    seen : sequence of SizeSeen
        From `narrowed`.

    Returns
    -------
    tuple of Reason
        How much it shrinks beside its species, the newest size of each kind that was not foreseen, and the
        newest that the end beside it has dried; none where nothing was measured.
    """
    sizes = [each for each in seen if each.what in _GAUGES.values()]
    near = [_near_end(each, sizes) for each in [one for one in sizes if one.reach_mm is not None][-1:]]
    count = sum(each.reach_mm is None for each in sizes)
    if not count:
        return tuple(near)
    factor = np.exp(np.quantile(theta[parameters.SHRINKAGE], (0.05, 0.5, 0.95)))
    low, middle, high = (float(each) for each in factor)
    found = [Reason(code="calibration.shrinks", values={"factor": (low, middle, high), "sizes": count})]
    newest = {(each.what, each.face, each.from_end_mm): each for each in sizes if each.reach_mm is None}
    found += [
        Reason(
            code="calibration.size_unlike",
            values={
                "what": each.what,
                "face": each.face,
                "at_utc": utc(each.posix_s),
                "measured_mm": each.measured_mm,
                "foreseen_mm": (each.low_mm, each.foreseen_mm, each.high_mm),
            },
        )
        for each in newest.values()
        if each.unlike
    ]
    return (*found, *near)


def _near_end(newest: SizeSeen, sizes: Sequence[SizeSeen]) -> Reason:
    return Reason(
        code="calibration.size_near_end",
        values={
            "what": newest.what,
            "at_utc": utc(newest.posix_s),
            "from_end_mm": newest.from_end_mm,
            "reach_mm": newest.reach_mm,
            "sizes": sum(each.reach_mm is not None for each in sizes),
        },
    )


def _begin_s(given: FitInputs) -> float:
    """Return since when the timber has had the size of its present section, [s]."""
    now = given.past.section
    begin_s = given.past.stretches[-1].begin_s
    for each in reversed(given.past.stretches):
        same = (abs(each.section.width_mm - now.width_mm), abs(each.section.depth_mm - now.depth_mm))
        if max(same) >= SAME_MM:
            break
        begin_s = each.begin_s
    return begin_s


def _side_mm(given: FitInputs, size: Size) -> float:
    return given.past.section.width_mm if size.what == "width" else given.past.section.depth_mm


def _place(places: list[float], from_end_mm: float | None) -> int:
    """Return the number of a place along the timber; 0 for one that was not told."""
    if from_end_mm is None:
        return 0
    for i, each in enumerate(places):
        if abs(each - from_end_mm) <= SAME_PLACE_MM:
            return i + 1
    places.append(from_end_mm)
    return len(places)


def _reach_mm(given: FitInputs, from_end_mm: float | None, at_utc: datetime) -> float | None:
    """Return how far the end has dried the timber, if that is farther than a place, [mm]."""
    if from_end_mm is None:
        return None
    cut_later = any(each.at_utc > at_utc for each in given.past.kind(EventKind.CUT))
    timber = replace(
        given.timber,
        ends_sealed=given.past.sealed,
        length_mm=1e6 if cut_later else given.timber.length_mm,
    )
    return end_grain.dried_over_mm(timber, given.species, from_end_mm, at_utc)


def _of_gauges(given: FitInputs, readings: Readings, begin_s: float, places: list[float]) -> list[Size]:
    rows = columns_of(readings).in_parts()
    rows = rows[(begin_s <= rows.taken_s) & (rows.taken_s <= given.now_s)]
    found: list[Size] = []
    for number, series in enumerate(rows.series):
        mine, end_mm = rows[rows.of == number], series.from_end_mm
        if series.quantity not in _GAUGES or not len(mine):
            continue
        _, day = np.unique(mine.taken_s // DAY_S, return_inverse=True)
        at_s, mm = medians(day, mine.count, mine.taken_s, mine.value)
        some = np.unique(np.linspace(0, len(mm) - 1, min(len(mm), MOST_OF_A_GAUGE)).round().astype(int))
        found += [
            Size(
                posix_s=float(at_s[i]),
                what=_GAUGES[series.quantity],
                mm=float(mm[i]),
                sd_mm=GAUGE_SD_MM,
                face=series.face,
                place=-1 if end_mm is None else _place(places, end_mm),
                from_end_mm=end_mm,
                reach_mm=_reach_mm(given, end_mm, datetime.fromtimestamp(float(at_s[i]), UTC)),
            )
            for i in some
        ]
    return found


def _changes(
    given: FitInputs, sizes: Sequence[Size], bodies: Bodies, begun: Floats, run: Sequence[MoistureField]
) -> Floats:
    """Return what each size has changed by since the section was sawn, every member, shape (n, m), [mm]."""
    found = np.empty((len(sizes), begun.shape[0]))
    for i, (each, field) in enumerate(zip(sizes, run, strict=False)):
        shape = bodies.of(field)
        did, before = (shape.measured_mm(one, each.measure) for one in (shape.did(field.mc_pct), begun))
        found[i] = (did - before) / (1 + before / _side_mm(given, each))
    return found


def _beside(sizes: Sequence[Size], green: Floats, measured: Floats, change: Floats) -> tuple[SizeSeen, ...]:
    found = []
    for each, side, off, members in zip(sizes, green, measured, change, strict=True):
        low, middle, high = (float(side + one) for one in np.quantile(members, (0.05, 0.5, 0.95)))
        sd = np.sqrt(
            np.var(members) + each.sd_mm**2 + SAWN_SD_MM**2 + (MODEL_SD_SHARE * np.median(members)) ** 2
        )
        found.append(
            SizeSeen(
                posix_s=each.posix_s,
                what=each.what,
                face=each.face.value if each.face else "",
                measured_mm=each.mm,
                low_mm=low,
                foreseen_mm=middle,
                high_mm=high,
                off_sds=float((off - np.median(members)) / sd),
                from_end_mm=each.from_end_mm,
                reach_mm=each.reach_mm,
            )
        )
    return tuple(found)


def _shared(sizes: Sequence[Size]) -> Floats:
    """Covariance of the errors that sizes of one place have in common, shape (n, n), [mm2]."""
    places = [(each.measure, each.place) for each in sizes]
    same = np.array([[one == other for other in places] for one in places])
    return np.asarray(SAWN_SD_MM**2 * same)


def _errors(sizes: Sequence[Size], change: Floats, more: Floats) -> Floats:
    own = np.array([each.sd_mm for each in sizes]) ** 2 + (MODEL_SD_SHARE * change) ** 2
    return np.asarray(np.diag(own * more**2))


def _quantiles(theta: Floats) -> Floats:
    prior = NormalDist(0.0, parameters.PARAMETERS[parameters.SHRINKAGE].sd)
    return np.array([prior.cdf(float(each)) for each in theta[parameters.SHRINKAGE]])


def _drawn(measured: Floats, whole: Floats, covariance: Floats, quantile: float) -> float:
    """Return ln of a member's factor: `whole` is what it changes by with the factor 1. [mm]."""
    weighted = np.linalg.solve(covariance, np.stack([measured, whole], axis=1))
    factor = np.exp(_GRID)
    told = factor * (whole @ weighted[:, 0]) - factor**2 * (whole @ weighted[:, 1]) / 2
    told -= _GRID**2 / (2 * parameters.PARAMETERS[parameters.SHRINKAGE].sd ** 2)
    density = np.exp(told - told.max())
    upto = np.concatenate([[0.0], np.cumsum((density[1:] + density[:-1]) / 2)])
    return float(np.interp(quantile * upto[-1], upto, _GRID))
