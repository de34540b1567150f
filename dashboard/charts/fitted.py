"""What was measured beside what the calibrated model says of the same place and moment."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from baulk.dashboard import words
from baulk.dashboard.charts.time_series import MARKS, SHAPES, date_axis, finish, times
from baulk.ingest.evaluation.document import Document, FittedReading
from baulk.models.formatting import count
from baulk.models.text import series as series_text
from baulk.models.units import System

MOST_POINTS: Final = 2000
UP: Final = "M0,-1.2L0.8,-0.1L0.3,-0.1L0.3,1.1L-0.3,1.1L-0.3,-0.1L-0.8,-0.1Z"  # at least: it points upward
LEGEND: Final = ["points: measured, lines: model", "arrows: at least"]  # lines, for a phone


def kind(reading: FittedReading) -> str:
    """Return what a reading tells: a number, only "at least", or nothing to the fit."""
    return "left out" if reading.left_out else "at least" if reading.at_least else "measured"


def chart(answer: Document, system: System, height: int = 300) -> alt.LayerChart:
    """Draw the readings of the fit and the model's line through them.

    Above fibre saturation pins say only "at least": such a reading is an arrow upward, and the model, which
    is held there with it, has no line to it.

    Parameters
    ----------
    answer : Document
        The evaluation; it has readings.
    system : {"inch", "metric"}
        The reader's units.
    height : int
        Height of the chart without its legend.

    Returns
    -------
    altair.LayerChart
        The chart.
    """
    rows = answer.readings[:: max(1, -(-len(answer.readings) // MOST_POINTS))]
    frame = _frame(rows, system)
    order = sorted(set(frame["where"]))
    short = frame["time"].max() - frame["time"].min() < pd.Timedelta(days=200)
    colour = alt.Color("where:N", title=LEGEND, scale=alt.Scale(domain=order, range=list(MARKS)))
    x = alt.X("time:T", title=None, axis=date_axis("%d %b" if short else "%b %Y"))
    values = np.asarray(frame[["measured", "model"]], dtype=float)
    reach = [max(0.0, float(np.nanmin(values)) - 3), float(np.nanmax(values)) + 3]
    y = alt.Y(
        "measured:Q",
        title="MC, %",
        scale=alt.Scale(domain=reach, nice=True, zero=False),
        axis=alt.Axis(tickCount=6, tickMinStep=1, format="d"),
    )
    tooltip = [
        alt.Tooltip("where:N", title="where"),
        alt.Tooltip("time:T", title="taken", format="%d %b %Y %H:%M"),
        alt.Tooltip("measured:Q", title="measured, %", format=".1f"),
        alt.Tooltip("model:Q", title="model, %", format=".1f"),
        alt.Tooltip("why:N", title="in the fit"),
    ]
    shape = alt.Shape("where:N", title=LEGEND, scale=alt.Scale(domain=order, range=list(SHAPES)))
    at_least = frame["kind"] == "at least"
    lines = frame[frame["kind"] == "measured"]
    layers: list[Any] = [
        alt.Chart(lines).mark_line(strokeWidth=1.8, opacity=0.85).encode(x=x, y="model:Q", color=colour),
        alt.Chart(frame[~at_least])
        .mark_point(size=38, opacity=0.9)
        .encode(
            x=x,
            y=y,
            color=colour,
            shape=shape,
            fillOpacity=alt.condition("datum.kind == 'measured'", alt.value(1), alt.value(0)),
            fill=colour,
            tooltip=tooltip,
        ),
    ]
    if at_least.any():
        layers.append(
            alt.Chart(frame[at_least])
            .mark_point(shape=UP, size=90, filled=True, opacity=0.9)
            .encode(x=x, y=y, color=colour, tooltip=tooltip)
        )
    return finish(alt.layer(*layers), height + 22 * len(order))


def finding(answer: Document) -> str:
    """Return in one sentence how the readings lie beside the model.

    Parameters
    ----------
    answer : Document
        The evaluation.
    """
    kinds = [kind(each) for each in answer.readings]
    off = [
        abs(each.measured_pct - each.model_pct)
        for each, what in zip(answer.readings, kinds, strict=True)
        if what == "measured"
    ]
    parts = []
    if off:
        parts.append(f"{len(off)} lie {np.mean(off):.1f} points from the model on average")
    if least := kinds.count("at least"):
        parts.append(f"{least} only {'says' if least == 1 else 'say'} at least this wet")
    if out := kinds.count("left out"):
        parts.append(f"{out} {'is' if out == 1 else 'are'} left out")
    return f"Of {count(len(kinds), 'reading')} {', '.join(parts)}."


def _frame(rows: Sequence[FittedReading], system: System) -> pd.DataFrame:
    said = {"measured": "used in the fit", "at least": "at least this wet", "left out": ""}
    return pd.DataFrame(
        {
            "time": times([each.posix_s for each in rows]),
            "where": [series_text.called(each.series, system) for each in rows],
            "measured": [each.measured_pct for each in rows],
            "model": [each.model_pct for each in rows],
            "kind": [kind(each) for each in rows],
            "why": [each.why_left_out(system, zone=words.zone()) or said[kind(each)] for each in rows],
        }
    )
