"""What a green size is made of: the finished piece and each allowance, side by side to the same scale."""

from __future__ import annotations

from typing import Final

import altair as alt
import pandas as pd

from baulk.dashboard.charts import time_series
from baulk.models.formatting import show_movement
from baulk.models.plan.sawing.order import SizePlan
from baulk.models.units import System

FINISHED: Final = "finished"
ROUNDED: Final = "rounded up"
LEAST_MM: Final = 0.05  # thinner parts are not drawn
COLOURS: Final = ("#9fb98a", "#1c5a72", "#96501e", "#7b3f74", "#7a8b1f", "#3f8088", "#5d6a64", "#c08a4a",
                  "#49635a")  # fmt: skip


def parts(made: SizePlan, which: str) -> list[tuple[str, float]]:
    """Return the parts of the width or the depth, the finished size first, what is rounded up last.

    Parameters
    ----------
    made : SizePlan
        The plan.
    which : {"width", "depth"}
        Which side of the section.

    Returns
    -------
    list of (str, float)
        Name and size. [mm]
    """
    inner, outer = getattr(made.finished, f"{which}_mm"), getattr(made.green, f"{which}_mm")
    needed = getattr(made, f"needed_{which}_mm")
    terms = [(each.name, getattr(each, f"{which}_mm")) for each in made.terms]
    found = [(FINISHED, inner), *terms, (ROUNDED, outer - needed)]
    return [(name, size) for name, size in found if size > LEAST_MM]


def chart(made: SizePlan, system: System) -> alt.LayerChart:
    """Draw width and depth as stacks.

    Parameters
    ----------
    made : SizePlan
        The plan.
    system : {"inch", "metric"}
        Units of what a pointer shows.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    rows = []
    for which in ("width", "depth"):
        at = 0.0
        for name, size in parts(made, which):
            rows.append(
                {
                    "side": which,
                    "part": name,
                    "from": at,
                    "to": at + size,
                    "size": show_movement(size, system),
                }
            )
            at += size
    names = list(dict.fromkeys(each["part"] for each in rows))
    bars = (
        alt.Chart(pd.DataFrame(rows))
        .mark_bar()
        .encode(
            x=alt.X("from:Q", title=None, axis=None, scale=alt.Scale(nice=False)),
            x2="to:Q",
            y=alt.Y(
                "side:N",
                title=None,
                sort=["width", "depth"],
                axis=alt.Axis(minExtent=46, domain=False, ticks=False),
                scale=alt.Scale(paddingInner=0.4),
            ),
            color=alt.Color(
                "part:N", title=None, scale=alt.Scale(domain=names, range=list(COLOURS)), sort=None
            ),
            tooltip=[alt.Tooltip("part:N", title="what"), alt.Tooltip("size:N", title="size")],
        )
    )
    return time_series.finish(alt.layer(bars), 110 + 22 * len(names))


def finding(made: SizePlan, system: System) -> str:
    """Say in one sentence how much of the width is allowance, and what most of it is for.

    Parameters
    ----------
    made : SizePlan
        The plan.
    system : {"inch", "metric"}
        Units of the sizes.

    Returns
    -------
    str
        The sentence.
    """
    found = parts(made, "width")
    rest = [each for each in found if each[0] != FINISHED]
    more = show_movement(sum(size for _, size in rest), system)
    if not rest:
        return "The finished width needs no allowance."
    most, size = max(rest, key=lambda each: each[1])
    return (
        f"The width needs {more} above its finished size, most of it {most}: {show_movement(size, system)}."
    )
