"""How checks, shakes and splits of a timber grow: each by a line, a dot for each day that it was measured."""

from __future__ import annotations

from collections.abc import Sequence

import altair as alt
import pandas as pd

from baulk.dashboard import words
from baulk.dashboard.charts import time_series
from baulk.models.formatting import show_gauge
from baulk.models.openings import Opening
from baulk.models.units import System, show_length

MM_PER_INCH = 25.4


def growth(found: Sequence[Opening], what: str, system: System, height: int = 170) -> alt.LayerChart | None:
    """Draw one size of every opening over time.

    Parameters
    ----------
    found : sequence of Opening
        From `baulk.models.openings.seen`.
    what : str
        "width", "depth" or "length".
    system : {"inch", "metric"}
        The reader's units.
    height : int
        Height of the chart.

    Returns
    -------
    altair.LayerChart or None
        The chart; None where nobody measured that size twice.
    """
    unit, per = ("in", MM_PER_INCH) if system == "inch" else ("mm", 1.0)
    rows = [
        {"time": time_series.moment(each.at_utc), "value": mm / per, "which": words.called(one)}
        for one in found
        for each in one.days
        if (mm := getattr(each, f"{what}_mm")) is not None
    ]
    frame = pd.DataFrame(rows, columns=["time", "value", "which"])
    if frame.empty or frame["which"].value_counts().max() < 2:
        return None
    names = sorted(frame["which"].unique())
    count = len(time_series.MARKS)
    colours = alt.Scale(domain=names, range=[time_series.MARKS[i % count] for i in range(len(names))])
    drawn = alt.Chart(frame).encode(
        x=alt.X("time:T", title=None, axis=time_series.date_axis("%d %b")),
        y=alt.Y(
            "value:Q", title=f"{what}, {unit}", scale=alt.Scale(domainMin=0), axis=time_series.value_axis()
        ),
        color=alt.Color("which:N", title=None, scale=colours),
        tooltip=[
            alt.Tooltip("which:N", title="which"),
            alt.Tooltip("time:T", title="measured", format="%d %b %Y"),
            alt.Tooltip("value:Q", title=f"{what}, {unit}", format=".2f"),
        ],
    )
    layers = alt.layer(drawn.mark_line(strokeWidth=2.0), drawn.mark_point(filled=True, size=60))
    return time_series.finish(layers, height)


def finding(found: Sequence[Opening], what: str, system: System) -> str:
    """Return in one sentence how far each opening has grown between its first and its last measurement.

    Parameters
    ----------
    found, what, system
        As of `growth`.
    """
    show = show_gauge if what == "width" else show_length
    told = []
    for one in found:
        known = [(each.at_utc, mm) for each in one.days if (mm := getattr(each, f"{what}_mm")) is not None]
        if len(known) > 1:
            (first, before), (last, after) = known[0], known[-1]
            told.append(
                f"{words.called(one)} from {show(before, system)} on {words.day(first)} to "
                f"{show(after, system)} on {words.day(last)}"
            )
    return f"The {what} of each: {'; '.join(told)}."
