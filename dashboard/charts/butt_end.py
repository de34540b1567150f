"""The butt end of a timber as a picture: moisture inside it, pith, pins, the finished piece.

Drawn as SVG on the server: it is seen with the first words of a page, before a browser has a chart library.
"""

from __future__ import annotations

import base64
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

import contourpy
import numpy as np
from numpy.typing import NDArray

from baulk.dashboard.charts.moisture_scale import DRY_PCT, MOISTURE, WET_PCT, moisture_colour
from baulk.dashboard.charts.time_series import EARTH, INK, QUIET
from baulk.ingest.evaluation.document import Document
from baulk.models.section import Face, Section
from baulk.models.timber import Timber
from baulk.models.units import System, show_length, show_size

LINES_PCT: Final = (12, 16, 20, 25, 30, 40, 50, 60, 80)
SIDE_PX: Final = 232.0  # of the longer side of the section
EDGE_PX: Final = 22.0  # around it, for the letters of the faces
SCALE_PX: Final = 40.0  # below it, for the scale of colours
FAR: Final = 4.0  # half-sides; a pith farther out than this is drawn at the edge
# the picture is a document of its own, so that a dark page has light letters in it too
STYLE: Final = (
    f"text{{font:13px sans-serif;fill:{INK}}}.q{{fill:{QUIET}}}.in{{fill:{INK};stroke:#fff;"
    "stroke-width:3.5px;paint-order:stroke;stroke-linejoin:round}.b{font-weight:700;font-size:16px}"
    "@media(prefers-color-scheme:dark){text{fill:#e8ece6}.q{fill:#aab5ae}"
    f".in{{fill:{INK}}}}}"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """Where a pair of pins sits."""

    depth_mm: float
    face: Face | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A drawing with what it shows in one sentence, which is its text for whoever does not see it.

    Attributes
    ----------
    svg : str
        The drawing.
    said : str
        The sentence.
    width_px : float
        Its width. [px]
    """

    svg: str
    said: str
    width_px: float

    def html(self, style: str = "") -> str:
        """Return it as a picture of a page; nothing in it can be a program."""
        data = base64.b64encode(self.svg.encode()).decode()
        return (
            f'<img class="b-picture" src="data:image/svg+xml;base64,{data}" alt="{escape(self.said)}" '
            f'style="width:{self.width_px:.0f}px;{style}">'
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """Where a place of the section, in mm from its centre with y up, lies on the picture."""

    left_mm: float
    top_mm: float
    per_mm: float
    edge_px: float = EDGE_PX

    def x(self, mm: float) -> float:
        """Return how far from the left it is, [px]."""
        return round(self.edge_px + (mm - self.left_mm) * self.per_mm, 2)

    def y(self, mm: float) -> float:
        """Return how far from the top it is, [px]."""
        return round(self.edge_px + (self.top_mm - mm) * self.per_mm, 2)

    def box(self, x_mm: float, y_mm: float, x2_mm: float, y2_mm: float, style: str) -> str:
        """Return a rectangle between two opposite corners."""
        wide, high = (x2_mm - x_mm) * self.per_mm, (y2_mm - y_mm) * self.per_mm
        return (
            f'<rect x="{self.x(x_mm):g}" y="{self.y(y2_mm):g}" width="{wide:.2f}" height="{high:.2f}" '
            f"{style}/>"
        )

    def text(self, x_mm: float, y_mm: float, words: str, kind: str = "", down_px: float = 4.5) -> str:
        """Return words about a place."""
        return (
            f'<text x="{self.x(x_mm):g}" y="{self.y(y_mm) + down_px:g}" text-anchor="middle" class="{kind}">'
            f"{escape(words)}</text>"
        )


def section(timber: Timber, answer: Document | None, pins: Sequence[Pin], system: System) -> Picture:
    """Draw the butt end: moisture by cell, core and average, the pith, the pins, the finished piece inside.

    Parameters
    ----------
    timber : Timber
        The piece.
    answer : Document or None
        Its evaluation; without one the section stays blank.
    pins : sequence of Pin
        Where pins have been read.
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    Picture
        To scale, face a up.
    """
    green = timber.section
    half_w, half_d = green.width_mm / 2, green.depth_mm / 2
    left, right = _reach(green.pith_x_mm, half_w)
    low, top = _reach(green.pith_y_mm, half_d)
    paper = Paper(left_mm=left, top_mm=top, per_mm=SIDE_PX / max(right - left, top - low))
    wide = (right - left) * paper.per_mm + 2 * EDGE_PX
    high = (top - low) * paper.per_mm + 2 * EDGE_PX
    parts = [paper.box(-half_w, -half_d, half_w, half_d, f'fill="#e9ece6" stroke="{INK}" stroke-width="1.5"')]
    if answer is not None:
        parts += [*_cells(answer, paper), *_lines(answer, paper)]
    parts += _marks(timber, pins, paper)
    if answer is not None:
        marks = [(green.pith_x_mm, green.pith_y_mm), *(_tip(green, pin) for pin in pins)]
        parts += _numbers(green, answer, paper, marks)
        wide = max(wide, 210.0)
        parts.append(_scale(wide, high))
        high += SCALE_PX
    return Picture(svg=document(wide, high, parts), said=finding(timber, answer, pins, system), width_px=wide)


def document(wide: float, high: float, parts: Sequence[str]) -> str:
    """Return parts as one drawing."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.0f} {high:.0f}" width="{wide:.0f}" '
        f'height="{high:.0f}"><style>{STYLE}</style>{"".join(parts)}</svg>'
    )


def finding(timber: Timber, answer: Document | None, pins: Sequence[Pin], system: System) -> str:
    """Return in one sentence what the picture shows.

    Parameters
    ----------
    timber, answer, pins, system
        As of `section`.
    """
    piece = show_size(timber.finished.width_mm, timber.finished.depth_mm, system)
    heart = "the pith inside" if timber.section.boxed_heart else "the pith outside"
    deep = sorted({pin.depth_mm for pin in pins})
    read = (
        f"pins read {', '.join(show_length(mm, system) for mm in deep)} deep" if deep else "no pins read yet"
    )
    wet = "no moisture worked out yet"
    if answer is not None:
        core, mean = answer.core_now_pct.median, answer.mean_now_pct.median
        wet = f"{core:.0f} % MC in the core and {mean:.0f} % on average"
    return f"Butt end, face a up: {wet}; {heart}; {read}; dashed, the finished {piece}."


def _reach(pith_mm: float, half_mm: float) -> tuple[float, float]:
    """Return the ends of the picture so that a pith just outside the section is still in it."""
    return (
        max(min(-half_mm, pith_mm * 1.06), -FAR * half_mm),
        min(max(half_mm, pith_mm * 1.06), FAR * half_mm),
    )


def _cells(answer: Document, paper: Paper) -> list[str]:
    field = answer.field_now
    found = []
    for row, low, high in zip(field.median_pct, field.y_edges_mm, field.y_edges_mm[1:], strict=False):
        for mc, left, right in zip(row, field.x_edges_mm, field.x_edges_mm[1:], strict=False):
            style = f'fill="{moisture_colour(mc)}" shape-rendering="crispEdges"'
            found.append(paper.box(left, low, right, high, style))
    return found


def equal_moisture(answer: Document) -> list[tuple[int, NDArray[np.float64]]]:
    """Return lines of equal moisture from the core out: each its percent and its points.

    Parameters
    ----------
    answer : Document
        The evaluation.

    Returns
    -------
    list of (int, ndarray of shape (n, 2))
        Percent MC, and x and y of the line from the centre. [mm]
    """
    field = answer.field_now
    x, y = np.asarray(field.x_edges_mm), np.asarray(field.y_edges_mm)
    drawn = contourpy.contour_generator(
        (x[:-1] + x[1:]) / 2, (y[:-1] + y[1:]) / 2, np.asarray(field.median_pct), name="serial"
    )
    found: list[tuple[int, NDArray[np.float64]]] = []
    for level in reversed(LINES_PCT):
        lines: Any = drawn.lines(level)  # by its own name of the form: a list of arrays
        found += [(level, line) for line in lines]
    return found


def _lines(answer: Document, paper: Paper) -> list[str]:
    return [
        f'<polyline points="{" ".join(f"{paper.x(a):g},{paper.y(b):g}" for a, b in line)}" fill="none" '
        'stroke="#fff" stroke-width="1" opacity="0.7"/>'
        for _, line in equal_moisture(answer)
    ]


def _marks(timber: Timber, pins: Sequence[Pin], paper: Paper) -> list[str]:
    green, want = timber.section, timber.finished
    half_w, half_d = green.width_mm / 2, green.depth_mm / 2
    edge = 11 / paper.per_mm
    piece = (
        want.centre_x_mm - want.width_mm / 2,
        want.centre_y_mm - want.depth_mm / 2,
        want.centre_x_mm + want.width_mm / 2,
        want.centre_y_mm + want.depth_mm / 2,
    )
    x, y = paper.x(green.pith_x_mm), paper.y(green.pith_y_mm)
    cross = f"M{x - 9:g} {y:g}h18M{x:g} {y - 9:g}v18"
    letters = {
        "a": (0, half_d + edge),
        "b": (half_w + edge, 0),
        "c": (0, -half_d - edge),
        "d": (-half_w - edge, 0),
    }
    return [
        # white under dark, so that the square shows on straw and on deep water alike
        paper.box(*piece, 'fill="none" stroke="#fff" stroke-width="4"'),
        paper.box(*piece, f'fill="none" stroke="{INK}" stroke-width="1.8" stroke-dasharray="6 4"'),
        f'<path d="{cross}" stroke="{INK}" stroke-width="6" fill="none"/>',
        f'<path d="{cross}" stroke="#fff" stroke-width="3.4" fill="none"/>',
        *(paper.text(*at, face, "q") for face, at in letters.items()),
        *(
            f'<circle cx="{paper.x(at[0]):g}" cy="{paper.y(at[1]):g}" r="5.5" fill="{EARTH}" stroke="#fff" '
            'stroke-width="1.6"/>'
            for at in (_tip(green, pin) for pin in pins)
        ),
    ]


def _tip(green: Section, pin: Pin) -> tuple[float, float]:
    """Place the tips of a pair of pins; those without a face are drawn under face a."""
    return green.pin_tip_mm(pin.depth_mm, pin.face or Face.A)


def _numbers(
    green: Section, answer: Document, paper: Paper, marks: Sequence[tuple[float, float]]
) -> list[str]:
    """Print core and average above or below the middle, where they cover the fewest marks."""

    def free(share: float) -> float:
        return min(float(np.hypot(x / 2, y - share * green.depth_mm)) for x, y in marks)

    y_mm = max((-0.22, 0.22), key=free) * green.depth_mm
    return [
        paper.text(0, y_mm, f"core {answer.core_now_pct.median:.0f} %", "in b", -3),
        paper.text(0, y_mm, f"average {answer.mean_now_pct.median:.0f} %", "in", 15),
    ]


def _scale(wide: float, top: float) -> str:
    """Return the scale of colours with its ends."""
    long, n = 150.0, len(MOISTURE)
    left = (wide - long) / 2
    stops = "".join(f'<stop offset="{i / (n - 1):.3f}" stop-color="{c}"/>' for i, c in enumerate(MOISTURE))
    ends = "".join(
        f'<text x="{x:.0f}" y="{top + 9:.0f}" text-anchor="{side}" class="q">{words}</text>'
        for x, side, words in (
            (left - 6, "end", f"{DRY_PCT:.0f} %"),
            (left + long + 6, "start", f"{WET_PCT:.0f} %"),
        )
    )
    return (
        f'<defs><linearGradient id="mc">{stops}</linearGradient></defs>'
        f'<rect x="{left:.0f}" y="{top - 1:.0f}" width="{long:.0f}" height="10" fill="url(#mc)"/>{ends}'
        f'<text x="{wide / 2:.0f}" y="{top + 26:.0f}" text-anchor="middle" class="q">'
        "moisture content, MC</text>"
    )
