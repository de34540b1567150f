"""Labels for timbers: a code that opens the timber's page, and plain words for whoever has no phone."""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from urllib.parse import quote, urlsplit

from reportlab.graphics import renderPDF
from reportlab.pdfgen.canvas import Canvas

from baulk.dashboard import words
from baulk.dashboard.printing import page, style
from baulk.dashboard.printing.style import MM, PaperError
from baulk.ingest import photos
from baulk.models import formatting, units
from baulk.models.timber import Timber
from baulk.models.use_class import UseClassTable


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """A sheet of labels, all lengths in mm; a roll is a sheet with one label."""

    title: str
    page_mm: tuple[float, float]
    label_mm: tuple[float, float]
    columns: int = 1
    rows: int = 1
    left_mm: float = 0.0
    top_mm: float = 0.0
    step_mm: tuple[float, float] = (0.0, 0.0)

    @property
    def count(self) -> int:
        """Labels on one sheet."""
        return self.columns * self.rows

    def corner_mm(self, number: int) -> tuple[float, float]:
        """Return the lower left corner of a label, counted along the rows from the top left, 0 first."""
        down, across = divmod(number, self.columns)
        x = self.left_mm + across * self.step_mm[0]
        y = self.page_mm[1] - self.top_mm - down * self.step_mm[1] - self.label_mm[1]
        return x, y


A4: Final = page.PAPERS["a4"]
LETTER: Final = page.PAPERS["letter"]
# Sheets as stationers sell them, by paper and count; sizes common practice, no source: try plain paper first.
SHEETS: Final[Mapping[str, Sheet]] = {
    "a4-24": Sheet(
        title="A4, 3 x 8 of 70 x 37 mm",
        page_mm=A4,
        label_mm=(70.0, 37.0),
        columns=3,
        rows=8,
        top_mm=0.5,
        step_mm=(70.0, 37.0),
    ),
    "a4-14": Sheet(
        title="A4, 2 x 7 of 99.1 x 38.1 mm",
        page_mm=A4,
        label_mm=(99.1, 38.1),
        columns=2,
        rows=7,
        left_mm=4.65,
        top_mm=15.15,
        step_mm=(101.6, 38.1),
    ),
    "a4-8": Sheet(
        title="A4, 2 x 4 of 99.1 x 67.7 mm",
        page_mm=A4,
        label_mm=(99.1, 67.7),
        columns=2,
        rows=4,
        left_mm=4.65,
        top_mm=13.1,
        step_mm=(101.6, 67.7),
    ),
    "letter-30": Sheet(
        title="Letter, 3 x 10 of 2 5/8 x 1 in",
        page_mm=LETTER,
        label_mm=(66.7, 25.4),
        columns=3,
        rows=10,
        left_mm=4.8,
        top_mm=12.7,
        step_mm=(69.85, 25.4),
    ),
    "letter-10": Sheet(
        title="Letter, 2 x 5 of 4 x 2 in",
        page_mm=LETTER,
        label_mm=(101.6, 50.8),
        columns=2,
        rows=5,
        left_mm=4.0,
        top_mm=12.7,
        step_mm=(106.4, 50.8),
    ),
}


def roll(size: str) -> Sheet:
    """Return a roll of single labels, from its width and height as a person writes them: ``62 x 29 mm``."""
    width_mm, height_mm = units.size_mm(size)
    if not (30 <= width_mm <= 300 and 15 <= height_mm <= 300):
        raise PaperError(
            f"a label of {width_mm:.0f} x {height_mm:.0f} mm can't be printed; "
            "take one 30 to 300 mm wide and 15 to 300 mm high, width first"
        )
    return Sheet(
        title=f"roll, {width_mm:g} x {height_mm:g} mm",
        page_mm=(width_mm, height_mm),
        label_mm=(width_mm, height_mm),
    )


def named(name: str) -> Sheet:
    """Return a sheet by its name, or a roll by its size.

    Raises
    ------
    PaperError
        If it is neither.
    """
    if name in SHEETS:
        return SHEETS[name]
    if any(sign.isdigit() for sign in name) and "x" in name.lower():
        return roll(name)
    raise PaperError(
        f"there is no label sheet {name!r}; known: {', '.join(SHEETS)}, or the size of a roll, '62 x 29 mm'"
    )


def title(name: str) -> str:
    """Return what a person reads of a sheet: its own title, or the size of a roll as it was typed."""
    return SHEETS[name].title if name in SHEETS else f"roll, {name}"


def rolls(system: units.System) -> tuple[str, ...]:
    """Return the usual sizes of a label on a roll, in the reader's units; common practice, no source."""
    return ("2.4 x 1.1 in", "4 x 2 in") if system == "inch" else ("62 x 29 mm", "102 x 51 mm")


def opens(settings: str | None, came_by: str | None, fallback: str = "") -> str:
    """Return the address that codes open: that of the settings, else the one by which the person came.

    Parameters
    ----------
    settings : str or None
        ``url`` under ``[dashboard]``, as phones reach the pages.
    came_by : str or None
        Any address of these pages as the person's browser has it; only its host counts.
    fallback : str
        Where neither is known.
    """
    here = urlsplit(came_by or "")
    if settings or not here.netloc:
        return settings or fallback
    return f"{here.scheme}://{here.netloc}"


def only_here(url: str) -> bool:
    """Whether an address leads to whatever machine asks, so that no phone comes to these pages by it."""
    host = (urlsplit(url).hostname or "").lower()
    return host in {"localhost", "::1", "0.0.0.0"} or host.startswith("127.")  # noqa: S104 - no socket is bound


def doubt(url: str, came_by: str | None) -> str:
    """Say why a phone that scans a code may not come to these pages; nothing where it will.

    Parameters
    ----------
    url : str
        What codes open.
    came_by : str or None
        Any address of these pages as the person's browser has it; only its host counts.

    Returns
    -------
    str
        One or two sentences, or "".
    """
    if only_here(url):
        return (
            f"The code opens {url}, which only this machine reaches. Open these pages by the address that "
            "phones use, or set url under [dashboard] in the settings, and print then."
        )
    here = opens(None, came_by)
    if not here or urlsplit(here).netloc == urlsplit(url).netloc:
        return ""
    return (
        f"The code opens {url}, as the settings say; these pages are open at {here}. Scan one label before "
        "you print more."
    )


def address(url: str, tag: str, code_mm: float | None = None) -> str:
    """Return the address of a timber's page, with the side of the code that it is printed as, [mm]."""
    side = "" if code_mm is None else f"&{photos.CODE_SIDE}={code_mm:.1f}"
    return f"{url.rstrip('/')}/timber?tag={quote(tag, safe='')}{side}"


def _sized(url: str, tag: str, drawn_mm: float) -> str:
    """Return the address that tells how large its own code is, drawn so wide with its white edge."""
    told_mm = drawn_mm
    for _ in range(2):  # what it tells may make the code finer, which changes what it has to tell
        modules = len(style.code_modules(address(url, tag, told_mm)))
        told_mm = drawn_mm * modules / (modules + 2 * style.QUIET_ZONE)
    return address(url, tag, told_mm)


def labels(  # noqa: PLR0913 - what a person can set
    timbers: Sequence[Timber],
    *,
    sheet: Sheet,
    url: str,
    system: units.System,
    uses: UseClassTable,
    copies: int = 2,
    skip: int = 0,
) -> bytes:
    """Print labels.

    Parameters
    ----------
    timbers : sequence of Timber
        In the order of the labels.
    sheet : Sheet
        What they are printed on.
    url : str
        Where the pages are served.
    system : "inch" or "metric"
        Units of the words.
    uses : UseClassTable
        The shop's use classes.
    copies : int
        Labels a timber: one for each end, so that one smeared corner does not end it.
    skip : int
        Labels already used on the first sheet.

    Returns
    -------
    bytes
        A PDF.

    Raises
    ------
    PaperError
        If there is nothing to print, or the code would be too small.
    """
    if not timbers:
        raise PaperError("no timber is named; name tags, as in `baulk labels FER-01 FER-02 -o labels.pdf`")
    if not 1 <= copies <= 20:
        raise PaperError(f"copies lie between 1 and 20, not {copies}")
    if not 0 <= skip < sheet.count:
        raise PaperError(
            f"a sheet has {sheet.count} labels, so 0 to {sheet.count - 1} can be skipped, not {skip}"
        )
    style.fonts()
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=tuple(side * MM for side in sheet.page_mm))
    canvas.setTitle("Timber labels: " + style.printable(", ".join(timber.tag for timber in timbers[:8])))
    at = skip
    for timber in timbers:
        rows = _words(timber, system, uses)
        for _ in range(copies):
            if at == sheet.count:
                canvas.showPage()
                at = 0
            x, y = (side * MM for side in sheet.corner_mm(at))
            _label(canvas, timber.tag, rows, x, y, sheet, url)
            at += 1
    canvas.save()
    return out.getvalue()


def _label(  # noqa: PLR0913, PLR0917 - a label is where all of these meet
    canvas: Canvas, tag: str, rows: Sequence[str], x: float, y: float, sheet: Sheet, url: str
) -> None:
    width, height = (side * MM for side in sheet.label_mm)
    edge = min(2.0 * MM, height * 0.06)
    upright = height > width * 1.2
    side = min(height - 2 * edge, width - 2 * edge if upright else width * 0.52)
    code_y = y + height - edge - side if upright else y + (height - side) / 2
    drawing = style.sheet_of(side, side)
    drawing.add(style.code(_sized(url, tag, side / MM), side))
    renderPDF.draw(drawing, canvas, x + edge, code_y)
    left = x + edge if upright else x + edge + side + 1.0 * MM
    room = x + width - edge - left
    top = code_y - 1 * MM if upright else y + height - edge
    low = y + edge
    canvas.setFillColor(style.INK)
    text, size = style.fitted(tag, style.BOLD, min(64.0, (top - low) * 0.34), room)
    top -= size * 0.9
    canvas.setFont(style.BOLD, size)
    canvas.drawString(left, top, text)
    for row in rows:
        text, size = style.fitted(row, style.PLAIN, min(13.0, (height - 2 * edge) * 0.082), room)
        if top - size * 1.5 < low - 0.5:
            break
        top -= size * 1.5
        canvas.setFont(style.PLAIN, size)
        canvas.drawString(left, top, text)


def _words(timber: Timber, system: units.System, uses: UseClassTable) -> tuple[str, ...]:
    green, want = timber.section, timber.finished
    return (
        timber.species,
        f"green {units.show_size(green.width_mm, green.depth_mm, system)}, face a up",
        f"to {units.show_size(want.width_mm, want.depth_mm, system)}",
        formatting.show_along(timber.length_mm, system) + " long",
        words.use(timber.use_class, uses).partition(" (")[0],
        f"since {words.day(timber.arrived_utc)}",
    )
