"""A yard of thousands with ten years of hourly pins: issue 22, line 2. By the processor, at two sizes.

``BAULK_BENCH_SIZES=20,80`` timbers (left out), ``BAULK_BENCH_YEARS=10``, ``BAULK_BENCH_SERIES=1`` of pins a
timber (3 at most); the shed has its air, each hour. The figures are told a timber and a reading, so that a
larger yard can be worked out on paper; what does not grow evenly shows between the two sizes.
"""

from __future__ import annotations

import os
import pickle
import resource
import sqlite3
import subprocess
import sys
import time
from concurrent.futures import Future
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from baulk.ingest import shop
from baulk.ingest.evaluation import batch, parcel
from baulk.ingest.evaluation.executors import Here, on_one_core
from baulk.ingest.evaluation.gather import gather
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Face, Finished, Section
from baulk.models.timber import Timber

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
SIZES = [int(each) for each in os.environ.get("BAULK_BENCH_SIZES", "20,80").split(",")]
YEARS = float(os.environ.get("BAULK_BENCH_YEARS", "10"))
ROUND = int(os.environ.get("BAULK_BENCH_ROUND", "4"))  # timbers that are worked out
DEPTHS_MM = (45, 25, 70)[: int(os.environ.get("BAULK_BENCH_SERIES", "1"))]
HOURS = round(YEARS * 8766)
CAME = NOW - timedelta(hours=HOURS)
PAGE = """
import resource, time
from datetime import datetime, UTC
from baulk.dashboard.queries import yard_rows
for _ in range(2):  # the first loads what it needs
    yard_rows._LAST.clear()
    began = time.process_time()
    found = yard_rows.rows(datetime(2026, 6, 1, 12, tzinfo=UTC))
    took = time.process_time() - began
print(len(found), took, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3)
"""


def _values(rng, kind):
    hours = np.arange(HOURS)
    season = np.cos((hours / 8766 - 0.55) * 2 * np.pi)
    if kind is Quantity.TEMP:
        values = 10 - 9 * -season + rng.normal(0, 2, HOURS)
    elif kind is Quantity.HUMIDITY:
        values = np.clip(74 - 8 * season + rng.normal(0, 5, HOURS), 20, 98)
    else:
        values = (
            15 - 1.5 * season + 55 * np.exp(-hours / rng.uniform(6000, 14000)) + rng.normal(0, 0.4, HOURS)
        )
    return np.round(values, 1)


def fill(folder, timbers):
    """Lay one reading a series through the store, the years before it by the database itself."""
    rng = np.random.default_rng(22)
    with shop.open(shop.init(folder, name="Ferry yard", units="metric")) as yard:
        many = [
            Series(owner=Owner.AIR, name="shed", quantity=each) for each in (Quantity.TEMP, Quantity.HUMIDITY)
        ]
        for number in range(timbers):
            side = (150.0, 178.0, 203.0)[number % 3]
            timber = Timber(
                tag=f"FER-{number + 1:04d}",
                species="white oak",
                section=Section(width_mm=side, depth_mm=side),
                length_mm=2700,
                finished=Finished(width_mm=0.75 * side, depth_mm=0.75 * side),
                use_class="frame-under-cover",
                place="shed",
                arrived_utc=CAME,
            )
            yard.register.add(timber)
            pins = {"owner": Owner.TIMBER, "name": timber.tag, "quantity": Quantity.MOISTURE, "face": Face.B}
            many += [Series(**pins, depth_mm=depth) for depth in DEPTHS_MM]
        value = {Quantity.TEMP: 15.0, Quantity.HUMIDITY: 65.0, Quantity.MOISTURE: 14.0}
        yard.store.append(
            Reading(series=each, value=value[each.quantity], taken_utc=NOW, arrived_utc=NOW) for each in many
        )
        path = yard.config.store_path
    times = [int((CAME.timestamp() + 3600 * k) * 1e6) for k in range(HOURS)]
    with closing(sqlite3.connect(path)) as base:
        base.execute("PRAGMA synchronous = OFF")
        numbers = dict(base.execute("SELECT text, id FROM series"))
        for each in sorted(many, key=lambda one: numbers[str(one)]):
            with base:
                base.executemany(
                    "INSERT OR IGNORE INTO reading VALUES (?, ?, ?, ?, 'mqtt', '')",
                    (
                        (numbers[str(each)], at, one, at)
                        for at, one in zip(times, _values(rng, each.quantity).tolist(), strict=True)
                    ),
                )
        (held,) = base.execute("SELECT count(*) FROM reading").fetchone()
        base.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return held, path.stat().st_size


def cpu_s(who=resource.RUSAGE_SELF):
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


class _AsIfWorkedOut:
    """A team whose answers are there at once, so that what is left is the parent's own work."""

    size, breaks_whole = 2, False

    def __init__(self, made):
        self._made = pickle.dumps(made)

    def submit(self, inputs):
        parcel.packed(inputs, far=False)
        made = pickle.loads(self._made)  # noqa: S301 - our own
        done = Future()
        done.set_result(replace(made, document=made.document.model_copy(update={"tag": inputs.timber.tag})))
        return done

    def close(self):
        pass

    mend = close


def _least(what):
    """Give the least processor time of three calls."""
    times = []
    for _ in range(3):
        began = cpu_s()
        what()
        times.append(cpu_s() - began)
    return min(times)


def each_s(what, those):
    """Give the processor time of one call, of this process."""
    began = cpu_s()
    for one in those:
        what(one)
    return (cpu_s() - began) / len(those)


def resident_mb():
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def page_of(folder):
    """Give rows, processor time and memory of what the Yard page asks, in a process of its own."""
    env = {**os.environ, "BAULK_SHOP": str(folder)}
    done = subprocess.run([sys.executable, "-c", PAGE], env=env, capture_output=True, text=True, check=True)
    count, took, peak = done.stdout.split()
    return int(count), float(took), float(peak)


@pytest.mark.bench
@pytest.mark.timeout(7200)
@pytest.mark.parametrize("timbers", SIZES)
def test_what_ten_years_cost_a_timber(tmp_path, timbers):
    began = time.perf_counter()
    held, size = fill(tmp_path / "yard", timbers)
    laid_s, busy = time.perf_counter() - began, os.getloadavg()[0]
    print(f"\n{timbers} timbers, {YEARS:g} years: {held} readings, {size / 1e6:.0f} MB")
    print(f"{size / held:.1f} bytes a reading; laid in {laid_s:.0f} s, load {busy:.0f}")
    with shop.open(tmp_path / "yard") as yard:
        tags = [each.tag for each in yard.register.list()]
        some, airs = tags[:ROUND], {}
        gather(tags[-1], yard, NOW, airs=airs)
        first = each_s(lambda tag: gather(tag, yard, NOW, airs=airs), tags[:-1])
        again = each_s(lambda tag: gather(tag, yard, NOW, airs=airs), tags)
        print(f"gathering: first {first:.3f} s a timber, from then on {again:.4f}")
        batch.run(yard, some[:1], NOW, team=Here(), again=True)  # loads and compiles
        asked = [gather(tag, yard, NOW, airs=airs) for tag in some]
        made = []
        worker = each_s(lambda inputs: made.append(on_one_core(inputs)), asked)
        assert not [each.failed for each in made if each.failed]
        team = _AsIfWorkedOut(made[0])
        costs = [
            _least(lambda n=n: batch.run(yard, tags[:n], NOW, team=team, again=True)) for n in (2, timbers)
        ]
        parent = (costs[1] - costs[0]) / (timbers - 2)
        print(
            f"worked out: parent {parent:.4f} s a timber, and {costs[0]:.2f} s a round; worker {worker:.2f}"
        )
        _, body = yard.store.evaluation(some[0])
        for tag in tags[len(some) :]:
            yard.store.save_evaluation(tag, NOW, body)
        more = len(some) - 2
        looked = [_least(lambda n=n: batch.run(yard, some[:n], NOW)) for n in (2, len(some))]
        print(
            f"nothing changed: {(looked[1] - looked[0]) / more:.4f} s a timber and {looked[0]:.2f} s a round"
        )
        print(f"parent {resident_mb():.0f} MB")
        count, took, peak = page_of(tmp_path / "yard")
        assert count == timbers
        print(f"Yard page asks: {took / timbers * 1e3:.2f} ms a timber, {took:.2f} s; process {peak:.0f} MB")
        (grown,) = (each.stat().st_size for each in (yard.config.store_path,))
    print(f"disk with what is kept of {timbers} timbers: {grown / 1e6:.0f} MB")
    assert parent < 0.1
    assert again < first
