"""Where in a timber a piece of a given size lies clear, with the heart where it is wanted."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from baulk.models.allowance import engine
from baulk.models.allowance.parts import Ask, Wet
from baulk.models.plan.sawing import layout
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.plan.sawing.guillotine import HEART_MM
from baulk.models.plan.sawing.rects import SLACK_MM, Rect
from baulk.models.section import Finished, Section
from baulk.models.species import Species
from baulk.models.use_class import UseClass


def fits(
    stock: Stock, piece_mm: tuple[float, float], heart: str, *, clear: Sequence[Rect] | None = None
) -> tuple[Finished, ...]:
    """Places where a piece lies clear, those that can matter.

    Parameters
    ----------
    stock : Stock
        The timber.
    piece_mm : (float, float)
        Width and depth, not turned. [mm]
    heart : {"any", "boxed", "free"}
        Pith inside the piece, at least `HEART_MM` away from it, or wherever it falls.
    clear : sequence of Rect, optional
        Clear rectangles of the stock, if they are known already. [mm]

    Returns
    -------
    tuple of Finished
        Places in the timber's axes; none when there is no room. [mm]
    """
    section = stock.section
    blocks = layout.inside(section, stock.blocked)
    if (heart == "free" and section.boxed_heart) or (heart == "free" and near(section)):
        blocks = (*blocks, heart_of(section))
        clear = None
    rooms = layout.clear(section, blocks) if clear is None else clear
    pith = (section.pith_x_mm, section.pith_y_mm)
    found: dict[tuple[float, float], Finished] = {}
    for room in rooms:
        spans = []
        for low, high, side, at in (
            (room.x_mm, room.right_mm, piece_mm[0], pith[0]),
            (room.y_mm, room.top_mm, piece_mm[1], pith[1]),
        ):
            first, last = low + side / 2, high - side / 2
            if last < first - SLACK_MM:
                break
            spans.append({round(each, 7) for each in (first, last, min(max(at, first), last))})
        if len(spans) < 2:
            continue
        for x, y in (*product(*spans), *_leaning(stock, piece_mm, spans)):
            if stock.wane and not _past_wane(stock, piece_mm, (x, y)):
                continue
            if min(spans[0]) - SLACK_MM <= x <= max(spans[0]) + SLACK_MM and (
                min(spans[1]) - SLACK_MM <= y <= max(spans[1]) + SLACK_MM
            ):
                place = placed(section, piece_mm, (x, y))
                if heart != "boxed" or place.inside(section).boxed_heart:
                    found[x, y] = place
    return tuple(found.values())


def _leaning(
    stock: Stock, piece_mm: tuple[float, float], spans: Sequence[set[float]]
) -> list[tuple[float, float]]:
    """Return centres of the piece at which it leans on a bevel, one of its coordinates as elsewhere."""
    found = []
    half_w, half_d = piece_mm[0] / 2, piece_mm[1] / 2
    for each in stock.wane:
        over, beside = half_d if each.up else -half_d, half_w if each.right else -half_w
        found += [(x, each.edge_y_mm(x + beside) - over) for x in spans[0]]
        found += [(each.edge_x_mm(y + over) - beside, y) for y in spans[1]]
    return found


def _past_wane(stock: Stock, piece_mm: tuple[float, float], centre_mm: tuple[float, float]) -> bool:
    (x, y), (half_w, half_d) = centre_mm, (piece_mm[0] / 2, piece_mm[1] / 2)
    return not any(each.cuts(x - half_w, y - half_d, x + half_w, y + half_d) for each in stock.wane)


def sized(  # noqa: PLR0913 - a place in a timber, the piece, and what it is made of
    stock: Stock,
    ask: Ask,
    wood: Species,
    use: UseClass,
    wet: Wet,
    *,
    at: Finished,
    heart: str,
    step_mm: float,
) -> Finished | None:
    """Size the piece that lies about a place by the allowance there, rounded up where there is room for it.

    Parameters
    ----------
    stock : Stock
        The timber.
    ask : Ask
        The finished piece, in the timber's axes. [mm]
    wood, use, wet
        Its wood and use, and how wet the timber is. [%]
    at : Finished
        Where it lies. [mm]
    heart : {"any", "boxed", "free"}
        As in `fits`.
    step_mm : float
        The saw's step. [mm]

    Returns
    -------
    Finished or None
        What is sawn, as near to the place as it is clear; None where there is no room for what it needs.
    """
    centre = (at.centre_x_mm, at.centre_y_mm)
    need = engine.needed(ask, wood, use, wet, engine.inside(stock.section, centre))
    for size in (engine.sawn_mm(need, step_mm), need.size_mm):
        if places := fits(stock, size, heart):
            return min(
                (*places, *_about(stock, size, heart, centre)),
                key=lambda each: abs(each.centre_x_mm - centre[0]) + abs(each.centre_y_mm - centre[1]),
            )
    return None


def _about(
    stock: Stock, size_mm: tuple[float, float], heart: str, centre_mm: tuple[float, float]
) -> tuple[Finished, ...]:
    """Return the very place, where a piece of that size lies clear there."""
    piece = engine.placed(stock.section, size_mm, centre_mm)
    rect = Rect(
        x_mm=piece.centre_x_mm - piece.width_mm / 2,
        y_mm=piece.centre_y_mm - piece.depth_mm / 2,
        width_mm=piece.width_mm,
        height_mm=piece.depth_mm,
    )
    blocks = layout.inside(stock.section, stock.blocked)
    if heart == "free" and near(stock.section):
        blocks = (*blocks, heart_of(stock.section))
    if any(rect.meets(each) for each in blocks):
        return ()
    if not _past_wane(stock, (rect.width_mm, rect.height_mm), rect.centre_mm):
        return ()
    return () if heart == "boxed" and not piece.inside(stock.section).boxed_heart else (piece,)


def placed(section: Section, size_mm: tuple[float, float], centre_mm: tuple[float, float]) -> Finished:
    """Lay a piece so that rounding does not push it over the section's edge.

    Parameters
    ----------
    section : Section
        The timber. [mm]
    size_mm, centre_mm : (float, float)
        The piece and its centre, in the timber's axes. [mm]

    Returns
    -------
    Finished
        The piece, moved inside where it stuck out. [mm]
    """
    free = (max(section.width_mm - size_mm[0], 0.0) / 2, max(section.depth_mm - size_mm[1], 0.0) / 2)
    x, y = (min(max(at, -room), room) for at, room in zip(centre_mm, free, strict=True))
    return Finished(width_mm=size_mm[0], depth_mm=size_mm[1], centre_x_mm=x, centre_y_mm=y)


def near(section: Section) -> bool:
    """Whether what is kept clear about the pith reaches into the section.

    Parameters
    ----------
    section : Section
        The timber and its pith. [mm]

    Returns
    -------
    bool
        False for a pith far outside.
    """
    return (
        abs(section.pith_x_mm) < section.width_mm / 2 + HEART_MM
        and abs(section.pith_y_mm) < section.depth_mm / 2 + HEART_MM
    )


def heart_of(section: Section) -> Rect:
    """Give the heart to keep clear of, as far as it lies in the section.

    Parameters
    ----------
    section : Section
        The timber and its pith, which is `near`. [mm]

    Returns
    -------
    Rect
        A square about the pith. [mm]

    Raises
    ------
    OutOfRange
        If none of it lies in the section.
    """
    return layout.inside(
        section,
        [
            Rect(
                x_mm=section.pith_x_mm - HEART_MM,
                y_mm=section.pith_y_mm - HEART_MM,
                width_mm=2 * HEART_MM,
                height_mm=2 * HEART_MM,
            )
        ],
    )[0]
