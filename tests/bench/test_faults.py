"""Are drift and pins in another timber named, and no sound series? `tests/run --bench -k faults -s`.

Sixty timbers of tests/bench/honesty, whose physics, meters and climates are not the program's, after 9 and 15
months: sound, then with one series of pins that drifts by half a point a month, up or down, or whose pins are
in another timber of another wood. Above fibre saturation a meter hardly tells one moisture from another, so
what is named is also counted among those whose pins had been in drier wood for four months. Neither these
timbers nor physics "potential" and meter "levelling" had any part in the sizes that were fitted for
models/calibrate/suspect_sensors.py; one of them, set by eye, was tried on these too.
"""

from __future__ import annotations

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

SOUND = range(60)
AHEAD = range(2, 60, 5)  # of these the forecast too
KINDS = ("drifts up", "drifts down", "another timber")
AHEAD_DAYS = 180
DRY_MONTHS = 4.0
EVERY_DAYS = 15
# of sixty; what was measured less a margin
LEAST = {("drifts up", 15): 21, ("drifts down", 15): 25, ("another timber", 15): 27}
MOST_WRONG = 7  # of 360


def other_timber(number):
    """A timber of another wood, and how much longer it has lain."""
    from honesty import timbers  # noqa: PLC0415 - for the workers

    rng = np.random.default_rng([41, number])
    while True:
        other = int(rng.integers(60))
        if timbers.piece(other).kind.name != timbers.piece(number).kind.name:
            return other, int(rng.choice([0, 120, 300]))


def dry_months(true, series, day):
    """Months up to a day that the wood at a series' pins has been below its saturation."""
    from honesty import faults, grid  # noqa: PLC0415 - for the workers

    piece = true.piece
    _, _, depth, face, _ = series.split("/")
    at = (piece.width_mm, piece.depth_mm, face, float(depth.removeprefix("pin-")), piece.meter.bare_mm)
    dry = sum(grid.pin_pct(true.field(one), *at) < piece.fsp_pct for one in range(0, day, EVERY_DAYS))
    return dry * EVERY_DAYS / faults.MONTH_DAYS


def asked(number):
    """What is named of one timber: (number, kind, months, dry, right, wrong, error of the mean ahead)."""
    from honesty import faults, truth  # noqa: PLC0415 - for the workers
    from honesty.rows import HISTORIES  # noqa: PLC0415

    from baulk.ingest.evaluation import compute  # noqa: PLC0415

    true, found = truth.get(number), []
    other, later = other_timber(number)
    for months, sound in faults.gathered(number).items():
        series = faults.one_of(sound, number)
        cases = {
            "sound": sound,
            "drifts up": faults.drifting(sound, series, 0.5),
            "drifts down": faults.drifting(sound, series, -0.5),
            "another timber": faults.foreign(sound, number, other, series, later_days=later),
        }
        dry = dry_months(true, series, HISTORIES[months]) >= DRY_MONTHS
        day = HISTORIES[months] + AHEAD_DAYS
        for kind, inputs in cases.items():
            fitted = compute.fitted_to(inputs)
            error = np.nan
            if number in AHEAD:
                ahead = compute.coming(inputs, fitted)
                at = (ahead.posix_s - true.piece.arrived_s) / 86_400
                error = float(np.interp(day, at, ahead.mean_pct[2])) - true.at("mean", day)
            named = set(fitted.suspected)
            apart = fitted.contradiction is not None
            right = kind != "sound" and (series in named or apart)
            wrong = bool(named - {series}) or (kind == "sound" and (bool(named) or apart))
            found.append((number, kind, months, dry, right, wrong, error))
    return found


@pytest.fixture(scope="module")
def rows():
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        return [row for each in pool.map(asked, SOUND) for row in each]


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_no_sound_series_is_named(rows):
    named = [row[:3] for row in rows if row[1] == "sound" and row[5]]
    print(f"\nsound: {len(named)} of {sum(row[1] == 'sound' for row in rows)} named {named}")
    assert not named


@pytest.mark.bench
@pytest.mark.timeout(3600)
def test_drift_and_another_timber_are_named_and_the_forecast_is_near_the_sound_one(rows):
    right, wrong, dry = Counter(), Counter(), Counter()
    for _, kind, months, is_dry, is_right, is_wrong, _ in rows:
        right[kind, months] += is_right
        wrong[kind, months] += is_wrong
        dry[kind, months] += is_dry and is_right
    sound = {(row[0], row[2]): row[6] for row in rows if row[1] == "sound"}
    print()
    for kind in KINDS:
        for months in (9, 15):
            mine = [row for row in rows if row[1:3] == (kind, months)]
            moved = [abs(row[6] - sound[row[0], months]) for row in mine if row[4] and row[0] in AHEAD]
            apart = f"{np.median(moved):.1f}" if moved else "-"
            print(
                f"{kind}, {months} months: {right[kind, months]} of {len(mine)} named, "
                f"{wrong[kind, months]} wrongly; in dry wood {dry[kind, months]} of "
                f"{sum(row[3] for row in mine)}; the mean in half a year moves by {apart} points where named"
            )
    for (kind, months), least in LEAST.items():
        assert right[kind, months] >= least, (kind, months)
    assert sum(wrong[kind, months] for kind in KINDS for months in (9, 15)) <= MOST_WRONG
