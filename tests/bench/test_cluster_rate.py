"""A Dask cluster against processes beside this one, on the same cores: issue 22, line 2. Turn by turn.

``BAULK_BENCH_TIMBERS=6``, ``BAULK_BENCH_TURNS=2``, ``BAULK_BENCH_YEARS=1`` of hourly pins each. By the clock
it tells only on a machine where little else runs; by the processor, of the parent, the workers and the
scheduler, on any.
"""

from __future__ import annotations

import os
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "ingest"))
sys.path.insert(0, str(Path(__file__).parent))
import test_big_yard as big
import test_cluster as cluster

from baulk.ingest import shop
from baulk.ingest.evaluation import batch, executors

TIMBERS = int(os.environ.get("BAULK_BENCH_TIMBERS", "6"))
TURNS = int(os.environ.get("BAULK_BENCH_TURNS", "2"))
WORKERS = 2
AT_LEAST = (
    0.8  # of the rate of the processes beside this one; the goal is 0.9, see ingest/evaluation/README.md
)


def used_s(pids):
    """Give the processor time of processes so far."""
    found = 0
    for pid in pids:
        after_name = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        found += int(after_name[11]) + int(after_name[12])
    return found / os.sysconf("SC_CLK_TCK")


def dask(folder, stack):
    """Start a scheduler and its workers; give the team and the numbers of the processes."""
    port = cluster.free_port()
    address = f"tcp://127.0.0.1:{port}"
    one_thread = dict.fromkeys(executors._ONE_THREAD, "1")
    words = ("--host", "127.0.0.1", "--port", str(port), "--no-dashboard", "--no-show")
    those = [cluster.started(folder / "scheduler.log", "distributed.cli.dask_scheduler", *words)]
    stack.callback(lambda: cluster.end(*those))
    those += [cluster.worker(folder, address, f"w{n}", **one_thread) for n in range(WORKERS)]
    team = executors.Cluster(address, within_s=60)
    stack.callback(team.close)
    team._client.wait_for_workers(WORKERS, timeout=60)
    return team, [each.pid for each in those]


@pytest.mark.bench
@pytest.mark.timeout(600)
def test_a_cluster_on_the_same_cores_is_nearly_as_quick(tmp_path):
    big.fill(tmp_path / "yard", TIMBERS)
    with ExitStack() as stack:
        yard = stack.enter_context(shop.open(tmp_path / "yard"))
        tags = [each.tag for each in yard.register.list()]
        beside = executors.Beside(WORKERS)
        stack.callback(beside.close)
        far, pids = dask(tmp_path, stack)
        teams = {
            "beside": (beside, lambda: list(beside._pool._processes)),
            "dask": (far, lambda: pids),
        }
        clock, processor = ({name: [] for name in teams} for _ in range(2))
        for turn in range(TURNS + 1):
            for name, (team, those) in teams.items():
                some = tags[: 2 * WORKERS] if turn == 0 else tags  # the first loads and compiles
                began, used = time.perf_counter(), big.cpu_s() + used_s(those())
                done = batch.run(yard, some, big.NOW, team=team, again=True)
                assert len(done.done) == len(some), done.failed
                if turn:
                    clock[name].append(time.perf_counter() - began)
                    processor[name].append(big.cpu_s() + used_s(those()) - used)
        for name in teams:
            told = (f"{each:.2f}" for each in (*clock[name], *processor[name]))
            print(f"\n{name}: clock and processor of each turn, s: {' '.join(told)}")
        by_clock, by_processor = (min(each["beside"]) / min(each["dask"]) for each in (clock, processor))
        print(f"dask against beside: {by_clock:.2f} by the clock, {by_processor:.2f} by the processor")
        print(f"load {os.getloadavg()[0]:.0f}")
    assert by_processor >= AT_LEAST
