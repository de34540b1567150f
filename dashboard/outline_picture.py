"""The finished square as it is now and as it will be in service, its movement drawn larger than life."""

from __future__ import annotations

from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from baulk.dashboard import charts
from baulk.dashboard.answer import Move
from baulk.models.timber import Timber
from baulk.models.units import System

SHOWN_SHARE: Final = 0.07  # of the side: about so far the largest movement is drawn
STEPS: Final = (1, 2, 5, 10, 20, 50, 100)
Points = NDArray[np.float64]


def exaggeration(move: Move, side_mm: float) -> int:
    """Return how many times larger than life a movement has to be drawn to be seen."""
    spans = [*move.face_mm.values(), move.out_of_square_mm, *filter(None, [move.cup_mm])]
    largest = max(abs(span.median) for span in spans)
    if largest < side_mm / 2000:
        return STEPS[-1]
    return max((step for step in STEPS if step * largest <= SHOWN_SHARE * side_mm), default=1)


def outline(move: Move, width_mm: float, depth_mm: float, times: float) -> Points:
    """Return the outline in service from the measures of the movement.

    Parameters
    ----------
    move : Move
        Changes of the faces between their corners, of the middles, and the lean. [mm]
    width_mm, depth_mm : float
        Size now. [mm]
    times : float
        By how much every change is drawn too large.

    Returns
    -------
    ndarray, shape (n, 2)
        Points around it from the corner between d and a, clockwise, from the centre, y up. [mm]
    """

    def change(name: str) -> float:
        return times * (move.face_mm[name].median if name in move.face_mm else 0.0)

    top, right, low, left = (change(name) for name in "abcd")
    lean = times * move.out_of_square_mm.median / 2
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
    bow_x = _bow(move.middle_width_mm.median if move.middle_width_mm else None, (top + low) / 2, times)
    bow_y = _bow(move.middle_depth_mm.median if move.middle_depth_mm else None, (left + right) / 2, times)
    outward = np.array([[0.0, bow_y], [bow_x, 0.0], [0.0, -bow_y], [-bow_x, 0.0]])
    along = np.linspace(0, 1, 12, endpoint=False)[:, None]
    parts = [
        corners[n] * (1 - along) + corners[(n + 1) % 4] * along + 4 * along * (1 - along) * outward[n]
        for n in range(4)
    ]
    return np.vstack([*parts, corners[:1]])


def _bow(middle_mm: float | None, edges_drawn_mm: float, times: float) -> float:
    """Return how far one face bulges, from the change between the mid-faces and between the corners."""
    return 0.0 if middle_mm is None else (times * middle_mm - edges_drawn_mm) / 2


def picture(timber: Timber, move: Move, system: System, width_px: int = 300) -> tuple[alt.LayerChart, int]:
    """Draw the square now and in service.

    Returns
    -------
    tuple of LayerChart and int
        The picture, and by how much the movement is drawn too large.
    """
    want = timber.finished
    times = exaggeration(move, max(want.width_mm, want.depth_mm))
    now = _frame(outline(move, want.width_mm, want.depth_mm, 0.0), "now, square", system)
    later = _frame(outline(move, want.width_mm, want.depth_mm, times), "in service", system)
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
                scale=alt.Scale(domain=["now, square", "in service"], range=[charts.QUIET, charts.EARTH]),
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
    letters = alt.Chart(names).mark_text(color=charts.QUIET, fontSize=13).encode(x=x, y=y, text="face")
    drawn = alt.layer(shape, letters).properties(width=width_px)
    return charts.finish(drawn, width_px, fit=False), times


def _frame(points: Points, when: str, system: System) -> pd.DataFrame:
    per = 25.4 if system == "inch" else 1.0
    return pd.DataFrame(
        {"x": points[:, 0] / per, "y": points[:, 1] / per, "order": np.arange(len(points)), "when": when}
    )
