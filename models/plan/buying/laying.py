"""A parts list laid into a yard: pairs, parts side by side, the best plan whose pieces hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.plan.buying import side_by_side
from baulk.models.plan.buying.pairs import Pair, another, finished_m3, pair, price, section_m2
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.problem import Amounts, Leftover, Mix, Problem
from baulk.models.plan.buying.purchase import Assignment, InYard, Wish
from baulk.models.plan.buying.search import Search
from baulk.models.plan.buying.side_by_side import Bay
from baulk.models.woods import Woods

OPENING_M3: Final = 1e-4  # waste that it is worth not to cut one timber more; our own judgement, no source
MOST_ROUNDS: Final = 6  # of assigning again without what does not hold


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What is wanted, the yard, and how the shop cuts.

    Parameters
    ----------
    parts : tuple of Part
        What is wanted. [mm]
    yard : tuple of InYard
        The timbers.
    wish : Wish
        How the shop buys and cuts.
    now_utc : datetime
        Now, with a time zone.
    air : tuple of AirSeries
        Possible futures.
    woods : Woods
        The shop's species and use classes.
    """

    parts: tuple[Part, ...]
    yard: tuple[InYard, ...]
    wish: Wish
    now_utc: datetime
    air: tuple[AirSeries, ...]
    woods: Woods

    def pairs(self) -> list[list[Pair]]:
        """Lay each part into each timber."""
        return [
            [pair(part, timber, self.wish, self.now_utc, self.air, self.woods) for timber in self.yard]
            for part in self.parts
        ]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """The best plan of a case, and what it was chosen from.

    Parameters
    ----------
    case : Case
        What it is of.
    pairs : list of list of Pair
        By part and timber.
    bays : list of (int, Bay)
        Lengths with parts side by side, each with the number of its timber.
    search : Search
        The problem and its best plan.
    """

    case: Case
    pairs: list[list[Pair]]
    bays: list[tuple[int, Bay]]
    search: Search

    @property
    def best(self) -> Amounts:
        """The best plan."""
        return self.search.best

    def assignments(self, amounts: Amounts) -> tuple[Assignment, ...]:
        """Return what comes out of what by a plan, what lies side by side first."""
        case = self.case
        return self._mixed(amounts) + tuple(
            _assignment(part, timber, self.pairs[p][t], int(amounts.taken[p, t]))
            for p, part in enumerate(case.parts)
            for t, timber in enumerate(case.yard)
            if amounts.taken[p, t] > 0
        )

    def _mixed(self, amounts: Amounts) -> tuple[Assignment, ...]:
        """Return what lies side by side, one entry a piece and its place; no more than is wanted."""
        parts, yard = self.case.parts, self.case.yard
        left = [part.count - int(amounts.taken[p].sum()) for p, part in enumerate(parts)]
        found = []
        for n, (t, bay) in zip(amounts.mixed, self.bays, strict=True):
            whole = section_m2(yard[t]) * (bay.length_mm + self.case.wish.kerf_mm) / 1000
            area = sum(rect.width_mm * rect.height_mm for _, rect in bay.pieces)
            for i, (p, rect) in enumerate(bay.pieces):
                count = min(int(n), left[p])
                if count < 1:
                    continue
                left[p] -= count
                own = replace(
                    self.pairs[p][t],
                    place=side_by_side.place_of(rect),
                    sawn_mm=(rect.width_mm, rect.height_mm),
                    waste_m3=whole * rect.width_mm * rect.height_mm / area - finished_m3(parts[p]),
                )
                beside = tuple(sorted({parts[q].name for j, (q, _) in enumerate(bay.pieces) if j != i}))
                found.append(replace(_assignment(parts[p], yard[t], own, count), beside=beside))
        return tuple(found)

    def left_mm(self, amounts: Amounts) -> dict[str, float]:
        """Return the length left of each timber that is cut. [mm]."""
        used = self.search.problem.along_mm(amounts.taken, amounts.mixed)
        return {
            timber.stock.name: max(room - own, 0.0)
            for timber, room, own in zip(self.case.yard, self.search.problem.room_mm, used, strict=True)
            if own > 0
        }


def lay(case: Case, *, known: Layout | None = None) -> Layout:
    """Find the best plan of a case.

    Parameters
    ----------
    case : Case
        What is wanted, and what there is.
    known : Layout, optional
        One of the same yard, whose lengths side by side serve for this one too: its parts are no smaller.

    Returns
    -------
    Layout
        Only what a plan takes is held against its own allowance: what does not hold is left out and the rest
        assigned again.

    Raises
    ------
    NoAnswer
        If there is no plan within the time.
    """
    pairs = case.pairs()
    uses = [case.woods.use_classes.get(part.use_class) for part in case.parts]
    bays = _bays(case, pairs) if known is None else _still(known.bays, pairs)
    sure = set() if known is None else {id(bay) for _, bay in bays}
    for tried in range(MOST_ROUNDS + 1):
        if tried == MOST_ROUNDS:  # whatever was not looked at yet is left out
            bays = [each for each in bays if id(each[1]) in sure]
        search = Search(_problem(case, pairs, bays))
        fails = set()
        for n, (t, bay) in zip(search.best.mixed, bays, strict=True):
            if n == 0 or id(bay) in sure:
                continue
            if side_by_side.holds(bay, case.parts, case.yard[t], uses, case.wish):
                sure.add(id(bay))
            else:
                fails.add(id(bay))
        if not fails:
            break
        bays = [each for each in bays if id(each[1]) not in fails]
    return Layout(case=case, pairs=pairs, bays=bays, search=search)


def _bays(case: Case, pairs: Sequence[Sequence[Pair]]) -> list[tuple[int, Bay]]:
    """Return, with the number of its timber, each length in which parts may lie side by side."""
    uses = [case.woods.use_classes.get(part.use_class) for part in case.parts]
    found = []
    for t, timber in enumerate(case.yard):
        serve = [p for p in range(len(case.parts)) if pairs[p][t].place is not None]
        found += [(t, bay) for bay in side_by_side.bays(case.parts, serve, timber, uses, case.wish)]
    return found


def _still(bays: Sequence[tuple[int, Bay]], pairs: Sequence[Sequence[Pair]]) -> list[tuple[int, Bay]]:
    """Leave out lengths whose timber no longer serves for one of their parts."""
    return [(t, bay) for t, bay in bays if all(pairs[p][t].place is not None for p, _ in bay.pieces)]


def _problem(case: Case, pairs: Sequence[Sequence[Pair]], bays: Sequence[tuple[int, Bay]]) -> Problem:
    parts, yard, wish = case.parts, case.yard, case.wish
    shape = (len(parts), len(yard))
    strange = [[not wish.any_use and timber.use_class != part.use_class for timber in yard] for part in parts]
    return Problem(
        count=[part.count for part in parts],
        length_mm=[part.length_mm for part in parts],
        room_mm=[max(0.0, timber.stock.length_mm - 2 * wish.trim_mm) for timber in yard],
        cost=np.array([[each.cost for each in row] for row in pairs], dtype=float).reshape(shape),
        kerf_mm=wish.kerf_mm,
        opening=OPENING_M3 * price(wish),
        mixes=[_mix(case, pairs, t, bay) for t, bay in bays],
        leftover=Leftover(
            per_mm=tuple(section_m2(timber) * price(wish) / 1000 for timber in yard),
            keep_mm=wish.keep_mm,
            worth=wish.left_worth,
        ),
        rank=[part.rank for part in parts],
        strange=np.array(strange, dtype=bool).reshape(shape),
    )


def _mix(case: Case, pairs: Sequence[Sequence[Pair]], t: int, bay: Bay) -> Mix:
    numbers = [number for number, _ in bay.pieces]
    waste = section_m2(case.yard[t]) * (bay.length_mm + case.wish.kerf_mm) / 1000 - sum(
        finished_m3(case.parts[p]) for p in numbers
    )
    return Mix(
        timber=t,
        counts=tuple(numbers.count(p) for p in range(len(case.parts))),
        length_mm=bay.length_mm,
        cost=max(waste, 0.0) * price(case.wish) + sum(pairs[p][t].more for p in numbers),
    )


def _assignment(part: Part, timber: InYard, own: Pair, count: int) -> Assignment:
    if own.place is None or own.how is None:
        raise AssertionError(f"{part.name} was laid into {timber.stock.name} where it does not fit")
    return Assignment(
        part=part.name,
        tag=timber.stock.name,
        count=count,
        sawn_width_mm=own.sawn_mm[0],
        sawn_depth_mm=own.sawn_mm[1],
        place=own.place,
        length_mm=part.length_mm,
        ready_utc=own.ready_utc,
        how=own.how,
        late_weeks=own.late_weeks,
        waste_m3=own.waste_m3 * count,
        other_wood=(timber.species, part.species) if part.species and another(part, timber) else None,
        vessel=part.vessel,
    )
