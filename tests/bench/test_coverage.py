"""Do forecasts keep their word? Invented timbers, their truth from another model than the one that is fitted.

Truth: finer cells, another slope of D over moisture, another D above fibre saturation, another ratio of
radial to tangential, weather noise in the air, a biased meter, pins that lie off, weeks without readings. The
fit sees only the readings and the air so far; ahead it knows only the season. `pytest -m bench -s` shows it.
"""

from __future__ import annotations

import dataclasses
import sys
import time
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))
import judging

from baulk.models import calibrate, drying, forecast, species
from baulk.models.air import AirSeries
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

WOODS = ("white oak", "northern red oak", "Douglas-fir", "longleaf pine", "white ash")
TIMBERS = 200


def invented(number):
    """One timber: what is true 180 days ahead, what was forecast, and what two plain rules say."""
    rng = np.random.default_rng(1000 + number)
    wood = species.get(WOODS[number % len(WOODS)])
    days = int(rng.uniform(90, 500))
    side = float(rng.uniform(90, 230))
    start = wood.green_heartwood_mc_pct * float(np.exp(rng.normal(0, 0.12)))
    piece = Timber(
        tag=f"T-{number}",
        species=wood.name,
        section=Section(
            width_mm=side, depth_mm=side * float(rng.uniform(0.8, 1.2)), pith_x_mm=rng.normal(0, side)
        ),
        length_mm=2500,
        finished=Finished(width_mm=side * 0.6, depth_mm=side * 0.6),
        use_class="frame-under-cover",
        place="shed",
        arrived_utc=judging.NOW - timedelta(days=days),
    )
    season = judging.shed(piece.arrived_utc, days + 200)
    slow = np.cumsum(rng.normal(0, 1, season.posix_s.size))
    slow = 5 * (slow - slow.mean()) / max(slow.std(), 1e-9)
    real = AirSeries(
        posix_s=season.posix_s,
        temp_c=season.temp_c + 0.4 * slow + rng.normal(0, 2, slow.size),
        rh_pct=np.clip(season.rh_pct + slow + rng.normal(0, 6, slow.size), 15, 99),
    )
    law = judging.law(piece)
    other = dataclasses.replace(
        law,
        d_ref_m2_s=law.d_ref_m2_s * float(np.exp(rng.normal(0, 0.55))),
        slope_per_pct=law.slope_per_pct * float(rng.uniform(0.7, 1.25)),
        radial_over_tangential=float(rng.uniform(1.0, 1.6)),
        raised_above_fsp=law.raised_above_fsp * float(rng.uniform(0.7, 1.3)),
    )
    one = np.ones(1)
    members = drying.Members(
        d_factor=one,
        surface_factor=np.exp(rng.normal(0, 0.4)) * one,
        start_mc_pct=start * one,
        emc_offset_pct=rng.normal(0, 0.8) * one,
    )
    read_days = np.arange(5, days, rng.choice([7, 14, 28]))
    gap = rng.uniform(0, days)
    read_days = read_days[np.abs(read_days - gap) > 20]
    now_s = judging.NOW.timestamp()
    arrived_s = piece.arrived_utc.timestamp()
    at_s = np.concatenate([arrived_s + judging.DAY_S * read_days, [now_s, now_s + 180 * judging.DAY_S]])
    fields = drying.dry(
        piece.section,
        None,
        real,
        other,
        start_posix_s=arrived_s,
        at_posix_s=at_s,
        members=members,
        cells=(24, 24),
    )
    bias = float(rng.normal(0, 1.5))
    readings = judging.pins(
        piece, fields[:-2], depths=(0.12 * side, 0.25 * side), bias=bias, sd=1.2, seed=number
    )
    if number % 3:
        readings += judging.weights(piece, fields[:-2], seed=number)
    known = real.posix_s <= now_s
    past = AirSeries(posix_s=real.posix_s[known], temp_c=real.temp_c[known], rh_pct=real.rh_pct[known])
    begun = time.perf_counter()
    fitted = calibrate.fit(piece, wood, readings, past, law=law, now_posix_s=now_s)
    coming = forecast.forecast(piece, wood, fitted, season, law=law, horizon_days=182)
    took_s = time.perf_counter() - begun
    at = int(np.searchsorted(coming.posix_s, now_s + 179 * judging.DAY_S))
    mean = np.array([float(field.mean_pct[0]) for field in fields])
    tail = slice(max(0, len(fields) - 8), len(fields) - 2)
    line = np.polyfit(at_s[tail], mean[tail], 1) if len(fields) > 4 else np.array([0.0, mean[-2]])
    inch = start + (15 - start) * min(1.0, (days + 180) / 365 / (min(side, piece.section.depth_mm) / 25.4))
    return (float(mean[-1]), *coming.mean_pct[:, at], float(np.polyval(line, at_s[-1])), inch, took_s)


@pytest.mark.bench
@pytest.mark.timeout(900)
def test_the_90_percent_interval_of_the_mean_180_days_ahead_holds_its_word():
    found = np.array([invented(number) for number in range(TIMBERS)])
    true, low, middle, high = found[:, 0], found[:, 1], found[:, 3], found[:, 5]
    covered = float(np.mean((true >= low) & (true <= high)))
    error = float(np.median(np.abs(middle - true)))
    line, inch = (float(np.median(np.abs(found[:, k] - true))) for k in (6, 7))
    score = float(np.mean((high - low) + 20 * (np.maximum(low - true, 0) + np.maximum(true - high, 0))))
    print(
        f"\n{TIMBERS} timbers: 90 % interval covers {covered:.0%}, half covers "
        f"{np.mean((true >= found[:, 2]) & (true <= found[:, 4])):.0%}; median error {error:.2f} points, "
        f"straight line {line:.2f}, a year an inch {inch:.2f}; interval score {score:.1f}; "
        f"fit and forecast {np.median(found[:, 8]):.2f} s each"
    )
    assert 0.85 <= covered <= 0.95
    assert error < line
    assert error < inch
