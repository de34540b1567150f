"""Parts side by side in one timber: cross-cut to the longest, then ripped by through cuts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from baulk.models.allowance import engine
from baulk.models.plan.buying import ready_stock
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import InYard, Wish
from baulk.models.plan.sawing.guillotine import Kind, Pattern, patterns
from baulk.models.plan.sawing.order import Order
from baulk.models.plan.sawing.rects import Rect
from baulk.models.plan.sawing.sweep import meet
from baulk.models.section import Finished
from baulk.models.use_class import UseClass

MIXED: Final = 4  # sizes in one timber, nearest in size; our own judgement, no source
MOST_BOXES: Final = (
    1_000  # of one mixture that are looked at; at 60 timbers a plan takes seconds, not minutes
)
ELSEWHERE_MM: Final = 1.5  # where a piece off the centre is sawn larger; our own judgement, no source
_HOLDS_MM: Final = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Bay:
    """A length of a timber with two pieces and more side by side.

    Parameters
    ----------
    pieces : tuple of (int, Rect)
        Number of the part, and where it lies. [mm]
    length_mm : float
        That of the longest. [mm]
    """

    pieces: tuple[tuple[int, Rect], ...]
    length_mm: float


def bays(
    parts: Sequence[Part], serve: Sequence[int], timber: InYard, uses: Sequence[UseClass], wish: Wish
) -> tuple[Bay, ...]:
    """Find what can lie side by side in a timber.

    Parameters
    ----------
    parts : sequence of Part
        All parts. [mm]
    serve : sequence of int
        Numbers of those that the timber serves for.
    timber : InYard
        The timber.
    uses : sequence of UseClass
        Use of each part.
    wish : Wish
        How the shop cuts.

    Returns
    -------
    tuple of Bay
        Laid out with the usual allowance; whether a piece has its own where it lies is what `holds` tells: it
        takes a solution of the section for each place, and few of them are ever cut. [mm]
    """
    stock = timber.stock.planed(wish.planing_mm)
    section = stock.section
    sized: list[tuple[int, Kind]] = []
    for number in serve:
        part = parts[number]
        order = _order(part, timber, wish)
        if order is None:
            continue
        needs = [
            ready_stock.usual_mm(replace(order, placement=heart), timber.wood, uses[number])
            for heart in (("boxed", "free") if part.heart == "any" else (part.heart,))
        ]
        size = (max(each[0] for each in needs), max(each[1] for each in needs))
        # more than a piece at the usual place needs, for it lies elsewhere
        kind = Kind(
            width_mm=round(size[0] + ELSEWHERE_MM, 2),
            depth_mm=round(size[1] + ELSEWHERE_MM, 2),
            heart=part.heart,
            turns=False,
            most=part.count,
        )
        sized.append((number, kind))
    sized.sort(key=lambda each: -each[1].width_mm * each[1].depth_mm)
    if not sized or not _beside(sized, section.width_mm, section.depth_mm, wish.kerf_mm):
        return ()
    kept: dict[tuple[int, ...], Bay] = {}
    for some in _groups(sized):
        found = patterns(
            section,
            stock.blocked,
            stock.wane,
            [each[1] for each in some],
            wish.kerf_mm,
            most_boxes=MOST_BOXES,
        )
        for pattern in found.best:
            for bay in _by_length(pattern, [each[0] for each in some], parts):
                kept.setdefault(tuple(sorted(number for number, _ in bay.pieces)), bay)
    return tuple(kept.values())


def holds(bay: Bay, parts: Sequence[Part], timber: InYard, uses: Sequence[UseClass], wish: Wish) -> bool:
    """Tell whether each piece of a bay has its own allowance where it lies.

    Parameters
    ----------
    bay : Bay
        One of `bays`. [mm]
    parts, timber, uses, wish
        As there.

    Returns
    -------
    bool
        Whether it may be cut.
    """
    return all(_holds(number, rect, parts, timber, uses, wish) for number, rect in bay.pieces)


def _groups(sized: Sequence[tuple[int, Kind]]) -> list[Sequence[tuple[int, Kind]]]:
    """Return the sizes a few at a time, neighbours in size: all mixed take too long.

    Where the heart is asked for each place differs, which takes ten times as long: such a size is mixed with
    its neighbour on either side alone.
    """
    anywhere = [each for each in sized if each[1].heart == "any"]
    last = max(len(anywhere) - MIXED, 0)
    found: list[Sequence[tuple[int, Kind]]] = [
        anywhere[start : start + MIXED]
        for start in (sorted({*range(0, last, MIXED // 2), last}) if anywhere else ())
    ]
    for i, each in enumerate(sized):
        if each[1].heart != "any":
            before, after = sized[max(i - 1, 0) : i + 1], sized[i : i + 2]
            found += [some for some in (before, after) if len(some) > 1] or [[each]]
    return found


def _order(part: Part, timber: InYard, wish: Wish) -> Order | None:
    """Return what is asked of a part in a timber, not turned; None for a curved one."""
    stock = timber.stock
    if part.sweep_mm:
        return None
    bow, crook = (
        None if own is None else meet(0.0, part.length_mm, own, stock.length_mm).extra_mm
        for own in (stock.bow_mm, stock.crook_mm)
    )
    if max(bow or 0.0, crook or 0.0) > min(part.width_mm, part.depth_mm):
        return None
    return replace(ready_stock.order_for(part, wish), bow_mm=bow, crook_mm=crook, start_pct=timber.mean_pct)


def _beside(sized: Sequence[tuple[int, Kind]], width: float, depth: float, kerf: float) -> bool:
    """Whether the two least of them have room beside each other. [mm]."""
    least_w = min(each[1].width_mm for each in sized)
    least_d = min(each[1].depth_mm for each in sized)
    return 2 * least_w + kerf <= width or 2 * least_d + kerf <= depth


def _by_length(pattern: Pattern, numbers: Sequence[int], parts: Sequence[Part]) -> list[Bay]:
    """Return a pattern as long as its longest part, and what is left of it for each shorter length."""
    pieces = [(numbers[kind], rect) for kind, rect in pattern.pieces]
    found = []
    for length in sorted({parts[number].length_mm for number, _ in pieces}):
        some = tuple(each for each in pieces if parts[each[0]].length_mm <= length)
        if len(some) > 1:
            found.append(Bay(pieces=some, length_mm=length))
    return found


def _holds(  # noqa: PLR0913, PLR0917 - a piece, and what it is of
    number: int, rect: Rect, parts: Sequence[Part], timber: InYard, uses: Sequence[UseClass], wish: Wish
) -> bool:
    """Whether a piece has its own allowance where it lies."""
    order = _order(parts[number], timber, wish)
    if order is None:
        return False
    need = engine.needed(
        order.ask(timber.wood),
        timber.wood,
        uses[number],
        timber.wet,
        engine.inside(timber.stock.section, rect.centre_mm),
    )
    return need.width_mm <= rect.width_mm + _HOLDS_MM and need.depth_mm <= rect.height_mm + _HOLDS_MM


def place_of(rect: Rect) -> Finished:
    """Return a rectangle as a place in a timber. [mm]."""
    x, y = rect.centre_mm
    return Finished(width_mm=rect.width_mm, depth_mm=rect.height_mm, centre_x_mm=x, centre_y_mm=y)
