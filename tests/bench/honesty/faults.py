"""Readings of a sound timber with one thing made wrong: a sensor that drifts, pins in another timber.

What the program is then asked is what a shop's evaluation gathers, so the way in is that of `shop_run`.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from baulk.ingest.evaluation import gather
from baulk.models.known_readings import from_columns
from baulk.models.quantity import AT_DEPTH
from honesty import grid, meters, observed, shop_run, truth
from honesty.climates import DAY_S
from honesty.rows import HISTORIES

MONTH_DAYS = 30.44
ALL = "all"


def gathered(number, *, histories=(9, 15), kept_in=None):
    """What an evaluation of the sound timber looks at after each history."""
    true = truth.get(number, kept_in=kept_in)
    found = {}
    with shop_run.yard(true, observed.readings(true)) as yard:
        for months in histories:
            day = HISTORIES[months]
            yard.until(day)
            found[months] = gather.gather(yard.piece.tag, yard.shop, shop_run.moment(yard.piece, day))
    return found


def pin_series(inputs):
    """Names of its series of pins."""
    rows = inputs.readings
    return sorted({rows.names[of] for of in rows.of[rows.of_quantity(*AT_DEPTH)].tolist()})


def one_of(inputs, number):
    """The series of pins that something happens to."""
    names = pin_series(inputs)
    return names[int(np.random.default_rng([31, number]).integers(len(names)))]


def drifting(inputs, series, points_a_month):
    """The same with a series, or all pins, that drifts from the first day on."""
    start = inputs.timber.arrived_utc.timestamp()

    def drifted(_series, taken_s, value):
        months = (taken_s - start) / DAY_S / MONTH_DAYS
        return float(np.round(np.clip(value + points_a_month * months, 5, 99), 1))

    return _changed(inputs, series, drifted)


def foreign(inputs, number, other, series, *, later_days=0, kept_in=None):
    """The same with a series, or all pins, that are in another timber, which has lain so much longer."""
    mine, theirs = truth.get(number, kept_in=kept_in), truth.get(other, kept_in=kept_in)
    rng = np.random.default_rng([37, number, other])
    start = inputs.timber.arrived_utc.timestamp()
    meter = mine.piece.meter

    def other_wood(of, taken_s, _value):
        day = (taken_s - start) / DAY_S + later_days
        depth, face = of.depth_mm, of.face.value
        field = theirs.field(day)
        width, height = theirs.piece.width_mm, theirs.piece.depth_mm
        true = grid.pin_pct(field, width, height, face, depth, meter.bare_mm)
        wood_c = float(np.interp(day, np.arange(theirs.wood_c.size), theirs.wood_c))
        return meters.shown_pct(rng, meter, true, wood_c)

    return _changed(inputs, series, other_wood)


def _changed(inputs, series, value):
    rows = inputs.readings
    shown = rows.value.copy()
    for i in np.flatnonzero(rows.of_quantity(*AT_DEPTH)).tolist():
        of = rows.series[rows.of[i]]
        if series in {ALL, str(of)}:
            shown[i] = value(of, float(rows.taken_s[i]), float(rows.value[i]))
    moved = shown - rows.value
    return replace(
        inputs,
        known=from_columns(replace(rows, value=shown, low=rows.low + moved, high=rows.high + moved)),
    )
