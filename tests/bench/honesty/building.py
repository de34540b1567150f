"""What becomes of a squared piece while the work goes on: a year of the truth's own drying in the shop."""

from __future__ import annotations

import numpy as np

from honesty import grid, mechanics, timbers
from honesty.climates import STEPS_A_DAY
from honesty.timbers import FINISHED_MM
from honesty.truth import Drive, Place, driven

BUILD_DAYS = 365
CELLS = 28


def last_day(truth):
    """Last day on which a piece can still be squared and watched for the whole build."""
    return truth.mean_pct.size - 2 - BUILD_DAYS


def squared(truth, day):
    """Fields of the finished piece at the start, the middle and the end of the build, squared on a day."""
    piece, since = truth.piece, round(day)
    start = grid.sawn(truth.field(day), piece.width_mm, piece.depth_mm, FINISHED_MM, CELLS)
    at = grid.centres_mm(FINISHED_MM, CELLS)
    away = np.hypot(at[None] - piece.pith_mm[0], at[:, None] - piece.pith_mm[1])
    place = Place(
        width_mm=FINISHED_MM, depth_mm=FINISHED_MM, pith_mm=piece.pith_mm,
        start_pct=start, sapwood=away > piece.heart_mm,
    )  # fmt: skip
    steps = slice(*(STEPS_A_DAY * (piece.dried_days + each) for each in (since, since + BUILD_DAYS)))
    whole = driven(piece, truth.air, truth.mean_pct.size - 1 + piece.dried_days)
    surface = whole.surface_m_s[steps] / np.array(piece.faces)  # turned and open on all sides
    drive = Drive(
        days=BUILD_DAYS,
        wood_c=whole.wood_c[steps],
        emc_pct=whole.emc_pct[steps],
        surface_m_s=surface,
    )
    fields = timbers.PHYSICS[piece.physics].dry(piece.law, piece.level, place, drive)
    return start, fields[BUILD_DAYS // 2].astype(float), fields[-1].astype(float)


def movement_mm(truth, day):
    """Largest movement of a piece squared on a day: once in service, and during the build. [mm]"""
    service = mechanics.in_service(truth.piece, truth.field(day))["largest"]
    start, *later = (mechanics.done(truth.piece, mechanics.coarse(each)) for each in squared(truth, day))
    build = max(float(mechanics.largest_mm(mechanics.change_mm(truth.piece, each - start))) for each in later)
    return service, build
