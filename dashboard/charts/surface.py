"""What a timber's surface is asked for in the days ahead, beside what boards of its wood stand."""

from __future__ import annotations

import altair as alt
import pandas as pd

from baulk.dashboard.charts import time_series
from baulk.ingest.evaluation.document import CheckingMargin, SurfaceAhead
from baulk.models.formatting import share

WANTS = "the surface wants"
TITLE = "surface strain, % of length"


def ahead(margin: CheckingMargin, days: SurfaceAhead, height: int = 190) -> alt.LayerChart:
    """Draw the strain by day with its range, and the line that it should stay below.

    Parameters
    ----------
    margin : CheckingMargin
        For what is tolerated. [% of length]
    days : SurfaceAhead
        The days.
    height : int
        Height of the chart.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    low, median, high = days.wanted_pct
    at = time_series.times(days.posix_s)
    stands = f"boards stand {margin.tolerated_pct:.1f} %"
    frame = pd.DataFrame({"time": at, "low": low, "median": median, "high": high, "chance": days.chance})
    lines = pd.concat(
        [
            pd.DataFrame({"time": at, "value": median, "which": WANTS}),
            pd.DataFrame({"time": at, "value": margin.tolerated_pct, "which": stands}),
        ]
    )
    x = alt.X("time:T", title=None, axis=time_series.date_axis("%d %b"))
    scale = alt.Scale(domain=[0, max(*high, margin.tolerated_pct) * 1.1], nice=False)
    axis = time_series.value_axis()
    tooltip = [
        alt.Tooltip("time:T", title="day", format="%d %b %Y"),
        alt.Tooltip("median:Q", title="wanted, %", format=".1f"),
        alt.Tooltip("chance:Q", title="chance of too much by then", format=".0%"),
    ]
    band = (
        alt.Chart(frame)
        .mark_area(opacity=0.18, color=time_series.DEEP)
        .encode(x=x, y=alt.Y("low:Q", title=TITLE, scale=scale, axis=axis), y2="high:Q", tooltip=tooltip)
    )
    colours = alt.Scale(domain=[WANTS, stands], range=[time_series.DEEP, time_series.EARTH])
    drawn = (
        alt.Chart(lines)
        .mark_line(strokeWidth=2.4)
        .encode(
            x=x,
            y=alt.Y("value:Q", title=TITLE, scale=scale, axis=axis),
            color=alt.Color("which:N", title=None, scale=colours),
        )
    )
    return time_series.finish(alt.layer(band, drawn), height)


def finding(margin: CheckingMargin, days: SurfaceAhead) -> str:
    """Return in one sentence how near the surface comes to what boards stand.

    Parameters
    ----------
    margin, days
        As of `ahead`.
    """
    return (
        f"In the next {len(days.posix_s) - 1} days the surface wants at most {max(days.wanted_pct[1]):.1f} % "
        f"of its length, and boards of its wood stand {margin.tolerated_pct:.1f} %; the chance of too much "
        f"is {share(max(days.chance))}."
    )
