"""An invented shop for page tests: pieces for a river ferry, their readings, made-up evaluations."""

import json
import math
from datetime import UTC, datetime, timedelta

import numpy as np

from baulk.ingest import shop as shop_module
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Timber

NOW = datetime.now(UTC).replace(microsecond=0)
IN = 25.4


def span(mid, wide):
    return {"median": mid, "low": mid - wide, "high": mid + wide}


def outline():
    """Return the movement of a piece after squaring."""
    return {
        "largest_mm": span(2.7, 0.7),
        "face_mm": {f: span(-2.1 - i / 5, 0.7) for i, f in enumerate("abcd")},
        "width_mm": span(-2.4, 0.7),
        "depth_mm": span(-2.6, 0.7),
        "middle_width_mm": span(-2.2, 0.7),
        "middle_depth_mm": span(-2.5, 0.7),
        "bow_mm": {f: span(b, 0.1) for f, b in zip("abcd", (0.2, 0.3, 0.4, -0.9), strict=True)},
        "diamond_mm": span(0.6, 0.5),
        "out_of_square_mm": span(1.4, 0.5),
        "out_of_square_deg": span(0.5, 0.2),
        "cup_mm": span(0.4, 0.2),
        "crown_mm": span(0.9, 0.3),
        "side_lean_mm": span(0.8, 0.3),
        "check_mm": span(5.2, 1.6),
        "check_face": "c",
    }


def piece(tag, species="white oak", **given):
    fields = {
        "section": Section(width_mm=8 * IN, depth_mm=7.75 * IN, pith_x_mm=12, pith_y_mm=-8),
        "length_mm": 2438.4,
        "finished": Finished(width_mm=6 * IN, depth_mm=6 * IN),
        "use_class": "backbone-above-water",
        "place": "shed",
        "arrived_utc": NOW - timedelta(days=400),
        "ends_sealed": True,
    } | given
    return Timber(tag=tag, species=species, **fields)


def evaluation(timber, *, step="leave", core=48.0, days=420, made=NOW, left_out=()):
    """Return an evaluation in the form that the store keeps; every number is made up."""
    w, d = timber.section.width_mm, timber.section.depth_mm
    x, y = np.linspace(-w / 2, w / 2, 17), np.linspace(-d / 2, d / 2, 17)
    depth = np.minimum.outer(8 - abs(np.arange(16) - 7.5), 8 - abs(np.arange(16) - 7.5))
    field = 14 + (core - 14) * np.minimum(1, depth / 5)
    at = made.timestamp()
    ahead, past = at + 7 * 86400 * np.arange(105), at - 7 * 86400 * np.arange(60)[::-1]

    def fan(times, start):
        mid = 14 + (start - 14) * np.exp(-(times - at) / (340 * 86400))
        wide = 1 + 4 * np.abs(times - at) / (730 * 86400)
        return [list(mid + k * wide) for k in (-1.6, -0.7, 0, 0.7, 1.6)]

    square = (made + timedelta(days=days)).isoformat() if days is not None else None
    pins = (("pin-32/b/moisture", core - 22, 30), ("pin-76/moisture", core - 6, 30), ("weight", core - 8, 99))
    readings = [
        {
            "posix_s": float(t),
            "series": f"timber/{timber.tag}/{name}",
            "measured_pct": min(top, value + 1.2 * math.sin(i)),
            "model_pct": value,
            "sd_pct": 2.0,
            "at_least": value > 30 and "pin" in name,
            "left_out": "far from the rest" if i == 9 else None,
        }
        for name, end, top in pins
        for i, t in enumerate(past[::4])
        for value in [end + (70 - end) * math.exp(-(t - past[0]) / (200 * 86400))]
    ]  # fmt: skip
    body = {
        "tag": timber.tag,
        "made_utc": made.isoformat(),
        "model_version": "invented",
        "core_now_pct": span(core, 4),
        "mean_now_pct": span(core - 8, 3),
        "shell_now_pct": span(16.0, 1.5),
        "field_now": {
            "x_edges_mm": list(x),
            "y_edges_mm": list(y),
            "median_pct": field.tolist(),
            "sd_pct": (field * 0.08).tolist(),
        },
        "forecast": {
            "posix_s": list(ahead),
            "quantiles": [0.05, 0.25, 0.5, 0.75, 0.95],
            "mean_pct": fan(ahead, core - 8),
            "shell_pct": fan(ahead, 16),
            "core_pct": fan(ahead, core),
        },
        "history": {"posix_s": list(past), "mean_pct": fan(past, core - 8), "core_pct": fan(past, core)},
        "readings": readings,
        "calibration": {
            "d_factor": {"median": 1.3, "low": 0.9, "high": 1.8},
            "start_mc_pct": span(74.0, 7),
            "surface_factor": span(1.0, 0.2),
            "meter_bias_pct": span(-0.8, 0.9),
            "used": len(readings) - len(left_out),
            "left_out": list(left_out),
            "ratio_factor": span(1.0, 0.1),
            "scale_drift_pct": span(0.0, 0.2),
            "notes": [],
            "stepped_posix_s": None,
            "fitted": "whole",
        },
        "reach": [],
        "movement": {
            **outline(),
            "build_days": 365.0,
            "build": outline(),
            "service_low_pct": 16.0,
            "service_low": outline(),
            "service_high_pct": 22.0,
            "service_high": outline(),
            "tolerance_mm": 2.5,
            "service_mc_pct": 19.0,
        },
        "verdict": {
            "step": step,
            "dates": {"rough out": (made + timedelta(days=60)).isoformat(), "square": square},
            "probability": {"rough out": 0.62, "square": 0.18},
            "reasons": [
                "Squared now, face a would still shrink 2.1 mm; its use allows 2.5 mm.",
                "The core is well above the moisture it will settle at.",
            ],
            "next_reading": "weigh it, or drive pins 3 in deep into face b: that would narrow the date most.",
            "rough_out_size_mm": [175.0, 172.0],
            "wanted": 0.9,
            "enough_readings": True,
        },
    }
    return json.dumps(body).encode()


def readings(tag, core, last=NOW):
    """Return a few readings of one timber."""
    pin = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.MOISTURE, depth_mm=32, face=Face.B)
    deep = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.MOISTURE, depth_mm=76)
    weight = Series(owner=Owner.TIMBER, name=tag, quantity=Quantity.WEIGHT)
    return [
        Reading(series=s, value=v + i, taken_utc=last - timedelta(days=7 * i), arrived_utc=last)
        for s, v in ((pin, core - 20), (deep, 28.0), (weight, 82.0))
        for i in range(8)
    ]


def air(days=20.0, step_h=1.0, last=NOW, rh=68.0):
    """Return the shed's air."""
    temp = Series(owner=Owner.AIR, name="shed", quantity=Quantity.TEMP)
    humidity = Series(owner=Owner.AIR, name="shed", quantity=Quantity.HUMIDITY)
    found = []
    for i in range(int(days * 24 / step_h)):
        at = last - timedelta(hours=i * step_h)
        swing = math.sin(2 * math.pi * i * step_h / 24)
        found += [
            Reading(series=temp, value=17 + 4 * swing, taken_utc=at, arrived_utc=at),
            Reading(series=humidity, value=rh - 9 * swing, taken_utc=at, arrived_utc=at),
        ]
    return found


def shop(folder, *, units="inch", full=True):
    """Make a shop folder, with timbers, readings and evaluations when `full`."""
    shop_module.init(folder, name="Reedmouth ferry yard", units=units)
    if not full:
        return folder
    pieces = [
        (piece("FER-01"), {"step": "leave", "core": 48.0}),
        (piece("FER-02", section=Section(width_mm=8 * IN, depth_mm=8 * IN)),
         {"step": "rough out", "core": 36.0, "days": 200}),
        (piece("FER-03"), {"step": "square", "core": 20.0, "days": 0}),
        (piece("FER-04", "Douglas-fir", use_class="deck", section=Section(width_mm=5 * IN, depth_mm=4 * IN),
               finished=Finished(width_mm=4 * IN, depth_mm=3 * IN)),
         {"step": "leave", "core": 27.0, "days": 90, "left_out": ("a", "b", "c")}),
        (piece("FER-05", "white ash", use_class="joinery", arrived_utc=NOW - timedelta(days=1)), None),
    ]  # fmt: skip
    with shop_module.open(folder) as s:
        for timber, found in pieces:
            s.register.add(timber)
            if found:
                s.store.append(readings(timber.tag, found["core"]))
                s.store.save_evaluation(timber.tag, NOW, evaluation(timber, **found))
        s.store.append(air())
    return folder
