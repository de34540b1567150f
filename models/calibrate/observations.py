"""What a timber's readings say for its fit: one value a series and day, in points of moisture."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist, mean
from typing import Final

import numpy as np

from baulk.models import end_grain, sapwood
from baulk.models.calibrate.inputs import FitInputs
from baulk.models.calibrate.parameters import mean_start
from baulk.models.calibrate.screening import (
    Hanging,
    Observation,
    by_a_right_clock,
    hanging,
    thinned,
    without_jumps,
    without_rain,
)
from baulk.models.calibrate.weights import WEIGHT_SD_SHARE, Limits, weights
from baulk.models.columns import Columns, Readings, columns_of, medians
from baulk.models.constants import DAY_S, Floats
from baulk.models.errors import OutOfRange
from baulk.models.meter.profile import answers
from baulk.models.meter.resistance import MeterAnswer
from baulk.models.meter.wood_temperature import at_readings
from baulk.models.quantity import AT_DEPTH, Quantity
from baulk.models.reading import AT_LEAST, Series, from_end_mm
from baulk.models.reason import Reason, utc
from baulk.models.section import Face, Section
from baulk.models.timber import EventKind

INSTALLED_SD_PCT: Final = (
    1.5  # wood differs from pin to pin; within +-2 %: FPInnovations report 16773, abstract
)
# of the points that a meter shows above saturation: their scale differs from meter to meter in more than its
# slope; our own judgement, no source
WET_SCALE_SD_SHARE: Final = 0.3
# and in sapwood, whose free water holds other ions than that of heartwood; whether a meter then shows more or
# less for it differs by wood: our own judgement, no source
SAPWOOD_SCALE_SD_SHARE: Final = 0.4
OVEN_SD_PCT: Final = 1.5  # one slice against the whole timber, when dry; our own judgement, no source
OVEN_SD_SHARE: Final = 0.05  # and as a share of its moisture; our own judgement, no source
# of a sawn timber's volume by its recorded size: rule, wane, what it had shrunk; common practice, no source
SIZE_SD_SHARE: Final = 0.03
_REPEATED: Final = Reason(code="calibration.repeated")
_BEFORE: Final = Reason(code="calibration.before_arrival")
_IN_FUTURE: Final = Reason(code="calibration.in_future")
SAME_SECTION_S: Final = 2 * DAY_S  # an oven-dry section so near the arrival is the one entered with it


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """What the readings gave.

    Parameters
    ----------
    data : tuple of Observation
        In order of time; those set aside with their reason.
    left_out : tuple of Reason
        One for each series and kind that could not be used.
    said : tuple of Reason
        What was done with the rest.
    """

    data: tuple[Observation, ...]
    left_out: tuple[Reason, ...]
    said: tuple[Reason, ...]


def observations(given: FitInputs, readings: Readings, *, thin: bool = True) -> Gathered:
    """Sort, convert, gather and thin a timber's readings.

    Parameters
    ----------
    given : FitInputs
        The timber.
    readings : Columns or iterable of Reading
        Every reading of it, in any order.
    thin : bool
        Whether to keep only as many as change the answer, `screening.MOST`.

    Returns
    -------
    Gathered
        Usable readings and those set aside.
    """
    refused: dict[str, list[Reason]] = defaultdict(list)
    timely, clocks = by_a_right_clock(columns_of(readings).in_parts())
    inside = _inside(timely, given, refused)
    stuck = hanging(inside)
    pins = _pins(inside, given, refused, stuck)
    usable = without_jumps(without_rain(pins, refused), refused)
    weighed, steps = _weights(inside, given, refused)
    sections, no_sections = _sections(given)
    every = [*weighed, *sections, *usable]
    return Gathered(
        data=thinned(every) if thin else tuple(sorted(every, key=lambda one: one.posix_s)),
        left_out=(*_by_kind(refused), *_stuck(usable, stuck), *no_sections),
        said=(*clocks, *steps),
    )


def _inside(rows: Columns, given: FitInputs, refused: dict[str, list[Reason]]) -> Columns:
    inside = (given.start_s - DAY_S <= rows.taken_s) & (rows.taken_s <= given.now_s + 600)
    for row in np.flatnonzero(~inside).tolist():
        why = _BEFORE if rows.taken_s[row] < given.start_s else _IN_FUTURE
        refused[rows.names[rows.of[row]]] += [why] * int(rows.count[row])
    return rows[inside]


def _pins(
    inside: Columns,
    given: FitInputs,
    refused: dict[str, list[Reason]],
    stuck: dict[str, Hanging],
) -> list[Observation]:
    warm = inside[inside.of_quantity(Quantity.WOOD_TEMP)]
    wood = sorted(zip(warm.taken_s.tolist(), warm.value.tolist(), strict=True))
    deep = inside[inside.of_quantity(*AT_DEPTH)]
    at_s = np.clip(deep.taken_s, given.start_s, given.now_s)
    silent = [(each.begin_s, each.end_s) for each in given.past.stretches if each.silent]
    side_mm = min(given.past.section.width_mm, given.past.section.depth_mm)
    found = answers(
        deep,
        given.species,
        at_readings(at_s, wood, given.air, side_mm, silent),
        corrections=given.corrections,
    )
    places: dict[tuple[int, int], _Place] = {}
    ends_s = [each.end_s for each in given.past.stretches[:-1]]
    stretch = np.searchsorted(ends_s, at_s, side="left").tolist()
    ends = {i: cm for i, each in enumerate(deep.flags) if (cm := from_end_mm(each)) is not None}
    usable_rows: list[int] = []
    told_rows: list[tuple[float, float, float, bool]] = []
    for row, (of, flagged, at, told) in enumerate(
        zip(deep.of.tolist(), deep.flagged.tolist(), stretch, found, strict=True)
    ):
        place = places.get((of, at))
        if place is None:
            section = given.past.stretches[at].section
            place = places[of, at] = _Place.of(given, deep.series[of], section)
        why_not: Reason | None = None
        if flagged in ends:
            why_not = _near_an_end(given, ends[flagged], float(deep.taken_s[row]))
        why_not = why_not or place.outside
        if why_not is None and isinstance(told, Reason):
            why_not = told
        if why_not is not None:
            refused[deep.names[of]] += [why_not] * int(deep.count[row])
        elif isinstance(told, MeterAnswer):
            usable_rows.append(row)
            told_rows.append(_measured(told, place.in_sapwood))
    rows = deep[np.array(usable_rows, np.int64)]
    usable = _days(rows, at_s[usable_rows], np.array(told_rows).reshape(-1, 4).T)
    return [_freed(each, stuck.get(each.series)) for each in usable]


def _days(rows: Columns, at_s: Floats, told: Floats) -> list[Observation]:
    """Return the median of each series and day, in order of time.

    It lies above saturation when half of the day's readings do.
    """
    if not len(rows):
        return []
    day = (at_s // DAY_S).astype(np.int64)
    key = rows.of * (np.ptp(day) + 1) + day - day.min()
    _, firsts, group = np.unique(key, return_index=True, return_inverse=True)
    posix_s, measured, sd, above = medians(group, rows.count, at_s, *told[:3])
    scale = np.array([AT_LEAST in each for each in rows.flags])[rows.flagged]
    total = np.bincount(group, weights=rows.count)
    at_least, ended = (
        np.bincount(group, weights=rows.count * each) * 2 >= total for each in (told[3], scale)
    )
    found = [
        Observation(
            posix_s=float(posix_s[k]),
            series=rows.names[of],
            measured_pct=float(measured[k]),
            sd_pct=float(sd[k]),
            at_least=bool(at_least[k]),
            above_pct=float(above[k]),
            scale_ended=bool(ended[k]),
            depth_mm=rows.series[of].depth_mm,
            face=rows.series[of].face,
        )
        for k, of in ((k, int(rows.of[firsts[k]])) for k in np.argsort(firsts).tolist())
    ]
    return sorted(found, key=lambda one: one.posix_s)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a series' pins stand in a section: outside of it, or how likely in sapwood."""

    outside: Reason | None
    in_sapwood: float

    @classmethod
    def of(cls, given: FitInputs, series: Series, section: Section) -> _Place:
        outside = _outside(series, section)
        return cls(outside, 0.0 if outside else _in_sapwood(given, series, section))


def _outside(series: Series, section: Section) -> Reason | None:
    """Return why pins can't be where the reading says, if they can't."""
    depth_mm, face = series.depth_mm or 0.0, series.face
    try:
        section.refuse_depth(depth_mm, face)
    except OutOfRange:
        return Reason(
            code="calibration.outside_piece", values={"depth_mm": depth_mm, "size_mm": section.size_mm(face)}
        )
    return None


def _stuck(usable: Sequence[Observation], stuck: dict[str, Hanging]) -> list[Reason]:
    touched = {each.series for each in usable if each.aside == _REPEATED}
    return [reason for name, (_, _, reason) in stuck.items() if name in touched]


def _freed(each: Observation, stuck: Hanging | None) -> Observation:
    """Set a reading aside that its meter only repeated; one at saturation is no repetition."""
    if stuck is None or each.at_least or not stuck[0] < each.day <= stuck[1]:
        return each
    return replace(each, aside=_REPEATED)


def _near_an_end(given: FitInputs, distance_mm: float, taken_s: float) -> Reason | None:
    """Return why pins so near to an end say nothing; before a cut the timber was longer than it is now."""
    cut_later = any(each.at_utc.timestamp() > taken_s for each in given.past.kind(EventKind.CUT))
    length_mm = 1e6 if cut_later else given.timber.length_mm
    timber = replace(given.timber, ends_sealed=given.past.sealed, length_mm=length_mm)
    return end_grain.why_too_near(timber, given.species, distance_mm, utc(taken_s))


def _in_sapwood(given: FitInputs, series: Series, section: Section) -> float:
    """How likely the tips of a pin stand in sapwood, before any reading; without a face the mean of all."""
    depth_mm, face = series.depth_mm, series.face
    if depth_mm is None or not sapwood.differs(given.species):
        return 0.0
    timber = given.timber
    radius = NormalDist(*sapwood.prior_mm(timber.section, given.species, timber.heartwood_mm))
    tips = [section.pin_tip_mm(depth_mm, each) for each in ((face,) if face else Face)]
    away = [math.hypot(x - section.pith_x_mm, y - section.pith_y_mm) for x, y in tips]
    return mean(radius.cdf(each) for each in away)


def _measured(found: MeterAnswer, in_sapwood: float) -> tuple[float, float, float, bool]:
    """Return the meter's number, its error, how far above saturation it lies, and whether it is at least."""
    scale_sd = math.hypot(WET_SCALE_SD_SHARE, SAPWOOD_SCALE_SD_SHARE * in_sapwood) * found.above_fsp_pct
    return (
        found.mc_pct + found.above_fsp_pct,
        math.hypot(found.sd_pct, INSTALLED_SD_PCT, scale_sd),
        found.above_fsp_pct,
        found.at_least,
    )


def _weights(
    inside: Columns, given: FitInputs, refused: dict[str, list[Reason]]
) -> tuple[list[Observation], list[Reason]]:
    name = f"timber/{given.timber.tag}/weight"
    taken = []
    rows = inside[inside.of_quantity(Quantity.WEIGHT)]
    at_s = np.clip(rows.taken_s, given.start_s, given.now_s)
    for taken_s, kg in zip(at_s.tolist(), rows.value.tolist(), strict=True):
        if kg > 0:
            taken.append((taken_s, kg))
        else:
            refused[name].append(Reason(code="calibration.no_weight", values={"weight_kg": kg}))
    start_pct, wettest_pct = mean_start(given.timber, given.species)
    limits = Limits(
        section=given.past.section,
        law=given.law,
        wettest_pct=min(given.law.most_pct, wettest_pct),
        begun_s=given.start_s,
    )
    usable, why, said = weights(taken, given.past, limits)
    refused[name] += why
    first: dict[int, tuple[float, float]] = {}  # of each series: its first kg, and the MC it is told from
    found: list[Observation] = []
    for one in usable:
        if one.segment not in first:
            told = found[-1].measured_pct if found else start_pct
            first[one.segment] = (one.kg, max(told, given.species.fsp_pct / 2))
        first_kg, from_pct = first[one.segment]
        found.append(
            Observation(
                posix_s=one.posix_s,
                series=name,
                measured_pct=one.kg / first_kg * (100 + from_pct) - 100,
                sd_pct=WEIGHT_SD_SHARE * (100 + from_pct),
                weight_ratio=one.kg / first_kg,
                segment=one.segment,
                kg=one.kg,
                start_pct=from_pct,
            )
        )
    return found, [replace(each, values={**each.values, "series": name}) for each in said]


def by_density(given: FitInputs, data: Sequence[Observation]) -> Observation | None:
    """Return what the first weight says of the moisture by the size and the usual density of the wood.

    Parameters
    ----------
    given : FitInputs
        The timber, its wood and what happened to it.
    data : sequence of Observation
        Readings that the fit uses.

    Returns
    -------
    Observation or None
        Moisture content of the mean and its error, as of a section without an end beside it, for a density
        from tree to tree; None without a weight, and where something was taken off the timber. [%]

    References
    ----------
    Variation of density: `baulk.models.sapwood.DENSITY_SD_SHARE`.
    """
    first = next((each for each in data if each.kg is not None and each.segment == 0), None)
    taken_off = (EventKind.CUT, EventKind.PLANED, EventKind.KERFED)
    if first is None or first.kg is None or any(given.past.kind(kind) for kind in taken_off):
        return None
    section = given.past.section
    volume_m3 = section.width_mm * section.depth_mm * given.timber.length_mm / 1e9
    over_dry = first.kg / (volume_m3 * given.species.basic_density_kg_m3)
    return Observation(
        posix_s=first.posix_s,
        series=f"timber/{given.timber.tag}/density",
        measured_pct=100 * over_dry - 100,
        sd_pct=100 * over_dry * math.hypot(sapwood.DENSITY_SD_SHARE, SIZE_SD_SHARE),
        lost_pct=0.0,
    )


def _sections(given: FitInputs) -> tuple[list[Observation], list[Reason]]:
    """Oven-dry sections, each less what the end beside it has dried."""
    name = f"timber/{given.timber.tag}/oven-dry"
    found: list[Observation] = []
    refused: dict[str, list[Reason]] = defaultdict(list)
    for each in given.past.kind(EventKind.OVEN_DRIED):
        at_s = each.at_utc.timestamp()
        measured = float(each.detail["mc_pct"])
        entered = given.timber.green_mc_pct
        if entered is not None and at_s <= given.start_s + SAME_SECTION_S and abs(entered - measured) < 0.05:
            continue  # the prior has it already
        if at_s < given.start_s - DAY_S:
            refused[name].append(_BEFORE)
            continue
        lost = 0.0
        if "from_end_mm" in each.detail:
            distance = float(each.detail["from_end_mm"])
            if why := end_grain.why_too_near(
                replace(given.timber, ends_sealed=given.past.sealed, length_mm=1e6),
                given.species,
                distance,
                each.at_utc,
            ):
                refused[name].append(replace(why, values={**why.values, "what": "section"}))
                continue
            days = max(0.0, (at_s - given.start_s) / DAY_S)
            lost = float(end_grain.end_drying_pct(distance, given.law, days, sealed=given.past.sealed))
        found.append(
            Observation(
                posix_s=min(max(at_s, given.start_s), given.now_s),
                series=name,
                measured_pct=measured,
                sd_pct=float(np.hypot(OVEN_SD_PCT, OVEN_SD_SHARE * measured)),
                lost_pct=lost,
            )
        )
    return found, list(_by_kind(refused))


def _by_kind(refused: dict[str, list[Reason]]) -> Iterable[Reason]:
    """Return one reason for each series and kind, with how many there are, and the values of the last."""
    for series, reasons in refused.items():
        kinds: dict[str, list[Reason]] = defaultdict(list)
        for why in reasons:
            kinds[why.code].append(why)
        for same in kinds.values():
            last = same[-1]
            yield replace(last, values={**last.values, "series": series, "count": len(same)})
