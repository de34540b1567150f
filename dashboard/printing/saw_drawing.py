"""A drawing to take to the saw: the butt end, the pieces with their distances from faces a and d, the pith.

One list of strokes and words is written twice, as SVG and as PDF. Lengths are in millimetres of paper, y up.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Final, Literal

from baulk.models.errors import OutOfRange
from baulk.models.plan.sawing.cuts import Cut
from baulk.models.plan.sawing.cutting import Choice, CutPlan, Laid, Stock
from baulk.models.plan.sawing.order import SizePlan
from baulk.models.plan.sawing.rects import Rect
from baulk.models.section import Face
from baulk.models.text import sentence, sentences
from baulk.models.units import System, show_length, show_size

Anchor = Literal["start", "middle", "end"]

PAPER_MM: Final = 180.0
_EDGE_MM: Final = 24.0
_TEXT_MM: Final = 3.8
_LINE_MM: Final = 5.4
_BLOCK_MM: Final = 8.0  # where the lines below the drawing begin
_ROW: Final = 88  # letters in a line
_INK: Final = "#1c2321"
_QUIET: Final = "#5c6662"
_LOSS: Final = "#d9cfc3"
_PIECE: Final = "#eef1ea"
SUFFIXES: Final = (".svg", ".pdf")


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
    """A line of text on the paper."""

    x: float
    y: float
    text: str
    anchor: Anchor = "start"
    quiet: bool = False


Mark = Box | Line | Words


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A finished drawing."""

    wide: float
    high: float
    marks: tuple[Mark, ...]

    def svg(self) -> str:
        """Write it as SVG."""
        body = "\n".join(_svg(mark, self.high) for mark in self.marks)
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{self.wide:g}mm" height="{self.high:.1f}mm" '
            f'viewBox="0 0 {self.wide:g} {self.high:.1f}" font-family="sans-serif" font-size="{_TEXT_MM}">\n'
            f'<rect width="100%" height="100%" fill="#ffffff"/>\n{body}\n</svg>\n'
        )

    def screen(self) -> tuple[str, tuple[str, ...]]:
        """Write it as SVG for a page, its letters larger on a phone, and apart from it the lines below it."""
        said = [mark for mark in self.marks if isinstance(mark, Words) and mark.x == _BLOCK_MM]
        drawn = [mark for mark in self.marks if mark not in said]
        high = self.high - min((mark.y for mark in drawn if isinstance(mark, Words)), default=0.0) + _TEXT_MM
        body = "\n".join(_svg(mark, self.high) for mark in drawn)
        svg = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.wide:g} {high:.1f}" '
            'font-family="sans-serif">\n'
            "<style>text{font-size:5px}@media(max-width:480px){text{font-size:7px}}</style>\n"
            f'<rect width="100%" height="100%" fill="#ffffff"/>\n{body}\n</svg>\n'
        )
        return svg, tuple(mark.text for mark in sorted(said, key=lambda mark: -mark.y))

    def pdf(self) -> bytes:
        """Write it as PDF, one page."""
        from reportlab.pdfgen.canvas import Canvas  # noqa: PLC0415 - slow to load

        out = io.BytesIO()
        per = 72 / 25.4
        page = Canvas(out, pagesize=(self.wide * per, self.high * per), pageCompression=1)
        page.setTitle("To the saw")
        page.scale(per, per)
        self.draw_on(page)
        page.showPage()
        page.save()
        return out.getvalue()

    def draw_on(self, page: object) -> None:
        """Draw it on a page of the PDF library whose unit is the millimetre."""
        for mark in self.marks:
            _pdf(page, mark)

    def for_file(self, path: Path) -> bytes:
        """Write it as the name of a file asks.

        Raises
        ------
        OutOfRange
            If the name ends in neither .svg nor .pdf.
        """
        if path.suffix.lower() not in SUFFIXES:
            raise OutOfRange("the drawing", f"is written as .svg or .pdf, not as {path.name!r}")
        return self.svg().encode() if path.suffix.lower() == ".svg" else self.pdf()


def of_cut(plan: CutPlan, system: System, choice: int = 0) -> Sheet:
    """Draw one choice of a cutting plan.

    Parameters
    ----------
    plan : CutPlan
        The plan.
    system : "inch" or "metric"
        Units of the sizes.
    choice : int
        Which choice.

    Returns
    -------
    Sheet
        The drawing.
    """
    taken: Choice = plan.choices[choice]
    lines = [
        f"{plan.stock.name}: {sentence(taken.name, system)}. {plan.species}, {plan.mean_pct:.0f} % now.",
        *(_piece_words(number, laid, system) for number, laid in enumerate(taken.pieces, start=1)),
        *sentences([each.reason() for each in plan.cuts(choice)], system),
        "Seen from the butt end, face a up. Distances are to the edge of the cut; measure twice.",
    ]
    return _sheet(plan.stock, taken.pieces, lines, system, plan.cuts(choice))


def of_size(plan: SizePlan, system: System) -> Sheet:
    """Draw a green size with the finished piece in it.

    Parameters
    ----------
    plan : SizePlan
        The plan.
    system : "inch" or "metric"
        Units of the sizes.

    Returns
    -------
    Sheet
        The drawing.
    """
    green, finished = plan.green, plan.finished
    side_x, side_y = (green.width_mm - finished.width_mm) / 2, (green.depth_mm - finished.depth_mm) / 2
    laid = Laid(
        piece=finished,
        finished_width_mm=finished.width_mm,
        finished_depth_mm=finished.depth_mm,
        boxed=finished.inside(green).boxed_heart,
        off_mm={Face.A: side_y, Face.B: side_x, Face.C: side_y, Face.D: side_x},
        largest_mm=0.0,
        width_mm=0.0,
        depth_mm=0.0,
        out_of_square_mm=0.0,
        cup_mm=0.0,
        check_mm=0.0,
        spare_mm=0.0,
    )
    lines = list(sentences(plan.lines()[:2], system))
    stock = Stock(name="green", section=green, length_mm=plan.green_length_mm)
    return _sheet(stock, (laid,), lines, system)


def _piece_words(number: int, laid: Laid, system: System) -> str:
    return (
        f"{number}: saw {show_size(laid.piece.width_mm, laid.piece.depth_mm, system)} for "
        f"{show_size(laid.finished_width_mm, laid.finished_depth_mm, system)}; "
        f"{show_length(laid.off_mm['a'], system)} from face a, {show_length(laid.off_mm['d'], system)} from "
        f"face d; {'pith inside' if laid.boxed else 'free of heart'}"
    )


def _sheet(
    stock: Stock,
    pieces: Sequence[Laid],
    lines: Sequence[str],
    system: System,
    cuts: Sequence[Cut] = (),
) -> Sheet:
    lines = [row for line in lines for row in textwrap.wrap(line, _ROW, subsequent_indent="   ")]
    section = stock.section
    scale = (PAPER_MM - 2 * _EDGE_MM) / max(section.width_mm, section.depth_mm)
    low = _EDGE_MM + _LINE_MM * len(lines)
    middle = (PAPER_MM / 2, low + section.depth_mm * scale / 2)

    def at(x_mm: float, y_mm: float) -> tuple[float, float]:
        return middle[0] + x_mm * scale, middle[1] + y_mm * scale

    def box(rect: Rect, **how: object) -> Box:
        x, y = at(rect.x_mm, rect.y_mm)
        return Box(x=x, y=y, wide=rect.width_mm * scale, high=rect.height_mm * scale, **how)  # type: ignore[arg-type]

    half_w, half_d = section.width_mm / 2, section.depth_mm / 2
    whole = Rect(x_mm=-half_w, y_mm=-half_d, width_mm=section.width_mm, height_mm=section.depth_mm)
    marks: list[Mark] = [box(each, fill=_LOSS) for each in stock.blocked]
    for number, laid in enumerate(pieces, start=1):
        marks += _piece(
            number, laid, section_half=(half_w, half_d), at=at, system=system, many=len(pieces) > 1
        )
    marks += (
        [*_outline(stock, at), *_cuts(cuts, at)] if stock.wane else [box(whole, heavy=True), *_cuts(cuts, at)]
    )
    px, py = at(
        max(min(section.pith_x_mm, half_w * 1.15), -half_w * 1.15),
        max(min(section.pith_y_mm, half_d * 1.15), -half_d * 1.15),
    )
    marks += [
        Line(x1=px - 2.5, y1=py, x2=px + 2.5, y2=py, heavy=True),
        Line(x1=px, y1=py - 2.5, x2=px, y2=py + 2.5, heavy=True),
        Words(x=px + 3, y=py + 1, text=_pith_words(stock, pieces)),
    ]
    top, right = at(half_w, half_d)[1], at(half_w, half_d)[0]
    left, bottom = at(-half_w, -half_d)
    marks += [
        Words(x=middle[0], y=top + 8, text="a", anchor="middle"),
        Words(x=right + 7, y=middle[1], text="b"),
        Words(x=middle[0], y=bottom - 6, text="c", anchor="middle"),
        Words(x=left - 7, y=middle[1], text="d", anchor="end"),
        Words(x=right, y=top + 3, text=show_size(section.width_mm, section.depth_mm, system), anchor="end"),
    ]
    for row, text in enumerate(reversed(lines)):
        marks.append(Words(x=_BLOCK_MM, y=8 + _LINE_MM * row, text=text, quiet=row < len(lines) - 1))
    return Sheet(wide=PAPER_MM, high=top + 14, marks=tuple(marks))


def _outline(stock: Stock, at: Callable[[float, float], tuple[float, float]]) -> list[Mark]:
    """Draw the section with its bevels; the corners as they would be are left out."""
    half_w, half_d = stock.section.width_mm / 2, stock.section.depth_mm / 2
    off = {each.corner: each.ends_mm for each in stock.wane}
    round_: list[tuple[float, float]] = []
    for corner, place, first in (
        ("da", (-half_w, half_d), 1), ("ab", (half_w, half_d), 0),
        ("bc", (half_w, -half_d), 1), ("cd", (-half_w, -half_d), 0),
    ):  # fmt: skip
        ends = off.get(corner, (place, place))
        round_ += [ends[first], ends[1 - first]]
    marks: list[Mark] = []
    for here, there in zip(round_, (*round_[1:], round_[0]), strict=True):
        (x1, y1), (x2, y2) = at(*here), at(*there)
        marks.append(Line(x1=x1, y1=y1, x2=x2, y2=y2, heavy=True))
    return marks


def _cuts(cuts: Sequence[Cut], at: Callable[[float, float], tuple[float, float]]) -> list[Mark]:
    """Draw each cut with its turn at its beginning."""
    marks: list[Mark] = []
    for cut in cuts:
        low, high = (
            (at(cut.at_mm, cut.from_mm), at(cut.at_mm, cut.to_mm))
            if cut.upright
            else (at(cut.from_mm, cut.at_mm), at(cut.to_mm, cut.at_mm))
        )
        marks.append(Line(x1=low[0], y1=low[1], x2=high[0], y2=high[1]))
        number = f"({cut.number})"  # before its beginning, where no distance is written
        if cut.upright:
            marks.append(Words(x=low[0], y=low[1] - 4.2, text=number, anchor="middle", quiet=True))
        else:
            marks.append(Words(x=low[0] - 0.8, y=low[1] - 1.2, text=number, anchor="end", quiet=True))
    return marks


def _pith_words(stock: Stock, pieces: Sequence[Laid]) -> str:
    if not stock.section.boxed_heart:
        return "pith, beyond the face"
    return "pith" if len(pieces) == 1 else ""  # among several pieces the cross alone


def _piece(  # noqa: PLR0913 - a piece and how the paper is laid out
    number: int,
    laid: Laid,
    *,
    section_half: tuple[float, float],
    at: Callable[[float, float], tuple[float, float]],
    system: System,
    many: bool,
) -> list[Mark]:
    """Draw a piece with its two distances as measured lines from faces a and d."""
    piece = laid.piece
    x1, y1 = at(piece.centre_x_mm - piece.width_mm / 2, piece.centre_y_mm - piece.depth_mm / 2)
    x2, y2 = at(piece.centre_x_mm + piece.width_mm / 2, piece.centre_y_mm + piece.depth_mm / 2)
    shrunk_w, shrunk_h = (
        (x2 - x1) * laid.finished_width_mm / piece.width_mm,
        (y2 - y1) * laid.finished_depth_mm / piece.depth_mm,
    )
    marks: list[Mark] = [
        Box(x=x1, y=y1, wide=x2 - x1, high=y2 - y1, fill=_PIECE),
        Box(
            x=(x1 + x2 - shrunk_w) / 2, y=(y1 + y2 - shrunk_h) / 2, wide=shrunk_w, high=shrunk_h, dashed=True
        ),
    ]
    if many:  # lines would run across the other pieces
        middle = ((x1 + x2) / 2, (y1 + y2) / 2)
        told = [f"{number}", *(f"{face} {show_length(laid.off_mm[face], system)}" for face in ("a", "d"))]
        return marks + [
            Words(x=middle[0], y=middle[1] + 4.5 - _LINE_MM * row, text=text, anchor="middle")
            for row, text in enumerate(told)
        ]
    left, top = at(-section_half[0], section_half[1])
    across, down = y1 + (y2 - y1) * 0.25, x1 + (x2 - x1) * 0.75
    if laid.off_mm["d"] > 0.5:
        marks += [
            Line(x1=left, y1=across, x2=x1, y2=across),
            Words(x=x1 + 1, y=across + 1, text=show_length(laid.off_mm["d"], system)),
        ]
    if laid.off_mm["a"] > 0.5:
        marks += [
            Line(x1=down, y1=top, x2=down, y2=y2),
            Words(x=down + 1, y=y2 - 4.5, text=show_length(laid.off_mm["a"], system)),
        ]
    return marks


def _svg(mark: Mark, high: float) -> str:
    if isinstance(mark, Box):
        how = ' stroke-dasharray="2 1.4"' if mark.dashed else ""
        return (
            f'<rect x="{mark.x:.2f}" y="{high - mark.y - mark.high:.2f}" width="{mark.wide:.2f}" '
            f'height="{mark.high:.2f}" fill="{mark.fill or "none"}" stroke="{_INK}" '
            f'stroke-width="{0.7 if mark.heavy else 0.3}"{how}/>'
        )
    if isinstance(mark, Line):
        return (
            f'<line x1="{mark.x1:.2f}" y1="{high - mark.y1:.2f}" x2="{mark.x2:.2f}" '
            f'y2="{high - mark.y2:.2f}" '
            f'stroke="{_INK}" stroke-width="{0.7 if mark.heavy else 0.3}"/>'
        )
    return (
        f'<text x="{mark.x:.2f}" y="{high - mark.y:.2f}" text-anchor="{mark.anchor}" '
        f'fill="{_QUIET if mark.quiet else _INK}">{escape(mark.text)}</text>'
    )


def _pdf(page: object, mark: Mark) -> None:
    from reportlab.lib.colors import HexColor  # noqa: PLC0415 - slow to load
    from reportlab.pdfgen.canvas import Canvas  # noqa: PLC0415 - slow to load

    assert isinstance(page, Canvas)  # noqa: S101 - tells the type
    page.setStrokeColor(HexColor(_INK))
    if isinstance(mark, Box):
        page.setLineWidth(0.7 if mark.heavy else 0.3)
        page.setDash([2, 1.4] if mark.dashed else [])
        if mark.fill:
            page.setFillColor(HexColor(mark.fill))
        page.rect(mark.x, mark.y, mark.wide, mark.high, stroke=1, fill=int(bool(mark.fill)))
        page.setDash([])
    elif isinstance(mark, Line):
        page.setLineWidth(0.7 if mark.heavy else 0.3)
        page.line(mark.x1, mark.y1, mark.x2, mark.y2)
    else:
        page.setFillColor(HexColor(_QUIET if mark.quiet else _INK))
        page.setFont("Helvetica", _TEXT_MM)
        draw = {"start": page.drawString, "middle": page.drawCentredString, "end": page.drawRightString}
        draw[mark.anchor](mark.x, mark.y, mark.text)
