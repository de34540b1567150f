"""Charts in our own hand: one moisture scale from dry straw to deep water, every axis with its unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from baulk.dashboard import words
from baulk.ingest.evaluation.document import Course, Document
from baulk.models.units import System

# Straw, through sage, to deep water: lightness falls all the way, so it reads in grey and to every kind of
# colour vision (tests/dashboard/test_charts.py checks the fall under simulated dichromacy).
MOISTURE: Final = ("#f2e2a0", "#cfcf8d", "#9fb98a", "#6b9f8d", "#3f8088", "#225e76", "#12395c")
DRY_PCT: Final = 6.0
WET_PCT: Final = 60.0

INK: Final = "#1d2723"
QUIET: Final = "#5d6a64"
RULE: Final = "#c9d0c8"
DEEP: Final = "#1c5a72"
EARTH: Final = "#96501e"
MARKS: Final = ("#1c5a72", "#96501e", "#5d6a64", "#7a8b1f", "#7b3f74", "#101814")
SHAPES: Final = ("circle", "square", "diamond", "triangle-down", "cross", "triangle-right")
MOST_POINTS: Final = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A window of humidity that suits something."""

    name: str
    low_pct: float
    high_pct: float


def finish(chart: Any, height: int, *, fit: bool = True) -> alt.LayerChart:  # noqa: ANN401 (altair's layers have no common type)
    """Give a chart its height and the look that all of ours share; `fit` False keeps a picture to scale."""
    return (  # type: ignore[no-any-return]
        chart.properties(height=height, **({} if fit else {"autosize": alt.AutoSizeParams(type="pad")}))
        .configure(background="transparent", font="inherit")
        .configure_view(stroke=None)
        .configure_axis(
            labelColor=INK,
            titleColor=QUIET,
            gridColor="#e3e7e1",
            domainColor=RULE,
            tickColor=RULE,
            labelFontSize=12,
            titleFontSize=12,
            titleFontWeight="normal",
        )
        .configure_legend(
            orient="bottom",
            columns=1,
            labelColor=INK,
            titleColor=QUIET,
            labelFontSize=12,
            titleFontSize=12,
            titleFontWeight="normal",
            labelLimit=320,
            symbolLimit=12,
        )
    )


def times(posix_s: Sequence[float] | NDArray[np.float64]) -> pd.DatetimeIndex:
    """Return moments as the charts take them: by the shop's clock and without a zone.

    A browser shows a moment that has a zone by the clock of its own machine, one without as it stands.
    """
    return pd.DatetimeIndex([words.wall(datetime.fromtimestamp(float(each), UTC)) for each in posix_s])


def moment(at: datetime) -> pd.Timestamp:
    """Return one moment as `times` does."""
    return pd.Timestamp(words.wall(at))


def date_axis(form: str = "%b %Y") -> alt.Axis:
    """Return a time axis whose labels keep apart on a phone."""
    return alt.Axis(tickCount=5, labelOverlap="greedy", labelSeparation=12, format=form, labelBound=True)


def readings(answer: Document, names: dict[str, str], system: System, height: int = 300) -> alt.LayerChart:
    """Draw what was measured beside what the calibrated model says of the same place and moment.

    Parameters
    ----------
    answer : Document
        The evaluation.
    names : dict of str to str
        What each series is called.
    system : {"inch", "metric"}
        The reader's units.
    height : int
        Height of the chart.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    rows = answer.readings[:: max(1, -(-len(answer.readings) // MOST_POINTS))]
    frame = pd.DataFrame(
        {
            "time": times([r.posix_s for r in rows]),
            "where": [names.get(r.series, r.series) for r in rows],
            "measured": [r.measured_pct for r in rows],
            "model": [r.model_pct for r in rows],
            "kind": ["left out" if r.left_out else "at least" if r.at_least else "measured" for r in rows],
            "why": [
                r.why_left_out(system, zone=words.zone())
                or ("at least this wet" if r.at_least else "used in the fit")
                for r in rows
            ],
        }
    )
    order = sorted(set(frame["where"]))
    short = frame["time"].max() - frame["time"].min() < pd.Timedelta(days=200)
    colour = alt.Color(
        "where:N", title="points: measured · lines: model", scale=alt.Scale(domain=order, range=list(MARKS))
    )
    x = alt.X("time:T", title=None, axis=date_axis("%d %b" if short else "%b %Y"))
    values = np.asarray(frame[["measured", "model"]], dtype=float)
    reach = [max(0.0, float(np.nanmin(values)) - 3), float(np.nanmax(values)) + 3]
    y = alt.Y(
        "measured:Q",
        title="MC, %",
        scale=alt.Scale(domain=reach, nice=True, zero=False),
        axis=alt.Axis(tickCount=6, tickMinStep=1, format="d"),
    )
    # the answer to a pin above fibre saturation is held there, that to one left out is not: no line to it
    fitted = frame if (frame["kind"] == "left out").all() else frame[frame["kind"] != "left out"]
    line = alt.Chart(fitted).mark_line(strokeWidth=1.8, opacity=0.85).encode(x=x, y="model:Q", color=colour)
    points = (
        alt.Chart(frame)
        .mark_point(size=38, opacity=0.9)
        .encode(
            x=x,
            y=y,
            color=colour,
            shape=alt.Shape(
                "where:N",
                title="points: measured · lines: model",
                scale=alt.Scale(domain=order, range=list(SHAPES)),
            ),
            fillOpacity=alt.condition("datum.kind == 'measured'", alt.value(1), alt.value(0)),
            fill=colour,
            tooltip=[
                alt.Tooltip("where:N", title="where"),
                alt.Tooltip("time:T", title="taken", format="%d %b %Y %H:%M"),
                alt.Tooltip("measured:Q", title="measured, %", format=".1f"),
                alt.Tooltip("model:Q", title="model, %", format=".1f"),
                alt.Tooltip("why:N", title="in the fit"),
            ],
        )
    )
    return finish(alt.layer(line, points), height + 22 * len(order))


def fan(
    answer: Document,
    which: str,
    service_pct: tuple[float, float] | None,
    square: datetime | None,
    height: int = 280,
) -> alt.LayerChart:
    """Draw the past as the model sees it and the forecast, with half and nine tenths of the chances shaded.

    Parameters
    ----------
    answer : Document
        The evaluation.
    which : "mean" or "core"
        What of the section.
    service_pct : pair of float, optional
        Lowest and highest MC where the piece will live. [%]
    square : datetime, optional
        When it becomes square-able.
    height : int
        Height of the chart.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    now = answer.made_utc.astimezone(UTC)
    parts = [_fan_frame(answer.history, which, upto=now), _fan_frame(answer.forecast, which)]
    frame = pd.concat(parts, ignore_index=True)
    colour = DEEP if which == "mean" else EARTH
    x = alt.X("time:T", title=None, axis=date_axis())
    tooltip = [
        alt.Tooltip("time:T", title="on", format="%d %b %Y"),
        alt.Tooltip("mid:Q", title="most likely, %", format=".0f"),
        alt.Tooltip("low:Q", title="5 % lower than, %", format=".0f"),
        alt.Tooltip("high:Q", title="5 % higher than, %", format=".0f"),
    ]
    layers: list[Any] = []
    if service_pct is not None:
        home = pd.DataFrame(
            [
                {
                    "low": service_pct[0],
                    "high": service_pct[1],
                    "text": "where it will live",
                    "time": frame["time"].min(),
                }
            ]
        )
        layers += [
            alt.Chart(home).mark_rect(color="#7a8b1f", opacity=0.18).encode(y=alt.Y("low:Q"), y2="high"),
            alt.Chart(home)
            .mark_text(align="left", baseline="top", dx=4, dy=3, color="#4d5912", fontSize=11)
            .encode(x="time:T", y="low:Q", text="text"),
        ]
    base = alt.Chart(frame)
    layers += [
        base.mark_area(color=colour, opacity=0.18).encode(
            x=x, y=alt.Y("low:Q", title=f"{which} MC, %"), y2="high"
        ),
        base.mark_area(color=colour, opacity=0.3).encode(x=x, y="quarter:Q", y2="three_quarters"),
        base.mark_line(color=colour, strokeWidth=2.4).encode(x=x, y="mid:Q", tooltip=tooltip),
    ]
    late = frame["time"].min() + 0.85 * (frame["time"].max() - frame["time"].min())
    layers += upright(now, "now", INK, [1, 0], 2)
    if square is not None and square > now:
        layers += upright(square, "square", INK, [5, 4], 17, before=moment(square) > late)
    return finish(alt.layer(*layers), height)


def upright(  # noqa: PLR0913 - a line and its word
    at: datetime, text: str, colour: str, dash: list[int], down: int, *, before: bool = False
) -> list[Any]:
    """Draw an upright line with its word after it, or before it near the right edge."""
    one = pd.DataFrame([{"time": moment(at), "text": text}])
    return [
        alt.Chart(one).mark_rule(color=colour, strokeWidth=1.4, strokeDash=dash).encode(x="time:T"),
        alt.Chart(one)
        .mark_text(
            align="right" if before else "left",
            baseline="top",
            dx=-5 if before else 5,
            color=colour,
            fontSize=12,
        )
        .encode(x="time:T", y=alt.value(down), text="text"),
    ]


def _fan_frame(fan_: Course, which: str, upto: datetime | None = None) -> pd.DataFrame:
    rows = fan_.mean_pct if which == "mean" else fan_.core_pct
    frame = pd.DataFrame(
        dict(zip(("low", "quarter", "mid", "three_quarters", "high"), rows, strict=True)), dtype=float
    )
    frame.insert(0, "time", times(fan_.posix_s))
    frame = frame if upto is None else frame[frame["time"] <= moment(upto)]
    return frame.iloc[:: max(1, -(-len(frame) // 400))]


def air(  # noqa: PLR0913, PLR0917 (what, how it is called, how it looks)
    frame: pd.DataFrame, column: str, title: str, colour: str, dates: str = "%d %b", height: int = 170
) -> alt.LayerChart:
    """Draw one quantity of the air over time.

    Parameters
    ----------
    frame : DataFrame
        Column `time`, with a zone, and the quantity's column with its daily or hourly `low` and `high` where
        thinned.
    column : str
        The quantity's column.
    title : str
        Axis title with unit.
    colour : str
        Line colour.
    dates : str
        How the time axis writes its dates.
    height : int
        Height of the chart.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    frame = frame.assign(time=[words.wall(each) for each in frame["time"]])
    x = alt.X("time:T", title=None, axis=date_axis(dates))
    y = alt.Y(f"{column}:Q", title=title, scale=alt.Scale(zero=False))
    base = alt.Chart(frame)
    line = base.mark_line(color=colour, strokeWidth=1.6).encode(
        x=x,
        y=y,
        tooltip=[
            alt.Tooltip("time:T", title="at", format="%d %b %Y %H:%M"),
            alt.Tooltip(f"{column}:Q", title=title, format=".1f"),
        ],
    )
    return finish(alt.layer(line), height)


def bands(windows: Sequence[Band], now_pct: float | None) -> alt.LayerChart:
    """Draw which humidities suit what, and where the air is now.

    Parameters
    ----------
    windows : sequence of Band
        The windows, in the order to draw them. [%RH]
    now_pct : float or None
        Humidity now. [%RH]

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    frame = pd.DataFrame(
        [
            {"name": b.name, "low": b.low_pct, "high": b.high_pct, "at": b.low_pct, "row": i}
            for i, b in enumerate(windows)
        ]
    )
    row = alt.Y("row:O", axis=None, scale=alt.Scale(padding=0.25))
    x = alt.X(
        "low:Q", title="relative humidity, %", scale=alt.Scale(domain=[0, 100]), axis=alt.Axis(tickCount=6)
    )
    layers: list[Any] = [
        alt.Chart(frame)
        .mark_bar(height=14, color=DEEP, opacity=0.75, yOffset=9)
        .encode(x=x, x2="high", y=row, tooltip=["name", "low", "high"]),
        alt.Chart(frame)
        .mark_text(align="left", baseline="bottom", dy=-2, color=INK, fontSize=12)
        .encode(x=alt.value(0), y=row, text="name"),
    ]
    if now_pct is not None:
        now = pd.DataFrame([{"low": now_pct, "text": f"now {now_pct:.0f} %"}])
        layers += [
            alt.Chart(now).mark_rule(color=EARTH, strokeWidth=2).encode(x="low:Q"),
            alt.Chart(now)
            .mark_text(align="right", baseline="top", dx=-4, color=EARTH, fontSize=12, fontWeight="bold")
            .encode(x="low:Q", y=alt.value(0), text="text"),
        ]
    return finish(alt.layer(*layers), 52 * len(windows))


@lru_cache(maxsize=512)
def moisture_colour(mc_pct: float) -> str:
    """Return the scale's colour for one moisture content.

    Parameters
    ----------
    mc_pct : float
        Moisture content. [%]

    Returns
    -------
    str
        Colour as ``#rrggbb``.
    """
    at = float(np.clip((mc_pct - DRY_PCT) / (WET_PCT - DRY_PCT), 0, 1)) * (len(MOISTURE) - 1)
    stops = np.array([[int(c[i : i + 2], 16) for i in (1, 3, 5)] for c in MOISTURE], dtype=float)
    rgb = [round(float(np.interp(at, np.arange(len(MOISTURE)), stops[:, i]))) for i in range(3)]
    return "#" + "".join(f"{v:02x}" for v in rgb)
