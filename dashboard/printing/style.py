"""Type, colours and small drawings that everything printed shares."""

from __future__ import annotations

import os
import tempfile
import unicodedata
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import reportlab
import segno
from reportlab.graphics.shapes import Drawing, Group, Line, Polygon, Rect, String
from reportlab.lib.colors import Color, HexColor
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from baulk.models.errors import BaulkError

MM: Final = 72 / 25.4  # points
PLAIN: Final = "baulk-plain"
BOLD: Final = "baulk-bold"
INK: Final = HexColor("#1d2723")
QUIET: Final = HexColor("#5d6a64")
RULE: Final = HexColor("#c9d0c8")
PALE: Final = HexColor("#e9ece6")
QUIET_ZONE: Final = 4  # modules of white around a code: ISO/IEC 18004
LEAST_MODULE_MM: Final = 0.38  # a phone reads smaller ones from too near; common practice, no source


class PaperError(BaulkError, ValueError):
    """Something can't be printed as asked."""


@lru_cache(maxsize=1)
def fonts() -> None:
    """Make the two faces known that come with the PDF library; done once."""
    folder = Path(reportlab.__file__).parent / "fonts"
    for name, file in ((PLAIN, "Vera.ttf"), (BOLD, "VeraBd.ttf")):
        pdfmetrics.registerFont(TTFont(name, folder / file))
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=PLAIN, boldItalic=BOLD)


def printable(text: str) -> str:
    """Return a text in signs that the face has: others lose their accents, or become a question mark."""
    fonts()
    has = pdfmetrics.getFont(PLAIN).face.charToGlyph
    out = []
    for sign in text:
        if ord(sign) in has or sign in "\n ":
            out.append(sign)
            continue
        bare = "".join(c for c in unicodedata.normalize("NFKD", sign) if ord(c) in has)
        out.append(bare or "?")
    return "".join(out)


def width_of(text: str, font: str, size: float) -> float:
    """Return how wide a text is, in points."""
    fonts()
    return float(pdfmetrics.stringWidth(text, font, size))


def fitted(text: str, font: str, largest: float, room: float, least: float = 4.5) -> tuple[str, float]:
    """Return a text and the size at which it fits a width in points; what can't fit is cut with dots."""
    text = printable(text)
    size = largest
    while size > least and width_of(text, font, size) > room:
        size -= 0.25
    while len(text) > 1 and width_of(text, font, size) > room:
        text = text[:-2].rstrip() + "…"
    return text, size


def code_modules(address: str) -> Sequence[Sequence[int]]:
    """Return the QR code of an address as rows of 0 and 1, without its white edge."""
    return tuple(tuple(row) for row in segno.make(address, error="q", micro=False).matrix)


def code(address: str, side: float) -> Group:
    """Draw the QR code of an address, white edge and all, as wide as `side` points.

    Raises
    ------
    PaperError
        If it would be too small for a phone.
    """
    rows = code_modules(address)
    module = side / (len(rows) + 2 * QUIET_ZONE)
    if module < LEAST_MODULE_MM * MM:
        raise PaperError(
            f"a code of {side / MM:.0f} mm is too small for the address {address}; "
            "take a larger label or a shorter address ([dashboard] url in the settings)"
        )
    drawn = Group()
    drawn.add(Rect(0, 0, side, side, fillColor=HexColor("#ffffff"), strokeColor=None))
    for down, row in enumerate(rows):
        y = side - (QUIET_ZONE + down + 1) * module
        start = None
        for across, dark in enumerate((*row, 0)):
            if dark and start is None:
                start = across
            elif not dark and start is not None:
                drawn.add(
                    Rect(
                        (QUIET_ZONE + start) * module,
                        y,
                        (across - start) * module,
                        module * 1.002,  # no hairlines between rows
                        fillColor=HexColor("#000000"),
                        strokeColor=None,
                    )
                )
                start = None
    return drawn


def mix(colours: Sequence[str], share: float) -> Color:
    """Return the colour at a share from 0 to 1 of a row of colours."""
    at = min(max(share, 0.0), 1.0) * (len(colours) - 1)
    low = min(int(at), len(colours) - 2)
    first, second, part = HexColor(colours[low]), HexColor(colours[low + 1]), at - low
    return Color(*(a + (b - a) * part for a, b in zip(first.rgb(), second.rgb(), strict=True)))


def words(x: float, y: float, text: str, **how: Any) -> String:  # noqa: ANN401 - the library's own options
    """Place a word in a drawing."""
    fonts()
    settings = {"fontName": PLAIN, "fontSize": 7, "fillColor": INK} | how
    return String(x, y, printable(text), **settings)


def line(x1: float, y1: float, x2: float, y2: float, **how: Any) -> Line:  # noqa: ANN401
    """Draw a line."""
    return Line(x1, y1, x2, y2, **({"strokeColor": INK, "strokeWidth": 0.7} | how))


def band(xs: Sequence[float], low: Sequence[float], high: Sequence[float], colour: Color) -> Polygon:
    """Fill what lies between two curves."""
    points: list[float] = []
    for x, y in zip(xs, low, strict=True):
        points += [x, y]
    for x, y in zip(reversed(xs), reversed(high), strict=True):
        points += [x, y]
    return Polygon(points, fillColor=colour, strokeColor=None)


def sheet_of(width: float, height: float) -> Drawing:
    """Return an empty drawing, in points."""
    fonts()
    return Drawing(width, height)


def write(path: Path, content: bytes) -> None:
    """Write a file beside its place and then move it there, so that a full disk leaves the old one."""
    folder = path.parent
    try:
        number, name = tempfile.mkstemp(dir=folder, prefix=f".{path.name}-")
        try:
            with os.fdopen(number, "wb") as file:
                file.write(content)
            Path(name).chmod(0o644)
            Path(name).replace(path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as err:
        raise PaperError(f"{path} can't be written: {err.strerror}; name another file with -o") from err
