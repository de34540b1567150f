"""What becomes of a squared piece while the work goes on: a year of the truth's own drying in the shop."""

from __future__ import annotations

import numpy as np

from honesty import checks, grid, mechanics, timbers
from honesty.climates import STEPS_A_DAY
from honesty.timbers import FINISHED_MM
from honesty.truth import Drive, Place, driven

BUILD_DAYS = 365
CELLS = grid.CELLS  # for so many the physics work out how the way to the pith turns


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


def moved(truth, day):
    """Movement of a piece squared on a day: in service, with its lean and bow, and during the build. [mm]"""
    piece = truth.piece
    start, *later = squared(truth, day)
    even = np.full((mechanics.CELLS, mechanics.CELLS), mechanics.done(piece, piece.service_pct))
    if piece.boxed:
        body = checks.Squared(piece, truth.field(day), FINISHED_MM)
        service = body.change_mm(even)
        built = [body.change_mm(mechanics.done(piece, mechanics.coarse(each))) for each in later]
    else:
        planed = mechanics.done(
            piece, grid.sawn(truth.field(day), piece.width_mm, piece.depth_mm, FINISHED_MM, mechanics.CELLS)
        )
        service = mechanics.change_mm(piece, even - planed)
        started = mechanics.done(piece, mechanics.coarse(start))
        built = [
            mechanics.change_mm(piece, mechanics.done(piece, mechanics.coarse(each)) - started)
            for each in later
        ]
    return {
        "service": float(mechanics.largest_mm(service)),
        "lean": float(service["lean"]),
        "bow": float(max((service[f"bow {face}"] for face in "abcd"), key=abs)),
        "build": max(float(mechanics.largest_mm(each)) for each in built),
    }


def movement_mm(truth, day):
    """Largest movement of a piece squared on a day: once in service, and during the build. [mm]"""
    found = moved(truth, day)
    return found["service"], found["build"]
