"""From one timber's truth and what the shop was told, the rows that are scored."""

from __future__ import annotations

import time
from datetime import datetime

import numpy as np

from honesty import (
    HELD_OUT_METER,
    HELD_OUT_PHYSICS,
    SECOND_PHYSICS,
    baselines,
    building,
    observed,
    shop_run,
    timbers,
    truth,
)
from honesty.climates import DAY_S

PARTS = ("mean", "core", "shell")
HORIZONS = (0, 30, 180, 360)
HISTORIES = {3: 91, 9: 274, 15: 456}
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)


def about(piece):
    """What a row says of its timber."""
    return {
        "number": piece.number,
        "kind": piece.kind.name,
        "physics": piece.physics,
        "meter": piece.meter.shape,
        "climate": piece.climate.name,
        "weighed": piece.weighed,
        "sealed": piece.ends_sealed,
        "boxed": piece.boxed,
        "half_dried": piece.dried_days > 0,
        "use": piece.use,
        "held_out": piece.physics in {HELD_OUT_PHYSICS, SECOND_PHYSICS}
        or piece.meter.shape in {HELD_OUT_METER, timbers.SECOND_METER},
    }


def follow(number, *, histories=(3, 9, 15), readings=True, kept_in=None, moved=True):
    """Ask of one timber after each history: (rows of moisture, rows of movement and readiness).

    Without `moved` the truth's movement, which costs more than the answer, is not worked out.
    """
    true = truth.get(number, kept_in=kept_in)
    noted = observed.readings(true) if readings else []
    moisture, movement = [], []
    with shop_run.yard(true, noted) as yard:
        for months in histories:
            day = HISTORIES[months]
            yard.until(day)
            begun = time.process_time()
            answer = yard.evaluated(day)
            took = time.process_time() - begun
            known = [each for each in noted if each.day <= day]
            head = {
                **about(true.piece),
                "months": months,
                "cpu_s": round(took, 3),
                "readings": len(known),
            }
            if answer.get("failed"):
                movement.append({**head, "failed": answer["failed"]})
                continue
            moisture += _moisture(head, true, known, day, answer)
            if moved:
                movement.append({**head, **_moved(true, day, answer)})
    return moisture, movement


def _moisture(head, true, known, day, answer):
    ahead = answer["forecast"]
    at = (np.array(ahead["posix_s"]) - true.piece.arrived_s) / DAY_S
    if not np.allclose(ahead["quantiles"], QUANTILES):
        raise ValueError(f"the scores know the quantiles {QUANTILES}, not {ahead['quantiles']}")
    core_now = true.at("core", day)
    rows = []
    for part in PARTS:
        told = np.array(ahead[f"{part}_pct"])
        if told.shape[0] != len(QUANTILES):
            told = told.T
        plain = baselines.forecasts(true.piece, known, part, day, HORIZONS)
        for i, horizon in enumerate(HORIZONS):
            when = max(day + horizon, at[0])
            rows.append(
                {
                    **head,
                    "part": part,
                    "horizon": horizon,
                    "core_now": round(core_now, 2),
                    "truth": round(true.at(part, day + horizon), 3),
                    "q": [round(float(np.interp(when, at, each)), 3) for each in told],
                    **{name: round(float(each[i]), 3) for name, each in plain.items()},
                }
            )
    return rows


def _moved(true, day, answer):
    """The movement told, were it squared today, and the truth's own."""
    moved = building.moved(true, day)
    verdict, told = answer["verdict"], answer["movement"]
    square = verdict["dates"].get("square")
    date = None
    if square is not None:
        date = (datetime.fromisoformat(square).timestamp() - true.piece.arrived_s) / DAY_S
    return {
        "truth_mm": round(moved["service"], 3),
        "build_mm": round(moved["build"], 3),
        "told_mm": [told["largest_mm"][name] for name in ("low", "median", "high")],
        "cup_truth_mm": round(moved["bow"], 3),
        "cup_told_mm": [told["cup_mm"][name] for name in ("low", "median", "high")],
        "lean_truth_mm": round(moved["lean"], 3),
        "lean_told_mm": [told["diamond_mm"][name] for name in ("low", "median", "high")],
        "tolerance_mm": true.piece.tolerance_mm,
        "step": verdict["step"],
        "probability": verdict["probability"].get("square"),
        "told_out": (verdict.get("comes_out") or {}).get("probability"),
        "stages": {each["what"]: each["probability"] for each in verdict["stages"]},
        "square_day": date,
        "core_now": round(true.at("core", day), 2),
    }
