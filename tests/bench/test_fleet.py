"""A whole yard at once: issue 6, line 4. Wall time, ratio to one timber, rate by workers, memory."""

from __future__ import annotations

import os
import resource
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "models"))
import judging

from baulk.ingest import shop
from baulk.ingest.evaluation import batch
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Reading, Series
from baulk.models.section import Finished, Section
from baulk.models.timber import Timber

NOW = judging.NOW
DAYS = 365
FACE = judging.Face.B
TIMBERS = int(os.environ.get("BAULK_BENCH_TIMBERS", "200"))
ALONE = 12  # timbers for the rate of one worker
START_CPU_S = 6.0  # of a process until it has loaded everything
WOODS = ("white oak", "red oak", "Douglas-fir", "eastern white pine")


def taken(series, at_s, values):
    when = [datetime.fromtimestamp(each, UTC) for each in at_s]
    return [
        Reading(series=series, value=value, taken_utc=moment, arrived_utc=moment)
        for moment, value in zip(when, np.asarray(values, float).tolist(), strict=True)
    ]


def fill(yard):
    """Hourly air, hourly pins at two depths and weekly weights of every timber, for a year."""
    rng = np.random.default_rng(7)
    came = NOW - timedelta(days=DAYS)
    hours, days = (
        came.timestamp() + 3600.0 * np.arange(DAYS * 24),
        came.timestamp() + 86_400.0 * np.arange(DAYS),
    )
    air = judging.shed(came, DAYS)
    for quantity, values in ((Quantity.TEMP, air.temp_c), (Quantity.HUMIDITY, air.rh_pct)):
        series = Series(owner=Owner.AIR, name="shed", quantity=quantity)
        yard.store.append(
            taken(series, hours, np.interp(hours, air.posix_s, values) + rng.normal(0, 1, hours.size))
        )
    for number in range(TIMBERS):
        side = float(rng.choice([150.0, 178.0, 203.0]))
        timber = Timber(
            tag=f"FER-{number + 1:03d}",
            species=WOODS[number % len(WOODS)],
            section=Section(width_mm=side, depth_mm=side, pith_x_mm=float(rng.uniform(-80, 80))),
            length_mm=2700,
            finished=Finished(width_mm=0.75 * side, depth_mm=0.75 * side),
            use_class="frame-under-cover",
            place="shed",
            arrived_utc=came,
        )
        yard.register.add(timber)
        fields = judging.truth(timber, air, days, d_factor=float(np.exp(rng.normal(0, 0.4))))
        whose = {"owner": Owner.TIMBER, "name": timber.tag}
        found = []
        for depth in (25.0, 45.0):
            truth = np.interp(hours, days, [float(field.pin_pct(depth, FACE)[0]) for field in fields])
            series = Series(**whose, quantity=Quantity.MOISTURE, depth_mm=depth, face=FACE)
            found += taken(series, hours, np.clip(truth + rng.normal(0.5, 0.5, hours.size), 5, 60))
        mean = np.array([float(field.mean_pct[0]) for field in fields])[::7]
        series = Series(**whose, quantity=Quantity.WEIGHT)
        found += taken(series, days[::7], 30 * (1 + mean / 100) * (1 + rng.normal(0, 0.003, mean.size)))
        yard.store.append(found)


def resident_mb():
    return int(Path("/proc/self/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def cpu_s():
    """Of this process and of those it started that have ended."""
    both = (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    return sum(each.ru_utime + each.ru_stime for each in both)


class Clock:
    """Wall and processor time of what runs inside it."""

    def __enter__(self):
        self._began, self._cpu = time.perf_counter(), cpu_s()
        return self

    def __exit__(self, *_):
        self.wall_s, self.cpu_s = time.perf_counter() - self._began, cpu_s() - self._cpu


@pytest.mark.bench
@pytest.mark.timeout(7200)
def test_two_hundred_timbers_cost_little_more_than_their_share_of_the_cores(tmp_path):
    """Figures by processor hold on a busy machine too; those by the clock are told beside them."""
    busy = os.getloadavg()[0]
    with shop.open(shop.init(tmp_path / "yard", name="Ferry yard", units="metric")) as yard:
        with Clock() as laid:
            fill(yard)
        tags = [each.tag for each in yard.register.list()]
        count, alone = len(tags), tags[:ALONE]
        batch.run(yard, tags[:1], NOW, workers=1, again=True)  # everything is loaded and compiled
        with Clock() as one:
            batch.run(yard, alone, NOW, workers=1, again=True)
        resident = []
        with Clock() as whole:
            made = batch.run(
                yard, tags, NOW, workers=2, again=True, done=lambda _: resident.append(resident_mb())
            )
        assert sorted(made.done) == tags, made.failed
        with Clock() as looked:
            assert batch.run(yard, tags, NOW).unchanged == tags
    one_wall, one_cpu = one.wall_s / len(alone), one.cpu_s / len(alone)
    early, late = resident[min(19, count - 1)], resident[-1]
    worker_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1e3
    rows = (
        ("load of the machine before", f"{busy:.1f}"),
        ("laying in hourly pins at two depths, a year", f"{laid.wall_s:.0f} s"),
        ("one timber after the other, 1 worker", f"{one_wall:.2f} s each, {one_cpu:.2f} s of processor"),
        (
            f"{count} timbers, 2 workers and their start",
            f"{whole.wall_s:.0f} s, {whole.cpu_s:.0f} of processor",
        ),
        ("rate with 1 and with 2 workers", f"{1 / one_wall:.2f} and {count / whole.wall_s:.2f} timbers/s"),
        ("ratio to one timber", f"{whole.wall_s / one_wall:.0f}; by processor {whole.cpu_s / one_cpu:.0f}"),
        ("the same again, nothing changed", f"{looked.wall_s:.1f} s"),
        ("memory of the parent after 20, at the end", f"{early:.0f}, {late:.0f} MB"),
        (
            "memory of the largest worker",
            f"{worker_mb:.0f} MB",
        ),
    )
    print()
    for what, figure in rows:
        print(f"  {what:<44} {figure}")
    assert late < early + 100
    assert whole.cpu_s < 1.4 * count * one_cpu + 2 * START_CPU_S
    if busy < 0.7:
        assert whole.wall_s < 0.8 * count * one_wall + START_CPU_S
