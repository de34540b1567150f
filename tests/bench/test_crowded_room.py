"""A room planned by some of its timbers beside the same room planned by all of them: answers and cost.

``BAULK_BENCH_TIMBERS=30``, ``BAULK_BENCH_MOST=12``: invented timbers of three woods and thicknesses that came
at different times. Both plans share everything but which timbers are worked out, so that only the error of
the choice can be found, not one of the plan.
"""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime, timedelta
from functools import partial

import numpy as np
import pytest

from baulk.ingest import shop as shops
from baulk.ingest.evaluation import batch
from baulk.ingest.planning import crowded_room, humidity
from baulk.models.plan.humidity import representatives
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

TIMBERS = int(os.environ.get("BAULK_BENCH_TIMBERS", "30"))
MOST = int(os.environ.get("BAULK_BENCH_MOST", "12"))
NOW = datetime(2026, 11, 20, tzinfo=UTC)
WOODS = (("white oak", 0.6), ("Douglas-fir", 0.25), ("longleaf pine", 0.15))
YEAR_H = 365 * 24


def put(shop, name, taken, values):
    series = Series.parse(name)
    shop.store.append(
        [
            Reading(series=series, value=float(value), taken_utc=at, arrived_utc=at, source="mqtt")
            for at, value in zip(taken, values, strict=True)
        ]
    )


def filled(folder):
    """Make the yard: a year of air, and weekly pins of each timber since it came."""
    rng = np.random.default_rng(7)
    shops.init(folder, name="Ferry yard")
    with shops.open(folder) as shop:
        hours = np.arange(0, YEAR_H, 6)
        at = [NOW - timedelta(hours=int(YEAR_H - each)) for each in hours]
        put(shop, "air/shed/temp", at, 12 + 7 * np.sin(hours / YEAR_H * 2 * np.pi))
        put(shop, "air/shed/humidity", at, 68 + 8 * np.sin(hours / 300))
        names, shares = zip(*WOODS, strict=True)
        for number in range(TIMBERS):
            tag, age = f"V-{number:02d}", int(rng.integers(10, 300))
            side = float(rng.choice([178, 203, 229]))
            shop.register.add(
                Timber(
                    tag=tag, species=str(rng.choice(names, p=shares)),
                    length_mm=float(rng.integers(2000, 5000)),
                    section=Section(width_mm=side, depth_mm=side - 13), use_class="frame-outdoors",
                    finished=Finished(width_mm=side - 50, depth_mm=side - 55), place="shed",
                    arrived_utc=NOW - timedelta(days=age),
                )
            )  # fmt: skip
            days, start = np.arange(0, age, 7), rng.uniform(35, 65)
            shown = 18 + (start - 18) * np.exp(-days / 220) + rng.normal(0, 1, days.size)
            taken = [NOW - timedelta(days=int(age - each)) for each in days]
            put(shop, f"timber/{tag}/pin-40/a/moisture", taken, shown)


def planned(folder):
    """Plan the shed; return the plan, how many timbers were worked out, and the processor time."""
    with shops.open(folder) as shop:
        began = time.process_time()
        asked = humidity.Asked(place="shed", volume_m3=400.0, air_changes_per_h=0.4)
        gathered = humidity.gather(shop, asked, NOW)
        return gathered.plan(), len(gathered.need.stocks), time.process_time() - began


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_some_of_a_rooms_timbers_plan_its_air_as_all_of_them_do(tmp_path, monkeypatch):
    filled(tmp_path / "yard")
    with shops.open(tmp_path / "yard") as shop:
        batch.run(shop, [each.tag for each in shop.register.list()], NOW)
    whole, count, all_s = planned(tmp_path / "yard")
    assert count == TIMBERS
    monkeypatch.setattr(crowded_room, "MOST", MOST)
    monkeypatch.setattr(crowded_room, "sample", partial(representatives.sample, most=MOST))
    some, taken, some_s = planned(tmp_path / "yard")
    assert taken == MOST

    def column(plan, name):
        return np.array([getattr(each, name) for each in plan.weeks[:52]])

    apart = {
        name: float(np.abs(column(some, name) - column(whole, name)).mean())
        for name in ("set_pct", "low_pct", "high_pct")
    }
    water = column(some, "timbers_l_day").sum() / column(whole, "timbers_l_day").sum()
    print(f"\n{TIMBERS} timbers {all_s:.0f} s, {MOST} of them {some_s:.0f} s; mean difference, % RH:")
    print(*(f"{name} {value:.2f}" for name, value in apart.items()), f"water {water:.2f} of it")
    print(f"offered: {whole.offered}, {some.offered}")
    assert max(apart.values()) < 5
    assert 0.7 < water < 1.4
