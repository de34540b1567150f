"""What else could be done: the next best assignments, and what other wishes would change."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import timedelta
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.plan.buying.laying import Layout, lay
from baulk.models.plan.buying.pairs import finished_m3, price
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.problem import Amounts
from baulk.models.reason import Reason, Value

NEXT: Final = 2  # next best assignments that are told
SAME: Final = 1e-3  # share of the cost below which two plans cost the same; our own judgement, no source


def next_best(found: Layout) -> tuple[Reason, ...]:
    """Return the next best assignments, each with what it costs more and which parts come out of what else.

    Parameters
    ----------
    found : Layout
        The best plan.

    Returns
    -------
    tuple of Reason
        Timbers that serve as well, being alike; then at most `NEXT` plans, each of which leaves out at least
        one part out of a timber, or out of its like, that every better one has; where there are fewer, that.
    """
    others = found.search.next_best(NEXT)
    alike = _alike(found)
    told = [
        *alike,
        *(
            Reason(
                code="buying.next_best",
                values={
                    "number": number,
                    "short_more": int(other.short.sum() - found.best.short.sum()),
                    **_cost(found, other.spent - found.best.spent),
                    "instead": _differ(found, other),
                },
            )
            for number, other in enumerate(others, start=1)
        ),
    ]
    if len(others) < NEXT:
        values: dict[str, Value] = {
            "found": len(others),
            "proved": found.search.knows_all,
            "alike": bool(alike),
            "served": bool(found.best.served(found.search.problem)),
        }
        told.append(Reason(code="buying.no_other", values=values))
    return tuple(told)


def _alike(found: Layout) -> list[Reason]:
    """Return which timbers that stay whole serve as well as some that are cut: to the search they are one."""
    cut, problem = found.left_mm(found.best), found.search.problem
    groups: dict[int, list[str]] = {}
    for first, timber in zip(problem.alike, found.case.yard, strict=True):
        groups.setdefault(first, []).append(timber.stock.name)
    told: list[Value] = []
    for tags in groups.values():
        instead, whole = [each for each in tags if each in cut], [each for each in tags if each not in cut]
        if instead and whole:
            told.append({"tags": whole, "instead": instead})
    return [Reason(code="buying.alike", values={"groups": told})] if told else []


def _cost(found: Layout, more: float, gap: float = 0.0) -> dict[str, Value]:
    """Return how much more a plan loses, 0 where that is next to nothing or less than the search can tell."""
    told = 0.0 if abs(more) < max(SAME, gap) * found.best.spent else float(more)
    return {"more": told, "in_money": found.case.wish.price_per_m3 is not None}


def _differ(found: Layout, other: Amounts) -> list[Value]:
    """Return of each part that comes out of other timbers which those are, and which they were."""
    was, now = (_by_part(found, each) for each in (found.best, other))
    told: list[Value] = []
    for part in found.case.parts:
        gone, come = was[part.name] - now[part.name], now[part.name] - was[part.name]
        if gone or come:
            told.append({"part": part.name, "from": sorted(come), "not_from": sorted(gone)})
    return told


def _by_part(found: Layout, amounts: Amounts) -> dict[str, Counter[str]]:
    by: dict[str, Counter[str]] = {part.name: Counter() for part in found.case.parts}
    for each in found.assignments(amounts):
        by[each.part][each.tag] += each.count
    return by


def would_change(found: Layout) -> tuple[Reason, ...]:
    """Return what a week later, a size smaller, another wood or another place of the heart would change.

    Parameters
    ----------
    found : Layout
        The best plan.

    Returns
    -------
    tuple of Reason
        Each with how many pieces fewer would be short and how much less wood lost; nothing changed is told,
        and where no part names a day or a wood, that.
    """
    if not found.case.yard:
        return ()
    told = []
    for code, change in _WISHES.items():
        parts = change(found)
        if parts == found.case.parts:
            if code in _NOT_ASKED:
                told.append(Reason(code=_NOT_ASKED[code]))
            continue
        smaller = code == "buying.if_smaller"
        other = lay(replace(found.case, parts=parts), known=found if smaller else None)
        values: dict[str, Value] = {
            "fewer": int(found.best.short.sum() - other.best.short.sum()),
            **_cost(found, _gross(other) - _gross(found), max(found.best.gap, other.best.gap)),
            "step_mm": found.case.wish.step_mm,
        }
        if smaller:
            changed = zip(found.case.parts, parts, strict=True)
            values["parts"] = [before.name for before, after in changed if before != after]
        told.append(Reason(code=code, values=values))
    return tuple(told)


def fills_no_gap(changed: Iterable[Reason]) -> bool:
    """Whether by none of the reasons of `would_change` fewer pieces would be short."""
    return not any(isinstance(fewer := each.values.get("fewer"), int) and fewer > 0 for each in changed)


def _gross(found: Layout) -> float:
    """Return all wood that a plan takes, finished pieces and what is lost: so that sizes can differ. [-]."""
    given = found.search.problem.count - found.best.short
    finished = sum(int(n) * finished_m3(part) for n, part in zip(given, found.case.parts, strict=True))
    return found.best.spent + finished * price(found.case.wish)


def _later(found: Layout) -> tuple[Part, ...]:
    """Give each part a week more."""
    return tuple(
        part
        if part.wanted_by_utc is None
        else replace(part, wanted_by_utc=part.wanted_by_utc + timedelta(days=7))
        for part in found.case.parts
    )


def _smaller(found: Layout) -> tuple[Part, ...]:
    """Make the parts that are short a step smaller; where none is, the one that wastes most."""
    parts, short = found.case.parts, found.best.short
    which = {p for p in range(len(parts)) if short[p]} or {_wasteful(found)}
    return tuple(
        _a_step(part, found.case.wish.step_mm) if p in which else part for p, part in enumerate(parts)
    )


def _wasteful(found: Layout) -> int:
    wasted: Counter[str] = Counter()
    for each in found.assignments(found.best):
        wasted[each.part] += each.waste_m3  # type: ignore[assignment]  # a sum of numbers, not of counts
    name = max(wasted, key=lambda each: wasted[each], default=found.case.parts[0].name)
    return [part.name for part in found.case.parts].index(name)


def _a_step(part: Part, step_mm: float) -> Part:
    try:
        return replace(part, width_mm=part.width_mm - step_mm, depth_mm=part.depth_mm - step_mm)
    except OutOfRange:
        return part  # nothing would be left of it


def _any_day(found: Layout) -> tuple[Part, ...]:
    if not found.best.short.any():
        return found.case.parts
    return tuple(replace(part, wanted_by_utc=None) for part in found.case.parts)


def _any_wood(found: Layout) -> tuple[Part, ...]:
    return tuple(replace(part, species=None, alternates=()) for part in found.case.parts)


def _first_wood(found: Layout) -> tuple[Part, ...]:
    """Leave out the other woods of each part, where the plan takes one of them."""
    if not any(each.other_wood for each in found.assignments(found.best)):
        return found.case.parts
    return tuple(replace(part, alternates=()) for part in found.case.parts)


def _any_heart(found: Layout) -> tuple[Part, ...]:
    if not found.best.short.any():
        return found.case.parts
    return tuple(replace(part, heart="any") for part in found.case.parts)


_WISHES: Final[dict[str, Callable[[Layout], tuple[Part, ...]]]] = {
    "buying.if_week_later": _later,
    "buying.if_any_day": _any_day,
    "buying.if_smaller": _smaller,
    "buying.if_any_wood": _any_wood,
    "buying.if_first_wood": _first_wood,
    "buying.if_any_heart": _any_heart,
}

# what is told where a wish changes nothing because no part asks for it
_NOT_ASKED: Final = {"buying.if_week_later": "buying.no_day", "buying.if_any_wood": "buying.no_wood_asked"}
