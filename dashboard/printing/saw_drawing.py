"""A drawing to take to the saw: the butt end, the pieces with their distances from faces a and d, the pith.

Lengths are in millimetres of paper, y up; `sheet` writes the drawing as SVG and as PDF.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from typing import Final

from baulk.dashboard.printing.marks import TEXT_MM, Box, Line, Mark, Words, beside, on_stroke, touches
from baulk.dashboard.printing.marks import strokes as stroke_list
from baulk.dashboard.printing.sheet import BLOCK_MM, GOES_ON, Sheet
from baulk.models.plan.sawing.cuts import Cut
from baulk.models.plan.sawing.cutting import Choice, CutPlan, Laid, Stock
from baulk.models.plan.sawing.order import SizePlan
from baulk.models.plan.sawing.rects import Rect
from baulk.models.section import Face
from baulk.models.text import sentence, sentences
from baulk.models.units import System, show_length, show_size

PAPER_MM: Final = 180.0
_EDGE_MM: Final = 24.0
_LINE_MM: Final = 5.4
_ROW: Final = 76  # letters in a line
_HIGH_MM: Final = 262.0  # of the whole sheet: it prints on A4 and letter paper at its size
_TOP_MM: Final = 14.0  # above the section: letter and size
_LEAST_MM: Final = 60.0  # that the section is drawn high
_ALONG_MM: Final = 0.6
_LOSS: Final = "#d9cfc3"
_PIECE: Final = "#eef1ea"


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
        *_pieces_words(taken.pieces, system),
        *sentences([each.reason() for each in plan.cuts(choice)], system),
        "Seen from the butt end, a up. Each cut goes right through; measure twice.",
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


def _pieces_words(pieces: Sequence[Laid], system: System) -> list[str]:
    """Say once what all pieces of one size are, or of each what it is; where each lies stands on it."""
    sizes = {
        (*sorted((each.piece.width_mm, each.piece.depth_mm)), each.finished_width_mm * each.finished_depth_mm)
        for each in pieces
    }
    if len(pieces) == 1 or len(sizes) > 1:
        return [_piece_words(number, each, system) for number, each in enumerate(pieces, start=1)]
    inside = [str(number) for number, each in enumerate(pieces, start=1) if each.boxed]
    heart = f"pith inside piece {', '.join(inside)}" if inside else "all free of heart"
    return [f"Saw each {_sawn_for(pieces[0], system)}; {heart}"]


def _piece_words(number: int, laid: Laid, system: System) -> str:
    return (
        f"{number}: saw {_sawn_for(laid, system)}; {show_length(laid.off_mm['a'], system)} from face a, "
        f"{show_length(laid.off_mm['d'], system)} from face d; "
        f"{'pith inside' if laid.boxed else 'free of heart'}"
    )


def _sawn_for(laid: Laid, system: System) -> str:
    return (
        f"{show_size(laid.piece.width_mm, laid.piece.depth_mm, system)} for "
        f"{show_size(laid.finished_width_mm, laid.finished_depth_mm, system)}"
    )


def _sheet(
    stock: Stock,
    pieces: Sequence[Laid],
    lines: Sequence[str],
    system: System,
    cuts: Sequence[Cut] = (),
) -> Sheet:
    lines = [row for line in lines for row in textwrap.wrap(line, _ROW, subsequent_indent=GOES_ON)]
    section = stock.section
    low = _EDGE_MM + _LINE_MM * len(lines)
    scale = min(
        (PAPER_MM - 2 * _EDGE_MM) / max(section.width_mm, section.depth_mm),
        max(_HIGH_MM - low - _TOP_MM, _LEAST_MM) / section.depth_mm,
    )
    middle = (PAPER_MM / 2, low + section.depth_mm * scale / 2)

    def at(x_mm: float, y_mm: float) -> tuple[float, float]:
        return middle[0] + x_mm * scale, middle[1] + y_mm * scale

    def box(rect: Rect, **how: object) -> Box:
        x, y = at(rect.x_mm, rect.y_mm)
        return Box(x=x, y=y, wide=rect.width_mm * scale, high=rect.height_mm * scale, **how)  # type: ignore[arg-type]

    half_w, half_d = section.width_mm / 2, section.depth_mm / 2
    whole = Rect(x_mm=-half_w, y_mm=-half_d, width_mm=section.width_mm, height_mm=section.depth_mm)
    marks: list[Mark] = [box(each, fill=_LOSS) for each in stock.blocked]
    for laid in pieces:
        marks += _piece(laid, at)
    marks += _outline(stock, at) if stock.wane else [box(whole, heavy=True)]
    strokes = [_stroke(each, at) for each in cuts]
    marks += strokes
    px, py = at(
        max(min(section.pith_x_mm, half_w * 1.15), -half_w * 1.15),
        max(min(section.pith_y_mm, half_d * 1.15), -half_d * 1.15),
    )
    marks += [
        Line(x1=px - 2.5, y1=py, x2=px + 2.5, y2=py, heavy=True),
        Line(x1=px, y1=py - 2.5, x2=px, y2=py + 2.5, heavy=True),
    ]
    top, right = at(half_w, half_d)[1], at(half_w, half_d)[0]
    left, bottom = at(-half_w, -half_d)
    marks += [
        Words(x=middle[0], y=top + 8, text="a", anchor="middle"),
        Words(x=right + 7, y=middle[1], text="b"),
        Words(x=middle[0], y=bottom - 9, text="c", anchor="middle"),
        Words(x=left - 7, y=middle[1], text="d", anchor="end"),
        Words(x=right, y=top + 3, text=show_size(section.width_mm, section.depth_mm, system), anchor="end"),
    ]
    marks += _distances(pieces, (left, top), at, system, marks)
    if words := _pith_words(stock, pieces):
        spots = [
            (px + dx, py + dy, anchor)
            for dy in (-1.2, 3.2, -6.2)
            for dx, anchor in ((3.5, "start"), (-3.5, "end"))
        ]
        marks.append(beside(Words(x=px, y=py, text=words), spots, marks))  # type: ignore[arg-type]
    for cut, stroke in zip(cuts, strokes, strict=True):
        others = [each for each in marks if each is not stroke]
        own = (stroke.x1, stroke.y1, stroke.x2, stroke.y2)
        marks.append(on_stroke(Words(x=0, y=0, text=f"({cut.number})"), own, _across(others, stroke), ()))
    for row, text in enumerate(reversed(lines)):
        marks.append(Words(x=BLOCK_MM, y=8 + _LINE_MM * row, text=text, quiet=row < len(lines) - 1))
    return Sheet(wide=PAPER_MM, high=top + _TOP_MM, marks=tuple(marks))


def _across(marks: Sequence[Mark], stroke: Line) -> list[Mark]:
    """Return words and strokes that do not run along a cut: the edge of the piece that it frees does."""
    upright = abs(stroke.x1 - stroke.x2) < _ALONG_MM
    found: list[Mark] = []
    for each in marks:
        if isinstance(each, Words):
            found.append(each)
            continue
        for x1, y1, x2, y2 in stroke_list(each):
            along = (
                max(abs(x1 - stroke.x1), abs(x2 - stroke.x1)) < _ALONG_MM
                if upright
                else max(abs(y1 - stroke.y1), abs(y2 - stroke.y1)) < _ALONG_MM
            )
            if not along:
                found.append(Line(x1=x1, y1=y1, x2=x2, y2=y2))
    return found


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


def _stroke(cut: Cut, at: Callable[[float, float], tuple[float, float]]) -> Line:
    """Draw a cut."""
    low, high = (
        (at(cut.at_mm, cut.from_mm), at(cut.at_mm, cut.to_mm))
        if cut.upright
        else (at(cut.from_mm, cut.at_mm), at(cut.to_mm, cut.at_mm))
    )
    return Line(x1=low[0], y1=low[1], x2=high[0], y2=high[1])


def _pith_words(stock: Stock, pieces: Sequence[Laid]) -> str:
    if not stock.section.boxed_heart:
        return "pith, beyond the face"
    return "pith" if len(pieces) == 1 else ""  # among several pieces the cross alone


def _piece(laid: Laid, at: Callable[[float, float], tuple[float, float]]) -> list[Mark]:
    """Draw a piece as it is sawn, and dashed in it what it is for."""
    x1, y1, x2, y2 = _sides(laid, at)
    shrunk_w, shrunk_h = (
        (x2 - x1) * laid.finished_width_mm / laid.piece.width_mm,
        (y2 - y1) * laid.finished_depth_mm / laid.piece.depth_mm,
    )
    return [
        Box(x=x1, y=y1, wide=x2 - x1, high=y2 - y1, fill=_PIECE),
        Box(
            x=(x1 + x2 - shrunk_w) / 2, y=(y1 + y2 - shrunk_h) / 2, wide=shrunk_w, high=shrunk_h, dashed=True
        ),
    ]


def _sides(
    laid: Laid, at: Callable[[float, float], tuple[float, float]]
) -> tuple[float, float, float, float]:
    piece = laid.piece
    return (
        *at(piece.centre_x_mm - piece.width_mm / 2, piece.centre_y_mm - piece.depth_mm / 2),
        *at(piece.centre_x_mm + piece.width_mm / 2, piece.centre_y_mm + piece.depth_mm / 2),
    )


def _distances(
    pieces: Sequence[Laid],
    corner: tuple[float, float],
    at: Callable[[float, float], tuple[float, float]],
    system: System,
    marks: Sequence[Mark],
) -> list[Mark]:
    """Write how far each piece lies from faces a and d: one along measured lines, several in themselves."""
    if len(pieces) > 1:  # lines would run across the other pieces
        told = (_in_piece(n, laid, at, system) for n, laid in enumerate(pieces, start=1))
        return [beside(each, [(each.x, each.y, each.anchor)], marks) for words in told for each in words]
    x1, y1, x2, y2 = _sides(pieces[0], at)
    left, top = corner
    across, down = y1 + (y2 - y1) * 0.3, x1 + (x2 - x1) * 0.7
    found: list[Mark] = []
    for face, stroke in (("d", (left, across, x1, across)), ("a", (down, top, down, y2))):
        if pieces[0].off_mm[face] > 0.5:
            line = Line(x1=stroke[0], y1=stroke[1], x2=stroke[2], y2=stroke[3])
            words = Words(x=0, y=0, text=show_length(pieces[0].off_mm[face], system))
            here = on_stroke(words, stroke, (*marks, *found), ())
            inside = [
                (x1 + (x2 - x1) * share, across + 1.5, "middle") if face == "d"
                else (down, y1 + (y2 - y1) * (1 - share), "middle")
                for share in (0.2, 0.25, 0.3, 0.35)
            ]  # fmt: skip
            if touches(here, (*marks, *found)):  # no room between the face and the piece
                here = beside(words, inside, (*marks, *found))  # type: ignore[arg-type]
            found += [line, here]
    return found


def _in_piece(
    number: int, laid: Laid, at: Callable[[float, float], tuple[float, float]], system: System
) -> list[Words]:
    x1, y1, x2, y2 = _sides(laid, at)
    told = [f"{number}", *(f"{face} {show_length(laid.off_mm[face], system)}" for face in ("a", "d"))]
    row = min(_LINE_MM, (y2 - y1) / 4)
    return [
        Words(x=(x1 + x2) / 2, y=(y1 + y2) / 2 + row * (1 - n) - 0.28 * TEXT_MM, text=text, anchor="middle")
        for n, text in enumerate(told)
    ]
