"""The list of a buying plan for the mill, as a table."""

from __future__ import annotations

import csv
import io
from typing import Final

from baulk.models.formatting import show_along, spreadsheet_cell
from baulk.models.plan.buying.purchase import BuyPlan
from baulk.models.text import sentence
from baulk.models.units import System, show_size

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
