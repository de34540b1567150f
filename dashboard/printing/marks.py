"""Boxes, strokes and words on paper, and words set where they touch nothing else.

Lengths are in millimetres of paper, y up.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

Anchor = Literal["start", "middle", "end"]

TEXT_MM: Final = 3.8
LETTER: Final = 0.62  # of the height of a letter, its width: wider than most
CLEAR_MM: Final = 0.5  # between words and anything else


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle on the paper."""

    x: float
    y: float
    wide: float
    high: float
    fill: str = ""
    dashed: bool = False
    heavy: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A stroke on the paper."""

    x1: float
    y1: float
    x2: float
    y2: float
    heavy: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """A line of text on the paper; on a plate it covers the stroke that it belongs to."""

    x: float
    y: float
    text: str
    anchor: Anchor = "start"
    quiet: bool = False
    plate: bool = False

    @property
    def room(self) -> tuple[float, float, float, float]:
        """Left, low, right and top of what it takes, [mm]."""
        wide = LETTER * TEXT_MM * len(self.text)
        left = self.x - {"start": 0.0, "middle": wide / 2, "end": wide}[self.anchor]
        return left, self.y - 0.25 * TEXT_MM, left + wide, self.y + 0.8 * TEXT_MM

    @property
    def behind(self) -> Box:
        """Its plate."""
        left, low, right, top = self.room
        return Box(x=left, y=low, wide=right - left, high=top - low)


Mark = Box | Line | Words


def strokes(mark: Mark) -> tuple[tuple[float, float, float, float], ...]:
    """Return the strokes of a mark, each from one end to the other; none of words. [mm]."""
    if isinstance(mark, Line):
        return ((mark.x1, mark.y1, mark.x2, mark.y2),)
    if isinstance(mark, Box):
        right, top = mark.x + mark.wide, mark.y + mark.high
        return (
            (mark.x, mark.y, right, mark.y), (right, mark.y, right, top),
            (mark.x, top, right, top), (mark.x, mark.y, mark.x, top),
        )  # fmt: skip
    return ()


def touches(words: Words, marks: Iterable[Mark]) -> int:
    """Count the marks that some words touch.

    Parameters
    ----------
    words : Words
        Where they stand. [mm]
    marks : iterable of Mark
        What else stands on the paper.

    Returns
    -------
    int
        Strokes that run through their room, and other words in it.
    """
    left, low, right, top = words.room
    room = (left - CLEAR_MM, low - CLEAR_MM, right + CLEAR_MM, top + CLEAR_MM)
    found = 0
    for each in marks:
        if isinstance(each, Words):
            other = each.room
            found += room[0] < other[2] and other[0] < room[2] and room[1] < other[3] and other[1] < room[3]
        else:
            found += any(_through(stroke, room) for stroke in strokes(each))
    return found


def _through(stroke: tuple[float, float, float, float], room: tuple[float, float, float, float]) -> bool:
    """Whether a stroke has a part in a room: clipped to it, something is left."""
    x1, y1, x2, y2 = stroke
    first, last = 0.0, 1.0
    for begin, run, low, high in ((x1, x2 - x1, room[0], room[2]), (y1, y2 - y1, room[1], room[3])):
        if abs(run) < 1e-9:
            if not low < begin < high:
                return False
            continue
        enter, leave = sorted(((low - begin) / run, (high - begin) / run))
        first, last = max(first, enter), min(last, leave)
    return first < last


def on_stroke(
    words: Words, stroke: tuple[float, float, float, float], marks: Sequence[Mark], others: Sequence[Mark]
) -> Words:
    """Set words on their own stroke, where they touch least.

    Parameters
    ----------
    words : Words
        What is to be set.
    stroke : (float, float, float, float)
        From one end to the other. [mm]
    marks : sequence of Mark
        What stands there already, the stroke itself left out.
    others : sequence of Mark
        What is to be kept clear of as well.

    Returns
    -------
    Words
        On a plate, in the middle of the stroke or as near to it as they touch nothing.
    """
    x1, y1, x2, y2 = stroke
    best, least = words, 10_000
    for step in range(31):
        share = 0.5 + (-1) ** step * ((step + 1) // 2) * 0.032
        here = replace(
            words,
            x=x1 + (x2 - x1) * share,
            y=y1 + (y2 - y1) * share - 0.28 * TEXT_MM,
            anchor="middle",
            plate=True,
        )
        met = touches(here, (*marks, *others))
        if met < least:
            best, least = here, met
        if met == 0:
            break
    return best


def beside(words: Words, spots: Iterable[tuple[float, float, Anchor]], marks: Sequence[Mark]) -> Words:
    """Set words at the first of some spots where they touch nothing, else where they touch least.

    Parameters
    ----------
    words : Words
        What is to be set.
    spots : iterable of (float, float, Anchor)
        At least one. [mm]
    marks : sequence of Mark
        What stands there already.

    Returns
    -------
    Words
        On a plate where something runs behind them.
    """
    tried = [replace(words, x=x, y=y, anchor=anchor) for x, y, anchor in spots]
    met = [touches(each, marks) for each in tried]
    least = met.index(min(met))
    return replace(tried[least], plate=met[least] > 0)
