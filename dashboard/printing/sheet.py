"""A drawing as a file: one list of strokes and words, written as SVG and as PDF.

Lengths are in millimetres of paper, y up.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Final

from baulk.dashboard.printing.marks import TEXT_MM, Box, Line, Mark, Words
from baulk.models.errors import OutOfRange

BLOCK_MM: Final = 8.0  # where the lines of words below a drawing begin, by which they are known
GOES_ON: Final = "   "  # begins a line that goes on with the one above it
_INK: Final = "#1c2321"
_QUIET: Final = "#5c6662"
SUFFIXES: Final = (".svg", ".pdf")


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
            f'viewBox="0 0 {self.wide:g} {self.high:.1f}" font-family="sans-serif" font-size="{TEXT_MM}">\n'
            f'<rect width="100%" height="100%" fill="#ffffff"/>\n{body}\n</svg>\n'
        )

    def screen(self) -> tuple[str, tuple[str, ...]]:
        """Write it as SVG for a page, its letters larger on a phone, and apart from it the lines below it."""
        said = [mark for mark in self.marks if isinstance(mark, Words) and mark.x == BLOCK_MM]
        drawn = [mark for mark in self.marks if mark not in said]
        high = self.high - min((mark.y for mark in drawn if isinstance(mark, Words)), default=0.0) + TEXT_MM
        body = "\n".join(_svg(mark, self.high) for mark in drawn)
        svg = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.wide:g} {high:.1f}" '
            'font-family="sans-serif">\n'
            "<style>text{font-size:5px;paint-order:stroke;stroke:#fff;stroke-width:1.5px}"
            "@media(max-width:480px){text{font-size:7px}}</style>\n"
            f'<rect width="100%" height="100%" fill="#ffffff"/>\n{body}\n</svg>\n'
        )
        lines: list[str] = []
        for mark in sorted(said, key=lambda mark: -mark.y):
            if lines and mark.text.startswith(GOES_ON):  # a screen breaks lines by its own width
                lines[-1] += f" {mark.text.strip()}"
            else:
                lines.append(mark.text)
        return svg, tuple(lines)

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
    behind = ""
    if mark.plate:
        box = mark.behind
        behind = (
            f'<rect x="{box.x:.2f}" y="{high - box.y - box.high:.2f}" width="{box.wide:.2f}" '
            f'height="{box.high:.2f}" fill="#ffffff"/>'
        )
    return behind + (
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
        if mark.plate:
            box = mark.behind
            page.setFillColor(HexColor("#ffffff"))
            page.rect(box.x, box.y, box.wide, box.high, stroke=0, fill=1)
        page.setFillColor(HexColor(_QUIET if mark.quiet else _INK))
        page.setFont("Helvetica", TEXT_MM)
        draw = {"start": page.drawString, "middle": page.drawCentredString, "end": page.drawRightString}
        draw[mark.anchor](mark.x, mark.y, mark.text)
