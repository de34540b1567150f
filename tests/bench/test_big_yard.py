"""A yard of thousands with ten years of hourly pins: issue 22, line 2. By the processor, at two sizes.

``BAULK_BENCH_SIZES=20,80`` timbers (left out), ``BAULK_BENCH_YEARS=10``, ``BAULK_BENCH_SERIES=1`` of pins a
timber (3 at most); the shed has its air, each hour; ``BAULK_BENCH_KEEP`` as filled_yard.py says. The figures
are told a timber and a reading, so that a larger yard can be worked out on paper; what does not grow evenly
shows between the two sizes. A yard that is worked out wholly is test_whole_round.py.

What it measures of parent and worker it puts into the arithmetic for many workers (many_workers.py). The
parent's part is measured with processes beside it that answer at once, so that the way there and back is in
it.
"""

from __future__ import annotations

import os
import pickle
import resource
import subprocess
import sys
import time
from contextlib import closing, contextmanager
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import canned_answers
import many_workers
from filled_yard import NOW, SIZES, YEARS, fill, folder_of, fresh

from baulk.ingest import shop
from baulk.ingest.evaluation import batch, executors, parcel
from baulk.ingest.evaluation.executors import InProcess, LocalProcesses, on_one_core
from baulk.ingest.evaluation.gather import gather

ROUND = int(os.environ.get("BAULK_BENCH_ROUND", "4"))  # timbers that are worked out
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


def cpu_s(who=resource.RUSAGE_SELF):
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime


@contextmanager
def as_if_worked_out(made, tmp_path, monkeypatch):
    """Give processes beside this one that have one answer for all: what is left is the parent's work."""
    file = tmp_path / "answer"
    file.write_bytes(pickle.dumps(made.sent()))
    with monkeypatch.context() as canned, closing(LocalProcesses(2)) as team:
        canned.setenv("BAULK_BENCH_ANSWER", str(file))
        canned.setattr(executors, "from_parcel", canned_answers.from_parcel)
        yield team


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
def test_what_ten_years_cost_a_timber(tmp_path, timbers, monkeypatch):
    began = time.perf_counter()
    folder = folder_of(timbers, tmp_path)
    held, size = fill(folder, timbers)
    fresh(folder)
    laid_s, busy = time.perf_counter() - began, os.getloadavg()[0]
    print(f"\n{timbers} timbers, {YEARS:g} years: {held} readings, {size / 1e6:.0f} MB")
    print(f"{size / held:.1f} bytes a reading; laid in {laid_s:.0f} s, load {busy:.0f}")
    with shop.open(folder) as yard:
        tags = [each.tag for each in yard.register.list()]
        some, airs = tags[:ROUND], {}
        gather(tags[-1], yard, NOW, airs=airs)
        first = each_s(lambda tag: gather(tag, yard, NOW, airs=airs), tags[:-1])
        again = each_s(lambda tag: gather(tag, yard, NOW, airs=airs), tags)
        print(f"gathering: first {first:.3f} s a timber, from then on {again:.4f}")
        batch.run(yard, some[:1], NOW, team=InProcess(), again=True)  # loads and compiles
        asked = [gather(tag, yard, NOW, airs=airs) for tag in some]
        parcels, made = [parcel.packed(each, far=False) for each in asked], []
        worker = each_s(lambda given: made.append(on_one_core(parcel.opened(given))), parcels)
        assert not [each.failed for each in made if each.failed]
        with as_if_worked_out(made[0], tmp_path, monkeypatch) as team:
            batch.run(yard, tags, NOW, team=team, again=True)  # starts the processes
            costs = [
                _least(lambda n=n: batch.run(yard, tags[:n], NOW, team=team, again=True))
                for n in (2, timbers)
            ]
        parent = (costs[1] - costs[0]) / (timbers - 2)
        once = max(costs[0] - 2 * parent, 0.0)
        print(f"worked out: parent {parent:.4f} s a timber, and {once:.2f} s a round; worker {worker:.2f}")
        print(many_workers.told(worker, parent, once))
        _, body = yard.store.evaluation(some[0])
        for tag in tags[len(some) :]:
            yard.store.save_evaluation(tag, NOW, body)
        more = len(some) - 2
        looked = [_least(lambda n=n: batch.run(yard, some[:n], NOW)) for n in (2, len(some))]
        print(
            f"nothing changed: {(looked[1] - looked[0]) / more:.4f} s a timber and {looked[0]:.2f} s a round"
        )
        print(f"parent {resident_mb():.0f} MB")
        count, took, peak = page_of(folder)
        assert count == timbers
        print(f"Yard page asks: {took / timbers * 1e3:.2f} ms a timber, {took:.2f} s; process {peak:.0f} MB")
        (grown,) = (each.stat().st_size for each in (yard.config.store_path,))
    print(f"disk with what is kept of {timbers} timbers: {grown / 1e6:.0f} MB")
    assert parent < 0.1
    assert many_workers.efficiency(200, 8, worker, parent, once) >= 0.8
    assert many_workers.efficiency(200, 16, worker, parent, once) >= 0.7
    assert again < first
