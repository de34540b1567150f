"""The outline of a finished piece now and in service, its movement drawn larger than it is."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.dashboard.charts import butt_end
from baulk.dashboard.charts.time_series import EARTH, QUIET
from baulk.ingest.evaluation.document import Movement
from baulk.models.formatting import show_change, show_movement, show_signed
from baulk.models.timber import Timber
from baulk.models.units import System, show_size

SIDE_PX: Final = 236.0
SIDE_ROOM_PX: Final = 32.0  # around it, for what becomes of each side
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


def picture(timber: Timber, move: Movement, system: System) -> tuple[butt_end.Picture, int]:
    """Draw the square now and in service, with what becomes of each side beside it.

    Parameters
    ----------
    timber : Timber
        The piece.
    move : Movement
        Its movement if squared now. [mm]
    system : {"inch", "metric"}
        The reader's units.

    Returns
    -------
    tuple of Picture and int
        The picture, and by how much the movement is drawn too large.
    """
    want = timber.finished
    times = exaggeration(move, max(want.width_mm, want.depth_mm))
    piece = want.inside(timber.section)
    pith = (piece.pith_x_mm, piece.pith_y_mm) if piece.boxed_heart else None
    reach = 0.56 * max(want.width_mm, want.depth_mm)
    paper = butt_end.Paper(left_mm=-reach, top_mm=reach, per_mm=SIDE_PX / (2 * reach), edge_px=SIDE_ROOM_PX)
    now = _line(
        outline(move, want.width_mm, want.depth_mm, 0.0), paper, f'stroke="{QUIET}" stroke-dasharray="5 4"'
    )
    later = _line(outline(move, want.width_mm, want.depth_mm, times, pith), paper, f'stroke="{EARTH}"')
    high = SIDE_PX + 2 * SIDE_ROOM_PX
    words = _sides(want.width_mm, want.depth_mm, move, paper, system)
    drawn = butt_end.document(high, high, [now, later, *words])
    return butt_end.Picture(svg=drawn, said=finding(timber, move, system), width_px=high), times


def finding(timber: Timber, move: Movement, system: System) -> str:
    """Return in one sentence what the picture shows.

    Parameters
    ----------
    timber, move, system
        As of `picture`.
    """
    want = timber.finished
    size = show_size(want.width_mm, want.depth_mm, system)
    largest, allowed = move.size_change_mm, show_movement(move.tolerance_mm, system)
    if largest is None:  # a document of an earlier version
        change = f"change by {show_movement(move.largest_mm.median, system)}"
    else:
        change = show_change((largest.low, largest.median, largest.high), system)
    return f"Squared now to {size}, it would still {change} at most; its use allows {allowed}."


def _line(points: Points, paper: butt_end.Paper, style: str) -> str:
    places = " ".join(f"{paper.x(x):g},{paper.y(y):g}" for x, y in points)
    return f'<polyline points="{places}" fill="none" stroke-width="2" {style}/>'


def _sides(
    width_mm: float, depth_mm: float, move: Movement, paper: butt_end.Paper, system: System
) -> list[str]:
    """Write beside each side its letter, what it will measure, and by how much that differs from now."""
    out = max(width_mm, depth_mm) * 0.56
    room = 15 / paper.per_mm
    places = {
        "a": (0.0, out + room),
        "b": (out + room, 0.0),
        "c": (0.0, -out - room),
        "d": (-out - room, 0.0),
    }
    found = []
    for face, (x, y) in places.items():
        if face not in move.face_mm:
            continue
        change = move.face_mm[face].median
        long = (width_mm if face in "ac" else depth_mm) + change
        told = f"{face}: {show_movement(long, system)} ({show_signed(change, system)})"
        turn = (
            ""
            if face in "ac"
            else f' transform="rotate({90 if face == "b" else -90} {paper.x(x):g} {paper.y(y):g})"'
        )
        found.append(
            f'<text x="{paper.x(x):g}" y="{paper.y(y) + 4.5:g}" text-anchor="middle"{turn}>{told}</text>'
        )
    return found
