"""Parts against the timbers of the yard: the best assignment, what is short, and the list for the mill."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange
from baulk.models.plan.buying import missing, ready_stock, side_by_side
from baulk.models.plan.buying.assignment import Amounts, Leftover, Mix, NoAnswer, assign
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import Assignment, BuyPlan, InYard, Wish
from baulk.models.plan.buying.side_by_side import Bay
from baulk.models.reason import Reason
from baulk.models.section import Finished
from baulk.models.use_class import UseClass
from baulk.models.woods import BUILT_IN, Woods

WEEK_S: Final = 7 * 86_400.0
OPENING_M3: Final = 1e-4  # waste that it is worth not to cut one timber more; our own judgement, no source
MOST_PIECES: Final = 400
MOST_WORTH: Final = 20  # timbers up to which the length left counts; with 60 the search found no good plan
MOST_ROUNDS: Final = 6  # of assigning again without what does not hold
# waste that a timber's own use is worth: more than any timber holds, less than a part that is short
OTHER_USE_M3: Final = 3.0  # our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class _Pair:
    """One part in one timber: where, when and at what cost, or why not."""

    place: Finished | None = None
    sawn_mm: tuple[float, float] = (0.0, 0.0)
    ready_utc: datetime | None = None
    how: Reason | None = None
    late_weeks: float = 0.0
    waste_m3: float = 0.0
    cost: float = float("inf")
    reason: Reason | None = None


def buy(  # noqa: PLR0913 - parts, a yard and the air it would dry in
    parts: Sequence[Part],
    yard: Sequence[InYard],
    wish: Wish,
    *,
    now_utc: datetime,
    air: Sequence[AirSeries] = (),
    compare: bool = True,
    woods: Woods = BUILT_IN,
) -> BuyPlan:
    """Plan what comes out of the yard and what must be bought.

    Parameters
    ----------
    parts : sequence of Part
        What is wanted.
    yard : sequence of InYard
        The timbers; may be none.
    wish : Wish
        How the shop buys and cuts.
    now_utc : datetime
        Now, with a time zone.
    air : sequence of AirSeries
        Possible futures of the place where new timber would dry, from now past the last day wanted; without
        them no day of arrival is given.
    compare : bool
        Whether to work out what other wishes would give.
    woods : Woods
        The shop's species and use classes.

    Returns
    -------
    BuyPlan
        Assignments, shortfalls, and the list for the mill.

    Raises
    ------
    OutOfRange
        If there are no parts or too many, or one is wanted by a day that has passed.

    References
    ----------
    Assignment: `baulk.models.plan.buying.assignment`; sizes: `plan.size`; days of arrival: `plan.arrive`.
    """
    _refuse(parts, now_utc, woods)
    pairs = [[_pair(part, timber, wish, now_utc, air, woods) for timber in yard] for part in parts]
    amounts, bays, counted = _cut(parts, yard, pairs, wish, woods, worth=True)
    mixed = _mixed(parts, yard, pairs, amounts, bays, wish)
    assignments = mixed + tuple(
        _assignment(part, timber, pairs[p][t], int(amounts.taken[p, t]))
        for p, part in enumerate(parts)
        for t, timber in enumerate(yard)
        if amounts.taken[p, t] > 0
    )
    shortfalls = tuple(
        missing.shortfall(
            part,
            int(amounts.short[p]),
            {
                timber.stock.name: pairs[p][t].reason or Reason(code="buying.taken")
                for t, timber in enumerate(yard)
            },
            wish,
            now_utc,
            air,
            woods,
        )
        for p, part in enumerate(parts)
        if amounts.short[p] > 0
    )
    left = {
        timber.stock.name: _left_mm(timber, parts, amounts.taken[:, t], wish)
        - sum(
            int(n) * (bay.length_mm + wish.kerf_mm)
            for n, (of, bay) in zip(amounts.mixed, bays, strict=True)
            if of == t
        )
        for t, timber in enumerate(yard)
        if timber.stock.name in {each.tag for each in assignments}
    }
    plan = BuyPlan(
        made_utc=now_utc,
        wish=wish,
        wanted=sum(part.count for part in parts),
        assignments=assignments,
        shortfalls=shortfalls,
        mill=missing.mill(shortfalls),
        left_mm=left,
        unused=tuple(timber.stock.name for timber in yard if timber.stock.name not in left),
        gap=amounts.gap,
    )
    others: dict[str, int] = {}
    if compare and yard and plan.short:  # else none can be fewer
        others = _others(parts, yard, wish, now_utc, air, woods)
    return replace(
        plan,
        assumptions=_assumptions(plan, yard, futures=len(air), counted=counted),
        would_change=_would_change(plan, others),
        cautions=_cautions(plan),
    )


def _refuse(parts: Sequence[Part], now_utc: datetime, woods: Woods) -> None:
    if not parts:
        raise OutOfRange("the parts list", "holds no part; give at least one")
    if sum(part.count for part in parts) > MOST_PIECES:
        raise OutOfRange("the parts list", f"asks for more than {MOST_PIECES} pieces; plan it in portions")
    twice = [name for name, n in Counter(part.name for part in parts).items() if n > 1]
    if twice:
        raise OutOfRange(
            "the parts list", f"names {twice[0]!r} twice; give each part its own name, or a count"
        )
    for part in parts:
        woods.use_classes.get(part.use_class)
        if part.wanted_by_utc is not None and part.wanted_by_utc.date() < now_utc.date():
            raise OutOfRange(
                f"the day of part {part.name!r}",
                f"{part.wanted_by_utc:%Y-%m-%d} has passed; give one to come",
            )


def _pair(  # noqa: PLR0913, PLR0917 - a part, a timber, the air it would dry in and the tables
    part: Part, timber: InYard, wish: Wish, now_utc: datetime, air: Sequence[AirSeries], woods: Woods
) -> _Pair:
    use = woods.use_classes.get(part.use_class)
    found = ready_stock.place(part, timber, use, wish)
    if isinstance(found, Reason):
        return _Pair(reason=found)
    place, sawn = found
    at_utc, how = ready_stock.when(part, timber, use, now_utc=now_utc, confidence=wish.confidence)
    late = 0.0
    if part.wanted_by_utc is not None:
        if at_utc is None:
            chance = ready_stock.later(part, timber, use, place, now_utc=now_utc, air=air)
            if chance < wish.confidence:
                return _Pair(reason=Reason(code="buying.not_ready", values={"probability": chance}))
            at_utc = part.wanted_by_utc
            drying = {"mean_pct": timber.mean_pct, "probability": chance}
            how = Reason(code="buying.by_drying_on", values=drying)
        late = max(0.0, (at_utc - part.wanted_by_utc).total_seconds() / WEEK_S)
        if late < 1:  # a day named means that day, its hour is not meant
            late = late if late > 1 / 7 else 0.0
    if late > 0 and wish.wait_per_week is None:
        values = {"ready_utc": at_utc, "how": how.to_json()}
        return _Pair(reason=Reason(code="buying.late", values=values))
    stock = timber.stock
    area = stock.section.width_mm * stock.section.depth_mm * 1e-6
    waste = (
        area * (part.length_mm + wish.kerf_mm) / 1000 - part.width_mm * part.depth_mm * part.length_mm * 1e-9
    )
    cost = waste * (1.0 if wish.price_per_m3 is None else wish.price_per_m3)
    return _Pair(
        place=place,
        sawn_mm=sawn,
        ready_utc=at_utc,
        how=how,
        late_weeks=late,
        waste_m3=waste,
        cost=max(cost, 0.0) + late * (wish.wait_per_week or 0.0) + _other_use(part, timber, wish),
    )


def _cut(  # noqa: PLR0913 - as `_pair`, and whether the length left counts
    parts: Sequence[Part],
    yard: Sequence[InYard],
    pairs: Sequence[Sequence[_Pair]],
    wish: Wish,
    woods: Woods,
    *,
    worth: bool,
) -> tuple[Amounts, list[tuple[int, Bay]], bool]:
    """Return the best plan whose pieces hold, what it chose from, and whether the length left counted.

    Only what a plan takes is looked at: what does not hold is left out and the rest assigned again. The worth
    of what is left makes a large yard hard to search: it counts in one of `MOST_WORTH` timbers at most, and
    where the plan is proved best in time.
    """
    uses = [woods.use_classes.get(part.use_class) for part in parts]
    bays = _bays(parts, yard, pairs, uses, wish)
    sure: set[int] = set()
    for tried in range(MOST_ROUNDS + 1):
        if tried == MOST_ROUNDS:  # whatever was not looked at yet is left out
            bays = [each for each in bays if id(each[1]) in sure]
        proved = _proved(parts, yard, pairs, wish, bays) if worth and len(yard) <= MOST_WORTH else None
        worth = proved is not None
        amounts = proved or _solve(parts, yard, pairs, wish, bays, worth=False)
        fails = set()
        for n, (t, bay) in zip(amounts.mixed, bays, strict=True):
            if n == 0 or id(bay) in sure:
                continue
            if side_by_side.holds(bay, parts, yard[t], uses, wish):
                sure.add(id(bay))
            else:
                fails.add(id(bay))
        if not fails:
            break
        bays = [each for each in bays if id(each[1]) not in fails]
    return amounts, bays, worth


def _proved(
    parts: Sequence[Part],
    yard: Sequence[InYard],
    pairs: Sequence[Sequence[_Pair]],
    wish: Wish,
    bays: Sequence[tuple[int, Bay]],
) -> Amounts | None:
    """Return the best plan where the length left counts; None where it is not proved in time."""
    try:
        found = _solve(parts, yard, pairs, wish, bays, worth=True)
    except NoAnswer:
        return None
    return found if found.gap == 0 else None


def _solve(  # noqa: PLR0913 - a yard, what may lie in it, and whether the length left counts
    parts: Sequence[Part],
    yard: Sequence[InYard],
    pairs: Sequence[Sequence[_Pair]],
    wish: Wish,
    bays: Sequence[tuple[int, Bay]],
    *,
    worth: bool,
) -> Amounts:
    cost: NDArray[np.float64] = np.array([[pair.cost for pair in row] for row in pairs], dtype=float)
    return assign(
        [part.count for part in parts],
        [part.length_mm for part in parts],
        [max(0.0, timber.stock.length_mm - 2 * wish.trim_mm) for timber in yard],
        cost.reshape(len(parts), len(yard)),
        kerf_mm=wish.kerf_mm,
        opening=OPENING_M3 * (wish.price_per_m3 or 1.0),
        mixes=[_mix(parts, yard[t], pairs, t, bay, wish) for t, bay in bays],
        leftover=Leftover(
            per_mm=tuple(_section_m2(timber) * (wish.price_per_m3 or 1.0) / 1000 for timber in yard),
            keep_mm=wish.keep_mm,
            worth=wish.left_worth,
        )
        if worth
        else None,
    )


def _other_use(part: Part, timber: InYard, wish: Wish) -> float:
    """Return what it costs to cut a timber for another use than it was entered for."""
    if wish.any_use or timber.use_class == part.use_class:
        return 0.0
    return OTHER_USE_M3 * (1.0 if wish.price_per_m3 is None else wish.price_per_m3)


def _bays(
    parts: Sequence[Part],
    yard: Sequence[InYard],
    pairs: Sequence[Sequence[_Pair]],
    uses: Sequence[UseClass],
    wish: Wish,
) -> list[tuple[int, Bay]]:
    """Return, with the number of its timber, each length in which parts may lie side by side."""
    found = []
    for t, timber in enumerate(yard):
        serve = [p for p in range(len(parts)) if pairs[p][t].place is not None]
        found += [(t, bay) for bay in side_by_side.bays(parts, serve, timber, uses, wish)]
    return found


def _mix(  # noqa: PLR0913, PLR0917 - a bay, whose it is, and what a pair costs
    parts: Sequence[Part], timber: InYard, pairs: Sequence[Sequence[_Pair]], t: int, bay: Bay, wish: Wish
) -> Mix:
    numbers = [number for number, _ in bay.pieces]
    price = 1.0 if wish.price_per_m3 is None else wish.price_per_m3
    waste = _section_m2(timber) * (bay.length_mm + wish.kerf_mm) / 1000 - sum(
        _finished_m3(parts[p]) for p in numbers
    )
    # what a piece costs beyond its waste: waiting, and another use
    more = sum(
        pairs[p][t].late_weeks * (wish.wait_per_week or 0.0) + _other_use(parts[p], timber, wish)
        for p in numbers
    )
    return Mix(
        timber=t,
        counts=tuple(numbers.count(p) for p in range(len(parts))),
        length_mm=bay.length_mm,
        cost=max(waste, 0.0) * price + more,
    )


def _section_m2(timber: InYard) -> float:
    return timber.stock.section.width_mm * timber.stock.section.depth_mm * 1e-6


def _finished_m3(part: Part) -> float:
    return part.width_mm * part.depth_mm * part.length_mm * 1e-9


def _mixed(  # noqa: PLR0913, PLR0917 - the answer, and what it is of
    parts: Sequence[Part],
    yard: Sequence[InYard],
    pairs: Sequence[Sequence[_Pair]],
    amounts: Amounts,
    bays: Sequence[tuple[int, Bay]],
    wish: Wish,
) -> tuple[Assignment, ...]:
    """Return what lies side by side, one entry a piece and its place; no more than is wanted."""
    left = [part.count - int(amounts.taken[p].sum()) for p, part in enumerate(parts)]
    found = []
    for n, (t, bay) in zip(amounts.mixed, bays, strict=True):
        whole = _section_m2(yard[t]) * (bay.length_mm + wish.kerf_mm) / 1000
        area = sum(rect.width_mm * rect.height_mm for _, rect in bay.pieces)
        for i, (p, rect) in enumerate(bay.pieces):
            count = min(int(n), left[p])
            if count < 1:
                continue
            left[p] -= count
            place = side_by_side.place_of(rect)
            pair = replace(
                pairs[p][t],
                place=place,
                sawn_mm=(rect.width_mm, rect.height_mm),
                waste_m3=whole * rect.width_mm * rect.height_mm / area - _finished_m3(parts[p]),
            )
            beside = tuple(sorted({parts[q].name for j, (q, _) in enumerate(bay.pieces) if j != i}))
            found.append(replace(_assignment(parts[p], yard[t], pair, count), beside=beside))
    return tuple(found)


def _others(  # noqa: PLR0913, PLR0917 - as `_pair`
    parts: Sequence[Part],
    yard: Sequence[InYard],
    wish: Wish,
    now_utc: datetime,
    air: Sequence[AirSeries],
    woods: Woods,
) -> dict[str, int]:
    """Count the short pieces under other wishes."""
    found: dict[str, int] = {}
    anyday = [replace(part, wanted_by_utc=None) for part in parts]
    anywood = [replace(part, species=None) for part in parts]
    anyheart = [replace(part, heart="any") for part in parts]
    for name, these in (("days", anyday), ("wood", anywood), ("heart", anyheart)):
        if these == list(parts):
            continue
        pairs = [[_pair(part, timber, wish, now_utc, air, woods) for timber in yard] for part in these]
        found[name] = int(_cut(these, yard, pairs, wish, woods, worth=False)[0].short.sum())
    return found


def _assignment(part: Part, timber: InYard, pair: _Pair, count: int) -> Assignment:
    if pair.place is None or pair.how is None:
        raise AssertionError(f"{part.name} was laid into {timber.stock.name} where it does not fit")
    return Assignment(
        part=part.name,
        tag=timber.stock.name,
        count=count,
        sawn_width_mm=pair.sawn_mm[0],
        sawn_depth_mm=pair.sawn_mm[1],
        place=pair.place,
        length_mm=part.length_mm,
        ready_utc=pair.ready_utc,
        how=pair.how,
        late_weeks=pair.late_weeks,
        waste_m3=pair.waste_m3 * count,
    )


def _left_mm(timber: InYard, parts: Sequence[Part], taken: NDArray[np.int64], wish: Wish) -> float:
    used = sum(int(n) * (part.length_mm + wish.kerf_mm) for n, part in zip(taken, parts, strict=True))
    return max(0.0, timber.stock.length_mm - 2 * wish.trim_mm - used)


def _assumptions(plan: BuyPlan, yard: Sequence[InYard], *, futures: int, counted: bool) -> tuple[Reason, ...]:
    """Return what the plan takes for granted."""
    guessed = tuple(timber.stock.name for timber in yard if not timber.measured)
    priced = plan.wish.price_per_m3 is not None
    found = [
        Reason(code="buying.confidence", values={"confidence": plan.wish.confidence}),
        Reason(code="buying.least_cost" if priced else "buying.least_waste"),
        Reason(
            code="buying.left_worth",
            values={"keep_mm": plan.wish.keep_mm, "worth_share": plan.wish.left_worth},
        )
        if counted
        else Reason(code="buying.left_not_counted"),
        *(() if plan.wish.any_use else (Reason(code="buying.kept_for_its_use"),)),
        Reason(code="buying.where_dates_come_from"),
    ]
    if guessed:
        found.append(Reason(code="buying.taken_as_green", values={"tags": guessed}))
    if plan.shortfalls and futures:
        found.append(Reason(code="buying.new_timber_dries", values={"futures": futures}))
    if plan.gap > 0:
        found.append(Reason(code="buying.search_stopped", values={"gap_share": plan.gap}))
    return tuple(found)


def _would_change(plan: BuyPlan, others: Mapping[str, int]) -> tuple[Reason, ...]:
    """Return how many fewer pieces were short if no day, no wood or no heart were asked for."""
    fewer = {wish: plan.short - others.get(wish, plan.short) for wish in ("days", "wood", "heart")}
    found = [
        Reason(code=f"buying.any_{wish}", values={"fewer": count})
        for wish, count in fewer.items()
        if count > 0
    ]
    if plan.shortfalls and not found:
        found.append(Reason(code="buying.size_or_length"))
    if any(each.arrival and each.arrival.seasoned_pct is not None for each in plan.shortfalls):
        found.append(Reason(code="buying.drier_air"))
    return (*found, Reason(code="buying.more_readings"))


def _cautions(plan: BuyPlan) -> tuple[Reason, ...]:
    """Return what can hurt: the weight of the heaviest piece, and that strength is not looked at."""
    strength = Reason(code="caution.strength")
    if not plan.mill:
        return (strength,)
    heavy_kg = max(each.each_heavy_kg for each in plan.mill)
    return Reason(code="caution.heaviest", values={"heavy_kg": heavy_kg}), strength
