"""Errors of a measured photograph by how far off square it was taken, on pictures made by following rays.

The renderer (tests/ingest/rendered_butt.py) shares the drawing of the code with the program, but
no geometry and no search.
Taps are the rays' own places with a normal error of 1 pixel each way of a picture of 1500 x 1125.
"""

from __future__ import annotations

import importlib.util
import math
from pathlib import Path

import numpy as np
import pytest

from baulk.dashboard.printing import labels
from baulk.ingest import photo_scale
from baulk.models import photograph

_SPEC = importlib.util.spec_from_file_location(
    "rendered_butt_of_the_bench", Path(__file__).parents[1] / "ingest/rendered_butt.py"
)
rendered = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(rendered)

ANGLES = (0, 10, 20, 30, 35)
WAYS = 6  # directions of the slant
FOCALS = (0.6, 0.8)  # the usual lens; one wider than it
KNOWN = np.array([[-80.0, 60.0], [80.0, -50.0]])  # two places a rule was laid between


def camera(angle, way, focal):
    """Return a camera that looks `angle` degrees off square, from a direction, [degrees]."""
    a, w = math.radians(angle), math.radians(way)
    tilt = math.degrees(math.asin(math.sin(a) * math.sin(w)))
    turn = math.degrees(math.atan2(math.sin(a) * math.cos(w), math.cos(a)))
    return rendered.Camera(tilt=tilt, turn=turn, roll=way / 9, focal=focal)


def sides(places):
    return np.hypot(*(places - np.roll(places, -1, axis=0)).T)


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_errors_by_angle(capfd):
    words = labels.address("http://192.0.2.20:8501", "FER-01", 31.2)
    apart, random = float(np.hypot(*(KNOWN[1] - KNOWN[0]))), np.random.default_rng(3)
    worst = {}
    for angle in ANGLES:
        for focal in FOCALS:
            for n in range(WAYS):
                seen = camera(angle, 360 * n / WAYS + 15, focal)
                picture = rendered.picture(seen, words, 31.2, (-90.0, 85.0) if n % 2 else (-15.0, 15.0))
                px = seen.seen_at(rendered.CORNERS) + random.normal(0, 1, (4, 2))
                spots = seen.seen_at(KNOWN) + random.normal(0, 1, (2, 2))
                noted, size = focal * rendered.SIZE_PX[0], rendered.SIZE_PX
                # out of square: one corner 1 mm off; entered 3 % deeper for its width than it is by now
                off = rendered.CORNERS + np.array([[0, 0], [0, 1.0], [1.0, 0], [0, 0]])
                off_px = seen.seen_at(off) + random.normal(0, 1, (4, 2))
                ways = {
                    "label": (photo_scale.look(picture).plane, px, rendered.CORNERS),
                    "two + corners": (
                        photograph.by_rectangle(px, spots, apart, size, ratio=0.95), px, rendered.CORNERS,
                    ),
                    "same, out of square, focal noted": (
                        photograph.by_rectangle(off_px, spots, apart, size, ratio=0.98, focal_px=noted),
                        off_px, off,
                    ),
                    "same, focal unknown": (
                        photograph.by_rectangle(off_px, spots, apart, size, ratio=0.98), off_px, off,
                    ),
                    "two alone": (photograph.by_two_places(*spots, apart), px, rendered.CORNERS),
                }  # fmt: skip
                for way, (plane, at, true) in ways.items():
                    error = 100 * float(np.max(np.abs(sides(plane.mm(at)) / sides(true) - 1.0)))
                    worst[way, angle] = max(error, worst.get((way, angle), 0.0))
    with capfd.disabled():
        print(f"\nworst error of an edge, %, of {WAYS * len(FOCALS)} pictures an angle:", *ANGLES)
        for way in dict.fromkeys(way for way, _ in worst):
            print(f"{way:34}", *(f"{worst[way, angle]:6.1f}" for angle in ANGLES))
    assert all(worst[way, angle] < 2.0 for way in ("label", "two + corners") for angle in ANGLES)
