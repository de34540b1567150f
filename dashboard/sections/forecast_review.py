"""What was forecast of a timber, and what came: an earlier forecast, today's fit, the readings since.

A reading by pins is held against what that forecast said of the same pins; a weight against the mean that it
said, laid where today's fit sees the weight. Moisture of core and mean cannot be measured: there the line is
today's fit, with its own doubt.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd
import streamlit as st

from baulk.dashboard import words
from baulk.dashboard.charts import fitted, time_series
from baulk.dashboard.sections import layout
from baulk.dashboard.server import shop_access
from baulk.ingest.evaluation import forecast_record
from baulk.ingest.evaluation.document import Document
from baulk.ingest.evaluation.document_read import document_of
from baulk.models.formatting import share
from baulk.models.reading import series_of
from baulk.models.text import series as series_text
from baulk.models.units import System
from baulk.models.yard import track_record
from baulk.models.yard.track_record import Met

SOONEST: Final = timedelta(days=2)  # a forecast younger than this has nothing to be held against
USUAL: Final = timedelta(days=180)  # the page opens on the forecast nearest to this old
BEFORE: Final = timedelta(days=60)
SHOWN_PINS: Final = 2
_X: Final = alt.X(  # months by name, the year at each January: more fits beside each other
    "time:T",
    title=None,
    axis=alt.Axis(
        tickCount="month",
        labelExpr="timeFormat(datum.value, timeFormat(datum.value, '%m') == '01' ? '%Y' : '%b')",
        labelOverlap="greedy",
        labelSeparation=8,
        labelBound=True,
    ),
)


def kept(tag: str, now: datetime) -> dict[datetime, bytes]:
    """Return the earlier forecasts that something can be held against, the newest first."""
    every = shop_access.ask(lambda s: s.store.past_evaluations(tag))
    return {each.made_utc: each.payload for each in reversed(every) if now - each.made_utc >= SOONEST}


def met(then: Document, today: Document) -> tuple[Met, ...]:
    """Hold every reading since an earlier forecast against it.

    Parameters
    ----------
    then : Document
        The earlier forecast.
    today : Document
        Today's evaluation, with its readings.

    Returns
    -------
    tuple of Met
        Oldest first; readings that today's fit set aside are not among them.
    """
    return track_record.met(forecast_record.said(then), today.readings, forecast_record.course(today))


def sentences(then: Document, today: Document, found: Sequence[Met], system: System) -> tuple[str, ...]:
    """Say in words how an earlier forecast did.

    Parameters
    ----------
    then : Document
        The earlier forecast.
    today : Document
        Today's evaluation.
    found : sequence of Met
        Readings since.
    system : {"inch", "metric"}
        Units of depths.

    Returns
    -------
    tuple of str
        Of the readings, then of the core and the mean today.
    """
    said = [*_of_readings(then, found, system)]
    now_s = today.made_utc.timestamp()
    for name, rows, span in (
        ("core", then.forecast.core_pct, today.core_now_pct),
        ("mean", then.forecast.mean_pct, today.mean_now_pct),
    ):
        low, middle, high = (float(np.interp(now_s, then.forecast.posix_s, rows[i])) for i in (0, 2, 4))
        said.append(
            f"For the {name} today it said {middle:.0f} % ({low:.0f} to {high:.0f}); today's fit says "
            f"{words.span(span.median, span.low, span.high)}."
        )
    return tuple(said)


def _of_readings(then: Document, found: Sequence[Met], system: System) -> list[str]:
    since = f"since {words.day(then.made_utc)}"
    if not found:
        return [f"No reading {since} can be held against it."]
    said = []
    told = [each for each in found if not each.reading.at_least]
    if told:
        inside = sum(each.within for each in told)
        part = (
            "all" if inside == len(told) else f"{inside} ({share(inside / len(told))})" if inside else "none"
        )
        count = f"Of {len(told)} readings {since}, {part}" if len(told) > 1 else f"The one reading {since}"
        fell = "outside" if len(told) == 1 and not inside else "within"
        worst = max(told, key=lambda each: abs(each.off_pct))
        side = "above" if worst.off_pct > 0 else "below"
        when = words.day(datetime.fromtimestamp(worst.reading.posix_s, UTC))
        named = series_text.called(worst.reading.series, system)
        said.append(f"{count} came {fell} its 90 % band.")
        said.append(
            f"The largest miss was {abs(worst.off_pct):.1f} points {side} the most likely: {named} on {when}."
        )
    if bounds := [each for each in found if each.reading.at_least]:
        against = sum(not each.within for each in bounds)
        agree = "none would have it wetter" if not against else f"{against} of them would have it wetter"
        few = "1 reading" if len(bounds) == 1 else f"{len(bounds)} readings"
        said.append(f"{few} {since} could only say 'at least this wet', above fibre saturation; {agree}.")
    return said


def part_chart(
    then: Document, today: Document, which: str, found: Sequence[Met], height: int = 260
) -> alt.LayerChart:
    """Draw an earlier forecast of core or mean, today's fit of the same months, and the weights since.

    Parameters
    ----------
    then : Document
        The earlier forecast.
    today : Document
        Today's evaluation.
    which : "core" or "mean"
        What of the section.
    found : sequence of Met
        Readings since; the weights among them are drawn on the mean.
    height : int
        Height of the chart.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    colour = time_series.DEEP if which == "mean" else time_series.EARTH
    until = today.made_utc + timedelta(days=14)
    layers = _band(
        then.forecast.posix_s, getattr(then.forecast, f"{which}_pct"), until, colour, f"{which} MC, %"
    )
    rows = getattr(today.history, f"{which}_pct")
    history = pd.DataFrame(
        {"time": time_series.times(today.history.posix_s), "low": rows[0], "mid": rows[2], "high": rows[4]}
    )
    history = history[history["time"] >= time_series.moment(then.made_utc - BEFORE)]
    base = alt.Chart(history)
    layers.append(base.mark_line(color=time_series.INK, strokeWidth=2).encode(x=_X, y="mid:Q"))
    layers += [
        base.mark_line(color=time_series.INK, strokeWidth=1, strokeDash=[3, 3]).encode(x=_X, y=f"{edge}:Q")
        for edge in ("low", "high")
    ]
    if which == "mean":
        layers += _points([each for each in found if track_record.weighed(each.reading)])
    layers += time_series.upright(then.made_utc, "forecast", time_series.INK, [1, 0], 2)
    return time_series.finish(alt.layer(*layers), height)


def pins_chart(
    then: Document, today: Document, series: str, found: Sequence[Met], height: int = 220
) -> alt.LayerChart:
    """Draw what an earlier forecast said that pins would read, and what they read.

    Parameters
    ----------
    then : Document
        The earlier forecast.
    today : Document
        Today's evaluation.
    series : str
        The pins.
    found : sequence of Met
        Readings since.
    height : int
        Height of the chart.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    until = today.made_utc + timedelta(days=28)
    pins = then.forecast.pins
    layers = _band(pins.posix_s, pins.series[series], until, time_series.QUIET, "MC by pins, %")
    layers += _points([each for each in found if each.reading.series == series])
    return time_series.finish(alt.layer(*layers), height)


def _band(
    posix_s: Sequence[float], rows: Sequence[Sequence[float]], until: datetime, colour: str, title: str
) -> list[Any]:
    names = ("low", "quarter", "mid", "three_quarters", "high")
    whole = pd.DataFrame(dict(zip(names, rows, strict=True)), dtype=float)
    whole.insert(0, "time", time_series.times(posix_s))
    base = alt.Chart(whole[whole["time"] <= time_series.moment(until)])
    x = _X
    y = alt.Y("low:Q", title=title, scale=alt.Scale(zero=False), axis=time_series.value_axis())
    tooltip = [
        alt.Tooltip("time:T", title="on", format="%d %b %Y"),
        alt.Tooltip("mid:Q", title="it said, %", format=".0f"),
        alt.Tooltip("low:Q", title="5 % lower than, %", format=".0f"),
        alt.Tooltip("high:Q", title="5 % higher than, %", format=".0f"),
    ]
    return [
        base.mark_area(color=colour, opacity=0.16).encode(x=x, y=y, y2="high"),
        base.mark_area(color=colour, opacity=0.26).encode(x=x, y="quarter:Q", y2="three_quarters"),
        base.mark_line(color=colour, strokeWidth=1.6, strokeDash=[6, 3]).encode(
            x=x, y="mid:Q", tooltip=tooltip
        ),
    ]


def _points(found: Sequence[Met]) -> list[Any]:
    if not found:
        return []
    some = found[:: max(1, -(-len(found) // 400))]
    frame_ = pd.DataFrame(
        {
            "time": time_series.times([each.reading.posix_s for each in some]),
            "came": [each.came_pct for each in some],
            "said": [each.middle_pct for each in some],
            "kind": ["at least" if each.reading.at_least else "measured" for each in some],
        }
    )
    tooltip = [
        alt.Tooltip("time:T", title="read", format="%d %b %Y"),
        alt.Tooltip("came:Q", title="it read, %", format=".1f"),
        alt.Tooltip("said:Q", title="it was to read, %", format=".1f"),
        alt.Tooltip("kind:N", title="which is"),
    ]
    # pins above fibre saturation say only "at least": an arrow upward, never a row of dots
    looks: tuple[tuple[str, dict[str, Any]], ...] = (
        ("measured", {"size": 30, "filled": True, "opacity": 0.8}),
        ("at least", {"size": 90, "filled": True, "shape": fitted.UP, "opacity": 0.8}),
    )
    return [
        alt.Chart(part).mark_point(color=time_series.INK, **look).encode(x=_X, y="came:Q", tooltip=tooltip)
        for kind, look in looks
        if len(part := frame_[frame_["kind"] == kind])
    ]


def section(tag: str, today: Document, system: System, now: datetime) -> None:
    """Show the part of the Timber page that holds an earlier forecast against what came."""
    every = kept(tag, now)
    if not every:
        st.info(
            "Nothing to compare yet: forecasts are kept as they are made, and the first comparison comes "
            "a week after the first forecast."
        )
        return
    dates = list(every)
    chosen = st.selectbox(
        "Forecast made",
        dates,
        index=min(range(len(dates)), key=lambda i: abs(now - dates[i] - USUAL)),
        format_func=lambda at: f"{words.day(at)}, {words.age(at, now)}",
        key=f"came-true-{tag}",
    )
    then = document_of(every.get(chosen))
    if then is None:
        st.info("There was no forecast to be made that day; choose another.")
        return
    found = met(then, today)
    told = [layout.capital(each) for each in sentences(then, today, found, system)]
    st.markdown("\n".join(f"- {each}" for each in words.mds(told)))
    for column, which, finding in zip(st.columns(2, gap="large"), ("core", "mean"), told[-2:], strict=True):
        with column:
            st.altair_chart(
                part_chart(then, today, which, found),
                width="stretch",
                key=f"came-{which}",
                alt=finding,
            )
    for column, name in zip(st.columns(2, gap="large"), _most_telling(found), strict=False):
        with column:
            mine = [each for each in found if each.reading.series == name]
            called = layout.capital(series_text.called(name, system))
            finding = " ".join([called, *_of_readings(then, mine, system)])
            st.caption(words.md(finding))
            st.altair_chart(
                pins_chart(then, today, name, found),
                width="stretch",
                key=f"came-{name}",
                alt=finding,
            )
    st.caption(
        "Colour and dashes: what was forecast that day, dark for half the chances, light for nine in ten. "
        "Black line: today's fit, dotted its own nine in ten. Dots: readings since; an arrow only says "
        "'at least'. The band of pins holds the meter's bias and scatter too."
    )


def _most_telling(found: Sequence[Met]) -> list[str]:
    """Give the deepest pins that have more to say than "at least"; a chart of the others shows nothing."""
    told = {
        each.reading.series
        for each in found
        if not each.reading.at_least and _depth_mm(each.reading.series) is not None
    }
    return sorted(told, key=lambda name: _depth_mm(name) or 0.0, reverse=True)[:SHOWN_PINS]


def _depth_mm(text: str) -> float | None:
    series = series_of(text)
    return None if series is None else series.depth_mm
