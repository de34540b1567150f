"""A forecast on paper: what was, what is expected, and how far it may lie off."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final, Literal

import numpy as np
from reportlab.graphics.shapes import Circle, Drawing, PolyLine, Rect
from reportlab.lib.colors import HexColor

from baulk.dashboard.answer import Answer, Fan
from baulk.dashboard.charts import EARTH
from baulk.dashboard.paper import ink
from baulk.models.reading import AT_DEPTH, Series

_LIGHT: Final = HexColor("#c6d8de")
_DARK: Final = HexColor("#8fb3c0")
_HOME: Final = HexColor("#e4ead2")
_DEEP: Final = HexColor("#1c5a72")
_LEFT, _RIGHT, _LOW, _HIGH = 26.0, 8.0, 22.0, 14.0


def picture(
    answer: Answer, which: Literal["core", "mean"], home_pct: tuple[float, float], size: tuple[float, float]
) -> Drawing:
    """Draw one fan: 5-95 % light, 25-75 % dark, the middle a line.

    Parameters
    ----------
    answer : Answer
        The evaluation.
    which : "core" or "mean"
        What is forecast.
    home_pct : (float, float)
        Moisture of its future place, drawn as a band. [%]
    size : (float, float)
        Width and height in points.

    Returns
    -------
    Drawing
        Ready for a page.
    """
    width, height = size
    drawing = ink.sheet_of(width, height)
    fans: list[Fan] = [fan for fan in (answer.history, answer.forecast) if fan is not None]
    start = min(fan.posix_s[0] for fan in fans)
    end = max(fan.posix_s[-1] for fan in fans)
    values = [np.asarray(getattr(fan, f"{which}_pct")) for fan in fans]
    top = 10.0 * np.ceil((max(float(v.max()) for v in values) + 1) / 10)

    def across(posix_s: Sequence[float]) -> list[float]:
        return [_LEFT + (t - start) / (end - start) * (width - _LEFT - _RIGHT) for t in posix_s]

    def up(pct: Sequence[float]) -> list[float]:
        return [_LOW + float(p) / float(top) * (height - _LOW - _HIGH) for p in pct]

    low, high = up(home_pct)
    drawing.add(Rect(_LEFT, low, width - _LEFT - _RIGHT, high - low, fillColor=_HOME, strokeColor=None))
    every = 10 if top <= 60 else 20
    for pct in range(0, int(top) + 1, every):
        y = up([pct])[0]
        drawing.add(ink.line(_LEFT, y, width - _RIGHT, y, strokeColor=ink.RULE, strokeWidth=0.4))
        drawing.add(ink.words(_LEFT - 3, y - 2.5, f"{pct}", fontSize=6.5, textAnchor="end"))
    for fan, rows in zip(fans, values, strict=True):
        xs = across(fan.posix_s)
        drawing.add(ink.band(xs, up(rows[0]), up(rows[4]), _LIGHT))
        drawing.add(ink.band(xs, up(rows[1]), up(rows[3]), _DARK))
        points = [value for pair in zip(xs, up(rows[2]), strict=True) for value in pair]
        drawing.add(PolyLine(points, strokeColor=_DEEP, strokeWidth=1.2))
    if which == "core":
        _pins(drawing, answer, across, up, top)
    now_x = across([answer.made_utc.timestamp()])[0]
    drawing.add(ink.line(now_x, _LOW, now_x, height - _HIGH, strokeColor=ink.QUIET, strokeDashArray=[2, 2]))
    drawing.add(ink.words(now_x + 3, height - _HIGH - 6, "now", fontSize=6.5, fillColor=ink.QUIET))
    for posix_s, text in _ticks(start, end):
        x = across([posix_s])[0]
        drawing.add(ink.line(x, _LOW, x, _LOW - 3, strokeColor=ink.QUIET, strokeWidth=0.5))
        drawing.add(ink.words(x, _LOW - 11, text, fontSize=6.5, textAnchor="middle"))
    drawing.add(ink.words(0, height - 7, f"{which} MC, % of oven-dry mass", fontSize=7, fontName=ink.BOLD))
    return drawing


_Scale = Callable[[Sequence[float]], list[float]]


def _pins(drawing: Drawing, answer: Answer, across: _Scale, up: _Scale, top: float) -> None:
    """Mark what the deepest pins said, thinned; hollow where they say only 'at least'."""
    deep = [r for r in answer.readings if r.left_out is None and _depth(r.series) is not None]
    if not deep:
        return
    deepest = max(_depth(r.series) or 0 for r in deep)
    shown = [r for r in deep if _depth(r.series) == deepest and r.measured_pct <= top]
    for each in shown[:: max(1, len(shown) // 60)]:
        drawing.add(
            Circle(
                across([each.posix_s])[0],
                up([each.measured_pct])[0],
                1.3,
                fillColor=None if each.at_least else HexColor(EARTH),
                strokeColor=HexColor(EARTH),
                strokeWidth=0.6,
            )
        )


def _depth(series: str) -> float | None:
    if "/pin-" not in series:  # a weight, or an oven-dried section, which is no series of readings
        return None
    which = Series.parse(series)
    return which.depth_mm if which.quantity in AT_DEPTH else None


def _ticks(start: float, end: float) -> list[tuple[float, str]]:
    """First days of months, five to nine of them."""
    first, last = (datetime.fromtimestamp(t, tz=UTC) for t in (start, end))
    months = (last.year - first.year) * 12 + last.month - first.month
    step = next((n for n in (1, 2, 3, 6, 12) if months / n <= 8), 24)
    at = first.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    found = []
    while at <= last:
        if (
            at >= first
            and (at.month - 1) % min(step, 12) == 0
            and (step <= 12 or at.year % (step // 12) == 0)
        ):
            found.append((at.timestamp(), f"{at:%b %y}"))
        at = (at + timedelta(days=32)).replace(day=1)
    return found
