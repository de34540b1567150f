"""A whole verdict for one timber with a year of hourly readings must not keep anybody waiting."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))
import judging

from baulk.models import forecast, species, use_class
from baulk.models.calibrate import calibration
from baulk.models.surface import margin
from baulk.models.verdict import decision, readiness, rough_out


@pytest.mark.bench
def test_a_whole_verdict_from_a_year_of_hourly_readings_takes_less_than_two_seconds():
    """64 members, candidate dates over two years, a year's build after each: issue 5, line 6."""
    piece = judging.timber(days=365, side=200.0, finished=150.0)
    wood, use, law = species.get(piece.species), use_class.get(piece.use_class), judging.law(piece)
    air = judging.shed(piece.arrived_utc, 365 + 740 + 365)
    start_s = piece.arrived_utc.timestamp()
    readings = [
        judging.reading(piece, start_s + 3600.0 * h, 29 - h * 1e-3, depth_mm=depth)
        for h in range(365 * 24)
        for depth in (25.0, 45.0, 80.0)
    ]
    readings += [
        judging.reading(piece, start_s + 86_400.0 * d, 60 - d / 40, quantity=judging.Quantity.WEIGHT)
        for d in range(0, 365, 7)
    ]
    service = decision.service_draw(use, 64)
    best = {}
    for _ in range(3):
        marks = [time.perf_counter()]
        fitted = calibration.fit(piece, wood, readings, air, law=law, now_posix_s=judging.NOW.timestamp())
        marks.append(time.perf_counter())
        coming = forecast.forecast(piece, wood, fitted, air, law=law)
        marks.append(time.perf_counter())
        roughed = rough_out.rough_out(piece, wood, fitted, air, law=law, use=use, service_mc_pct=service)
        marks.append(time.perf_counter())
        asked = margin.margin(piece, wood, fitted, air, [air] * margin.YEARS_AHEAD, law=law)
        marks.append(time.perf_counter())
        work = readiness.Work(air=air, law=law)
        decision.judge(piece, wood, use, fitted, coming, roughed=roughed, work=work, margin=asked)
        marks.append(time.perf_counter())
        for name, first, last in zip(
            ("fit", "forecast", "rough out", "surface", "judge", "whole"),
            (*marks[:5], marks[0]),
            (*marks[1:], marks[5]),
            strict=True,
        ):
            best[name] = min(best.get(name, 1e9), last - first)
    shares = (
        f"{name} {seconds:.2f} s ({100 * seconds / best['whole']:.0f} %)" for name, seconds in best.items()
    )
    print("\n" + ", ".join(shares))
    assert best["whole"] < 2
