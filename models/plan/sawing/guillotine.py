"""What through cuts can get out of a section: every best mixture of pieces.

A pattern can be pushed toward a side until each piece touches the section, a saw cut, a defect or a bevel, so
that cuts need to be tried only where such a piece ends, counted from the left and from the right. Where that
is too many lines, those of one piece are tried and the answer says that it is not the whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from baulk.models.plan.sawing.bevel import Bevel
from baulk.models.plan.sawing.rects import SLACK_MM, Rect
from baulk.models.section import Section

MOST_LINES: Final = 60  # places of cuts along one side of a box that the exact search takes on
MOST_PATTERNS: Final = 40  # of one box that are kept
LEAST_MM: Final = 1e-3  # narrower is no wood
MOST_BOXES: Final = 6_000  # of one section that are looked at
HEART_MM: Final = 20.0  # kept clear of the pith by pieces free of heart, each way; common practice, no source

Counts = tuple[int, ...]
Piece = tuple[int, Rect]
_Box = tuple[float, float, float, float]  # left, low, right, top
_Found = dict[Counts, tuple[Piece, ...]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A size to be cut, and where its heart may lie.

    Parameters
    ----------
    width_mm, depth_mm : float
        As sawn. [mm]
    heart : {"any", "boxed", "free"}
        Pith inside the piece, at least `HEART_MM` away from it, or wherever it falls.
    turns : bool
        Whether it may also lie on its side.
    most : int
        How many are wanted at most.
    """

    width_mm: float
    depth_mm: float
    heart: str = "any"
    turns: bool = True
    most: int = 1_000

    @property
    def shapes(self) -> tuple[tuple[float, float], ...]:
        """Width and height as it may lie. [mm]."""
        upright = (self.width_mm, self.depth_mm)
        return tuple(sorted({upright, upright[::-1]})) if self.turns else (upright,)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """One mixture of pieces and where they lie.

    Parameters
    ----------
    counts : tuple of int
        How many of each kind.
    pieces : tuple of (int, Rect)
        Number of the kind, and the place. [mm]
    """

    counts: Counts
    pieces: tuple[Piece, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Patterns:
    """The mixtures that no other one exceeds.

    Parameters
    ----------
    best : tuple of Pattern
        None of them lies within another.
    whole : bool
        Whether every cut that can matter was tried.
    """

    best: tuple[Pattern, ...]
    whole: bool


def patterns(  # noqa: PLR0913 - a section, what it may hold, and how far to search
    section: Section,
    defects: Sequence[Rect],
    bevels: Sequence[Bevel],
    kinds: Sequence[Kind],
    kerf_mm: float,
    *,
    most_boxes: int = MOST_BOXES,
) -> Patterns:
    """Find the mixtures of pieces that through cuts can get out of a section.

    Parameters
    ----------
    section : Section
        The section and its pith. [mm]
    defects, bevels : sequence of Rect, of Bevel
        What pieces keep clear of. [mm]
    kinds : sequence of Kind
        Sizes, at least one. [mm]
    kerf_mm : float
        Width of a cut, 0 or more. [mm]
    most_boxes : int
        How many rectangles are looked at before the search takes what it has; ten times as many of one size.

    Returns
    -------
    Patterns
        In the section's axes. [mm]

    References
    ----------
    Normal patterns: pushed to one side, as Herz (1972) and Christofides and Whitlock (1977), from memory.
    """
    saw = _Saw(
        section=section,
        defects=tuple(defects),
        bevels=tuple(bevels),
        kinds=tuple(kinds),
        kerf=kerf_mm,
        most=most_boxes,
    )
    half_w, half_d = section.width_mm / 2, section.depth_mm / 2
    found = saw.best((_same(-half_w), _same(-half_d), _same(half_w), _same(half_d)))
    return Patterns(
        best=tuple(Pattern(counts=counts, pieces=pieces) for counts, pieces in found.items()),
        whole=saw.whole,
    )


def small(section: Section, kind: Kind, kerf_mm: float) -> bool:
    """Whether a size is so small in a section that not every cut can be tried. [mm]."""
    sides = {kind.width_mm, kind.depth_mm}
    spans = (section.width_mm, section.depth_mm)
    return any(len(_ends({0.0}, sides, kerf_mm, (0.0, span))) > MOST_LINES for span in spans)


def clear(rect: Rect, defects: Iterable[Rect], bevels: Iterable[Bevel]) -> bool:
    """Whether a rectangle meets neither a defect nor a bevel. [mm]."""
    return not any(rect.meets(each) for each in defects) and not any(
        each.cuts(rect.x_mm, rect.y_mm, rect.right_mm, rect.top_mm) for each in bevels
    )


@dataclass(slots=True, kw_only=True)
class _Saw:
    """The best mixtures out of any rectangle that cuts leave, each worked out once."""

    section: Section
    defects: tuple[Rect, ...]
    bevels: tuple[Bevel, ...]
    kinds: tuple[Kind, ...]
    kerf: float
    most: int
    whole: bool = True
    known: dict[_Box, _Found] = field(default_factory=dict)
    plain: dict[tuple[float, float], _Found] = field(default_factory=dict)
    lines: tuple[list[float], list[float]] | None = None

    def best(self, box: _Box, *, uniform: bool = False) -> _Found:
        if uniform or self._uniform(box):
            size = (_same(box[2] - box[0]), _same(box[3] - box[1]))
            if size not in self.plain:
                self.plain[size] = self._search((0.0, 0.0, *size), uniform=True)
            return {
                c: tuple((k, _moved(r, box)) for k, r in pieces) for c, pieces in self.plain[size].items()
            }
        if box not in self.known:
            self.known[box] = self._search(box, uniform=False)
        return self.known[box]

    def _uniform(self, box: _Box) -> bool:
        """Whether nothing lies in a box that makes one place in it differ from another."""
        px, py = self.section.pith_x_mm, self.section.pith_y_mm
        if any(kind.heart == "boxed" for kind in self.kinds):
            near = 0.0
        elif any(kind.heart == "free" for kind in self.kinds):
            near = HEART_MM
        else:
            near = -1.0
        if near >= 0 and box[0] - near < px < box[2] + near and box[1] - near < py < box[3] + near:
            return False
        rect = Rect(x_mm=box[0], y_mm=box[1], width_mm=box[2] - box[0], height_mm=box[3] - box[1])
        return clear(rect, self.defects, self.bevels)

    def _search(self, box: _Box, *, uniform: bool) -> _Found:  # noqa: C901 - one search
        found: _Found = {}
        for number, kind in enumerate(self.kinds):
            rect = self._one(box, kind, uniform=uniform)
            if rect is not None:
                counts = tuple(int(i == number) for i in range(len(self.kinds)))
                found[counts] = ((number, rect),)
        if not found:
            return {(0,) * len(self.kinds): ()}
        if len(self.known) + len(self.plain) > self.most * (10 if len(self.kinds) == 1 else 1):
            self.whole = False
            return _without_lesser(found)
        least = min(kind.width_mm * kind.depth_mm for kind in self.kinds)
        most = (box[2] - box[0]) * (box[3] - box[1]) / least + SLACK_MM
        for low, high in self._cuts(box, uniform=uniform):
            if len(self.kinds) == 1 and max(sum(each) for each in found) >= int(most):
                break
            for counts, pieces in self.best(low, uniform=uniform).items():
                for others, more in self.best(high, uniform=uniform).items():
                    both = tuple(
                        min(a + b, kind.most) for a, b, kind in zip(counts, others, self.kinds, strict=True)
                    )
                    if both not in found:
                        found[both] = _as_many((*pieces, *more), both)
            if len(found) > 4 * MOST_PATTERNS:
                found = self._fewer(found)
        return self._fewer(found)

    def _fewer(self, found: _Found) -> _Found:
        kept = _without_lesser(found)
        if len(kept) <= MOST_PATTERNS:
            return kept
        self.whole = False
        area = [kind.width_mm * kind.depth_mm for kind in self.kinds]
        order = sorted(kept, key=lambda counts: -sum(n * a for n, a in zip(counts, area, strict=True)))
        return {counts: kept[counts] for counts in order[:MOST_PATTERNS]}

    def _cuts(self, box: _Box, *, uniform: bool) -> Iterable[tuple[_Box, _Box]]:
        if uniform:
            lines = self._lines(box, uniform=True)
        else:
            # once for the whole section: box by box, what leans on a bevel would give new lines without end
            if self.lines is None:
                half_w, half_d = _same(self.section.width_mm / 2), _same(self.section.depth_mm / 2)
                self.lines = self._lines((-half_w, -half_d, half_w, half_d), uniform=False)
            lines = self.lines
        for axis in (0, 1):
            for at in lines[axis]:
                if box[axis] + LEAST_MM < at < box[axis + 2] - self.kerf - LEAST_MM:
                    if uniform and at - box[axis] > (box[axis + 2] - box[axis] - self.kerf) / 2 + SLACK_MM:
                        continue  # its mirror image was tried
                    first, second = list(box), list(box)
                    first[axis + 2], second[axis] = at, _same(at + self.kerf)
                    yield (first[0], first[1], first[2], first[3]), (
                        second[0], second[1], second[2], second[3],
                    )  # fmt: skip

    def _lines(self, box: _Box, *, uniform: bool) -> tuple[list[float], list[float]]:
        """Places where a piece ends that is pushed to one side or the other."""
        found: list[list[float]] = []
        starts: list[tuple[set[float], set[float]]] = []
        for axis in (0, 1):
            low, high = {box[axis]}, {box[axis + 2]}
            if not uniform:
                for each in self.defects:
                    first, last = (each.x_mm, each.right_mm) if axis == 0 else (each.y_mm, each.top_mm)
                    low |= {_same(last)} if box[axis] < last < box[axis + 2] else set()
                    high |= {_same(first)} if box[axis] < first < box[axis + 2] else set()
                self._of_heart(box, axis, low, high)
            starts.append((low, high))
        if not uniform and self.bevels:
            self._of_bevels(box, starts)
        for axis in (0, 1):
            sides = {shape[axis] for kind in self.kinds for shape in kind.shapes}
            low, high = starts[axis]
            span = (box[axis], box[axis + 2])
            many = _ends(low, sides, self.kerf, span)
            if not uniform and self.bevels:  # without one, all can be pushed to the lower left
                many = many | {_same(-each - self.kerf) for each in _ends(
                    {-each for each in high}, sides, self.kerf, (-span[1], -span[0])
                )}  # fmt: skip
            if len(many) > MOST_LINES:
                self.whole = False
                many = {_same(start + side) for start in low for side in sides}
                if not uniform and self.bevels:
                    many |= {_same(start - side - self.kerf) for start in high for side in sides}
                many = {each for each in many if span[0] < each < span[1]}
            found.append(sorted(many))
        return found[0], found[1]

    def _of_heart(self, box: _Box, axis: int, low: set[float], high: set[float]) -> None:
        pith = self.section.pith_x_mm if axis == 0 else self.section.pith_y_mm
        if any(kind.heart == "free" for kind in self.kinds):
            low |= {_same(pith + HEART_MM)} if box[axis] < pith + HEART_MM < box[axis + 2] else set()
            high |= {_same(pith - HEART_MM)} if box[axis] < pith - HEART_MM < box[axis + 2] else set()

    def _of_bevels(self, box: _Box, starts: list[tuple[set[float], set[float]]]) -> None:
        """Add where a piece begins that leans against a bevel, its other side being pushed to either end."""
        for bevel in self.bevels:
            for axis in (0, 1):
                sides = {shape[1 - axis] for kind in self.kinds for shape in kind.shapes}
                low, high = starts[1 - axis]
                span = (box[1 - axis], box[3 - axis])
                # the sides next to the bevel of pieces that are pushed toward or away from it
                toward = bevel.up if axis == 0 else bevel.right
                if toward:
                    edges = {*high, *_ends(low, sides, self.kerf, span)}
                else:
                    edges = {
                        *low,
                        *(
                            -each
                            for each in _ends({-h for h in high}, sides, self.kerf, (-span[1], -span[0]))
                        ),
                    }
                for edge in edges:
                    at = _same(bevel.edge_x_mm(edge) if axis == 0 else bevel.edge_y_mm(edge))
                    if box[axis] < at < box[axis + 2]:
                        starts[axis][1 if (bevel.right if axis == 0 else bevel.up) else 0].add(at)

    def _one(self, box: _Box, kind: Kind, *, uniform: bool) -> Rect | None:
        """Lay a single piece anywhere in a box."""
        for wide, high in kind.shapes:
            if wide > box[2] - box[0] + SLACK_MM or high > box[3] - box[1] + SLACK_MM:
                continue
            if uniform:
                if kind.heart == "boxed":
                    continue  # the pith lies elsewhere
                return Rect(x_mm=box[0], y_mm=box[1], width_mm=wide, height_mm=high)
            for x, y in self._spots(box, wide, high, kind.heart):
                rect = Rect(x_mm=x, y_mm=y, width_mm=wide, height_mm=high)
                if clear(rect, self.defects, self.bevels) and self._heart_is(rect, kind.heart):
                    return rect
        return None

    def _spots(  # noqa: C901 - each line that a piece may lie along
        self, box: _Box, wide: float, high: float, heart: str
    ) -> Iterable[tuple[float, float]]:
        px, py = self.section.pith_x_mm, self.section.pith_y_mm
        last_x, last_y = _same(box[2] - wide), _same(box[3] - high)
        xs, ys = ({box[0], last_x}, {box[1], last_y}) if self.bevels else ({box[0]}, {box[1]})
        for each in self.defects:
            xs |= {each.right_mm, each.x_mm - wide} if self.bevels else {each.right_mm}
            ys |= {each.top_mm, each.y_mm - high} if self.bevels else {each.top_mm}
        if heart == "free":
            xs |= {_same(px + HEART_MM), _same(px - HEART_MM - wide)}
            ys |= {_same(py + HEART_MM), _same(py - HEART_MM - high)}
        elif heart == "boxed":
            xs |= {_same(px - wide / 2)}
            ys |= {_same(py - high / 2)}
        inside_x = sorted(each for each in xs if box[0] <= each <= last_x + SLACK_MM)
        inside_y = sorted(each for each in ys if box[1] <= each <= last_y + SLACK_MM)
        for x in inside_x:
            for y in inside_y:
                yield x, y
        for bevel in self.bevels:
            for x in inside_x:
                edge = bevel.edge_y_mm(x + wide if bevel.right else x)
                y = edge - high if bevel.up else edge
                if box[1] <= y <= last_y + SLACK_MM:
                    yield x, y
            for y in inside_y:
                edge = bevel.edge_x_mm(y + high if bevel.up else y)
                x = edge - wide if bevel.right else edge
                if box[0] <= x <= last_x + SLACK_MM:
                    yield x, y

    def _heart_is(self, rect: Rect, heart: str) -> bool:
        px, py = self.section.pith_x_mm, self.section.pith_y_mm
        if heart == "boxed":
            return rect.x_mm < px < rect.right_mm and rect.y_mm < py < rect.top_mm
        if heart == "free":
            return (
                px <= rect.x_mm - HEART_MM + SLACK_MM
                or px >= rect.right_mm + HEART_MM - SLACK_MM
                or py <= rect.y_mm - HEART_MM + SLACK_MM
                or py >= rect.top_mm + HEART_MM - SLACK_MM
            )
        return True


def _ends(starts: set[float], sides: set[float], kerf: float, span: tuple[float, float]) -> set[float]:
    """Places where pieces end that follow one another from any of the starts."""
    open_, seen, ends = list(starts), set[float](), set[float]()
    while open_:
        start = open_.pop()
        if start in seen:
            continue
        seen.add(start)
        for side in sides:
            end = _same(start + side)
            if span[0] < end <= span[1] + SLACK_MM:
                ends.add(end)
                open_.append(_same(end + kerf))
        if len(ends) > 4 * MOST_LINES:
            break
    return ends


def _without_lesser(found: _Found) -> _Found:
    """Leave out what another mixture exceeds in nothing less."""
    order = sorted(found, key=lambda counts: -sum(counts))
    kept: list[Counts] = []
    for counts in order:
        if not any(all(a <= b for a, b in zip(counts, more, strict=True)) for more in kept):
            kept.append(counts)
    return {counts: found[counts] for counts in kept}


def _as_many(pieces: Iterable[Piece], counts: Counts) -> tuple[Piece, ...]:
    left, kept = list(counts), []
    for kind, rect in pieces:
        if left[kind] > 0:
            left[kind] -= 1
            kept.append((kind, rect))
    return tuple(kept)


def _moved(rect: Rect, box: _Box) -> Rect:
    return Rect(
        x_mm=_same(rect.x_mm + box[0]),
        y_mm=_same(rect.y_mm + box[1]),
        width_mm=rect.width_mm,
        height_mm=rect.height_mm,
    )


def _same(mm: float) -> float:
    return round(mm, 4)
