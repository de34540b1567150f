"""What a timber's readings say for its fit: one value a series and day, in points of moisture."""

from __future__ import annotations

import bisect
import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median
from typing import Final

import numpy as np

from baulk.models import ends, meter
from baulk.models.air import AirSeries
from baulk.models.errors import BaulkError
from baulk.models.reading import Quantity, Reading
from baulk.models.section import Face
from baulk.models.species import Species
from baulk.models.timber import Timber

DAY_S: Final = 86_400.0
MOST: Final = 80  # more readings than this no longer change the answer, only the time it takes
WOOD_TEMP_WITHIN_S: Final = 12 * 3600.0
WEIGHT_SD_SHARE: Final = 0.006  # of the weight: scale, end drying, dirt; common practice, no source
# a change of 8 points in two weeks, or of 16 ever between two readings, is no drying; nearer the face than
# 15 mm rain and sun do move it so fast (our own judgement, no source)
JUMP_PCT: Final = 8.0
WEIGHT_MISREAD: Final = 1.5  # times its neighbours: green to dry is less than that within a few weighings
JUMP_DEPTH_MM: Final = 15.0
INSTALLED_SD_PCT: Final = (
    1.5  # wood differs from pin to pin; within +-2 %: FPInnovations report 16773, abstract
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Observation:
    """One usable reading.

    Parameters
    ----------
    posix_s : float
        Median moment of the day's readings. [s]
    series : str
        Text form of the series.
    measured_pct, sd_pct : float
        Moisture content and its error; of a weight, what it means had the timber the prior's start.
        [% of oven-dry mass]
    at_least : bool
        Whether it says only that the wood is at least so wet.
    depth_mm, face : float and Face, optional
        Where the pins are. [mm]
    weight_ratio : float, optional
        Weight over the timber's first weight; only of a weight.
    start_pct : float
        Moisture content assumed at the first weight. [%]
    """

    posix_s: float
    series: str
    measured_pct: float
    sd_pct: float
    at_least: bool = False
    depth_mm: float | None = None
    face: Face | None = None
    weight_ratio: float | None = None
    start_pct: float = 0.0


def observations(  # noqa: PLR0913 - a timber, its readings and their window
    timber: Timber,
    species: Species,
    readings: Iterable[Reading],
    air: AirSeries,
    *,
    start_s: float,
    now_s: float,
) -> tuple[tuple[Observation, ...], tuple[str, ...]]:
    """Sort, convert, gather and thin a timber's readings.

    Parameters
    ----------
    timber : Timber
        The timber.
    species : Species
        For the meter's species and temperature correction.
    readings : iterable of Reading
        Every reading of it, in any order.
    air : AirSeries
        Stands in for a wood temperature that nobody measured under a resistance reading.
    start_s, now_s : float
        Readings outside these moments are set aside. [s]

    Returns
    -------
    usable : tuple of Observation
        At most `MOST`, in order of time.
    set_aside : tuple of str
        One sentence for each kind that could not be used.
    """
    inside: list[Reading] = []
    refused: dict[str, list[str]] = defaultdict(list)
    for each in sorted(readings, key=lambda one: one.taken_utc):
        taken_s = each.taken_utc.timestamp()
        if not start_s - DAY_S <= taken_s <= now_s + 600:
            why = "before the timber arrived" if taken_s < start_s else "in the future"
            refused[str(each.series)].append(f"taken {why}")
        else:
            inside.append(each)
    wood = [each for each in inside if each.series.quantity is Quantity.WOOD_TEMP]
    wood_s = [each.taken_utc.timestamp() for each in wood]
    pins: dict[tuple[str, int], list[Observation]] = defaultdict(list)
    weights: dict[int, list[tuple[float, float]]] = defaultdict(list)
    for each in inside:
        taken_s = min(max(each.taken_utc.timestamp(), start_s), now_s)
        day = int(taken_s // DAY_S)
        if each.series.quantity is Quantity.WEIGHT:
            if each.value > 0:
                weights[day].append((taken_s, each.value))
            else:
                refused[str(each.series)].append(f"a weight of {each.value:g} kg")
        elif each.series.depth_mm is not None:
            if why_not := ends.why_set_aside(each, timber, species):
                refused[str(each.series)].append(why_not)
                continue
            try:
                timber.section.refuse_depth(each.series.depth_mm, each.series.face)
                pins[str(each.series), day].append(
                    _pin(each, taken_s, species, _nearest(wood, wood_s, taken_s), air)
                )
            except BaulkError as err:
                refused[str(each.series)].append(str(err))
    usable = sorted((_middle(group) for group in pins.values() if group), key=lambda one: one.posix_s)
    usable = _without_jumps(usable, refused)
    found = [*_weights(timber, species, weights, refused), *usable]
    return _thinned(found), tuple(_said(refused))


def _said(refused: dict[str, list[str]]) -> Iterable[str]:
    """One sentence for each series and kind of reason, with the last reason of the kind."""
    for series, reasons in refused.items():
        kinds: dict[str, list[str]] = defaultdict(list)
        for why in reasons:
            kinds[re.sub(r"[-\d.]+", "0", why)].append(why)
        for same in kinds.values():
            yield f"{series}: {len(same)} set aside, the last one because {same[-1]}"


def _pin(
    reading: Reading, taken_s: float, species: Species, temp_c: float | None, air: AirSeries
) -> Observation:
    if reading.series.quantity is Quantity.RESISTANCE:
        if temp_c is None:
            temp_c = float(np.interp(taken_s, air.posix_s, air.temp_c))
        answer = meter.mc_from_resistance(reading.value, species, temp_c)
    else:
        answer = meter.from_meter(reading.value, temp_c, species)
    return Observation(
        posix_s=taken_s,
        series=str(reading.series),
        measured_pct=float(answer.mc_pct),
        sd_pct=float(np.hypot(answer.sd_pct, INSTALLED_SD_PCT)),
        at_least=bool(answer.at_least),
        depth_mm=reading.series.depth_mm,
        face=reading.series.face,
    )


def _nearest(wood: Sequence[Reading], wood_s: Sequence[float], taken_s: float) -> float | None:
    """Wood temperature read nearest in time, if any lies within `WOOD_TEMP_WITHIN_S`."""
    after = bisect.bisect(wood_s, taken_s)
    near = min(
        range(max(0, after - 1), min(len(wood), after + 1)),
        key=lambda i: abs(wood_s[i] - taken_s),
        default=None,
    )
    return (
        wood[near].value if near is not None and abs(wood_s[near] - taken_s) <= WOOD_TEMP_WITHIN_S else None
    )


def _middle(group: Sequence[Observation]) -> Observation:
    """Median of one series' day; it says "at least" when half of the day's readings do."""
    only = sum(each.at_least for each in group) * 2 >= len(group)
    same = [each for each in group if each.at_least == only]
    return replace(
        same[len(same) // 2],
        posix_s=median(each.posix_s for each in same),
        measured_pct=median(each.measured_pct for each in same),
    )


def _without_jumps(found: Sequence[Observation], refused: dict[str, list[str]]) -> list[Observation]:
    """Set aside what a pin deep in the wood can't have become since its last reading that stood."""
    last: dict[str, Observation] = {}
    kept = []
    for each in found:
        before = last.get(each.series)
        if before is not None and each.depth_mm is not None and each.depth_mm >= JUMP_DEPTH_MM:
            days = (each.posix_s - before.posix_s) / DAY_S
            if abs(each.measured_pct - before.measured_pct) > min(max(JUMP_PCT, days / 2), 2 * JUMP_PCT):
                within = "a day" if days < 1.5 else f"{days:.0f} days"
                refused[each.series].append(
                    f"it jumped from {before.measured_pct:.0f} to {each.measured_pct:.0f} % within {within}, "
                    "as a loose pin or a swapped tag does"
                )
                continue
        last[each.series] = each
        kept.append(each)
    return kept


def _weights(
    timber: Timber,
    species: Species,
    days: dict[int, list[tuple[float, float]]],
    refused: dict[str, list[str]],
) -> list[Observation]:
    series = f"timber/{timber.tag}/weight"
    every = [(median(s for s, _ in day), median(kg for _, kg in day)) for _, day in sorted(days.items())]
    middle = []
    for i, (taken_s, kg) in enumerate(every):
        usual_kg = median(each for _, each in every[max(0, i - 3) : i + 4])
        if not 1 / WEIGHT_MISREAD < kg / usual_kg < WEIGHT_MISREAD:
            refused[series].append(
                f"{kg:.0f} kg stands beside {usual_kg:.0f} kg; pounds, or another timber on the scale"
            )
        else:
            middle.append((taken_s, kg))
    if len(middle) < 2:
        return []  # one weight alone says nothing: the oven-dry mass is not known
    start_pct = timber.green_mc_pct if timber.green_mc_pct is not None else species.green_heartwood_mc_pct
    first_kg = middle[0][1]
    return [
        Observation(
            posix_s=taken_s,
            series=series,
            measured_pct=kg / first_kg * (100 + start_pct) - 100,
            sd_pct=WEIGHT_SD_SHARE * (100 + start_pct),
            weight_ratio=kg / first_kg,
            start_pct=start_pct,
        )
        for taken_s, kg in middle
    ]


def _thinned(found: Sequence[Observation]) -> tuple[Observation, ...]:
    """Keep the first and last of each series and even steps between, `MOST` in all, in order of time."""
    series: dict[str, list[Observation]] = defaultdict(list)
    for each in found:
        series[each.series].append(each)
    share = max(2, MOST // max(1, len(series)))
    kept = []
    for group in series.values():
        picks = np.unique(np.linspace(0, len(group) - 1, min(share, len(group))).round().astype(int))
        kept += [group[i] for i in picks]
    return tuple(sorted(kept, key=lambda one: one.posix_s))
