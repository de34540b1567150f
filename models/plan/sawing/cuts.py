"""The order of the saw cuts that get a pattern out of a timber, and where each is marked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from baulk.models.plan.sawing.rects import SLACK_MM, Rect
from baulk.models.reason import Reason
from baulk.models.section import Section

NO_CUT_MM: Final = 0.5  # less beside a piece is left to the plane; our own judgement, no source
_Box = tuple[float, float, float, float]


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
    face : str
        The face it is measured from: d of an upright one, a of the other.
    off_mm : float
        From that face of the whole timber. [mm]
    marked_on : str
        Letters of the two faces on which it is marked.
    keeps_low : bool
        Whether the edge kept is that of the piece to the left of it or below it.
    """

    number: int
    upright: bool
    at_mm: float
    from_mm: float
    to_mm: float
    face: str
    off_mm: float
    marked_on: str
    keeps_low: bool

    def reason(self) -> Reason:
        """Return which cut, where it is measured from and which faces carry its mark."""
        return Reason(
            code="sawing.cut",
            values={
                "number": self.number,
                "face": self.face,
                "off_mm": self.off_mm,
                "marked_on": self.marked_on,
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
    found: list[tuple[bool, float, float, float, bool]] = []
    _free((-half_w, -half_d, half_w, half_d), list(pieces), found)
    return tuple(
        Cut(
            number=number,
            upright=upright,
            at_mm=at,
            from_mm=low,
            to_mm=high,
            face="d" if upright else "a",
            off_mm=at + half_w if upright else half_d - at,
            marked_on="ac" if upright else "bd",
            keeps_low=keeps_low,
        )
        for number, (upright, at, low, high, keeps_low) in enumerate(found, start=1)
    )


def _free(box: _Box, pieces: list[Rect], found: list[tuple[bool, float, float, float, bool]]) -> None:
    if len(pieces) > 1:
        for axis in (0, 1):
            for at in sorted(_high(each, axis) for each in pieces):
                low = [each for each in pieces if _high(each, axis) <= at + SLACK_MM]
                high = [each for each in pieces if _low(each, axis) >= at - SLACK_MM]
                if high and len(low) + len(high) == len(pieces):
                    found.append((axis == 0, at, box[1 - axis], box[3 - axis], True))
                    first, second = list(box), list(box)
                    first[axis + 2], second[axis] = at, min(_low(each, axis) for each in high)
                    _free((first[0], first[1], first[2], first[3]), low, found)
                    _free((second[0], second[1], second[2], second[3]), high, found)
                    return
        return
    rect, left = pieces[0], list(box)
    beside = [
        (rect.x_mm - box[0], 0, rect.x_mm), (rect.y_mm - box[1], 1, rect.y_mm),
        (box[2] - rect.right_mm, 2, rect.right_mm), (box[3] - rect.top_mm, 3, rect.top_mm),
    ]  # fmt: skip
    for gap, side, at in sorted(beside, key=lambda each: -each[0]):
        if gap > NO_CUT_MM:
            axis = side % 2
            found.append((axis == 0, at, left[1 - axis], left[3 - axis], side >= 2))
            left[side] = at


def _low(rect: Rect, axis: int) -> float:
    return rect.x_mm if axis == 0 else rect.y_mm


def _high(rect: Rect, axis: int) -> float:
    return rect.right_mm if axis == 0 else rect.top_mm
