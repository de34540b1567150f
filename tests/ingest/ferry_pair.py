"""Two timbers that dry each in its own way, read once a week at three depths and weighed, and their air."""

from __future__ import annotations

import dataclasses
import sys
from datetime import timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))
import judging

from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series

NOW, DAY = judging.NOW, timedelta(days=1)
DAYS = 300


def air(days=500):
    course = judging.shed(NOW - days * DAY, days)
    return [
        dataclasses.replace(
            judging.reading(judging.timber(), at_s, value, quantity=Quantity.WEIGHT),
            series=Series(owner=Owner.AIR, name="shed", quantity=quantity),
        )
        for quantity, values in ((Quantity.TEMP, course.temp_c), (Quantity.HUMIDITY, course.rh_pct))
        for at_s, value in zip(course.posix_s, values, strict=True)
    ]


def record(tag, *, days, d_factor, start, dry_kg, shift=0, seed=2):
    """A timber and its readings of every week, truly its own."""
    piece = dataclasses.replace(judging.timber(days, side=150.0, finished=110.0), tag=tag)
    course = judging.shed(piece.arrived_utc, days)
    at_s = NOW.timestamp() - judging.DAY_S * (np.arange(DAYS - 2, 6, -7) - shift)
    fields = judging.truth(piece, course, at_s, d_factor=d_factor, start=start)
    return piece, [
        *judging.pins(piece, fields, depths=(12.0, 25.0, 50.0), seed=seed),
        *judging.weights(piece, fields, dry_kg=dry_kg, seed=seed + 5),
    ]


def young(tag="FER-07", seed=2, **more):
    return record(tag, days=DAYS, d_factor=0.7, start=70.0, dry_kg=20.0, seed=seed, **more)


def old(tag="FER-08", seed=9, **more):
    # as dry as the young one is wet: above saturation a meter hardly tells two timbers apart
    return record(tag, days=500, d_factor=2.2, start=65.0, dry_kg=27.0, seed=seed, **more)
