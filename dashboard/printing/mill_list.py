"""The list of a buying plan for the mill: on paper, and as a table."""

from __future__ import annotations

import csv
import io
from datetime import datetime
from typing import Final

from baulk.dashboard import words
from baulk.dashboard.printing import page, style
from baulk.models.formatting import count, show_along, spreadsheet_cell
from baulk.models.plan.buying.purchase import BuyPlan
from baulk.models.plan.buying.shortfall import MillLine
from baulk.models.text import sentence
from baulk.models.text.sawing import show_volume
from baulk.models.units import System, show_length, show_mass, show_size

MILL_COLUMNS: Final = (
    "count,wood,size,length,width_mm,depth_mm,length_mm,heart,sweep_mm,moisture,arrives_by,board_feet,volume_m3,"
    "each_kg,each_heavy_kg,for"
)


def mill_csv(plan: BuyPlan, system: System) -> str:
    """Write the list for the mill as a table.

    Parameters
    ----------
    plan : BuyPlan
        The plan.
    system : {"inch", "metric"}
        Units of the columns size and length.

    Returns
    -------
    str
        One line a size. [mm, board foot, m3, kg]
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(MILL_COLUMNS.split(","))
    for line in plan.mill:
        writer.writerow(
            [
                line.count,
                spreadsheet_cell(line.species),
                show_size(line.width_mm, line.depth_mm, system),
                show_along(line.length_mm, system),
                round(line.width_mm, 1),
                round(line.depth_mm, 1),
                round(line.length_mm),
                spreadsheet_cell(line.heart),
                round(line.sweep_mm),
                sentence(line.moisture, system),
                line.by_utc.date().isoformat() if line.by_utc else "",
                round(line.board_feet, 1),
                round(line.volume_m3, 4),
                round(line.each_kg, 1),
                round(line.each_heavy_kg, 1),
                spreadsheet_cell("; ".join(line.parts)),
            ]
        )
    return out.getvalue()


def pdf(plan: BuyPlan, *, shop: str, made_utc: datetime, system: System, paper: str | None = None) -> bytes:
    """Print the list for the mill.

    Parameters
    ----------
    plan : BuyPlan
        The plan.
    shop : str
        Who orders.
    made_utc : datetime
        When it was printed.
    system : {"inch", "metric"}
        Units of sizes, volumes and weights.
    paper : str, optional
        "a4" or "letter"; by the units when left out.

    Returns
    -------
    bytes
        A PDF: one line a size, with its number, heart, moisture, last day of arrival and weight.
    """
    size = paper or page.paper_of(system)
    room = page.room(size)
    style.fonts()
    title = "Timber to order"
    rows = [
        (
            f"{line.count}",
            line.species,
            show_size(line.width_mm, line.depth_mm, system),
            show_along(line.length_mm, system),
            _grown(line, system),
            sentence(line.moisture, system),
            words.day(line.by_utc) if line.by_utc else "-",
            f"{show_mass(line.each_kg, system)}, up to {show_mass(line.each_heavy_kg, system)}",
            "; ".join(line.parts),
        )
        for line in plan.mill
    ]
    heads = ("pieces", "wood", "sawn", "length", "heart", "moisture", "here by", "each weighs", "for")
    shares = (0.07, 0.12, 0.12, 0.09, 0.13, 0.12, 0.1, 0.12, 0.13)
    whole = show_volume(sum(line.volume_m3 for line in plan.mill), system)
    pieces = sum(line.count for line in plan.mill)
    return page.document(
        [
            page.text(shop, 8, textColor=style.QUIET),
            page.text(title, 18, bold=True, spaceAfter=5),
            page.text(f"{count(pieces, 'piece')}, {whole} in all. Sizes as sawn, green.", 10, spaceAfter=3),
            page.table(heads, rows, [room * part for part in shares]),
            page.text("Weights are of green timber: lift with a hoist.", 8, spaceBefore=6),
        ],
        title=title, shop=shop, made_utc=made_utc, paper=size,
    )  # fmt: skip


def _grown(line: MillLine, system: System) -> str:
    """Return where the heart lies, and the curve to look for."""
    heart = {"boxed": "heart boxed", "free": "free of heart"}.get(line.heart, line.heart)
    return f"{heart}, grown with {show_length(line.sweep_mm, system)} of sweep" if line.sweep_mm else heart
