"""Whether a finished piece comes out of the truth's own timber: a square laid into its outline in service.

The outline of the timber, its heart opened or not, is worked out from its field when it was measured to an
even service moisture. The finished piece may be turned and shifted within it; bow and crook take their
mid-ordinate over the finished length, the plane what is drawn for each timber, as its curves are (`checks`).
Checks of the surface deeper than that are told apart: `clean` wants them planed away as well.
"""

from __future__ import annotations

import numpy as np

from honesty import checks, mechanics
from honesty.opened import FACES

TURNS = np.linspace(-0.03, 0.03, 61)  # rad, that the piece may lie turned in the timber
ENDS_MM = 75.0  # cut off each end before it is finished


def room_mm(outline, size_mm):
    """The largest width and depth of a rectangle in an outline, at every turn of `TURNS`, (n, 2).

    Only what stands beside a side of the rectangle holds it in, so that a trapezoid's corner counts, too.
    """
    found = np.empty((TURNS.size, 2))
    for k, turn in enumerate(TURNS):
        c, s = np.cos(turn), np.sin(turn)
        limits = {}
        for face, (at, shift) in outline.items():
            axis, side = FACES[face]
            point = np.empty((at.size, 2))
            point[:, axis] = side * size_mm[axis] / 2 + shift[:, axis]
            point[:, 1 - axis] = at + shift[:, 1 - axis]
            across = (c * point[:, 0] + s * point[:, 1], c * point[:, 1] - s * point[:, 0])[axis]
            limits[face] = side * np.min(side * across)
        found[k] = limits["b"] - limits["d"], limits["a"] - limits["c"]
    return found


def of(truth, finished_mm, *, size_mm, since_day=0.0):
    """Whether a square piece comes out of a timber that measured `size_mm` on a day, (comes out, clean)."""
    piece, own = truth.piece, checks.habit(truth.piece)
    then = checks.shares(piece, truth.field(since_day), (piece.width_mm, piece.depth_mm))
    even = np.full((mechanics.CELLS, mechanics.CELLS), mechanics.done(piece, piece.service_pct))
    outline = dried(piece, then, even)
    part = ((piece.length_mm - 2 * ENDS_MM) / piece.length_mm) ** 2  # of a curve, by the square of the length
    _, deep = checks.torn(truth)
    room = room_mm(outline, size_mm)
    out = []
    for off in (own.planes_mm, max(own.planes_mm, float(deep[-1]))):
        left = room - 2 * off - part * np.array([own.crook_mm, own.bow_mm])
        out.append(bool(np.any(np.min(left, axis=1) >= finished_mm)))
    return tuple(out)


def dried(piece, then, even):
    """By face, places along it and how they move from one field of shares to another."""
    size = (piece.width_mm, piece.depth_mm)
    was_open, is_open = (checks.has_opened(piece, size, each) for each in (then, even))
    opened = checks.slits(piece, size) if was_open or is_open else ()
    body = checks.body(piece, size, opened)
    after = body.outline(body.moved(even))
    if was_open or not opened:
        before = body.outline(body.moved(then))
        return {face: (at, after[face][1] - before[face][1]) for face, (at, _) in after.items()}
    whole = checks.body(piece, size)
    before = whole.outline(whole.moved(then))
    return {
        face: (
            at,
            shift - np.stack([np.interp(at, before[face][0], each) for each in before[face][1].T], axis=1),
        )
        for face, (at, shift) in after.items()
    }
