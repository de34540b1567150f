"""What opens a window of humidity that is empty, and what would change a plan: each worked out."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.checking import mould_limit_pct
from baulk.models.constants import Floats
from baulk.models.face_cover import FaceCover
from baulk.models.plan.humidity import schedule
from baulk.models.plan.humidity import window as windows
from baulk.models.plan.humidity.schedule import EVERY, Need
from baulk.models.plan.humidity.timbers import Stock
from baulk.models.plan.humidity.ways import STILL_AIR
from baulk.models.plan.humidity.window import DAMPEST_RH, Window
from baulk.models.reason import Reason
from baulk.models.section import Face

COOLEST_C: Final = 1.0
WARMER_K: Final = 5.0
WARMEST_C: Final = 40.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One thing that could be done about an empty window.

    Parameters
    ----------
    what : str
        "move", "coat", "still air", "cover" or "cool".
    tag : str
        Which piece; "" for the room.
    weeks_open : int
        How many of the empty weeks it opens.
    of_weeks : int
        How many are empty.
    temp_c : float or None
        For "cool": the temperature that opens the first of them. [degC]
    words : Reason
        What it does, with its numbers.
    """

    what: str
    tag: str
    weeks_open: int
    of_weeks: int
    temp_c: float | None
    words: Reason


def closers(found: Window) -> tuple[tuple[str, str, str, int], ...]:
    """Name what meets in the empty weeks: the lower side, its piece, the upper side, and how many weeks.

    Parameters
    ----------
    found : Window
        The window.

    Returns
    -------
    tuple of (str, str, str, int)
        The commonest first.

    References
    ----------
    None: a count.
    """
    shut = np.flatnonzero(~found.open)
    pieces = {"checking": found.greenest, "finished work": found.finished}
    met = Counter(
        (found.low_by[i], pieces.get(found.low_by[i], ("",) * len(found.low_by))[i], found.high_by[i])
        for i in shut
    )
    return tuple((*names, weeks) for names, weeks in met.most_common())


def remedies(need: Need, rh_pct: Floats, found: Window) -> tuple[Remedy, ...]:
    """Work out what would open the empty weeks.

    Parameters
    ----------
    need : Need
        What the air is planned for.
    rh_pct : ndarray, shape (n,)
        The schedule. [%]
    found : Window
        Its window.

    Returns
    -------
    tuple of Remedy
        What opens most first; those that open none are told too, last.

    References
    ----------
    The parts: `Need.window`, `drying.dry` with coated faces; still air: laminar plate, computed.
    """
    shut = ~found.open
    if not shut.any():
        return ()
    made: list[Remedy] = []
    for tag in dict.fromkeys(each[1] for each in closers(found) if each[0] == "checking"):
        piece = next(each for each in need.stocks if each.tag == tag)
        if piece.expansion_factor > 1:  # others like it would go on shutting the week
            continue
        made += [_moved(need, piece, rh_pct, shut), *_shielded(need, piece, rh_pct, shut)]
    if need.bands and any("finished work" in {each[0], each[2]} for each in closers(found)):
        made.append(_covered(need, rh_pct, shut))
    made.append(_cooled(need, rh_pct, found))
    return tuple(sorted(made, key=lambda each: -each.weeks_open))


def _opened(need: Need, rh_pct: Floats, shut: NDArray[np.bool_]) -> int:
    return int(np.sum(need.window(rh_pct).open & shut))


def _moved(need: Need, piece: Stock, rh_pct: Floats, shut: NDArray[np.bool_]) -> Remedy:
    rest = replace(
        need,
        stocks=tuple(each for each in need.stocks if each is not piece),
        targets=tuple(each for each in need.targets if each.tag != piece.tag),
    )
    weeks, all_of = _opened(rest, rh_pct, shut), int(shut.sum())
    return Remedy(
        what="move",
        tag=piece.tag,
        weeks_open=weeks,
        of_weeks=all_of,
        temp_c=None,
        words=Reason(
            code="humidity.remedy_move", values={"tag": piece.tag, "weeks": weeks, "of_weeks": all_of}
        ),
    )


def _shielded(need: Need, piece: Stock, rh_pct: Floats, shut: NDArray[np.bool_]) -> list[Remedy]:
    """Coat its faces, or keep the air off them, and look whether its surface stays damp enough."""
    room, every = need.room, slice(None, None, EVERY)
    floor = dict(need.floors(rh_pct))[piece.tag]
    others = replace(need, stocks=tuple(each for each in need.stocks if each is not piece))
    rest = others.window(rh_pct).open
    air = room.held(rh_pct)
    coated = dict.fromkeys(Face, FaceCover.COATED)
    made = []
    for what, faces, airflow, code in (
        ("coat", coated, 1.0, "humidity.remedy_coat"),
        ("still air", None, STILL_AIR, "humidity.remedy_still_air"),
    ):
        found = piece.some(every).surface_pct(air, room.weeks, faces=faces, airflow=airflow)
        surface = np.median(found, axis=1)
        kept = shut & rest & (surface >= np.nan_to_num(floor, nan=0.0))
        weeks, all_of = int(kept.sum()), int(shut.sum())
        worst = int(np.argmin(np.where(shut, surface - np.nan_to_num(floor, nan=0.0), np.inf)))
        made.append(
            Remedy(
                what=what,
                tag=piece.tag,
                weeks_open=weeks,
                of_weeks=all_of,
                temp_c=None,
                words=Reason(
                    code=code,
                    values={
                        "tag": piece.tag,
                        "weeks": weeks,
                        "of_weeks": all_of,
                        "surface_pct": float(surface[worst]),
                        "needed_pct": float(floor[worst]),
                    },
                ),
            )
        )
    return made


def _covered(need: Need, rh_pct: Floats, shut: NDArray[np.bool_]) -> Remedy:
    weeks, all_of = _opened(replace(need, bands=()), rh_pct, shut), int(shut.sum())
    names = tuple(each.name for each in need.bands)
    return Remedy(
        what="cover",
        tag=", ".join(names),
        weeks_open=weeks,
        of_weeks=all_of,
        temp_c=None,
        words=Reason(
            code="humidity.remedy_cover", values={"names": names, "weeks": weeks, "of_weeks": all_of}
        ),
    )


def _cooled(need: Need, rh_pct: Floats, found: Window) -> Remedy:
    """Look for the warmest temperature below each empty week's at which it opens."""
    floors, temp = need.floors(rh_pct), need.room.temp_c
    shut = np.flatnonzero(~found.open)
    emc = (
        np.max([np.nan_to_num(each, nan=0.0) for _, each in floors], axis=0)
        if floors
        else np.zeros(temp.size)
    )
    opens = {}
    for i in shut:
        cooler = np.arange(np.floor(temp[i]), COOLEST_C - 0.5, -1.0)
        if not cooler.size:
            continue
        low = np.maximum(windows.rh_at(cooler, float(max(emc[i], 0.5))), need.room.driest_rh)
        high = np.minimum(mould_limit_pct(np.clip(cooler, 0.0, 50.0)), DAMPEST_RH)
        for band in need.bands:
            low = np.maximum(low, windows.rh_at(cooler, band.low_pct))
            high = np.minimum(high, windows.rh_at(cooler, band.high_pct))
        fits = np.flatnonzero(low <= high)
        if fits.size:
            opens[int(i)] = float(cooler[fits[0]])
    first = next(iter(opens.values()), None)
    return Remedy(
        what="cool",
        tag="",
        weeks_open=len(opens),
        of_weeks=int(shut.size),
        temp_c=first,
        words=Reason(code="humidity.no_cooling", values={"coldest_c": COOLEST_C})
        if first is None
        else Reason(
            code="humidity.remedy_cool",
            values={
                "weeks": len(opens),
                "of_weeks": int(shut.size),
                "cooler_c": first,
                "now_c": float(temp[next(iter(opens))]),
            },
        ),
    )


def changes(need: Need, rh_pct: Floats) -> tuple[Reason, ...]:
    """Work out what would change a plan: a warmer room, squared pieces that leave it.

    Parameters
    ----------
    need : Need
        What it is for.
    rh_pct : ndarray, shape (n,)
        Its schedule. [%]

    Returns
    -------
    tuple of Reason
        With their weeks, by the proxy of `schedule.score`; none without a timber to dry.

    References
    ----------
    None: the same computation with one thing changed.
    """
    if not need.targets:
        return ()
    room = need.room
    few = [schedule.told(each, room) for each in need.targets]
    now = schedule.score(rh_pct, need, few)
    warm = float(np.mean(room.temp_c[:52])) + WARMER_K
    found = []
    if warm <= WARMEST_C:
        warmer = schedule.score(rh_pct, replace(need, room=replace(room, held_c=warm)), few)
        found.append(
            Reason(code="humidity.if_warmer", values={"held_c": warm, "sooner_weeks": float(now - warmer)})
        )
    if any(each.build_days for each in few):
        leaving = [replace(each, build_days=0.0, _kept={}) for each in few]
        sooner = float(now - schedule.score(rh_pct, need, leaving))
        found.append(Reason(code="humidity.if_leaving", values={"sooner_weeks": sooner}))
    return (*found, Reason(code="humidity.more_readings"))
