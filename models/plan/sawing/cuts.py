"""The order of the saw cuts that get a pattern out of a timber, and where each is marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from baulk.models.plan.sawing.rects import SLACK_MM, Rect
from baulk.models.reason import Reason
from baulk.models.section import Section

NO_CUT_MM: Final = 0.5  # less beside a piece is left to the plane; our own judgement, no source
_Box: TypeAlias = tuple[float, float, float, float]
Side: TypeAlias = str | int
"""A face's letter, or the number of the cut that made the face that is there now."""
_Sides: TypeAlias = tuple[Side, Side, Side, Side]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """One cut that goes right through what is left.

    Parameters
    ----------
    number : int
        Its turn, from 1.
    upright : bool
        Whether it runs parallel to faces b and d, else to a and c.
    at_mm : float
        Where the edge that is kept lies, in the section's axes. [mm]
    from_mm, to_mm : float
        How far it reaches the other way. [mm]
    face : Side
        The face it is measured from: d of an upright one, a of the other; the number of the cut that has
        taken that face off, where one has.
    off_mm : float
        From that face. [mm]
    marked_on : (Side, Side)
        The two faces on which it is marked, the upper or right one first.
    keeps_low : bool
        Whether the edge kept is that of the piece to the left of it or below it.
    """

    number: int
    upright: bool
    at_mm: float
    from_mm: float
    to_mm: float
    face: Side
    off_mm: float
    marked_on: tuple[Side, Side]
    keeps_low: bool

    def reason(self) -> Reason:
        """Return which cut, where it is measured from and which faces carry its mark."""
        return Reason(
            code="sawing.cut",
            values={
                "number": self.number,
                "face": self.face,
                "off_mm": self.off_mm,
                "marked_on": list(self.marked_on),
                # the saw runs on the far side of the mark, seen from the face it is measured from
                "beyond": self.keeps_low == self.upright,
            },
        )


def order(section: Section, pieces: Sequence[Rect]) -> tuple[Cut, ...]:
    """Put the cuts that free some pieces in order: what parts most wood comes first.

    Parameters
    ----------
    section : Section
        The timber. [mm]
    pieces : sequence of Rect
        Pieces that through cuts can get out. [mm]

    Returns
    -------
    tuple of Cut
        Each goes right through what the ones before it left.
    """
    half_w, half_d = section.width_mm / 2, section.depth_mm / 2
    found: list[Cut] = []
    _free((-half_w, -half_d, half_w, half_d), ("d", "c", "b", "a"), list(pieces), found)
    return tuple(found)


def _free(box: _Box, sides: _Sides, pieces: list[Rect], found: list[Cut]) -> None:
    """Add the cuts that free some pieces from a box, whose left, lower, right and upper faces are named."""
    if len(pieces) > 1:
        for axis in (0, 1):
            for at in sorted(_high(each, axis) for each in pieces):
                low = [each for each in pieces if _high(each, axis) <= at + SLACK_MM]
                high = [each for each in pieces if _low(each, axis) >= at - SLACK_MM]
                if high and len(low) + len(high) == len(pieces):
                    cut = _cut(box, sides, axis, at, keeps_low=True, number=len(found) + 1)
                    found.append(cut)
                    beyond = min(_low(each, axis) for each in high)
                    _free(*_moved(box, sides, axis + 2, at, cut.number), low, found)
                    _free(*_moved(box, sides, axis, beyond, cut.number), high, found)
                    return
        return
    rect = pieces[0]
    beside = [
        (rect.x_mm - box[0], 0, rect.x_mm), (rect.y_mm - box[1], 1, rect.y_mm),
        (box[2] - rect.right_mm, 2, rect.right_mm), (box[3] - rect.top_mm, 3, rect.top_mm),
    ]  # fmt: skip
    for gap, side, at in sorted(beside, key=lambda each: -each[0]):
        if gap > NO_CUT_MM:
            cut = _cut(box, sides, side % 2, at, keeps_low=side >= 2, number=len(found) + 1)
            found.append(cut)
            box, sides = _moved(box, sides, side, at, cut.number)


def _cut(box: _Box, sides: _Sides, axis: int, at: float, *, keeps_low: bool, number: int) -> Cut:  # noqa: PLR0913 - what a cut is known by
    """Return a cut right through a box, measured from and marked on the faces that it has by then."""
    upright = axis == 0
    return Cut(
        number=number,
        upright=upright,
        at_mm=at,
        from_mm=box[1 - axis],
        to_mm=box[3 - axis],
        face=sides[0] if upright else sides[3],
        off_mm=at - box[0] if upright else box[3] - at,
        marked_on=(sides[3], sides[1]) if upright else (sides[2], sides[0]),
        keeps_low=keeps_low,
    )


def _moved(box: _Box, sides: _Sides, side: int, at: float, number: int) -> tuple[_Box, _Sides]:
    """Return a box one of whose faces a cut has moved, and its faces, that one named by the cut."""
    edges, names = list(box), list(sides)
    edges[side], names[side] = at, number
    return (edges[0], edges[1], edges[2], edges[3]), (names[0], names[1], names[2], names[3])


def _low(rect: Rect, axis: int) -> float:
    return rect.x_mm if axis == 0 else rect.y_mm


def _high(rect: Rect, axis: int) -> float:
    return rect.right_mm if axis == 0 else rect.top_mm
