"""Laying out a printed page: text, tables, and a document with its foot."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, Final

from reportlab.lib.enums import TA_LEFT
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph, SimpleDocTemplate, Table, TableStyle

from baulk.dashboard import words
from baulk.dashboard.printing import style as printing_style
from baulk.dashboard.printing.style import MM
from baulk.models.units import System

PAPERS: Final = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
EDGE: Final = 16 * MM


def paper_of(system: System) -> str:
    """Return the paper that goes with a person's units."""
    return "letter" if system == "inch" else "a4"


def room(paper: str) -> float:
    """Return how wide the text is, in points.

    Raises
    ------
    PaperError
        If the paper is not known.
    """
    if paper not in PAPERS:
        raise printing_style.PaperError(f"there is no paper {paper!r}; known: {', '.join(PAPERS)}")
    return PAPERS[paper][0] * MM - 2 * EDGE - 12  # the frame's own padding


def document(parts: Sequence[Flowable], *, title: str, shop: str, made_utc: datetime, paper: str) -> bytes:
    """Lay parts out on as many pages as they need.

    Parameters
    ----------
    parts : sequence of Flowable
        From top to bottom.
    title, shop : str
        For the foot and the file's own title.
    made_utc : datetime
        For the foot.
    paper : str
        "a4" or "letter".

    Returns
    -------
    bytes
        A PDF.
    """
    printing_style.fonts()
    size = tuple(side * MM for side in PAPERS[paper])
    out = io.BytesIO()
    title = printing_style.printable(title)
    made = SimpleDocTemplate(
        out,
        pagesize=size,
        leftMargin=EDGE,
        rightMargin=EDGE,
        topMargin=14 * MM,
        bottomMargin=16 * MM,
        title=title,
        author=printing_style.printable(shop),
    )

    def foot(canvas: Canvas, page: SimpleDocTemplate) -> None:
        canvas.setFont(printing_style.PLAIN, 7)
        canvas.setFillColor(printing_style.QUIET)
        said = printing_style.printable(f"{shop}: {title}, {words.clock(made_utc)}")
        canvas.drawString(EDGE + 6, 9 * MM, said)
        canvas.drawRightString(size[0] - EDGE - 6, 9 * MM, f"page {page.page}")

    made.build(list(parts), onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()


def style(size: float, *, bold: bool = False, **how: Any) -> ParagraphStyle:  # noqa: ANN401 - the library's
    """Return a style of type; what else a paragraph can have goes by the library's own names."""
    return ParagraphStyle(
        f"baulk-{size}-{bold}-{sorted(how.items())}",
        fontName=printing_style.BOLD if bold else printing_style.PLAIN,
        fontSize=size,
        leading=size * 1.4,
        textColor=how.pop("textColor", printing_style.INK),
        alignment=TA_LEFT,
        **how,
    )


def text(said: str, size: float = 8.5, **how: Any) -> Paragraph:  # noqa: ANN401 - as above
    """Return a paragraph of plain text; nothing in it is taken for markup."""
    return Paragraph(words.esc(printing_style.printable(said)).replace("\n", "<br/>"), style(size, **how))


def heading(said: str) -> Paragraph:
    """Return a heading."""
    return text(said, 11, bold=True, spaceBefore=9, spaceAfter=3)


def points(lines: Iterable[str]) -> list[Paragraph]:
    """Return lines with a dot before each."""
    return [text(f"• {line}", 8, leftIndent=8, spaceAfter=1.5) for line in lines]


def table(heads: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float]) -> Table:
    """Return a table under headings, or without any."""
    body = [[text(head, 7, textColor=printing_style.QUIET) for head in heads]] if heads else []
    body += [[text(cell, 8) for cell in row] for row in rows]
    made = Table(body, colWidths=list(widths), repeatRows=1 if heads else 0)
    made.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LINEBELOW", (0, 0), (-1, -1), 0.4, printing_style.RULE),
                ("LEFTPADDING", (0, 0), (-1, -1), 0),
                ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
            ]
        )
    )
    return made


def beside(left: Sequence[Any], right: Any, widths: Sequence[float]) -> Table:  # noqa: ANN401 - any flowable
    """Return flowables at the left and something at their right."""
    made = Table([[list(left), right]], colWidths=list(widths))
    made.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "TOP"),
                ("LEFTPADDING", (0, 0), (0, 0), 0),
                ("RIGHTPADDING", (-1, 0), (-1, 0), 0),
            ]
        )
    )
    return made
