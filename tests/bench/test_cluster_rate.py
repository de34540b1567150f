"""A Dask cluster against processes beside this one, on the same cores: issue 22, line 2. Turn by turn.

``BAULK_BENCH_TIMBERS=6,24``, ``BAULK_BENCH_TURNS=2``, ``BAULK_BENCH_YEARS=1`` of hourly pins each. Every
process is warm before the first turn that counts. Two sizes in each turn part what a round costs once from
what a timber costs; the rate is that of the timbers. By the clock it tells only on a machine where little
else runs; by the processor, of the parent, the workers and the scheduler, on any.
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
import filled_yard
import test_big_yard as big
import test_cluster as cluster

from baulk.ingest import shop
from baulk.ingest.evaluation import batch, executors

SIZES = [int(each) for each in os.environ.get("BAULK_BENCH_TIMBERS", "6,24").split(",")]
TURNS = int(os.environ.get("BAULK_BENCH_TURNS", "2"))
WORKERS = 2
AT_LEAST = 0.8  # of the rate of the processes beside this one; see ingest/evaluation/README.md


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
@pytest.mark.timeout(1800)
def test_a_cluster_on_the_same_cores_is_nearly_as_quick(tmp_path):
    filled_yard.fill(tmp_path / "yard", max(SIZES))
    with ExitStack() as stack:
        yard = stack.enter_context(shop.open(tmp_path / "yard"))
        tags = [each.tag for each in yard.register.list()]
        beside = executors.LocalProcesses(WORKERS)
        stack.callback(beside.close)
        far, pids = dask(tmp_path, stack)
        teams = {
            "beside": (beside, lambda: list(beside._pool._processes)),
            "dask": (far, lambda: pids),
        }
        clock, processor = ({(name, n): [] for name in teams for n in SIZES} for _ in range(2))
        for turn in range(TURNS + 1):
            for n in [4 * WORKERS] if turn == 0 else SIZES:  # the first loads and compiles
                for name, (team, those) in teams.items():
                    began, used = time.perf_counter(), big.cpu_s() + used_s(those())
                    done = batch.run(yard, tags[:n], big.NOW, team=team, again=True)
                    assert len(done.done) == n, done.failed
                    if turn:
                        clock[name, n].append(time.perf_counter() - began)
                        processor[name, n].append(big.cpu_s() + used_s(those()) - used)
        for name, n in clock:
            told = (f"{each:.2f}" for each in (*clock[name, n], *processor[name, n]))
            print(f"\n{name}, {n} timbers: clock and processor of each turn, s: {' '.join(told)}")
        rates = []
        for what, took in (("clock", clock), ("processor", processor)):
            least = {key: min(each) for key, each in took.items()}
            few, many = min(SIZES), max(SIZES)
            each = {name: (least[name, many] - least[name, few]) / (many - few) for name in teams}
            once = {name: least[name, few] - few * each[name] for name in teams}
            rates.append(each["beside"] / each["dask"])
            print(
                f"by the {what}: {rates[-1]:.2f} of the rate; a timber and once, s: "
                + "; ".join(f"{name} {each[name]:.3f} and {once[name]:.2f}" for name in teams)
            )
        print(f"load {os.getloadavg()[0]:.0f}")
    assert rates[1] >= AT_LEAST
