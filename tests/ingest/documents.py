"""Stored evaluations in short, in the form of version 0.1.0; every number is made up."""

from __future__ import annotations

import json
from datetime import timedelta


def span(median=20.0, wide=2.0):
    return {"median": median, "low": median - wide, "high": median + wide}


def outline():
    names = (
        "largest_mm", "width_mm", "depth_mm", "middle_width_mm", "middle_depth_mm", "out_of_square_mm",
        "out_of_square_deg", "cup_mm", "check_mm",
    )  # fmt: skip
    return {**{name: span(1.0, 0.5) for name in names}, "face_mm": {face: span(-1.0, 0.5) for face in "abcd"}}


def whole(tag, made):
    """Return a whole evaluation as JSON has it."""
    past, ahead = ([(made + timedelta(days=sign * 30 * k)).timestamp() for k in (0, 1)] for sign in (-1, 1))
    rows = [[20.0 + k, 19.0 + k] for k in (-4, -2, 0, 2, 4)]
    stage = {"service_low": outline(), "service_high": outline(), "build": outline()}
    return {
        "tag": tag,
        "made_utc": made.isoformat(),
        "model_version": "invented",
        **{f"{part}_now_pct": span() for part in ("core", "mean", "shell")},
        "field_now": {
            "x_edges_mm": [-50.0, 0.0, 50.0],
            "y_edges_mm": [-50.0, 50.0],
            "median_pct": [[20.0], [21.0]],
            "sd_pct": [[1.0], [1.0]],
        },
        "history": {"posix_s": past[::-1], "mean_pct": rows, "core_pct": rows},
        "readings": [],
        "calibration": {
            **{
                name: span(1.0, 0.2)
                for name in (
                    "d_factor", "start_mc_pct", "surface_factor", "meter_bias_pct", "ratio_factor",
                    "scale_drift_pct",
                )
            },
            "used": 5,
            "left_out": [],
            "notes": [],
            "stepped_posix_s": None,
            "fitted": "whole",
        },
        "forecast": {
            "posix_s": ahead,
            "quantiles": [0.05, 0.25, 0.5, 0.75, 0.95],
            **{f"{part}_pct": rows for part in ("core", "mean", "shell")},
            "pins": {"posix_s": ahead, "series": {}},
        },
        "reach": [],
        "movement": {
            **outline(),
            **stage,
            "build_days": 365.0,
            "service_low_pct": 10.0,
            "service_high_pct": 16.0,
            "tolerance_mm": 2.5,
            "service_mc_pct": 13.0,
        },
        "verdict": {
            "step": "leave",
            "dates": {"rough out": None, "square": None},
            "probability": {"rough out": 0.6, "square": 0.2},
            "reasons": ["Wet."],
            "wanted": 0.9,
            "next_reading": "weigh it",
            "rough_out_size_mm": None,
            "enough_readings": True,
            "contradiction": None,
        },
    }  # fmt: skip


def merged(one, other):
    """Return one JSON object with another put over it, object by object."""
    deep = {name for name in one.keys() & other.keys() if isinstance(one[name], dict)}
    return {**one, **other, **{name: merged(one[name], other[name]) for name in deep}}


def stored(tag, made, **changes):
    """Return the bytes of an evaluation, with changes merged into it."""
    return json.dumps(merged(whole(tag, made), changes)).encode()


def margin(median):
    """Return a checking margin; one below 0 is a risk from today on."""
    days = [1.0] * 15
    return {
        "ahead": {
            "posix_s": [86_400.0 * day for day in range(15)],
            "wanted_pct": [days, days, days],
            "stress": [days, days, days],
            "chance": [1.0 if median < 0 else 0.0] * 15,
            "at_risk": median < 0,
            "risk_utc": None,
        },
        "wanted_pct": span(1.0, 0.2),
        "in_air_pct": 1.2,
        "tolerated_pct": 1.0,
        "margin_pct": span(median, 0.2),
        "deciding": True,
        "stage": "a start",
        "source": "invented",
    }
