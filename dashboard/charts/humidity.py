"""The window of humidity by week, with its limits named and the schedule in it."""

from __future__ import annotations

import math
from typing import Any, Final

import altair as alt
import pandas as pd

from baulk.dashboard import words
from baulk.dashboard.charts import time_series
from baulk.models.plan.humidity.air_plan import AirPlan

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
    axis = time_series.value_axis(time_series.WHOLE, tickMinStep=1)

    def up(column: str) -> alt.Y:
        return alt.Y(f"{column}:Q", title="relative humidity, %", scale=scale, axis=axis)

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


def scale(made: AirPlan, now_pct: float | None) -> alt.LayerChart:
    """Draw this week's window on one scale of humidity, its limits as ticks and the air now.

    Parameters
    ----------
    made : AirPlan
        The plan.
    now_pct : float or None
        Humidity now. [%RH]

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    week = made.weeks[0]
    x = alt.X("at:Q", title=None, scale=alt.Scale(domain=[20, 100]), axis=alt.Axis(tickCount=8, format=".0f"))
    layers: list[Any] = []
    if week.low_pct <= week.high_pct:
        inside = pd.DataFrame([{"at": week.low_pct, "to": week.high_pct}])
        layers.append(
            alt.Chart(inside)
            .mark_rect(color="#7a8b1f", opacity=0.35)
            .encode(x=x, x2="to:Q", y=alt.value(30), y2=alt.value(60))
        )
    ticks = pd.DataFrame([{"at": value, "colour": colour} for value, _, colour in limits_of(made)])
    layers.append(
        alt.Chart(ticks)
        .mark_rule(strokeWidth=3)
        .encode(x=x, y=alt.value(26), y2=alt.value(64), color=alt.Color("colour:N", scale=None))
    )
    if now_pct is not None:
        now = pd.DataFrame([{"at": now_pct, "text": f"now {now_pct:.0f} %"}])
        layers += [
            alt.Chart(now)
            .mark_point(shape="triangle-down", size=150, filled=True, color=time_series.DEEP, opacity=1)
            .encode(x=x, y=alt.value(24)),
            alt.Chart(now)
            .mark_text(fontSize=13, fontWeight="bold", color=time_series.DEEP)
            .encode(x=x, y=alt.value(8), text="text"),
        ]
    return time_series.finish(alt.layer(*layers), 100)


def limits_of(made: AirPlan) -> list[tuple[float, str, str]]:
    """Return this week's limits: the humidity, its name with the side that it stands for, its colour."""
    week = made.weeks[0]
    found = [
        (value, name, colour)
        for field, (name, colour) in LIMITS.items()
        if (value := getattr(week, field)) is not None and value < 99.5
    ]
    if week.low_by == "practice":
        found.insert(0, (week.low_pct, "not below: driest worth bringing a shop to", time_series.QUIET))
    if week.high_by == "practice":
        found.append((week.high_pct, "not above: dampest that can be held", time_series.QUIET))
    return found


def weeks(made: AirPlan, past: pd.DataFrame, count: int = 12) -> alt.LayerChart:
    """Draw the past two weeks, and the window of the weeks ahead with what comes if nothing is done.

    Parameters
    ----------
    made : AirPlan
        The plan.
    past : DataFrame
        Measured air: time with a zone, rh_pct.
    count : int
        Weeks ahead.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    ahead = made.weeks[:count]
    frame = pd.DataFrame(
        {
            "time": [time_series.moment(each.starts_utc) for each in ahead],
            "low": [min(each.low_pct, each.high_pct) for each in ahead],
            "high": [max(each.low_pct, each.high_pct) for each in ahead],
            "open": [each.low_pct <= each.high_pct for each in ahead],
            "expected": [each.expected_pct for each in ahead],
            "set": [each.set_pct for each in ahead],
        }
    )
    frame["to"] = frame["time"] + pd.Timedelta(days=7)
    measured = past.assign(time=[words.wall(each) for each in past["time"]])
    values = [*frame["low"], *frame["high"], *frame["expected"], *measured["rh_pct"]]
    domain = [max(0, 5 * math.floor(min(values) / 5) - 5), min(100, 5 * math.ceil(max(values) / 5) + 5)]
    x = alt.X("time:T", title=None, axis=time_series.date_axis("%d %b"))

    def up(column: str) -> alt.Y:
        scale = alt.Scale(domain=domain, nice=False)
        axis = time_series.value_axis(time_series.WHOLE, tickMinStep=1)
        return alt.Y(f"{column}:Q", title="humidity, %", scale=scale, axis=axis)

    layers: list[Any] = [
        alt.Chart(frame)
        .mark_rect(opacity=0.3)
        .encode(
            x=x, x2="to", y=up("low"), y2="high",
            color=alt.condition("datum.open", alt.value("#7a8b1f"), alt.value(time_series.EARTH)),
        ),
        alt.Chart(measured).mark_line(color=time_series.DEEP, strokeWidth=1.8).encode(x=x, y=up("rh_pct")),
        alt.Chart(frame)
        .mark_line(color=time_series.QUIET, strokeWidth=2, strokeDash=[5, 4])
        .encode(x=x, y=up("expected")),
    ]  # fmt: skip
    if made.is_held:
        layers.append(
            alt.Chart(frame)
            .mark_line(color=time_series.DEEP, strokeWidth=2.6, interpolate="step-after")
            .encode(x=x, y=up("set"))
        )
    return time_series.finish(alt.layer(*layers), 210)


def in_the_window(made: AirPlan, count: int = 12) -> str:
    """Say in one sentence how the air of the weeks ahead lies to the window if nothing is done."""
    ahead = made.weeks[:count]
    count = len(ahead)
    shut = sum(each.low_pct > each.high_pct for each in ahead)
    below = sum(each.low_pct <= each.high_pct and each.expected_pct < each.low_pct for each in ahead)
    above = sum(each.low_pct <= each.high_pct and each.expected_pct > each.high_pct for each in ahead)
    inside = count - shut - below - above
    if inside == count:
        return f"If nothing is done the air stays inside the window in all of the next {count} weeks."
    parts = [
        f"{weeks} {what}"
        for weeks, what in (
            (inside, "inside the window"),
            (above, "damper than it"),
            (below, "drier than it"),
            (shut, "without a window, for two limits cross"),
        )
        if weeks
    ]
    return f"The next {count} weeks if nothing is done: {', '.join(parts)}."
