"""Where core and average of a timber are going, with the day on which it may be squared."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from baulk.dashboard import words
from baulk.dashboard.charts import time_series
from baulk.dashboard.charts.time_series import DEEP, EARTH, INK, finish, moment, times, upright
from baulk.ingest.evaluation.document import Course, Document

PARTS: Final = {"core": EARTH, "average": DEEP}
MOST_ROWS: Final = 300
BEFORE: Final = timedelta(days=240)  # of the past: green wood of long ago would press the day to come flat


def chart(
    answer: Document, service_pct: tuple[float, float], now: datetime, height: int = 300
) -> alt.LayerChart:
    """Draw past and forecast of core and average, nine tenths of the chances shaded.

    Parameters
    ----------
    answer : Document
        The evaluation.
    service_pct : pair of float
        Lowest and highest MC where the piece will live. [%]
    now : datetime
        The moment, with a time zone.
    height : int
        Height of the chart.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    made = answer.made_utc.astimezone(UTC)
    frame = pd.concat(
        [
            _rows(course, which, upto)
            for which in PARTS
            for course, upto in ((answer.history, made), (answer.forecast, None))
        ],
        ignore_index=True,
    )
    first, last = frame["time"].min(), frame["time"].max()
    home = pd.DataFrame(
        [{"low": service_pct[0], "high": service_pct[1], "text": "moisture in service", "time": first}]
    )
    x = alt.X("time:T", title=None, axis=time_series.date_axis())
    y = alt.Y("low:Q", title="MC, %", axis=alt.Axis(format="d", tickMinStep=1))
    colour = alt.Color(
        "which:N",
        title=None,
        scale=alt.Scale(domain=list(PARTS), range=list(PARTS.values())),
        legend=alt.Legend(symbolOpacity=1, columns=2),
    )
    tooltip = [
        alt.Tooltip("which:N", title="of the"),
        alt.Tooltip("time:T", title="on", format="%d %b %Y"),
        alt.Tooltip("mid:Q", title="most likely, %", format=".0f"),
        alt.Tooltip("low:Q", title="5 % lower than, %", format=".0f"),
        alt.Tooltip("high:Q", title="5 % higher than, %", format=".0f"),
    ]
    base = alt.Chart(frame)
    layers: list[Any] = [
        alt.Chart(home).mark_rect(color="#7a8b1f", opacity=0.18).encode(y=y, y2="high"),
        alt.Chart(home)
        .mark_text(align="left", baseline="top", dx=4, dy=3, color="#4d5912", fontSize=11)
        .encode(x="time:T", y="low:Q", text="text"),
        base.mark_area(opacity=0.2).encode(x=x, y=y, y2="high", color=colour),
        base.mark_line(strokeWidth=2.4).encode(x=x, y="mid:Q", color=colour, tooltip=tooltip),
        *upright(made, "now", INK, [1, 0], 2),
    ]
    square = answer.verdict.dates.get("square")
    if square is not None and square > now:
        late = moment(square) > first + 0.6 * (last - first)
        layers += upright(square, f"square {_day(answer, now)}", INK, [5, 4], 17, before=bool(late))
    return finish(alt.layer(*layers), height)


def finding(answer: Document, now: datetime) -> str:
    """Return in one sentence what the chart shows: the day, and what core and average come to by then.

    Parameters
    ----------
    answer : Document
        The evaluation.
    now : datetime
        The moment, with a time zone.
    """
    square, end = answer.verdict.dates.get("square"), words.from_posix(answer.forecast.posix_s[-1])
    core, mean = answer.core_now_pct.median, answer.mean_now_pct.median
    if square is not None and square <= now:
        told = words.step_from(answer.verdict, "square", now)
        say = {"now": "It may be squared now", "after more readings": "It may be squared after more readings"}
        return f"{say.get(told, 'It may be squared now')}: {core:.0f} % in the core, {mean:.0f} % on average."
    until = square or end
    by_then = (
        f"the core goes from {core:.0f} to {_at(answer.forecast, 'core', until):.0f} %, the average "
        f"from {mean:.0f} to {_at(answer.forecast, 'average', until):.0f} %"
    )
    if answer.verdict.contradiction is not None:
        return (
            f"No day can be named while scale and pins contradict each other; by {words.day(end)} {by_then}."
        )
    if square is None:
        return f"No day for squaring within the forecast: by {words.day(end)} {by_then}."
    return f"It may be squared {_day(answer, now)}: by then {by_then}."


def _day(answer: Document, now: datetime) -> str:
    return words.step_from(answer.verdict, "square", now)


def _at(course: Course, which: str, at: datetime) -> float:
    middle = _of(course, which)[2]
    return float(np.interp(at.timestamp(), course.posix_s, middle))


def _of(course: Course, which: str) -> tuple[tuple[float, ...], ...]:
    return course.core_pct if which == "core" else course.mean_pct


def _rows(course: Course, which: str, upto: datetime | None) -> pd.DataFrame:
    low, _, middle, _, high = _of(course, which)
    frame = pd.DataFrame({"time": times(course.posix_s), "low": low, "mid": middle, "high": high})
    if upto is not None:
        frame = frame[(frame["time"] <= moment(upto)) & (frame["time"] >= moment(upto - BEFORE))]
    return frame.iloc[:: max(1, -(-len(frame) // MOST_ROWS))].assign(which=which)
