"""The butt end of a timber as a picture: moisture inside it, pith, pins, and the finished piece."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import altair as alt
import contourpy
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from baulk.dashboard.charts import time_series
from baulk.dashboard.charts.time_series import DRY_PCT, EARTH, INK, MOISTURE, QUIET, WET_PCT, finish
from baulk.ingest.evaluation.document import Document, Movement
from baulk.models.section import Face, Section
from baulk.models.timber import Timber
from baulk.models.units import System

MM_PER_INCH: Final = 25.4
LINES_PCT: Final = (12, 16, 20, 25, 30, 40, 50, 60, 80)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pin:
    """Where a pair of pins sits."""

    depth_mm: float
    face: Face | None


def section(
    timber: Timber, answer: Document | None, pins: Sequence[Pin], system: System, width_px: int = 300
) -> alt.LayerChart:
    """Draw the butt end: moisture by cell, the pith, the pins, and the finished piece inside.

    Parameters
    ----------
    timber : Timber
        The piece.
    answer : Document or None
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
                    alt.Tooltip("sd:Q", title="standard deviation, %", format=".1f"),
                ],
            )
        )
        layers += _contours(answer, per, x, y)
    layers += _marks(timber, pins, per, x, y)
    high = (span_y[1] - span_y[0]) / (span_x[1] - span_x[0]) * width_px
    return finish(alt.layer(*layers).properties(width=width_px), round(high), fit=False)


def _reach(pith: float, half: float) -> list[float]:
    """Return the axis so far that a pith just outside the section is still in the picture."""
    edge = half * 1.1
    return [max(min(-edge, pith * 1.1), -4 * half), min(max(edge, pith * 1.1), 4 * half)]


def _ticks(half: float, step: float) -> list[float]:
    n = int(half // step)
    skip = max(1, round(n / 4))
    return [i * step for i in range(-n, n + 1) if i % skip == 0]


def _cells(answer: Document, per: float) -> pd.DataFrame:
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


def _contours(answer: Document, per: float, x: alt.X, y: alt.Y) -> list[Any]:
    """Draw lines of equal moisture, each with its percent, where the section spans them."""
    field = answer.field_now
    across, up = np.asarray(field.x_edges_mm) / per, np.asarray(field.y_edges_mm) / per
    values = np.asarray(field.median_pct)
    drawn = contourpy.contour_generator(
        (across[:-1] + across[1:]) / 2, (up[:-1] + up[1:]) / 2, values, name="serial"
    )
    points: list[dict[str, Any]] = []
    names: list[dict[str, Any]] = []
    apart = 0.07 * float(max(across[-1] - across[0], up[-1] - up[0]))
    for level in reversed(LINES_PCT):  # from the core out; near the faces not all have room for a name
        found: Any = drawn.lines(level)  # by its own name of the form: a list of arrays
        for number, line in enumerate(found):
            points += [
                {"x": a, "y": b, "line": f"{level}-{number}", "order": n} for n, (a, b) in enumerate(line)
            ]
            a, b = line[int(np.argmax(line[:, 1] - 0.2 * np.abs(line[:, 0])))]
            if len(line) > 8 and all(np.hypot(a - each["x"], b - each["y"]) > apart for each in names):
                names.append({"x": a, "y": b, "text": f"{level}"})
    if not points:
        return []
    lines = (
        alt.Chart(pd.DataFrame(points))
        .mark_line(stroke="white", strokeWidth=1, opacity=0.75)
        .encode(x=x, y=y, detail="line:N", order="order:Q")
    )
    halo = alt.Chart(pd.DataFrame(names or [{"x": 0.0, "y": 0.0, "text": ""}])).mark_text(
        fontSize=10, fill=INK, stroke="white", strokeWidth=2.5
    )
    plain = halo.mark_text(fontSize=10, fill=INK)
    return [lines, *(text.encode(x=x, y=y, text="text:N") for text in (halo, plain))]


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
        .mark_point(clip=True, shape="cross", size=220, filled=True, fill="white", stroke=INK, opacity=1)
        .encode(x=x, y=y, tooltip=["what"]),
    ]
    if pins:
        spots = pd.DataFrame([_spot(pin, green, per) for pin in pins])
        marks.append(
            alt.Chart(spots)
            .mark_point(
                shape="circle", size=60, filled=True, fill=EARTH, stroke="white", strokeWidth=1.5, opacity=1
            )
            .encode(x=x, y=y, tooltip=["what"])
        )
    return marks


def _spot(pin: Pin, section: Section, per: float) -> dict[str, Any]:
    """Place one pair of pins; without a face they are drawn under face a and said to be on any."""
    x_mm, y_mm = section.pin_tip_mm(pin.depth_mm, pin.face or Face.A)
    where = f"face {pin.face.value}" if pin.face else "face not told"
    return {"x": x_mm / per, "y": y_mm / per, "what": f"pins {pin.depth_mm / per:.3g} deep, {where}"}


SHOWN_SHARE: Final = 0.07  # of the side: about so far the largest movement is drawn
STEPS: Final = (1, 2, 5, 10, 20, 50, 100)
Points = NDArray[np.float64]


def exaggeration(move: Movement, side_mm: float) -> int:
    """Return how many times larger than life a movement has to be drawn to be seen."""
    spans = [*move.face_mm.values(), move.out_of_square_mm, *filter(None, [move.cup_mm])]
    largest = max(abs(span.median) for span in spans)
    if largest < side_mm / 2000:
        return STEPS[-1]
    return max((step for step in STEPS if step * largest <= SHOWN_SHARE * side_mm), default=1)


def outline(
    move: Movement, width_mm: float, depth_mm: float, times: float, pith_mm: tuple[float, float] | None = None
) -> Points:
    """Return the outline in service from the measures of the movement.

    Parameters
    ----------
    move : Movement
        Changes of the faces between their corners, bows, the lean, and the check of a boxed heart. [mm]
    width_mm, depth_mm : float
        Size now. [mm]
    times : float
        By how much every change is drawn too large.
    pith_mm : (float, float), optional
        Where the check begins, from the centre; without it the face is drawn closed. [mm]

    Returns
    -------
    ndarray, shape (n, 2)
        Points around it from the corner between d and a, clockwise, from the centre, y up. [mm]
    """

    def change(name: str) -> float:
        return times * (move.face_mm[name].median if name in move.face_mm else 0.0)

    top, right, low, left = (change(name) for name in "abcd")
    lean = times * move.diamond_mm.median / 2
    over_y = depth_mm >= width_mm  # the lean is told over the larger side
    shift_x, shift_y = (lean, 0.0) if over_y else (0.0, lean)
    half_w, half_d = width_mm / 2, depth_mm / 2
    corners = np.array(
        [
            [-half_w - top / 2 + shift_x, half_d + left / 2 - shift_y],
            [half_w + top / 2 + shift_x, half_d + right / 2 + shift_y],
            [half_w + low / 2 - shift_x, -half_d - right / 2 + shift_y],
            [-half_w - low / 2 - shift_x, -half_d - left / 2 - shift_y],
        ]
    )
    bow_x = _bow(move.middle_width_mm.median, (top + low) / 2, times)
    bow_y = _bow(move.middle_depth_mm.median, (left + right) / 2, times)
    bows = dict(zip("abcd", (bow_y, bow_x, bow_y, bow_x), strict=True))
    bows |= {face: -times * span.median for face, span in move.bow_mm.items()}
    normal = {"a": (0.0, 1.0), "b": (1.0, 0.0), "c": (0.0, -1.0), "d": (-1.0, 0.0)}
    parts = []
    for n, face in enumerate("abcd"):
        first, last, outward = corners[n], corners[(n + 1) % 4], np.array(normal[face])
        if face == move.check_face and move.crown_mm is not None and pith_mm is not None:
            parts.append(_checked(move, (first, last), outward, np.array(pith_mm), times))
            continue
        along = np.linspace(0, 1, 12, endpoint=False)[:, None]
        parts.append(first * (1 - along) + last * along + 4 * along * (1 - along) * bows[face] * outward)
    return np.vstack([*parts, corners[:1]])


def _checked(
    move: Movement, ends: tuple[Points, Points], outward: Points, pith_mm: Points, times: float
) -> Points:
    """Return the corner, both lips of the check with the pith between them, and nothing of the next face."""
    first, last = ends
    length = float(np.hypot(*(last - first)))
    toward = (last - first) / length
    at = float(np.clip((pith_mm - first) @ toward, 0.0, length))
    crown = move.crown_mm.median if move.crown_mm is not None else 0.0
    lip = first + at * toward + times * crown * outward
    half_gap = times * move.check_mm.median / 2 * toward
    return np.array([first, lip - half_gap, pith_mm, lip + half_gap])


def _bow(middle_mm: float, edges_drawn_mm: float, times: float) -> float:
    """Return how far one face bulges, from the change between the mid-faces and between the corners."""
    return (times * middle_mm - edges_drawn_mm) / 2


def picture(
    timber: Timber, move: Movement, system: System, width_px: int = 300
) -> tuple[alt.LayerChart, int]:
    """Draw the square now and in service.

    Returns
    -------
    tuple of LayerChart and int
        The picture, and by how much the movement is drawn too large.
    """
    want = timber.finished
    times = exaggeration(move, max(want.width_mm, want.depth_mm))
    now = _frame(outline(move, want.width_mm, want.depth_mm, 0.0), "now, square", system)
    piece = want.inside(timber.section)
    pith = (piece.pith_x_mm, piece.pith_y_mm) if piece.boxed_heart else None
    later = _frame(outline(move, want.width_mm, want.depth_mm, times, pith), "in service", system)
    reach = 0.56 * max(want.width_mm, want.depth_mm) / (25.4 if system == "inch" else 1.0)
    scale = alt.Scale(domain=[-reach, reach], nice=False, zero=False)
    x: Any = alt.X("x:Q", axis=None, scale=scale)
    y: Any = alt.Y("y:Q", axis=None, scale=scale)
    both = pd.concat([now, later])
    dashes = alt.Scale(domain=["now, square", "in service"], range=[[5, 4], [1, 0]])
    shape = (
        alt.Chart(both)
        .mark_line(strokeWidth=2)
        .encode(
            x=x,
            y=y,
            order="order:Q",
            color=alt.Color(
                "when:N",
                title=None,
                scale=alt.Scale(
                    domain=["now, square", "in service"], range=[time_series.QUIET, time_series.EARTH]
                ),
            ),
            strokeDash=alt.StrokeDash("when:N", title=None, scale=dashes),
        )
    )
    names = pd.DataFrame(
        [
            {"x": 0.0, "y": reach * 0.96, "face": "a"},
            {"x": reach * 0.96, "y": 0.0, "face": "b"},
            {"x": 0.0, "y": -reach * 0.96, "face": "c"},
            {"x": -reach * 0.96, "y": 0.0, "face": "d"},
        ]
    )
    letters = alt.Chart(names).mark_text(color=time_series.QUIET, fontSize=13).encode(x=x, y=y, text="face")
    drawn = alt.layer(shape, letters).properties(width=width_px)
    return time_series.finish(drawn, width_px, fit=False), times


def _frame(points: Points, when: str, system: System) -> pd.DataFrame:
    per = 25.4 if system == "inch" else 1.0
    return pd.DataFrame(
        {"x": points[:, 0] / per, "y": points[:, 1] / per, "order": np.arange(len(points)), "when": when}
    )
