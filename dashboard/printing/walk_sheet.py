"""A sheet to take on a walk: each timber with its last and expected value, and blanks to be typed back."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from reportlab.platypus import Flowable, Spacer, Table, TableStyle

from baulk.dashboard import words
from baulk.dashboard.printing import page, style
from baulk.dashboard.printing.style import MM
from baulk.ingest.walk.yard import Stop
from baulk.models import units
from baulk.models.reading import AT_LEAST
from baulk.models.units import System

_HIGH: Final = 10.5 * MM  # room for a pencil in a cold hand
_SHARES: Final = (0.13, 0.11, 0.22, 0.15, 0.11, 0.08, 0.06, 0.14)  # of the width; the last four are blanks
_WET_PCT: Final = 30.0  # where only "at least" can be read


def expected(stop: Stop) -> str:
    """Say what pins should read at the offered depth."""
    here = stop.expected[0]
    if here.low_pct is None or here.high_pct is None:
        return "no forecast yet"
    if here.low_pct > _WET_PCT:
        return f"over {_WET_PCT:.0f} %"
    return f"{here.low_pct:.0f} to {here.high_pct:.0f} %"


def spot(stop: Stop, system: System) -> str:
    """Say where the pins are offered."""
    face = f", face {stop.face.value}" if stop.face else ""
    return f"{units.show_length(stop.depth_mm, system)}{face}"


def last(stop: Stop, system: System, now_utc: datetime | None = None) -> str:
    """Say what was read last: pins with their depth, and the weight; how long ago, on paper the day."""

    def when(moment: datetime) -> str:
        return words.day(moment) if now_utc is None else words.age(moment, now_utc)

    said = []
    if (pins := stop.pins) is not None:
        least = "at least " if AT_LEAST in pins.flags else ""
        there = f"{least}{pins.value:.1f} % at {spot(stop, system)}"
        said.append(f"{there}, {when(pins.taken_utc)}")
    if (weight := stop.weight) is not None:
        said.append(f"{units.show_mass(weight.value, system)}, {when(weight.taken_utc)}")
    return "; ".join(said) or "never read"


def pdf(
    stops: Sequence[Stop], *, shop: str, made_utc: datetime, system: System, paper: str | None = None
) -> bytes:
    """Print a sheet for a walk.

    Parameters
    ----------
    stops : sequence of Stop
        In the order of the walk.
    shop : str
        For the foot.
    made_utc : datetime
        For the foot.
    system : {"inch", "metric"}
        The reader's units.
    paper : str, optional
        "a4" or "letter"; else by the units.

    Returns
    -------
    bytes
        A PDF.
    """
    size = paper or page.paper_of(system)
    wide = page.room(size)
    mass, depth = units.default_mass_unit(system), units.default_length_unit(system)
    heads = ("Tag", "Place", "Last", "Expected", "Meter, %", f"at, {depth}", "Face", f"Weight, {mass}")
    body = [[page.text(head, 7, textColor=style.QUIET) for head in heads]]
    for one in stops:
        there = f"{expected(one)}\nat {spot(one, system)}"
        told = (one.timber.place, last(one, system), there)
        tag = page.text(one.timber.tag, 10, bold=True)
        body.append([tag, *(page.text(cell, 7.5) for cell in told), *(page.text("", 8) for _ in range(4))])
    made = Table(
        body,
        colWidths=[share * wide for share in _SHARES],
        rowHeights=[None, *([_HIGH] * len(stops))],
        repeatRows=1,
    )
    made.setStyle(
        TableStyle(
            [
                ("VALIGN", (0, 0), (-1, -1), "MIDDLE"),
                ("LINEBELOW", (0, 0), (-1, -1), 0.5, style.RULE),
                ("LINEBEFORE", (4, 1), (-1, -1), 0.5, style.RULE),
                ("LEFTPADDING", (0, 0), (-1, -1), 2),
                ("RIGHTPADDING", (0, 0), (-1, -1), 2),
            ]
        )
    )
    example, weighs = ("1 1/4", "212 lb") if system == "inch" else ("30", "96 kg")
    tag = stops[0].timber.tag if stops else "WO-1"
    how = (
        f"Type the rows back as one batch with baulk walk, a line each: {tag} 28.5 at {example} face b, or "
        f"{tag} {weighs}. OL, >30 or over is at least. Without a depth that of last time counts. "
        "--at says the day of the walk, --by whose walk it was."
    )
    blanks = "Walked on ____________________  by ____________________  with meter ____________________"
    parts: list[Flowable] = [
        page.heading("Walk"),
        page.text(blanks, 8),
        Spacer(1, 3 * MM),
        made,
        Spacer(1, 4 * MM),
        page.text(how, 8),
    ]
    return page.document(parts, title="walk sheet", shop=shop, made_utc=made_utc, paper=size)
