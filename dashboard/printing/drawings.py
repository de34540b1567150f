"""The butt end on paper: moisture by colour with its scale, the pith, the pins, and the finished piece."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Final, Literal

import numpy as np
from reportlab.graphics.shapes import Circle, Drawing, PolyLine, Rect
from reportlab.lib.colors import Color, HexColor

from baulk.dashboard import words
from baulk.dashboard.charts.butt_end import Pin
from baulk.dashboard.charts.moisture_scale import DRY_PCT, MOISTURE, WET_PCT
from baulk.dashboard.charts.time_series import EARTH
from baulk.dashboard.printing import style
from baulk.ingest.evaluation.document import Course, Document
from baulk.models import units
from baulk.models.quantity import AT_DEPTH
from baulk.models.reading import series_of
from baulk.models.section import Face
from baulk.models.timber import Timber

_WHITE: Final = HexColor("#ffffff")
_EDGE: Final = 26.0  # points around the section, for letters and sizes
_SCALE: Final = 34.0  # points below it, for the colour scale


def section_drawing(
    timber: Timber, answer: Document | None, pins: Sequence[Pin], system: units.System, width: float
) -> Drawing:
    """Draw the butt end to scale.

    Parameters
    ----------
    timber : Timber
        The piece.
    answer : Document or None
        Its evaluation; without one the section stays blank.
    pins : sequence of Pin
        Where pins have been read.
    system : "inch" or "metric"
        Units of the sizes.
    width : float
        Width of the drawing in points.

    Returns
    -------
    Drawing
        Ready for a page.
    """
    green, want = timber.section, timber.finished
    per = (width - 2 * _EDGE) / max(green.width_mm, green.depth_mm)  # points per mm
    tall = green.depth_mm * per
    drawing = style.sheet_of(width, tall + 2 * _EDGE + _SCALE)
    middle_x, middle_y = width / 2, _SCALE + _EDGE + tall / 2

    def at(x_mm: float, y_mm: float) -> tuple[float, float]:
        return middle_x + x_mm * per, middle_y + y_mm * per

    def box(x_mm: float, y_mm: float, wide_mm: float, deep_mm: float, **how: object) -> None:
        x, y = at(x_mm - wide_mm / 2, y_mm - deep_mm / 2)
        drawing.add(Rect(x, y, wide_mm * per, deep_mm * per, **how))

    box(0, 0, green.width_mm, green.depth_mm, fillColor=style.PALE, strokeColor=None)
    if answer is not None:
        _cells(drawing, answer, at)
        _scale(drawing, width)
    box(0, 0, green.width_mm, green.depth_mm, fillColor=None, strokeColor=style.INK, strokeWidth=1)
    square = (want.centre_x_mm, want.centre_y_mm, want.width_mm, want.depth_mm)
    box(*square, fillColor=None, strokeColor=_WHITE, strokeWidth=2.6)
    box(*square, fillColor=None, strokeColor=style.INK, strokeWidth=1.1, strokeDashArray=[4, 3])
    x, y = at(green.pith_x_mm, green.pith_y_mm)
    if 4 < x < width - 4 and _SCALE + 4 < y < drawing.height - 4:
        for colour, thick in ((_WHITE, 4.0), (style.INK, 1.4)):
            drawing.add(style.line(x - 5, y, x + 5, y, strokeColor=colour, strokeWidth=thick))
            drawing.add(style.line(x, y - 5, x, y + 5, strokeColor=colour, strokeWidth=thick))
    for pin in pins:
        px, py = at(*green.pin_tip_mm(pin.depth_mm, pin.face or Face.A))
        drawing.add(Circle(px, py, 2.8, fillColor=HexColor(EARTH), strokeColor=_WHITE, strokeWidth=0.8))
    half_w, half_d = green.width_mm / 2 * per, green.depth_mm / 2 * per
    for letter, dx, dy in (
        ("a", 0, half_d + 8),
        ("b", half_w + 8, 0),
        ("c", 0, -half_d - 13),
        ("d", -half_w - 8, 0),
    ):
        drawing.add(
            style.words(
                middle_x + dx,
                middle_y + dy - 2,
                letter,
                fontSize=9,
                textAnchor="middle",
                fillColor=style.QUIET,
            )
        )
    drawing.add(
        style.words(
            width,
            drawing.height - 9,
            units.show_size(green.width_mm, green.depth_mm, system) + " green",
            textAnchor="end",
            fillColor=style.QUIET,
        )
    )
    return drawing


def _cells(drawing: Drawing, answer: Document, at: Callable[[float, float], tuple[float, float]]) -> None:
    field = answer.field_now
    x, y = np.asarray(field.x_edges_mm), np.asarray(field.y_edges_mm)
    for row, values in enumerate(field.median_pct):
        for column, value in enumerate(values):
            left, low = at(float(x[column]), float(y[row]))
            right, high = at(float(x[column + 1]), float(y[row + 1]))
            drawing.add(
                Rect(
                    left,
                    low,
                    right - left + 0.15,  # no hairlines between cells
                    high - low + 0.15,
                    fillColor=_colour(value),
                    strokeColor=None,
                )
            )


def _colour(mc_pct: float) -> Color:
    return style.mix(MOISTURE, (mc_pct - DRY_PCT) / (WET_PCT - DRY_PCT))


def _scale(drawing: Drawing, width: float) -> None:
    left, right, steps = _EDGE, width - _EDGE, 54
    wide = (right - left) / steps
    for n in range(steps):
        drawing.add(
            Rect(
                left + n * wide,
                14,
                wide + 0.15,
                7,
                fillColor=style.mix(MOISTURE, (n + 0.5) / steps),
                strokeColor=None,
            )
        )
    for mc in (6, 15, 30, 45, 60):
        x = left + (mc - DRY_PCT) / (WET_PCT - DRY_PCT) * (right - left)
        drawing.add(style.words(x, 5, f"{mc}", fontSize=6.5, textAnchor="middle"))
    drawing.add(style.words(left, 24, "MC, % of oven-dry mass", fontSize=6.5, fillColor=style.QUIET))


_LIGHT: Final = HexColor("#c6d8de")
_DARK: Final = HexColor("#8fb3c0")
_HOME: Final = HexColor("#e4ead2")
_DEEP: Final = HexColor("#1c5a72")
_LEFT, _RIGHT, _LOW, _HIGH = 26.0, 8.0, 22.0, 14.0


def fan_drawing(
    answer: Document, which: Literal["core", "mean"], home_pct: tuple[float, float], size: tuple[float, float]
) -> Drawing:
    """Draw one fan: 5-95 % light, 25-75 % dark, the middle a line.

    Parameters
    ----------
    answer : Document
        The evaluation.
    which : "core" or "mean"
        What is forecast.
    home_pct : (float, float)
        Its moisture in service, drawn as a band. [%]
    size : (float, float)
        Width and height in points.

    Returns
    -------
    Drawing
        Ready for a page.
    """
    width, height = size
    drawing = style.sheet_of(width, height)
    fans: tuple[Course, ...] = (answer.history, answer.forecast)
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
        drawing.add(style.line(_LEFT, y, width - _RIGHT, y, strokeColor=style.RULE, strokeWidth=0.4))
        drawing.add(style.words(_LEFT - 3, y - 2.5, f"{pct}", fontSize=6.5, textAnchor="end"))
    for fan, rows in zip(fans, values, strict=True):
        xs = across(fan.posix_s)
        drawing.add(style.band(xs, up(rows[0]), up(rows[4]), _LIGHT))
        drawing.add(style.band(xs, up(rows[1]), up(rows[3]), _DARK))
        points = [value for pair in zip(xs, up(rows[2]), strict=True) for value in pair]
        drawing.add(PolyLine(points, strokeColor=_DEEP, strokeWidth=1.2))
    if which == "core":
        _pins(drawing, answer, across, up, top)
    now_x = across([answer.made_utc.timestamp()])[0]
    drawing.add(
        style.line(now_x, _LOW, now_x, height - _HIGH, strokeColor=style.QUIET, strokeDashArray=[2, 2])
    )
    drawing.add(style.words(now_x + 3, height - _HIGH - 6, "now", fontSize=6.5, fillColor=style.QUIET))
    for posix_s, text in _ticks(start, end):
        x = across([posix_s])[0]
        drawing.add(style.line(x, _LOW, x, _LOW - 3, strokeColor=style.QUIET, strokeWidth=0.5))
        drawing.add(style.words(x, _LOW - 11, text, fontSize=6.5, textAnchor="middle"))
    drawing.add(
        style.words(0, height - 7, f"{which} MC, % of oven-dry mass", fontSize=7, fontName=style.BOLD)
    )
    return drawing


_Scale = Callable[[Sequence[float]], list[float]]


def _pins(drawing: Drawing, answer: Document, across: _Scale, up: _Scale, top: float) -> None:
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
    which = series_of(series)  # none of an oven-dried section, which is no series of readings
    return None if which is None or which.quantity not in AT_DEPTH else which.depth_mm


def _ticks(start: float, end: float) -> list[tuple[float, str]]:
    """First days of months, five to nine of them."""
    first, last = (words.local(datetime.fromtimestamp(t, tz=UTC)) for t in (start, end))
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
