"""Measure gathering and evaluating of one timber with the program on the path, old or new; print JSON.

Run as ``python columns_child.py FOLDER MINUTES TIMES [X Y]``: the shop in FOLDER is made if it is not there,
with a year of pins at three depths every MINUTES and of hourly air; X and Y are where the pith lies, mm from
the middle.
"""

from __future__ import annotations

import json
import pickle
import sys
import time
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np

from baulk.ingest import shop as shops
from baulk.ingest.evaluation import compute, gather
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

NOW = datetime(2026, 11, 27, 9, tzinfo=UTC)
DAYS = 365
BEGAN = NOW - timedelta(days=DAYS)
TAG = "T-000"
PINS = (
    (15, 34.0, 120.0),
    (40, 38.0, 260.0),
    (75, 40.0, 420.0),
)  # depth [mm], start [%], time constant [d]


def put(yard, name, every_min, course):
    series, count = Series.parse(name), int(DAYS * 1440 / every_min)
    values = course(np.arange(count) * every_min / 1440).round(2).tolist()
    for start in range(0, count, 20_000):
        some = []
        for k in range(start, min(start + 20_000, count)):
            at = BEGAN + timedelta(minutes=every_min * k)
            some.append(Reading(series=series, value=values[k], taken_utc=at, arrived_utc=at, source="mqtt"))
        yard.store.append(some)


def made(folder, every_min, pith):
    """Make the shop; the pith lies `pith` mm from the middle, in x and y."""
    rng = np.random.default_rng(3)
    shops.init(folder, name="Bench yard")
    with shops.open(folder) as yard:
        yard.register.add(
            Timber(
                tag=TAG, species="white oak", length_mm=3000,
                section=Section(width_mm=203, depth_mm=190, pith_x_mm=pith[0], pith_y_mm=pith[1]),
                finished=Finished(width_mm=152, depth_mm=152), use_class="backbone-above-water", place="shed",
                arrived_utc=BEGAN,
            )
        )  # fmt: skip
        season = 2 * np.pi / 365
        put(
            yard, "air/shed/temp", 60,
            lambda d: 12 + 9 * np.sin(season * d) + 4 * np.sin(2 * np.pi * d) + rng.normal(0, 0.3, d.size),
        )  # fmt: skip
        put(
            yard, "air/shed/humidity", 60,
            lambda d: 70 - 8 * np.sin(season * d) - 6 * np.sin(2 * np.pi * d) + rng.normal(0, 1, d.size),
        )  # fmt: skip
        for depth, start, falls in PINS:

            def course(d, start=start, falls=falls):
                return 16 + (start - 16) * np.exp(-d / falls) + rng.normal(0, 0.4, d.size)

            put(yard, f"timber/{TAG}/pin-{depth}/b/moisture", every_min, course)


def on_the_wire(inputs):
    """How many bytes go to a worker; an older program hands the object itself to the pool."""
    try:
        from baulk.ingest.evaluation import parcel  # noqa: PLC0415
    except ImportError:
        return len(pickle.dumps(inputs, protocol=5))
    return len(parcel.packed(inputs))


def took(work):
    """Return what it gave, and the seconds of processor that it took."""
    begun = time.process_time()
    found = work()
    return found, time.process_time() - begun


def main(folder, every_min, times, pith):
    """Print the least of some times for each step."""
    if not folder.exists():
        made(folder, every_min, pith)
    best: dict[str, float] = {}
    with shops.open(folder) as yard:
        airs = {}
        gather.gather(TAG, yard, NOW, airs=airs)  # what is kept of days is made here, once
        for _ in range(times):
            inputs, gathering = took(lambda: gather.gather(TAG, yard, NOW, airs=airs))
            _, with_air = took(lambda: gather.gather(TAG, yard, NOW))
            _, print_s = took(inputs.fingerprint)
            made_of, answering = took(partial(compute.answer, inputs, 1))
            assert made_of.failed is None, made_of.failed
            for name, each in {
                "gathering": gathering, "gathering with the air": with_air, "fingerprint": print_s,
                "answer": answering, "evaluation": gathering + print_s + answering,
            }.items():  # fmt: skip
                best[name] = min(best.get(name, 1e9), each)
    print(json.dumps({**best, "wire": on_the_wire(inputs)}))


if __name__ == "__main__":
    main(
        Path(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3]),
        tuple(float(each) for each in sys.argv[4:6]) or (0.0, 0.0),
    )  # fmt: skip
