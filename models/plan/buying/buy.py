"""Parts against the timbers of the yard: the best assignment, what is short, and the list for the mill."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Final

from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange
from baulk.models.plan.buying import missing, others
from baulk.models.plan.buying.laying import Case, Layout, lay
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import BuyPlan, InYard, Wish
from baulk.models.plan.buying.shortfall import Shortfall
from baulk.models.reason import Reason
from baulk.models.woods import BUILT_IN, Woods

MOST_PIECES: Final = 400


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
    found = lay(
        Case(parts=tuple(parts), yard=tuple(yard), wish=wish, now_utc=now_utc, air=tuple(air), woods=woods)
    )
    shortfalls = _shortfalls(found)
    left = found.left_mm(found.best)
    plan = BuyPlan(
        made_utc=now_utc,
        wish=wish,
        wanted=sum(part.count for part in parts),
        assignments=found.assignments(found.best),
        shortfalls=shortfalls,
        mill=missing.mill(shortfalls),
        left_mm=left,
        unused=tuple(timber.stock.name for timber in yard if timber.stock.name not in left),
        gap=found.best.gap,
        fewer=found.best.fewer,
        next_best=others.next_best(found) if compare else (),
    )
    changed = others.would_change(found) if compare else ()
    return replace(
        plan,
        assumptions=_assumptions(plan, yard, parts, futures=len(air)),
        would_change=_would_change(plan, changed),
        cautions=_cautions(plan),
    )


def _shortfalls(found: Layout) -> tuple[Shortfall, ...]:
    """Return what is short, the parts needed first before the others."""
    case = found.case
    short = [p for p in range(len(case.parts)) if found.best.short[p] > 0]
    return tuple(
        missing.shortfall(
            case.parts[p],
            int(found.best.short[p]),
            {
                timber.stock.name: own.reason or Reason(code="buying.taken")
                for timber, own in zip(case.yard, found.pairs[p], strict=True)
            },
            case.wish,
            case.now_utc,
            case.air,
            case.woods,
        )
        for p in sorted(short, key=lambda each: case.parts[each].rank)
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


def _assumptions(
    plan: BuyPlan, yard: Sequence[InYard], parts: Sequence[Part], *, futures: int
) -> tuple[Reason, ...]:
    """Return what the plan takes for granted, and how sure it is that none is better."""
    guessed = tuple(timber.stock.name for timber in yard if not timber.measured)
    priced = plan.wish.price_per_m3 is not None
    found = [
        Reason(code="buying.confidence", values={"confidence": plan.wish.confidence}),
        Reason(code="buying.least_cost" if priced else "buying.least_waste"),
        Reason(
            code="buying.left_worth",
            values={"keep_mm": plan.wish.keep_mm, "worth_share": plan.wish.left_worth},
        ),
        *(() if plan.wish.any_use else (Reason(code="buying.kept_for_its_use"),)),
        *((Reason(code="buying.first_served"),) if len({part.rank for part in parts}) > 1 else ()),
        *((Reason(code="buying.other_woods"),) if any(part.alternates for part in parts) else ()),
        Reason(code="buying.where_dates_come_from"),
    ]
    if guessed:
        found.append(Reason(code="buying.taken_as_green", values={"tags": guessed}))
    if plan.shortfalls and futures:
        found.append(Reason(code="buying.new_timber_dries", values={"futures": futures}))
    if yard:
        found.append(_how_sure(plan))
    return tuple(found)


def _how_sure(plan: BuyPlan) -> Reason:
    """Return that the plan is proved the best of those compared, or how far it may be from it."""
    if plan.gap == 0 and plan.fewer == 0:
        return Reason(code="buying.proved")
    return Reason(code="buying.not_proved", values={"gap_share": plan.gap, "fewer": plan.fewer})


def _would_change(plan: BuyPlan, changed: Sequence[Reason]) -> tuple[Reason, ...]:
    """Return what other wishes would give, and what would help where none does."""
    found = list(changed)
    if plan.shortfalls and others.fills_no_gap(changed):
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
