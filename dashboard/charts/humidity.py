"""The window of humidity by week, with its limits named and the schedule in it."""

from __future__ import annotations

import math
from typing import Any, Final

import altair as alt
import pandas as pd

from baulk.dashboard.charts import time_series
from baulk.models.plan.humidity.plan import AirPlan

WEEKS: Final = 104
LIMITS: Final = {
    "checking_pct": ("not below: checking", time_series.EARTH),
    "mould_pct": ("not above: mould", "#7b3f74"),
    "condensation_pct": ("not above: dew on cold timber", "#3f8088"),
    "finished_low_pct": ("not below: finished work", "#7a8b1f"),
    "finished_high_pct": ("not above: finished work", "#4d5912"),
}


def window(made: AirPlan, height: int = 330) -> alt.LayerChart:
    """Draw two years of a plan.

    Parameters
    ----------
    made : AirPlan
        The plan.
    height : int
        Height of the chart.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    weeks = made.weeks[:WEEKS]
    frame = pd.DataFrame(
        {
            "time": [time_series.moment(each.starts_utc) for each in weeks],
            "low": [each.low_pct for each in weeks],
            "high": [each.high_pct for each in weeks],
            "set": [each.set_pct for each in weeks],
            "expected": [each.expected_pct for each in weeks],
            "by": [f"{each.low_by} to {each.high_by}" for each in weeks],
        }
    )
    limits = pd.DataFrame(
        [
            {"time": frame["time"][i], "value": value, "which": name}
            for field, (name, _) in LIMITS.items()
            for i, each in enumerate(weeks)
            if (value := getattr(each, field)) is not None and value < 99.5
        ]
    )
    schedule = "what if: held" if made.what_if else "hold"
    lines = pd.concat(
        [
            pd.DataFrame({"time": frame["time"], "value": frame["set"], "which": schedule}),
            pd.DataFrame({"time": frame["time"], "value": frame["expected"], "which": "if nothing is done"}),
        ]
    )
    shown = [name for name, _ in LIMITS.values() if not limits.empty and name in set(limits["which"])]
    colours = dict(LIMITS.values()) | {
        schedule: time_series.DEEP,
        "if nothing is done": time_series.QUIET,
    }
    names = [schedule, "if nothing is done", *shown]
    values = [*frame["set"], *frame["expected"], *([] if limits.empty else limits["value"])]
    x = alt.X("time:T", title=None, axis=alt.Axis(tickCount=5, labelOverlap="greedy", format="%b %Y"))
    domain = [
        10 * math.floor(max(0.0, min(values) - 2) / 10),
        10 * math.ceil(min(100.0, max(values) + 2) / 10),
    ]
    scale = alt.Scale(domain=domain, nice=False, zero=False, clamp=True)

    def up(column: str) -> alt.Y:
        return alt.Y(f"{column}:Q", title="relative humidity, %", scale=scale)

    y = up("value")
    colour = alt.Color(
        "which:N", title=None, scale=alt.Scale(domain=names, range=[colours[each] for each in names])
    )
    tooltip = [
        alt.Tooltip("time:T", title="week from", format="%d %b %Y"),
        alt.Tooltip("set:Q", title=f"{schedule}, %", format=".0f"),
        alt.Tooltip("low:Q", title="not below, %", format=".0f"),
        alt.Tooltip("high:Q", title="not above, %", format=".0f"),
        alt.Tooltip("by:N", title="set by"),
    ]
    inside, shut = frame[frame["low"] <= frame["high"]], frame[frame["low"] > frame["high"]]
    layers: list[Any] = []
    if not inside.empty:
        layers.append(
            alt.Chart(inside.assign(to=inside["time"] + pd.Timedelta(days=7)))
            .mark_rect(color="#7a8b1f", opacity=0.16)
            .encode(x=x, x2="to", y=up("low"), y2="high", tooltip=tooltip)
        )
    if not shut.empty:
        layers.append(
            alt.Chart(shut.assign(to=shut["time"] + pd.Timedelta(days=7)))
            .mark_rect(color=time_series.EARTH, opacity=0.22)
            .encode(x=x, x2="to", y=up("high"), y2="low", tooltip=tooltip)
        )
    if not limits.empty:
        layers.append(
            alt.Chart(limits)
            .mark_line(strokeWidth=1.3, interpolate="step-after")
            .encode(x=x, y=y, color=colour)
        )
    layers.append(
        alt.Chart(lines)
        .mark_line(strokeWidth=2.6)
        .encode(
            x=x,
            y=y,
            color=colour,
            strokeDash=alt.condition(
                "datum.which == 'if nothing is done'", alt.value([4, 3]), alt.value([1, 0])
            ),
        )
    )
    return time_series.finish(alt.layer(*layers), height + 22 * len(names))
