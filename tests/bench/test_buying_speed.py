"""How long the purchase plan of a large yard takes: 60 timbers against 120 parts of 12 sizes.

An invented yard of white oak, half of it measured, against an invented parts list; the whole answer, the
other wishes too. Seconds of CPU count, one core's: other jobs of the machine do not. Run by
``tests/run --bench --only-tests tests/bench/test_buying_speed.py``.
"""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from baulk.models import species
from baulk.models.plan.buying import ready_stock
from baulk.models.plan.buying.buy import buy
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import InYard, Wish
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.section import Section

pytestmark = pytest.mark.bench

NOW = datetime(2026, 7, 22, 12, tzinfo=UTC)
OAK = species.get("white oak")
MOST_S = 20.0  # what a person waits for on a page; our own judgement
SIZES = (
    (150, 150, 2500), (120, 180, 3200), (75, 150, 3000), (75, 100, 1800), (100, 100, 2400), (50, 150, 2000),
    (60, 60, 1200), (90, 140, 2700), (140, 200, 3600), (40, 120, 900), (80, 80, 1500), (110, 160, 2200),
)  # fmt: skip
USES = ("backbone-above-water", "frame-outdoors", "deck")


def invented_parts():
    return [
        Part(
            name=f"Part {n}",
            width_mm=width,
            depth_mm=depth,
            length_mm=length,
            use_class=USES[n % 3],
            count=10,
            heart="free" if n % 4 == 3 else "any",
        )
        for n, (width, depth, length) in enumerate(SIZES)
    ]


def invented_yard(*, alike):
    """Return 60 timbers: of 6 usual sections, or each with a section, a pith and a curve of its own."""
    rng = np.random.default_rng(7)
    found = []
    for n in range(60):
        width, depth = rng.choice([150, 178, 203, 229, 254, 305], 2)
        if not alike:
            width, depth = width + rng.integers(-6, 7), depth + rng.integers(-6, 7)
        pith = (0.0, 0.0) if alike else tuple(np.round(rng.uniform(-25, 25, 2)))
        found.append(
            InYard(
                stock=Stock(
                    name=f"T-{n:02d}",
                    section=Section(width_mm=float(width), depth_mm=float(depth), pith_x_mm=float(pith[0]),
                                    pith_y_mm=float(pith[1])),
                    length_mm=float(rng.choice([2700, 3300, 4200, 5100])),
                    bow_mm=0.0 if alike else float(rng.integers(0, 9)),
                    crook_mm=0.0 if alike else float(rng.integers(0, 5)),
                ),
                wood=OAK,
                mean_pct=float(rng.integers(14, 20)),
                use_class=USES[n % 3],
                finished_mm=(float(width) - 40, float(depth) - 40),
                measured=n % 2 == 0,
            )
        )  # fmt: skip
    return found


@pytest.mark.parametrize("length_mm", [None, 2300.0], ids=["enough", "too short"])
@pytest.mark.parametrize("alike", [True, False], ids=["six sections", "each its own"])
def test_sixty_timbers_and_a_hundred_and_twenty_parts(alike, length_mm):
    parts, yard = invented_parts(), invented_yard(alike=alike)
    if length_mm is not None:  # parts are short, so that the other wishes are worked out as well
        yard = [replace(each, stock=replace(each.stock, length_mm=length_mm)) for each in yard]
    assert (len(yard), sum(part.count for part in parts)) == (60, 120)
    ready_stock._placed.cache_clear()
    ready_stock.usual_mm.cache_clear()
    began, used = time.perf_counter(), time.process_time()
    found = buy(parts, yard, Wish(species="white oak"), now_utc=NOW)
    wall, cpu = time.perf_counter() - began, time.process_time() - used
    print(f"\n{wall:.1f} s ({cpu:.1f} s of CPU), short {found.short}, gap {found.gap:.4f}")
    assert sum(each.count for each in found.assignments) + found.short == 120
    assert any(each.beside for each in found.assignments)
    assert (found.short > 0) == (length_mm is not None)
    assert cpu < MOST_S
