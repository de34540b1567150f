"""Charts in our own hand: every axis with its unit."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from baulk.dashboard import words

INK: Final = "#1d2723"
QUIET: Final = "#5d6a64"
RULE: Final = "#c9d0c8"
DEEP: Final = "#1c5a72"
EARTH: Final = "#96501e"
MARKS: Final = ("#1c5a72", "#96501e", "#5d6a64", "#7a8b1f", "#7b3f74", "#101814")
NUMBER: Final = ",.4~r"  # four figures, no noughts behind: a label of an axis that has no better form
WHOLE: Final = "d"
SHAPES: Final = ("circle", "square", "diamond", "triangle-down", "cross", "triangle-right")


def finish(chart: Any, height: int, *, fit: bool = True) -> alt.LayerChart:  # noqa: ANN401 (altair's layers have no common type)
    """Give a chart its height and the look that all of ours share; `fit` False keeps a picture to scale."""
    return (  # type: ignore[no-any-return]
        chart.properties(height=height, **({} if fit else {"autosize": alt.AutoSizeParams(type="pad")}))
        .configure(background="transparent", font="inherit", numberFormat=NUMBER)
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
            titleLimit=320,
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


def value_axis(form: str = NUMBER, **more: Any) -> alt.Axis:  # noqa: ANN401 - whatever altair takes
    """Return an axis of values; without a format one of a single value is labelled 52.520000."""
    return alt.Axis(format=form, **more)


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
    y = alt.Y(f"{column}:Q", title=title, scale=alt.Scale(zero=False), axis=value_axis())
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
