"""What a series shows before any fit: a clock that jumped, a meter that hangs, a pin come loose."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from baulk.models.columns import LATE_S, Columns
from baulk.models.constants import DAY_S
from baulk.models.quantity import Quantity
from baulk.models.reason import Reason, utc
from baulk.models.section import Face

MOST: Final = 80  # more readings than this no longer change the answer, only the time it takes
# a change of 8 points in two weeks, or of 16 ever between two readings, is no drying; nearer the face than
# 15 mm rain and sun do move it so fast (our own judgement, no source)
JUMP_PCT: Final = 8.0
JUMP_DEPTH_MM: Final = 15.0
HANGS_DAYS: Final = 45.0  # the same number for so long; our own judgement, no source
HANGS_TIMES: Final = 10  # and on so many days; our own judgement, no source
WET_DEPTH_MM: Final = 20.0  # as deep as a night's rain is felt by pins; our own judgement, no source
WET_WITHIN_S: Final = 3 * DAY_S  # deep pins read so near in time tell it; our own judgement, no source
WET_RISE_PCT: Final = 5.0  # of a shallow pin while deep ones stay; our own judgement, no source
WET_DAYS: Final = 30.0  # within which such a surface has dried again; our own judgement, no source

Hanging = tuple[int, int, Reason]


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
        Whether the meter shows fibre saturation or more, so that it says little of how wet the wood is.
    above_pct : float
        How far beyond fibre saturation the meter's number lies: points of its scale, not of moisture. [%]
    depth_mm, face : float and Face, optional
        Where the pins are. [mm]
    weight_ratio : float, optional
        Weight over the first weight of its series; only of a weight.
    segment : int
        Series of weights that it belongs to; a cut opens a new one.
    kg : float, optional
        Weight, net and in the kilograms of its series. [kg]
    start_pct : float
        Moisture content assumed at the first weight. [%]
    lost_pct : float, optional
        What the end beside it has dried; only of an oven-dry section. [%]
    aside : Reason, optional
        Why it takes no part; it is only shown beside the fit.
    scale_ended : bool
        Whether the meter's scale ended there ("OL", ">30"): it would show no more, however wet the wood is.
    """

    posix_s: float
    series: str
    measured_pct: float
    sd_pct: float
    at_least: bool = False
    above_pct: float = 0.0
    depth_mm: float | None = None
    face: Face | None = None
    weight_ratio: float | None = None
    segment: int = 0
    kg: float | None = None
    start_pct: float = 0.0
    lost_pct: float | None = None
    aside: Reason | None = None
    scale_ended: bool = False

    @property
    def moisture_pct(self) -> float:
        """What was read, but no more than fibre saturation by pins, [%]."""
        return self.measured_pct - self.above_pct

    @property
    def day(self) -> int:
        """Number of the day, UTC."""
        return int(self.posix_s // DAY_S)


def by_a_right_clock(rows: Columns) -> tuple[Columns, list[Reason]]:
    """Give live readings whose device clock jumped away the time at which they arrived.

    Parameters
    ----------
    rows : Columns
        In order of time.

    Returns
    -------
    rows : Columns
        All of them, in order of time.
    said : list of Reason
        One for each series that was touched.

    Notes
    -----
    A device that was out of reach sends what it kept all at once: its lateness falls from message to
    message. One whose clock is wrong sends at its usual pace, each message late by the same.
    """
    late_s = rows.arrived_s - rows.taken_s
    if not np.any(late_s > LATE_S):
        return rows, []
    live = rows.live
    taken_s = rows.taken_s.copy()
    said = []
    for of in dict.fromkeys(rows.of[live].tolist()):
        mine = np.flatnonzero(live & (rows.of == of))
        mine = mine[np.lexsort((rows.taken_s[mine], rows.arrived_s[mine]))]
        arrived, late = rows.arrived_s[mine], late_s[mine]
        pace = np.diff(arrived, prepend=arrived[0] - DAY_S)
        steady = np.abs(np.diff(late, prepend=np.nan)) < np.maximum(0.1 * pace, 60.0)
        steady |= np.append(steady[1:], False)
        wrong = (late > LATE_S) & (steady | (np.append(pace[1:], DAY_S) > 60.0)) & (pace > 60.0)
        if wrong.any():
            off_days = float(np.median(late[wrong])) / DAY_S
            said.append(
                Reason(
                    code="calibration.clock",
                    values={"series": rows.names[of], "behind_days": off_days, "count": int(wrong.sum())},
                )
            )
            taken_s[mine[wrong]] = arrived[wrong]
    return replace(rows, taken_s=taken_s).in_order(), said


def hanging(rows: Columns) -> dict[str, Hanging]:
    """Find the series that show one and the same number for weeks.

    Parameters
    ----------
    rows : Columns
        In order of time.

    Returns
    -------
    dict of str to (int, int, Reason)
        First and last day, UTC, of the longest such time of a series, and what is to be told of it.
    """
    pins = rows[rows.of_quantity(Quantity.RESISTANCE, Quantity.MOISTURE)]
    found = {}
    for of in dict.fromkeys(pins.of.tolist()):
        mine, name = pins[pins.of == of], pins.names[of]
        days, firsts = np.unique((mine.taken_s // DAY_S).astype(np.int64), return_index=True)
        if days.size < HANGS_TIMES or days[-1] - days[0] < HANGS_DAYS:
            continue
        lows, highs = np.minimum.reduceat(mine.low, firsts), np.maximum.reduceat(mine.high, firsts)
        lasts = mine.value[np.append(firsts[1:], len(mine)) - 1]
        same = (lows == highs) & (lows == np.append(np.nan, lasts[:-1]))
        begun = np.maximum.accumulate(np.where(same, 0, np.arange(days.size)))  # each day's run of the same
        longest = int(np.argmax(np.arange(days.size) - begun))
        best = days[begun[longest] : longest + 1].tolist()
        if len(best) >= HANGS_TIMES and best[-1] - best[0] >= HANGS_DAYS:
            first_utc, last_utc = (utc(number * DAY_S) for number in (best[0], best[-1]))
            reason = Reason(
                code="calibration.stuck",
                values={
                    "series": name,
                    "shown": float(lasts[longest]),
                    "days": len(best),
                    "first_utc": first_utc,
                    "last_utc": last_utc,
                },
            )
            found[name] = (best[0], best[-1], reason)
    return found


def without_jumps(found: Sequence[Observation], refused: dict[str, list[Reason]]) -> list[Observation]:
    """Set aside what a pin deep in the wood can't have become since its last reading that stood.

    Parameters
    ----------
    found : sequence of Observation
        Pins in order of time.
    refused : dict of str to list of Reason
        Receives the reasons by series.

    Returns
    -------
    list of Observation
        All of them, those set aside with their reason.
    """
    last: dict[str, Observation] = {}
    kept = []
    for each in found:
        before = last.get(each.series)
        if each.aside:
            kept.append(each)
            continue
        if before is not None and each.depth_mm is not None and each.depth_mm >= JUMP_DEPTH_MM:
            days = (each.posix_s - before.posix_s) / DAY_S
            if abs(each.moisture_pct - before.moisture_pct) > min(max(JUMP_PCT, days / 2), 2 * JUMP_PCT):
                why = Reason(
                    code="calibration.jump",
                    values={"from_pct": before.moisture_pct, "to_pct": each.moisture_pct, "days": days},
                )
                refused[each.series].append(why)
                kept.append(replace(each, aside=why))
                continue
        last[each.series] = each
        kept.append(each)
    return kept


def without_rain(found: Sequence[Observation], refused: dict[str, list[Reason]]) -> list[Observation]:
    """Set aside shallow pins that rose for a while and fell again, while deeper ones did not stir.

    Parameters
    ----------
    found : sequence of Observation
        Pins in order of time.
    refused : dict of str to list of Reason
        Receives the reasons by series.

    Returns
    -------
    list of Observation
        All of them, those set aside with their reason.
    """
    series: dict[str, list[Observation]] = defaultdict(list)
    for each in found:
        if each.depth_mm is not None and not each.aside:
            series[each.series].append(each)
    wet: dict[int, Reason] = {}
    for mine in series.values():
        base = mine[0]
        for i, each in enumerate(mine):
            rose = each.moisture_pct - base.moisture_pct >= WET_RISE_PCT
            if rose and _shallow(each) and _passes(mine[i:], base) and _still(each, series):
                wet[id(each)] = Reason(
                    code="calibration.wet_surface",
                    values={"from_pct": base.moisture_pct, "to_pct": each.moisture_pct},
                )
                refused[each.series].append(wet[id(each)])
            else:
                base = each
    return [replace(each, aside=wet[id(each)]) if id(each) in wet else each for each in found]


def _shallow(each: Observation) -> bool:
    return each.depth_mm is not None and each.depth_mm <= WET_DEPTH_MM


def _passes(since: Sequence[Observation], base: Observation) -> bool:
    """Whether the series falls back soon, or it is too early to tell."""
    end_s = since[0].posix_s + WET_DAYS * DAY_S
    soon = [each for each in since[1:] if each.posix_s <= end_s]
    fell = any(each.moisture_pct < base.moisture_pct + WET_RISE_PCT / 2 for each in soon)
    return fell or since[-1].posix_s <= since[0].posix_s + DAY_S


def _still(one: Observation, series: dict[str, list[Observation]]) -> bool:
    """Whether deeper pins were read about then, and none of them had risen."""
    rises: list[float] = []
    for mine in series.values():
        if (mine[0].depth_mm or 0.0) <= max(one.depth_mm or 0.0, JUMP_DEPTH_MM):
            continue
        near = [i for i, each in enumerate(mine) if i and abs(each.posix_s - one.posix_s) <= WET_WITHIN_S]
        rises += [mine[i].moisture_pct - mine[i - 1].moisture_pct for i in near]
    return bool(rises) and max(rises) < WET_RISE_PCT / 2


def thinned(found: Sequence[Observation]) -> tuple[Observation, ...]:
    """Keep the first and last of each series and even steps between, `MOST` in all, in order of time."""
    series: dict[tuple[str, int, bool], list[Observation]] = defaultdict(list)
    for each in found:
        series[each.series, each.segment, each.aside is None].append(each)
    share = max(2, MOST // max(1, sum(usable for *_, usable in series)))
    kept = []
    for group in series.values():
        picks = np.unique(np.linspace(0, len(group) - 1, min(share, len(group))).round().astype(int))
        kept += [group[i] for i in picks]
    return tuple(sorted(kept, key=lambda one: one.posix_s))
