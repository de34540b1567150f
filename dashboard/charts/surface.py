"""Strain of a timber's surface in the days ahead, beside what boards of its wood withstand."""

from __future__ import annotations

import altair as alt
import pandas as pd

from baulk.dashboard.charts import time_series
from baulk.ingest.evaluation.document import CheckingMargin, SurfaceAhead
from baulk.models.formatting import share

STRAIN = "strain of the surface"
TITLE = "surface strain, %"


def ahead(margin: CheckingMargin, days: SurfaceAhead, height: int = 260) -> alt.LayerChart:
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
    limit = f"limit of boards, {margin.tolerated_pct:.1f} %"
    frame = pd.DataFrame({"time": at, "low": low, "median": median, "high": high, "chance": days.chance})
    lines = pd.concat(
        [
            pd.DataFrame({"time": at, "value": median, "which": STRAIN}),
            pd.DataFrame({"time": at, "value": margin.tolerated_pct, "which": limit}),
        ]
    )
    x = alt.X("time:T", title=None, axis=time_series.date_axis("%d %b"))
    scale = alt.Scale(domain=[0, max(*high, margin.tolerated_pct) * 1.1], nice=False)
    axis = time_series.value_axis()
    tooltip = [
        alt.Tooltip("time:T", title="day", format="%d %b %Y"),
        alt.Tooltip("median:Q", title="strain, %", format=".1f"),
        alt.Tooltip("chance:Q", title="chance of too much by then", format=".0%"),
    ]
    band = (
        alt.Chart(frame)
        .mark_area(opacity=0.18, color=time_series.DEEP)
        .encode(x=x, y=alt.Y("low:Q", title=TITLE, scale=scale, axis=axis), y2="high:Q", tooltip=tooltip)
    )
    colours = alt.Scale(domain=[STRAIN, limit], range=[time_series.DEEP, time_series.EARTH])
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
    """Return in one sentence how near the surface comes to what boards withstand.

    Parameters
    ----------
    margin, days
        As of `ahead`.
    """
    return (
        f"In the next {len(days.posix_s) - 1} days the surface tends to shrink by at most "
        f"{max(days.wanted_pct[1]):.1f} % of its length, and boards of its wood withstand "
        f"{margin.tolerated_pct:.1f} %; the chance of too much is {share(max(days.chance))}."
    )
