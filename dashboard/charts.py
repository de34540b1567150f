"""Charts in our own hand: one moisture scale from dry straw to deep water, every axis with its unit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from baulk.dashboard.answer import Answer, Fan, Span
from baulk.models.section import Face
from baulk.models.timber import Timber
from baulk.models.units import System

# Straw, through sage, to deep water: lightness falls all the way, so it reads in grey and to every kind of colour
# vision (tests/dashboard/test_charts.py checks the fall under simulated dichromacy).
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
MM_PER_INCH: Final = 25.4
MOST_POINTS: Final = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """Where a pair of pins sits."""

    depth_mm: float
    face: Face | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A window of humidity that suits something."""

    name: str
    low_pct: float
    high_pct: float


def _finish(chart: Any, height: int, *, fit: bool = True) -> alt.LayerChart:  # noqa: ANN401 (altair's layers have no common type)
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


def _times(posix_s: Sequence[float] | NDArray[np.float64]) -> pd.DatetimeIndex:
    return pd.to_datetime(np.asarray(posix_s, dtype=float), unit="s", utc=True)


def _dates(form: str = "%b %Y") -> alt.Axis:
    """Return a time axis whose labels keep apart on a phone."""
    return alt.Axis(tickCount=5, labelOverlap="greedy", labelSeparation=12, format=form, labelFlush=True)


def section(
    timber: Timber, answer: Answer | None, pins: Sequence[Pin], system: System, width_px: int = 300
) -> alt.LayerChart:
    """Draw the butt end: moisture by cell, the pith, the pins, and the finished piece inside.

    Parameters
    ----------
    timber : Timber
        The piece.
    answer : Answer or None
        Its evaluation; without one the section stays blank.
    pins : sequence of Pin
        Where pins have been read.
    system : "inch" or "metric"
        Units of the axes.
    width_px : int
        Width of the picture.

    Returns
    -------
    altair.LayerChart
        The picture, to scale.
    """
    per, unit = (MM_PER_INCH, "in") if system == "inch" else (1.0, "mm")
    half_w, half_d = timber.section.width_mm / 2 / per, timber.section.depth_mm / 2 / per
    span_x, span_y = (
        _reach(timber.section.pith_x_mm / per, half_w),
        _reach(timber.section.pith_y_mm / per, half_d),
    )
    step = 1 if system == "inch" else 25
    x = alt.X(
        "x:Q",
        title=f"across, {unit}",
        scale=alt.Scale(domain=span_x, nice=False, zero=False),
        axis=alt.Axis(grid=False, values=_ticks(half_w, step)),
    )
    y = alt.Y(
        "y:Q",
        title=f"deep, {unit}",
        scale=alt.Scale(domain=span_y, nice=False, zero=False),
        axis=alt.Axis(grid=False, values=_ticks(half_d, step)),
    )
    outline = pd.DataFrame(
        [{"x": -half_w, "x2": half_w, "y": -half_d, "y2": half_d, "what": "green section"}]
    )
    layers: list[Any] = [
        alt.Chart(outline)
        .mark_rect(fill="#e9ece6", stroke=INK, strokeWidth=1.5)
        .encode(x=x, x2="x2", y=y, y2="y2", tooltip=["what"])
    ]
    if answer is not None:
        layers.append(
            alt.Chart(_cells(answer, per))
            .mark_rect(strokeWidth=0)
            .encode(
                x=x,
                x2="x2",
                y=y,
                y2="y2",
                color=alt.Color(
                    "mc:Q",
                    title="MC, % of oven-dry mass",
                    scale=alt.Scale(domain=[DRY_PCT, WET_PCT], range=list(MOISTURE), clamp=True),
                    legend=alt.Legend(
                        orient="bottom",
                        direction="horizontal",
                        gradientLength=width_px - 60,
                        values=[6, 15, 30, 45, 60],
                    ),
                ),
                tooltip=[
                    alt.Tooltip("mc:Q", title="MC, %", format=".0f"),
                    alt.Tooltip("sd:Q", title="give or take, %", format=".1f"),
                ],
            )
        )
    layers += _marks(timber, pins, per, x, y)
    high = (span_y[1] - span_y[0]) / (span_x[1] - span_x[0]) * width_px
    return _finish(alt.layer(*layers).properties(width=width_px), round(high), fit=False)


def _reach(pith: float, half: float) -> list[float]:
    """Return the axis so far that a pith just outside the section is still in the picture."""
    edge = half * 1.1
    return [max(min(-edge, pith * 1.05), -2 * half), min(max(edge, pith * 1.05), 2 * half)]


def _ticks(half: float, step: float) -> list[float]:
    n = int(half // step)
    skip = max(1, round(n / 4))
    return [i * step for i in range(-n, n + 1) if i % skip == 0]


def _cells(answer: Answer, per: float) -> pd.DataFrame:
    field = answer.field_now
    x, y = np.asarray(field.x_edges_mm) / per, np.asarray(field.y_edges_mm) / per
    left, bottom = np.meshgrid(x[:-1], y[:-1])
    right, top = np.meshgrid(x[1:], y[1:])
    return pd.DataFrame(
        {
            "x": left.ravel(),
            "x2": right.ravel(),
            "y": bottom.ravel(),
            "y2": top.ravel(),
            "mc": np.asarray(field.median_pct).ravel(),
            "sd": np.asarray(field.sd_pct).ravel(),
        }
    )


def _marks(timber: Timber, pins: Sequence[Pin], per: float, x: alt.X, y: alt.Y) -> list[Any]:
    green, want = timber.section, timber.finished
    half_w, half_d = green.width_mm / 2 / per, green.depth_mm / 2 / per
    piece = pd.DataFrame(
        [
            {
                "x": (want.centre_x_mm - want.width_mm / 2) / per,
                "x2": (want.centre_x_mm + want.width_mm / 2) / per,
                "y": (want.centre_y_mm - want.depth_mm / 2) / per,
                "y2": (want.centre_y_mm + want.depth_mm / 2) / per,
                "what": "finished piece",
            }
        ]
    )
    letters = pd.DataFrame(
        [
            {"x": 0.0, "y": half_d * 1.05, "text": "a"},
            {"x": half_w * 1.05, "y": 0.0, "text": "b"},
            {"x": 0.0, "y": -half_d * 1.05, "text": "c"},
            {"x": -half_w * 1.05, "y": 0.0, "text": "d"},
        ]
    )
    pith = pd.DataFrame([{"x": green.pith_x_mm / per, "y": green.pith_y_mm / per, "what": "pith"}])
    marks: list[Any] = [
        # white under dark, so that the square shows on straw and on deep water alike
        alt.Chart(piece)
        .mark_rect(fillOpacity=0, stroke="white", strokeWidth=4)
        .encode(x=x, x2="x2", y=y, y2="y2"),
        alt.Chart(piece)
        .mark_rect(fillOpacity=0, stroke=INK, strokeWidth=1.8, strokeDash=[6, 4])
        .encode(x=x, x2="x2", y=y, y2="y2", tooltip=["what"]),
        alt.Chart(letters).mark_text(color=QUIET, fontSize=13).encode(x=x, y=y, text="text"),
        alt.Chart(pith)
        .mark_point(shape="cross", size=220, filled=True, fill="white", stroke=INK, opacity=1)
        .encode(x=x, y=y, tooltip=["what"]),
    ]
    if pins:
        spots = pd.DataFrame([spot for pin in pins for spot in _spots(pin, half_w, half_d, per)])
        marks.append(
            alt.Chart(spots)
            .mark_point(
                shape="circle", size=60, filled=True, fill=EARTH, stroke="white", strokeWidth=1.5, opacity=1
            )
            .encode(x=x, y=y, tooltip=["what"])
        )
    return marks


def _spots(pin: Pin, half_w: float, half_d: float, per: float) -> list[dict[str, Any]]:
    deep = pin.depth_mm / per
    at = {
        Face.A: (0.0, half_d - deep),
        Face.B: (half_w - deep, 0.0),
        Face.C: (0.0, deep - half_d),
        Face.D: (deep - half_w, 0.0),
    }
    faces = [pin.face or Face.A]  # without a face the pins are drawn under face a and said to be on any
    where = f"face {pin.face.value}" if pin.face else "face not told"
    return [{"x": at[face][0], "y": at[face][1], "what": f"pins {deep:.3g} deep, {where}"} for face in faces]


def readings(answer: Answer, names: dict[str, str], height: int = 300) -> alt.LayerChart:
    """Draw what was measured beside what the calibrated model says of the same place and moment.

    Parameters
    ----------
    answer : Answer
        The evaluation.
    names : dict of str to str
        What each series is called.
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
            "time": _times([r.posix_s for r in rows]),
            "where": [names.get(r.series, r.series) for r in rows],
            "measured": [r.measured_pct for r in rows],
            "model": [r.model_pct for r in rows],
            "kind": ["left out" if r.left_out else "at least" if r.at_least else "measured" for r in rows],
            "why": [r.left_out or ("at least this wet" if r.at_least else "used in the fit") for r in rows],
        }
    )
    order = sorted(set(frame["where"]))
    colour = alt.Color(
        "where:N", title="points: measured · lines: model", scale=alt.Scale(domain=order, range=list(MARKS))
    )
    x = alt.X("time:T", title=None, axis=_dates())
    y = alt.Y("measured:Q", title="MC, %", scale=alt.Scale(zero=False))
    line = alt.Chart(frame).mark_line(strokeWidth=1.8, opacity=0.85).encode(x=x, y="model:Q", color=colour)
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
    return _finish(alt.layer(line, points), height + 22 * len(order))


def fan(
    answer: Answer,
    which: str,
    service_pct: tuple[float, float] | None,
    square: datetime | None,
    height: int = 280,
) -> alt.LayerChart:
    """Draw the past as the model sees it and the forecast, with half and nine tenths of the chances shaded.

    Parameters
    ----------
    answer : Answer
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
    past = _fan_frame(answer.history, which, upto=now) if answer.history else None
    frames = [f for f in (past, _fan_frame(answer.forecast, which)) if f is not None]
    frame = pd.concat(frames, ignore_index=True)
    colour = DEEP if which == "mean" else EARTH
    x = alt.X("time:T", title=None, axis=_dates())
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
            .mark_text(align="left", baseline="bottom", dx=4, dy=-2, color="#4d5912", fontSize=11)
            .encode(x="time:T", y="high:Q", text="text"),
        ]
    base = alt.Chart(frame)
    layers += [
        base.mark_area(color=colour, opacity=0.18).encode(
            x=x, y=alt.Y("low:Q", title=f"{which} MC, %"), y2="high"
        ),
        base.mark_area(color=colour, opacity=0.3).encode(x=x, y="quarter:Q", y2="three_quarters"),
        base.mark_line(color=colour, strokeWidth=2.4).encode(x=x, y="mid:Q", tooltip=tooltip),
    ]
    layers += _upright(now, "now", INK, [1, 0])
    if square is not None and square > now:
        layers += _upright(square, "square", INK, [5, 4])
    return _finish(alt.layer(*layers), height)


def _upright(at: datetime, text: str, colour: str, dash: list[int]) -> list[Any]:
    one = pd.DataFrame([{"time": pd.Timestamp(at), "text": text}])
    return [
        alt.Chart(one).mark_rule(color=colour, strokeWidth=1.4, strokeDash=dash).encode(x="time:T"),
        alt.Chart(one)
        .mark_text(align="left", baseline="top", dx=5, color=colour, fontSize=12)
        .encode(x="time:T", y=alt.value(2), text="text"),
    ]


def _fan_frame(fan_: Fan, which: str, upto: datetime | None = None) -> pd.DataFrame:
    rows = fan_.mean_pct if which == "mean" else fan_.core_pct
    frame = pd.DataFrame(
        dict(zip(("low", "quarter", "mid", "three_quarters", "high"), rows, strict=True)), dtype=float
    )
    frame.insert(0, "time", _times(fan_.posix_s))
    frame = frame if upto is None else frame[frame["time"] <= pd.Timestamp(upto)]
    return frame.iloc[:: max(1, -(-len(frame) // 400))]


def air(  # noqa: PLR0913, PLR0917 (what, how it is called, how it looks)
    frame: pd.DataFrame, column: str, title: str, colour: str, dates: str = "%d %b", height: int = 170
) -> alt.LayerChart:
    """Draw one quantity of the air over time.

    Parameters
    ----------
    frame : DataFrame
        Column `time` and the quantity's column with its daily or hourly `low` and `high` where thinned.
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
    x = alt.X("time:T", title=None, axis=_dates(dates))
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
    return _finish(alt.layer(line), height)


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
    x = alt.X("low:Q", title="relative humidity, %", scale=alt.Scale(domain=[0, 100]), axis=alt.Axis(tickCount=6))
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
    return _finish(alt.layer(*layers), 52 * len(windows))


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


def widest(span: Span) -> float:
    """Return the larger end of a span in size, for a comparison with a tolerance."""
    return max(abs(span.low), abs(span.high))
