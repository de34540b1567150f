"""What the program tells of pieces that hardly fit, and of the surface: each chance beside what came of it.

The finished piece is drawn so that about half of them come out; else the timber is that of the bench. It is
asked after a week, a month, three and nine months what the chance is that the piece comes out, and that the
surface is asked for too much within a fortnight.
"""

from __future__ import annotations

import numpy as np

from honesty import checks, observed, outcome, shop_run, truth
from honesty.rows import about

DAYS = (7, 28, 91, 274)
FORTNIGHT = 14
LEAST_MM, MOST_MM = 4.0, 24.0  # between the timber's smaller side and the finished piece


def finished_mm(piece):
    """The side of the piece that is asked for, drawn from the timber's number."""
    rng = np.random.default_rng([31, piece.number])
    return round(min(piece.width_mm, piece.depth_mm) - float(rng.uniform(LEAST_MM, MOST_MM)))


def asked(number, *, kept_in=None):
    """Rows of one timber."""
    true = truth.get(number, kept_in=kept_in)
    side = finished_mm(true.piece)
    comes_out, clean = outcome.of(true, side, size_mm=(true.piece.width_mm, true.piece.depth_mm))
    noted = [each for each in observed.readings(true) if each.day <= DAYS[-1]]
    rows = []
    with shop_run.yard(true, noted, finished_mm=side) as yard:
        for day in DAYS:
            yard.until(day)
            answer = yard.evaluated(day)
            if answer.get("failed"):
                continue
            rows.append({
                **about(true.piece),
                "day": day,
                "room_mm": min(true.piece.width_mm, true.piece.depth_mm) - side,
                "comes_out": comes_out,
                "clean": clean,
                **_told(true, day, answer),
            })  # fmt: skip
    return rows


def _told(true, day, answer):
    said = answer["verdict"].get("comes_out")
    ahead = (answer.get("checking") or {}).get("ahead")
    over, _ = checks.torn(true)
    soon = (true.kept_days > day - 7) & (true.kept_days <= day + FORTNIGHT)
    return {
        "told_out": None if said is None else said["probability"],
        "told_torn": None if ahead is None else ahead["chance"][min(FORTNIGHT, len(ahead["chance"]) - 1)],
        "torn": bool(np.any(over[soon] >= 1)),
    }
