"""Clear wood in a section, and the most pieces of one size that saw cuts get out of it.

A largest clear rectangle is bounded by edges of the section or of a defect, so that trying those edges finds
every one. The most pieces are those of `guillotine`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.plan.sawing import every_cut
from baulk.models.plan.sawing.bevel import Bevel
from baulk.models.plan.sawing.guillotine import HEART_MM, Kind, patterns, small
from baulk.models.plan.sawing.rects import SLACK_MM, Rect
from baulk.models.section import Section

MOST_BLOCKS: Final = 24


def inside(section: Section, defects: Iterable[Rect]) -> tuple[Rect, ...]:
    """Cut defects to the section, and refuse those that lie outside it or are too many.

    Parameters
    ----------
    section : Section
        The section. [mm]
    defects : iterable of Rect
        What may not lie in a piece. [mm]

    Returns
    -------
    tuple of Rect
        Their parts inside. [mm]

    Raises
    ------
    OutOfRange
        If one lies outside, or they are more than the exact search takes.
    """
    whole = _whole(section)
    found = []
    for each in defects:
        if not each.meets(whole):
            raise OutOfRange(
                "a defect",
                f"at {each.x_mm:.0f}, {each.y_mm:.0f} mm lies outside the section; x and y are counted from "
                "its centre",
            )
        left, low = max(each.x_mm, whole.x_mm), max(each.y_mm, whole.y_mm)
        found.append(
            Rect(
                x_mm=left,
                y_mm=low,
                width_mm=min(each.right_mm, whole.right_mm) - left,
                height_mm=min(each.top_mm, whole.top_mm) - low,
            )
        )
    if len(found) > MOST_BLOCKS:
        raise OutOfRange("the defects", f"are {len(found)}, more than {MOST_BLOCKS}; join some of them")
    return tuple(found)


def clear(section: Section, defects: Sequence[Rect]) -> tuple[Rect, ...]:
    """Every largest rectangle without a defect in it.

    Parameters
    ----------
    section : Section
        The section. [mm]
    defects : sequence of Rect
        From `inside`. [mm]

    Returns
    -------
    tuple of Rect
        None lies within another. [mm]
    """
    whole = _whole(section)
    lefts = sorted({whole.x_mm, *(each.right_mm for each in defects)})
    rights = sorted({whole.right_mm, *(each.x_mm for each in defects)})
    lows = sorted({whole.y_mm, *(each.top_mm for each in defects)})
    tops = sorted({whole.top_mm, *(each.y_mm for each in defects)})
    found: list[Rect] = []
    for left in lefts:
        for right in (each for each in rights if each > left + SLACK_MM):
            for low in lows:
                # the highest top that stays clear above this low edge
                best = 0.0
                for top in (each for each in tops if each > low + SLACK_MM):
                    one = Rect(x_mm=left, y_mm=low, width_mm=right - left, height_mm=top - low)
                    if any(one.meets(each) for each in defects):
                        break
                    best = top - low
                if best > 0:
                    found.append(Rect(x_mm=left, y_mm=low, width_mm=right - left, height_mm=best))
    return tuple(each for each in found if not any(_within(each, other) for other in found if other != each))


def most_pieces(  # noqa: PLR0913, PLR0917 - a section, what is in it, and a piece
    section: Section,
    defects: Sequence[Rect],
    piece_mm: tuple[float, float],
    kerf_mm: float,
    bevels: Sequence[Bevel] = (),
    heart: str = "any",
) -> tuple[Rect, ...]:
    """Lay out the most pieces of one size that through cuts can get out of a section.

    Parameters
    ----------
    section : Section
        The section. [mm]
    defects : sequence of Rect
        From `inside`; pieces keep clear of them. [mm]
    piece_mm : (float, float)
        Size of the pieces; each may be turned. [mm]
    kerf_mm : float
        Width of a cut, 0 or more. [mm]
    bevels : sequence of Bevel
        Wane. [mm]
    heart : {"any", "free"}
        Whether they keep clear of the pith.

    Returns
    -------
    tuple of Rect
        The pieces; every one comes out by cuts that go right through what is left. [mm]

    Raises
    ------
    OutOfRange
        If the pieces are so small that the search would not end.
    """
    kind = Kind(width_mm=piece_mm[0], depth_mm=piece_mm[1])
    if small(section, kind, kerf_mm):
        raise OutOfRange(
            "the pieces",
            f"of {piece_mm[0]:.0f} x {piece_mm[1]:.0f} mm are too small for an exact search in "
            f"{section.width_mm:.0f} x {section.depth_mm:.0f} mm",
        )
    if heart == "free":
        defects = (*defects, *_about_pith(section))
    if bevels:  # too many places to lean on for one cut after the other
        return every_cut.most(section, defects, bevels, piece_mm, kerf_mm)
    found = patterns(section, defects, bevels, (kind,), kerf_mm)
    best = max(found.best, key=lambda each: each.counts[0])
    laid = tuple(rect for _, rect in best.pieces)
    if found.whole:
        return laid
    return max(laid, every_cut.most(section, defects, (), piece_mm, kerf_mm), key=len)


def at_most(
    section: Section,
    defects: Sequence[Rect],
    piece_mm: tuple[float, float],
    kerf_mm: float,
    bevels: Sequence[Bevel] = (),
) -> int:
    """Bound the number of pieces of one size that through cuts could get out of a section.

    Parameters
    ----------
    section, defects, piece_mm, kerf_mm, bevels
        As in `most_pieces`.

    Returns
    -------
    int
        As many as come out of it without wane, where every cut that can matter was tried, and no more than
        its area holds, each piece with the saw cut beside and above it: a bevel's triangle holds none.
    """
    kind = Kind(width_mm=piece_mm[0], depth_mm=piece_mm[1])
    area = (section.width_mm + kerf_mm) * (section.depth_mm + kerf_mm) - _off_mm2(section, bevels)
    room = int(area / ((piece_mm[0] + kerf_mm) * (piece_mm[1] + kerf_mm)) + SLACK_MM)
    found = patterns(section, defects, (), (kind,), kerf_mm)
    return min(room, max(each.counts[0] for each in found.best)) if found.whole else room


def _off_mm2(section: Section, bevels: Sequence[Bevel]) -> float:
    """Return the area of bevels that do not lie over each other; else of the largest. [mm2]."""
    off = [each.across_mm * each.down_mm / 2 for each in bevels]
    apart = all(
        (one.up != other.up or one.across_mm + other.across_mm <= section.width_mm)
        and (one.right != other.right or one.down_mm + other.down_mm <= section.depth_mm)
        and (one.up == other.up or one.right == other.right or _opposite(section, one, other))
        for n, one in enumerate(bevels)
        for other in bevels[:n]
    )
    return sum(off) if apart else max(off, default=0.0)


def _opposite(section: Section, one: Bevel, other: Bevel) -> bool:
    """Whether the boxes of two bevels at opposite corners lie apart."""
    return (
        one.across_mm + other.across_mm <= section.width_mm or one.down_mm + other.down_mm <= section.depth_mm
    )


def _about_pith(section: Section) -> tuple[Rect, ...]:
    """Return what pieces free of heart keep clear of, as far as it lies in the section."""
    left, low = (
        max(at - HEART_MM, -side / 2)
        for at, side in ((section.pith_x_mm, section.width_mm), (section.pith_y_mm, section.depth_mm))
    )
    right, top = (
        min(at + HEART_MM, side / 2)
        for at, side in ((section.pith_x_mm, section.width_mm), (section.pith_y_mm, section.depth_mm))
    )
    if right <= left or top <= low:
        return ()
    return (Rect(x_mm=left, y_mm=low, width_mm=right - left, height_mm=top - low),)


def _same(mm: float) -> float:
    return round(mm, 4)


def _whole(section: Section) -> Rect:
    return Rect(
        x_mm=_same(-section.width_mm / 2),
        y_mm=_same(-section.depth_mm / 2),
        width_mm=section.width_mm,
        height_mm=section.depth_mm,
    )


def _within(one: Rect, other: Rect) -> bool:
    return (
        one.x_mm >= other.x_mm - SLACK_MM
        and one.y_mm >= other.y_mm - SLACK_MM
        and one.right_mm <= other.right_mm + SLACK_MM
        and one.top_mm <= other.top_mm + SLACK_MM
    )
