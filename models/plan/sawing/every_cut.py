"""The most pieces of one size by every through cut on a given set of lines, all boxes between them at once.

Where wane or defects leave more places for cuts than `guillotine` tries one by one, the likeliest of them are
taken here and every way to cut along them is tried. What is found can be sawn; that nothing better lies
between the lines is not shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.plan.sawing.bevel import Bevel
from baulk.models.plan.sawing.rects import SLACK_MM, Rect
from baulk.models.section import Section

MOST_CUTS: Final = 40  # lines along one side; the work grows as their fifth power
LEAST_MM: Final = 1e-3  # two lines nearer than this are one
Box = tuple[int, int, int, int]  # numbers of the left, right, lower and upper line
_Floats = NDArray[np.float64]
_Whole = NDArray[np.int8]
_Counts = dict[tuple[int, int], NDArray[np.int8]]
_Spans = list[tuple[float, float]]


def most(
    section: Section,
    defects: Sequence[Rect],
    bevels: Sequence[Bevel],
    piece_mm: tuple[float, float],
    kerf_mm: float,
) -> tuple[Rect, ...]:
    """Lay out the most pieces of one size that cuts along the likeliest lines get out of a section.

    Parameters
    ----------
    section : Section
        The section. [mm]
    defects, bevels : sequence of Rect, of Bevel
        What pieces keep clear of. [mm]
    piece_mm : (float, float)
        Size of the pieces; each may be turned. [mm]
    kerf_mm : float
        Width of a cut, 0 or more. [mm]

    Returns
    -------
    tuple of Rect
        The pieces; every one comes out by cuts that go right through what is left. [mm]

    References
    ----------
    Recursion over boxes, as Gilmore and Gomory (1966), from memory.
    """
    shapes = tuple({piece_mm, piece_mm[::-1]})
    wood = _Wood(section=section, defects=tuple(defects), bevels=tuple(bevels))
    cuts = wood.lines(shapes, kerf_mm)
    half = (section.width_mm / 2, section.depth_mm / 2)
    begins = [np.array([-side, *(np.array(at) + kerf_mm)]) for at, side in zip(cuts, half, strict=True)]
    ends = [np.array([*at, side]) for at, side in zip(cuts, half, strict=True)]
    across = {
        shape: _spans([wood.clear_across(float(y), shape) for y in (*begins[1], *(ends[1] - shape[1]))])
        for shape in shapes
    }
    grid = _Grid(
        wood=wood, shapes=shapes, begins=(begins[0], begins[1]), ends=(ends[0], ends[1]), across=across
    )
    return tuple(grid.laid())


def _spans(found: Sequence[_Spans]) -> tuple[_Floats, _Floats]:
    """Return where the spans of each line begin and end; one of none begins behind its end."""
    most_of_one = max(1, *(len(each) for each in found))
    first, last = (np.full((len(found), most_of_one), end) for end in (np.inf, -np.inf))
    for line, spans in enumerate(found):
        for n, span in enumerate(spans):
            first[line, n], last[line, n] = span
    return first, last


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wood:
    """A section and what no piece may hold."""

    section: Section
    defects: tuple[Rect, ...]
    bevels: tuple[Bevel, ...]

    def lines(self, shapes: Sequence[tuple[float, float]], kerf_mm: float) -> tuple[list[float], list[float]]:
        """Return where cuts are tried: where rows of pieces end, from an edge first, then from wane. [mm]."""
        sides = {side for shape in shapes for side in shape}
        half = (self.section.width_mm / 2, self.section.depth_mm / 2)
        plain = [
            [
                *_chain([-half[axis], *self._edges(axis, far=True)], sides, kerf_mm, half[axis]),
                *(
                    -each - kerf_mm
                    for each in _chain(
                        [-half[axis], *(-at for at in self._edges(axis, far=False))],
                        sides,
                        kerf_mm,
                        half[axis],
                    )
                ),
            ]
            for axis in (0, 1)
        ]
        found = []
        for axis in (0, 1):
            leaning: list[float] = []
            other = [-half[1 - axis], half[1 - axis], *plain[1 - axis]]
            for bevel in self.bevels:
                upward = bevel.right if axis == 0 else bevel.up
                for at in other:
                    edge = bevel.edge_x_mm(at) if axis == 0 else bevel.edge_y_mm(at)
                    chain = _chain([-edge if upward else edge], sides, kerf_mm, half[axis], most=3)
                    leaning += [-each - kerf_mm for each in chain] if upward else chain
            found.append(_distinct([*plain[axis], *leaning], half[axis], kerf_mm))
        return found[0], found[1]

    def _edges(self, axis: int, *, far: bool) -> list[float]:
        if axis == 0:
            return [each.right_mm if far else each.x_mm for each in self.defects]
        return [each.top_mm if far else each.y_mm for each in self.defects]

    def clear_up(self, x_mm: float, shape: tuple[float, float]) -> _Spans:
        """Between which y a piece of that shape lies clear whose left side is at x. [mm]."""
        low, high = -self.section.depth_mm / 2, self.section.depth_mm / 2 - shape[1]
        for bevel in self.bevels:
            edge = bevel.edge_y_mm(x_mm + shape[0] if bevel.right else x_mm)
            low, high = (low, min(high, edge - shape[1])) if bevel.up else (max(low, edge), high)
        blocked = [
            (each.y_mm - shape[1], each.top_mm)
            for each in self.defects
            if each.x_mm < x_mm + shape[0] - SLACK_MM and each.right_mm > x_mm + SLACK_MM
        ]
        return _gaps(low, high, blocked)

    def clear_across(self, y_mm: float, shape: tuple[float, float]) -> _Spans:
        """Between which x a piece of that shape lies clear whose lower side is at y. [mm]."""
        low, high = -self.section.width_mm / 2, self.section.width_mm / 2 - shape[0]
        for bevel in self.bevels:
            edge = bevel.edge_x_mm(y_mm + shape[1] if bevel.up else y_mm)
            low, high = (low, min(high, edge - shape[0])) if bevel.right else (max(low, edge), high)
        blocked = [
            (each.x_mm - shape[0], each.right_mm)
            for each in self.defects
            if each.y_mm < y_mm + shape[1] - SLACK_MM and each.top_mm > y_mm + SLACK_MM
        ]
        return _gaps(low, high, blocked)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Grid:
    """Every box between lines: it begins behind one cut and ends at another."""

    wood: _Wood
    shapes: tuple[tuple[float, float], ...]
    begins: tuple[_Floats, _Floats]
    ends: tuple[_Floats, _Floats]
    across: dict[tuple[float, float], tuple[_Floats, _Floats]]  # where a piece lies clear along each line

    def laid(self) -> list[Rect]:
        """Return the most pieces out of the whole section."""
        return self._pieces(self._counts(), (0, self.ends[0].size, 0, self.ends[1].size))

    def _counts(self) -> _Counts:
        """Return the most pieces of every box: by how many lines it spans each way, then where it begins."""
        n, m = self.ends[0].size, self.ends[1].size
        single = {(i, j): self._singles(i, j) for i in range(n) for j in range(i + 1, n + 1)}
        held: _Counts = {}
        for wide in range(1, n + 1):
            here = n + 1 - wide
            one = np.array([single[i, i + wide] for i in range(here)])
            for high in range(1, m + 1):
                there = m + 1 - high
                best = np.diagonal(one, high - 1, axis1=1, axis2=2).copy()
                if not best.any():  # not even one piece has room in any of them
                    held[wide, high] = best
                    continue
                for k in range(1, wide):
                    np.maximum(best, held[k, high][:here] + held[wide - k, high][k : k + here], out=best)
                for k in range(1, high):
                    np.maximum(
                        best, held[wide, k][:, :there] + held[wide, high - k][:, k : k + there], out=best
                    )
                held[wide, high] = best
        return held

    def _singles(self, i: int, j: int) -> _Whole:
        """Return whether one piece lies clear in each box between two upright lines, shape (m, m)."""
        left, right = float(self.begins[0][i]), float(self.ends[0][j - 1])
        low, top = self.begins[1][:, None], self.ends[1][None, :]
        found = np.zeros((low.size, top.size), bool)
        for shape in self.shapes:
            wide, high = shape
            if right - left < wide - SLACK_MM:
                continue
            fits = top - low >= high - SLACK_MM
            for x in self._stops(left, right - wide, shape[0]):
                for first, last in self.wood.clear_up(x, shape):
                    found |= fits & (np.maximum(low, first) <= np.minimum(top - high, last) + SLACK_MM)
            starts, stops = self.across[shape]
            clear = np.any(np.maximum(left, starts) <= np.minimum(right - wide, stops) + SLACK_MM, axis=1)
            lines = self.begins[1].size
            found |= fits & (clear[:lines, None] | clear[None, lines:])
        return found.astype(np.int8)

    def _stops(self, first: float, last: float, wide: float) -> list[float]:
        """Where a piece can be pushed to along the width: to either side, or against a defect. [mm]."""
        against = [
            at for each in self.wood.defects for at in (each.right_mm, each.x_mm - wide) if first < at < last
        ]
        return [first, last, *against]

    def _pieces(self, held: _Counts, box: Box) -> list[Rect]:
        """Follow the counts of a box down to single pieces."""
        left, right, low, top = box
        count = _at(held, box)
        if count == 0:
            return []
        halves = [((left, k, low, top), (k, right, low, top)) for k in range(left + 1, right)]
        halves += [((left, right, low, k), (left, right, k, top)) for k in range(low + 1, top)]
        for one, other in halves:
            if _at(held, one) and _at(held, other) and _at(held, one) + _at(held, other) == count:
                return self._pieces(held, one) + self._pieces(held, other)
        if count > 1:  # the rest of it lies in one half
            one = next(half for pair in halves for half in pair if _at(held, half) == count)
            return self._pieces(held, one)
        return [self._one(box)]

    def _one(self, box: Box) -> Rect:
        """Return where the single piece of a box lies."""
        i, j, p, q = box
        left, right = float(self.begins[0][i]), float(self.ends[0][j - 1])
        low, top = float(self.begins[1][p]), float(self.ends[1][q - 1])
        for shape in self.shapes:
            wide, high = shape
            if right - left < wide - SLACK_MM or top - low < high - SLACK_MM:
                continue
            for x in self._stops(left, right - wide, wide):
                for first, last in self.wood.clear_up(x, shape):
                    if max(low, first) <= min(top - high, last) + SLACK_MM:
                        return Rect(x_mm=x, y_mm=max(low, first), width_mm=wide, height_mm=high)
            for y in (low, top - high):
                for first, last in self.wood.clear_across(y, shape):
                    if max(left, first) <= min(right - wide, last) + SLACK_MM:
                        return Rect(x_mm=max(left, first), y_mm=y, width_mm=wide, height_mm=high)
        raise AssertionError("a box that holds a piece has a place for it")


def _at(held: _Counts, box: Box) -> int:
    left, right, low, top = box
    return int(held[right - left, top - low][left, low])


def _chain(
    starts: Iterable[float], sides: Iterable[float], kerf_mm: float, last_mm: float, most: int = MOST_CUTS
) -> list[float]:
    """Where pieces end that follow one another from any of the starts, the fewest pieces first. [mm]."""
    lengths, found, begins = tuple(sides), [], list(starts)
    for _ in range(most):
        ends = sorted({round(begin + side, 4) for begin in begins for side in lengths})
        ends = [end for end in ends if end <= last_mm + SLACK_MM]
        found += [end for end in ends if end not in found]
        begins = [end + kerf_mm for end in ends]
        if not begins or len(found) >= MOST_CUTS:
            break
    return found[:most]


def _distinct(cuts: Iterable[float], half_mm: float, kerf_mm: float) -> list[float]:
    """Take the first of them, as many as are tried, each with wood on both sides, in their order. [mm]."""
    kept: list[float] = []
    for at in cuts:
        inside = -half_mm + LEAST_MM < at < half_mm - kerf_mm - LEAST_MM
        if inside and all(abs(at - each) > LEAST_MM for each in kept):
            kept.append(at)
        if len(kept) == MOST_CUTS:
            break
    return sorted(kept)


def _gaps(low: float, high: float, blocked: Iterable[tuple[float, float]]) -> _Spans:
    """Return what of a span is not blocked; spans of no length count."""
    found, at = [], low
    for first, last in sorted(blocked):
        if first >= at - SLACK_MM:
            found.append((at, min(first, high)))
        at = max(at, last)
    found.append((at, high))
    return [(first, last) for first, last in found if first <= last + SLACK_MM]
