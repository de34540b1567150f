"""The butt end on paper: moisture by colour with its scale, the pith, the pins, and the finished piece."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
from reportlab.graphics.shapes import Circle, Drawing, Rect
from reportlab.lib.colors import Color, HexColor

from baulk.dashboard.answer import Answer
from baulk.dashboard.butt_end import Pin
from baulk.dashboard.charts import DRY_PCT, EARTH, MOISTURE, WET_PCT
from baulk.dashboard.paper import ink
from baulk.models import units
from baulk.models.section import Face
from baulk.models.timber import Timber

_WHITE: Final = HexColor("#ffffff")
_EDGE: Final = 26.0  # points around the section, for letters and sizes
_SCALE: Final = 34.0  # points below it, for the colour scale


def picture(
    timber: Timber, answer: Answer | None, pins: Sequence[Pin], system: units.System, width: float
) -> Drawing:
    """Draw the butt end to scale.

    Parameters
    ----------
    timber : Timber
        The piece.
    answer : Answer or None
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
    drawing = ink.sheet_of(width, tall + 2 * _EDGE + _SCALE)
    middle_x, middle_y = width / 2, _SCALE + _EDGE + tall / 2

    def at(x_mm: float, y_mm: float) -> tuple[float, float]:
        return middle_x + x_mm * per, middle_y + y_mm * per

    def box(x_mm: float, y_mm: float, wide_mm: float, deep_mm: float, **how: object) -> None:
        x, y = at(x_mm - wide_mm / 2, y_mm - deep_mm / 2)
        drawing.add(Rect(x, y, wide_mm * per, deep_mm * per, **how))

    box(0, 0, green.width_mm, green.depth_mm, fillColor=ink.PALE, strokeColor=None)
    if answer is not None:
        _cells(drawing, answer, at)
        _scale(drawing, width)
    box(0, 0, green.width_mm, green.depth_mm, fillColor=None, strokeColor=ink.INK, strokeWidth=1)
    square = (want.centre_x_mm, want.centre_y_mm, want.width_mm, want.depth_mm)
    box(*square, fillColor=None, strokeColor=_WHITE, strokeWidth=2.6)
    box(*square, fillColor=None, strokeColor=ink.INK, strokeWidth=1.1, strokeDashArray=[4, 3])
    x, y = at(green.pith_x_mm, green.pith_y_mm)
    if 4 < x < width - 4 and _SCALE + 4 < y < drawing.height - 4:
        for colour, thick in ((_WHITE, 4.0), (ink.INK, 1.4)):
            drawing.add(ink.line(x - 5, y, x + 5, y, strokeColor=colour, strokeWidth=thick))
            drawing.add(ink.line(x, y - 5, x, y + 5, strokeColor=colour, strokeWidth=thick))
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
            ink.words(
                middle_x + dx, middle_y + dy - 2, letter, fontSize=9, textAnchor="middle", fillColor=ink.QUIET
            )
        )
    drawing.add(
        ink.words(
            width,
            drawing.height - 9,
            units.show_size(green.width_mm, green.depth_mm, system) + " green",
            textAnchor="end",
            fillColor=ink.QUIET,
        )
    )
    return drawing


def _cells(drawing: Drawing, answer: Answer, at: Callable[[float, float], tuple[float, float]]) -> None:
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
    return ink.mix(MOISTURE, (mc_pct - DRY_PCT) / (WET_PCT - DRY_PCT))


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
                fillColor=ink.mix(MOISTURE, (n + 0.5) / steps),
                strokeColor=None,
            )
        )
    for mc in (6, 15, 30, 45, 60):
        x = left + (mc - DRY_PCT) / (WET_PCT - DRY_PCT) * (right - left)
        drawing.add(ink.words(x, 5, f"{mc}", fontSize=6.5, textAnchor="middle"))
    drawing.add(ink.words(left, 24, "MC, % of oven-dry mass", fontSize=6.5, fillColor=ink.QUIET))
