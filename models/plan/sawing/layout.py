"""Rectangles in a section: where clear wood lies, and the most pieces that saw cuts get out of it.

Both searches are exact. A largest clear rectangle is bounded by edges of the section or of a defect, so that
trying those edges finds every one. A guillotine pattern can be pushed to the lower left until each piece
touches the section, a saw cut or a defect, so that cuts need to be tried only where such a piece ends.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.section import Face, Section

SLACK_MM: Final = 1e-6
MOST_BLOCKS: Final = 24
MOST_CUTS: Final = 60  # places of cuts along one side that the exact search takes on


@dataclass(frozen=True, slots=True, kw_only=True)
class Rect:
    """A rectangle in the axes of a section.

    Parameters
    ----------
    x_mm, y_mm : float
        Its lower left corner from the section's centre. [mm]
    width_mm, height_mm : float
        Its size, above 0. [mm]
    """

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        if not (0 < self.width_mm < math.inf and 0 < self.height_mm < math.inf):
            raise OutOfRange(
                "a rectangle", f"must be above 0 mm both ways, not {self.width_mm:g} x {self.height_mm:g} mm"
            )
        if not (abs(self.x_mm) < math.inf and abs(self.y_mm) < math.inf):
            raise OutOfRange("a rectangle", "needs a place in mm")

    @property
    def right_mm(self) -> float:
        """Its right edge, [mm]."""
        return self.x_mm + self.width_mm

    @property
    def top_mm(self) -> float:
        """Its upper edge, [mm]."""
        return self.y_mm + self.height_mm

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Its centre, [mm]."""
        return self.x_mm + self.width_mm / 2, self.y_mm + self.height_mm / 2

    def meets(self, other: Rect) -> bool:
        """Whether the two share more than an edge."""
        return (
            self.x_mm < other.right_mm - SLACK_MM
            and other.x_mm < self.right_mm - SLACK_MM
            and self.y_mm < other.top_mm - SLACK_MM
            and other.y_mm < self.top_mm - SLACK_MM
        )


def wane(section: Section, corner: str, along_mm: tuple[float, float]) -> Rect:
    """Wane or any loss at a corner, as a rectangle.

    Parameters
    ----------
    section : Section
        The section. [mm]
    corner : str
        The two faces that meet there, such as "ab".
    along_mm : (float, float)
        How far it reaches across the width and down the depth. [mm]

    Returns
    -------
    Rect
        In the section's axes. [mm]

    Raises
    ------
    OutOfRange
        If the two letters are no corner.
    """
    faces = set(corner.strip().lower())
    if len(faces) != 2 or not (faces & {"a", "c"} and faces & {"b", "d"}):
        raise OutOfRange("a corner", f"is ab, bc, cd or da, not {corner!r}")
    x, y = along_mm
    return Rect(
        x_mm=section.width_mm / 2 - x if Face.B.value in faces else -section.width_mm / 2,
        y_mm=section.depth_mm / 2 - y if Face.A.value in faces else -section.depth_mm / 2,
        width_mm=x,
        height_mm=y,
    )


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


def most_pieces(
    section: Section, defects: Sequence[Rect], piece_mm: tuple[float, float], kerf_mm: float
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

    Returns
    -------
    tuple of Rect
        The pieces; every one comes out by cuts that go right through what is left. [mm]

    Raises
    ------
    OutOfRange
        If the pieces are so small that the search would not end.
    """
    whole = _whole(section)
    x_at = _ends(whole.x_mm, whole.right_mm, [each.right_mm for each in defects], piece_mm, kerf_mm)
    y_at = _ends(whole.y_mm, whole.top_mm, [each.top_mm for each in defects], piece_mm, kerf_mm)
    if max(len(x_at), len(y_at)) > MOST_CUTS:
        raise OutOfRange(
            "the pieces",
            f"of {piece_mm[0]:.0f} x {piece_mm[1]:.0f} mm are too small for an exact search in "
            f"{section.width_mm:.0f} x {section.depth_mm:.0f} mm",
        )
    saw = _Saw(defects, piece_mm, kerf_mm, (x_at, y_at))
    return saw.best((whole.x_mm, whole.y_mm, whole.right_mm, whole.top_mm))


_Box = tuple[float, float, float, float]  # left, low, right, top


class _Saw:
    """The most pieces out of any rectangle that cuts leave, each worked out once."""

    def __init__(
        self,
        defects: Sequence[Rect],
        piece_mm: tuple[float, float],
        kerf_mm: float,
        cuts_at: tuple[list[float], list[float]],
    ) -> None:
        self._defects, self._piece, self._kerf, self._cuts_at = defects, piece_mm, kerf_mm, cuts_at
        self._shapes = sorted({piece_mm, (piece_mm[1], piece_mm[0])})
        self._known: dict[_Box, tuple[Rect, ...]] = {}

    def best(self, box: _Box) -> tuple[Rect, ...]:
        if box not in self._known:
            self._known[box] = self._search(box)
        return self._known[box]

    def _search(self, box: _Box) -> tuple[Rect, ...]:
        single = self._one(box)
        if single is None:
            return ()
        found: tuple[Rect, ...] = (single,)
        area = (box[2] - box[0]) * (box[3] - box[1])
        bound = math.floor(area / (self._piece[0] * self._piece[1]) + SLACK_MM)
        for low, high in self._cuts(box):
            if len(found) >= bound:
                break
            found = max(found, self.best(low) + self.best(high), key=len)
        return found

    def _cuts(self, box: _Box) -> Iterable[tuple[_Box, _Box]]:
        for axis in (0, 1):
            for at in self._cuts_at[axis]:
                if box[axis] < at < box[axis + 2] - self._kerf:
                    first, second = list(box), list(box)
                    first[axis + 2], second[axis] = at, _same(at + self._kerf)
                    yield (first[0], first[1], first[2], first[3]), (
                        second[0], second[1], second[2], second[3],
                    )  # fmt: skip

    def _one(self, box: _Box) -> Rect | None:
        """Lay a single piece anywhere in a box."""
        left, low, right, top = box
        starts_x = [left, *(each.right_mm for each in self._defects if left < each.right_mm < right)]
        starts_y = [low, *(each.top_mm for each in self._defects if low < each.top_mm < top)]
        for (wide, high), x, y in product(self._shapes, starts_x, starts_y):
            if x + wide <= right + SLACK_MM and y + high <= top + SLACK_MM:
                rect = Rect(x_mm=x, y_mm=y, width_mm=wide, height_mm=high)
                if not any(rect.meets(each) for each in self._defects):
                    return rect
        return None


def _ends(
    first: float, last: float, starts: Iterable[float], sides: tuple[float, float], kerf: float
) -> list[float]:
    """Places where a piece that is pushed against the section, a cut or a defect ends."""
    open_, seen, ends = [_same(first), *map(_same, starts)], set[float](), set[float]()
    while open_:
        start = open_.pop()
        if start in seen:
            continue
        seen.add(start)
        for side in set(sides):
            end = _same(start + side)
            if end <= last + SLACK_MM:
                ends.add(end)
                open_.append(_same(end + kerf))
        if len(ends) > 4 * MOST_CUTS:
            break
    return sorted(ends)


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
