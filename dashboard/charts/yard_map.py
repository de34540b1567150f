"""The yard from above: where bearers and racks stand, and what lies on them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from baulk.dashboard import words
from baulk.dashboard.charts import time_series
from baulk.models.timber import Place
from baulk.models.units import System

FEET_PER_M = 1 / 0.3048
PLAIN_SIDE_M = 2.0  # of a place whose size was not given


def picture(
    places: Sequence[Place], told: Mapping[str, Sequence[words.Step]], system: System
) -> alt.LayerChart:
    """Draw the places to scale.

    Parameters
    ----------
    places : sequence of Place
        Those with a position. [m]
    told : mapping of str to sequence of Step
        How the verdict of each timber is told, by its place.
    system : "inch" or "metric"
        Feet or metres on the axes.

    Returns
    -------
    altair.LayerChart
        The picture.
    """
    per, unit = (FEET_PER_M, "ft") if system == "inch" else (1.0, "m")
    frame = pd.DataFrame([_box(place, told.get(place.name, ()), per) for place in places])
    reach_x = [float(frame["x"].min()), float(frame["x2"].max())]
    reach_y = [float(frame["y"].min()), float(frame["y2"].max())]
    x: Any = alt.X("x:Q", title=f"east, {unit}", scale=alt.Scale(domain=reach_x, nice=True, zero=False))
    y: Any = alt.Y("y:Q", title=f"north, {unit}", scale=alt.Scale(domain=reach_y, nice=True, zero=False))
    mid_x, mid_y = alt.X("mid_x:Q", title=f"east, {unit}"), alt.Y("mid_y:Q", title=f"north, {unit}")
    boxes = (
        alt.Chart(frame)
        .mark_rect(fill="#e9ece6", stroke=time_series.INK, strokeWidth=1.2)
        .encode(x=x, x2="x2", y=y, y2="y2", tooltip=["place", "kind", "holds"])
    )
    names = (
        alt.Chart(frame)
        .mark_text(dy=-9, fontWeight="bold", color=time_series.INK, limit=160)
        .encode(x=mid_x, y=mid_y, text="place")
    )
    marks = (
        alt.Chart(frame)
        .mark_text(dy=9, color=time_series.INK, limit=160)
        .encode(x=mid_x, y=mid_y, text="holds")
    )
    wide, deep = reach_x[1] - reach_x[0], reach_y[1] - reach_y[0]
    return time_series.finish(alt.layer(boxes, names, marks), int(min(520, max(180, 600 * deep / wide))))


def _box(place: Place, here: Sequence[words.Step], per: float) -> dict[str, Any]:
    known = (words.CONTRADICTION, *words.STEPS.values())
    count = {each.shape: sum(told is each for told in here) for each in known}
    holds = "  ".join(f"{shape}{n}" for shape, n in count.items() if n)
    x, y = (place.x_m or 0.0) * per, (place.y_m or 0.0) * per
    wide, deep = (place.width_m or PLAIN_SIDE_M) * per, (place.depth_m or PLAIN_SIDE_M) * per
    return {
        "place": place.name,
        "kind": place.kind,
        "holds": holds or ("empty" if not here else f"·{len(here)}"),
        "x": x,
        "x2": x + wide,
        "y": y,
        "y2": y + deep,
        "mid_x": x + wide / 2,
        "mid_y": y + deep / 2,
    }
