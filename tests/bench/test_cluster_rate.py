"""A Dask cluster against processes beside this one, on the same cores: issue 22, line 2. Turn by turn.

The rate is parted into what can be measured while other work has the cores: processor time that a timber
takes of each process beside its working out (answers there at once, many of them), what the cluster takes by
the second whether it works or not, and the working out itself. From these the rate on cores of its own
follows; beside it stand a few timbers really worked out both ways, whose clock and processor time tell on a
quiet machine alone: where others have the cores, what goes by the second counts several times over.

``BAULK_BENCH_TIMBERS=4`` worked out a turn, ``BAULK_BENCH_TASKS=100`` answered at once,
``BAULK_BENCH_TURNS=2``, ``BAULK_BENCH_YEARS=1`` of hourly pins each. ``BAULK_BENCH_PLAIN=1`` leaves scheduler
and workers as Dask has them; without it they look after themselves less often (dashboard/guide/operating.md).
"""

from __future__ import annotations

import os
import sys
import time
from concurrent.futures import FIRST_COMPLETED, wait
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "ingest"))
sys.path.insert(0, str(Path(__file__).parent))
import canned_answers
import filled_yard
import test_big_yard as big
import test_cluster as cluster

from baulk.ingest import shop
from baulk.ingest.evaluation import batch, executors
from baulk.ingest.evaluation.gather import gather

TIMBERS = int(os.environ.get("BAULK_BENCH_TIMBERS", "4"))
TASKS = int(os.environ.get("BAULK_BENCH_TASKS", "100"))
TURNS = int(os.environ.get("BAULK_BENCH_TURNS", "2"))
HOURS = round(float(os.environ.get("BAULK_BENCH_YEARS", "1")) * 8766)
QUIET = {
    "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False",
    "DASK_DISTRIBUTED__ADMIN__TICK__INTERVAL": "1s",
}
WORKERS = 2
IDLE_S = 10.0
AT_LEAST = 0.9  # of the rate of the processes beside this one


def used_s(pids):
    """Give the processor time of processes so far."""
    found = 0
    for pid in pids:
        after_name = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        found += int(after_name[11]) + int(after_name[12])
    return found / os.sysconf("SC_CLK_TCK")


def dask(folder, stack, **env):
    """Start a scheduler and its workers; give the team and the numbers of the processes."""
    port = cluster.free_port()
    address = f"tcp://127.0.0.1:{port}"
    one_thread = dict.fromkeys(executors._ONE_THREAD, "1")
    words = ("--host", "127.0.0.1", "--port", str(port), "--no-dashboard", "--no-show")
    those = [cluster.started(folder / "scheduler.log", "distributed.cli.dask_scheduler", *words, **env)]
    stack.callback(lambda: cluster.end(*those))
    those += [cluster.worker(folder, address, f"w{n}", **one_thread, **env) for n in range(WORKERS)]
    team = executors.Cluster(address, within_s=120)
    stack.callback(team.close)
    team._client.wait_for_workers(WORKERS, timeout=120)
    return team, [each.pid for each in those]


def answered(team, inputs, count):
    """Have one timber answered many times, as many on their way as a round has."""
    on_way = set()
    for left in range(count, 0, -1):
        on_way.add(team.submit(inputs))
        while len(on_way) >= batch.AHEAD * WORKERS or (left == 1 and on_way):
            ready, on_way = wait(on_way, return_when=FIRST_COMPLETED)
            assert all(each.result().tag == inputs.timber.tag for each in ready)


def idle_s(those):
    """Give the processor time that processes take in a second in which nobody asks them anything."""
    began, used = time.perf_counter(), used_s(those())
    time.sleep(IDLE_S)
    return (used_s(those()) - used) / (time.perf_counter() - began)


@pytest.mark.bench
@pytest.mark.timeout(1800)
def test_a_cluster_on_the_same_cores_is_nearly_as_quick(tmp_path, monkeypatch):
    monkeypatch.setattr(filled_yard, "HOURS", HOURS)
    monkeypatch.setattr(filled_yard, "CAME", filled_yard.NOW - timedelta(hours=HOURS))
    filled_yard.fill(tmp_path / "yard", TIMBERS)
    apart = os.pathsep.join([str(Path(__file__).parent), *filter(None, [os.environ.get("PYTHONPATH")])])
    monkeypatch.setenv("PYTHONPATH", apart)  # so that workers find the answers that are there at once
    settings = {} if os.environ.get("BAULK_BENCH_PLAIN") else QUIET
    with ExitStack() as stack:
        yard = stack.enter_context(shop.open(tmp_path / "yard"))
        tags = [each.tag for each in yard.register.list()]
        inputs = gather(tags[0], yard, big.NOW)
        beside = executors.LocalProcesses(WORKERS)
        stack.callback(beside.close)
        far, pids = dask(tmp_path, stack, **settings)
        teams = {"beside": (beside, lambda: list(beside._pool._processes)), "dask": (far, lambda: pids)}
        clock, whole, task = ({name: [] for name in teams} for _ in range(3))
        for turn in range(TURNS + 1):  # the first loads and compiles
            for name, (team, those) in teams.items():
                began, used = time.perf_counter(), big.cpu_s() + used_s(those())
                done = batch.run(yard, tags, big.NOW, team=team, again=True)
                assert len(done.done) == TIMBERS, done.failed
                if turn:
                    clock[name].append((time.perf_counter() - began) / TIMBERS)
                    whole[name].append((big.cpu_s() + used_s(those()) - used) / TIMBERS)
        with monkeypatch.context() as canned:
            canned.setattr(executors, "from_parcel", canned_answers.from_parcel)
            canned.setattr(executors, "as_asked", canned_answers.as_asked)
            for turn in range(TURNS + 1):
                for name, (team, those) in teams.items():
                    used = big.cpu_s() + used_s(those())
                    answered(team, inputs, TASKS)
                    if turn:
                        task[name].append((big.cpu_s() + used_s(those()) - used) / TASKS)
        idle = {name: idle_s(those) for name, (_, those) in teams.items()}
    print(f"\nload {os.getloadavg()[0]:.0f}; {TIMBERS} timbers of {HOURS} hours; settings {settings}")
    for name in teams:
        print(
            f"{name}: a timber by the clock {min(clock[name]):.2f} s, processor {min(whole[name]):.3f} s; "
            f"beside working out {min(task[name]) * 1e3:.1f} ms, and {idle[name] * 1e3:.1f} ms by the second"
        )
    worked_s = min(whole["beside"]) - min(task["beside"])
    takes = {name: worked_s + min(task[name]) + idle[name] * worked_s / WORKERS for name in teams}
    rate = takes["beside"] / takes["dask"]
    print(f"rate by the clock {min(clock['beside']) / min(clock['dask']):.2f}, ", end="")
    print(f"by the processor {min(whole['beside']) / min(whole['dask']):.2f}, on cores of its own {rate:.3f}")
    assert rate >= AT_LEAST
