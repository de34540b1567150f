"""The same work on a real Dask scheduler with two workers, started here and ended by their numbers."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import six_timbers
from six_timbers import NOW, TAGS

from baulk.ingest import shop
from baulk.ingest.evaluation import batch, executors, gather, parcel

distributed = pytest.importorskip("distributed")
pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore::ResourceWarning")]

QUIET = {"DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "3", "PYTHONWARNINGS": "ignore"}


def free_port():
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def started(log, *words, **env):
    with log.open("wb") as out:
        return subprocess.Popen(
            [sys.executable, "-P", "-m", *words],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            env={**os.environ, **QUIET, **env},
        )


def wait_until(true, seconds=60.0):
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.1)


def worker(folder, address, name, **env):
    return started(
        folder / f"{name}.log",
        "distributed.cli.dask_worker",
        *(address, "--no-nanny", "--no-dashboard", "--nthreads", "1", "--name", name),
        *("--host", "127.0.0.1", "--local-directory", str(folder), "--memory-limit", "0"),
        **env,
    )


def end(*processes):
    for process in processes:
        process.terminate()
    for process in processes:
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scheduler")
    address = f"tcp://127.0.0.1:{free_port()}"
    process = started(
        folder / "scheduler.log",
        "distributed.cli.dask_scheduler",
        *("--host", "127.0.0.1", "--port", address.rpartition(":")[2], "--no-dashboard"),
    )
    try:
        wait_until(lambda: "Scheduler at" in (folder / "scheduler.log").read_text())
        yield address
    finally:
        end(process)


@pytest.fixture(scope="module")
def two_workers(scheduler, tmp_path_factory):
    folder = tmp_path_factory.mktemp("workers")
    processes = [worker(folder, scheduler, name) for name in ("first", "second")]
    try:
        with distributed.Client(scheduler, timeout=30, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
        yield processes
    finally:
        end(*processes)


@pytest.fixture
def yard(tmp_path):
    with shop.open(shop.init(tmp_path / "yard", name="Ferry yard", units="metric")) as opened:
        six_timbers.fill(opened)
        yield opened


def kept(opened):
    return {each.tag: each.payload for each in opened.store.evaluations()}


def test_a_cluster_gives_the_same_answers_to_the_byte(scheduler, two_workers, yard):
    with closing(executors.Cluster(scheduler)) as team:
        assert team.size == 2
        made = batch.run(yard, TAGS[:3], NOW, team=team)
        assert sorted(made.done) == list(TAGS[:3])
        afar, fits = kept(yard), yard.store.notes("fit/")
        assert batch.run(yard, TAGS[:3], NOW, team=team).unchanged == list(TAGS[:3])
    batch.run(yard, TAGS[:3], NOW, workers=1, again=True)
    assert kept(yard) == afar
    assert yard.store.notes("fit/") == fits
    assert len(fits) == 3


def test_the_command_takes_a_cluster(scheduler, two_workers, yard, baulk):
    asked = ("forecast", "FER-04", "--shop", str(yard.config.shop_dir), "--cluster", scheduler)
    said = baulk(*asked)
    assert said.returncode == 0, said.stderr
    assert "1 of 1 timber evaluated" in said.stdout
    assert set(kept(yard)) == {"FER-04"}
    both = baulk(*asked, "--workers", "2")
    assert both.returncode == 1
    assert "--workers says nothing to a cluster" in both.stderr


def test_a_worker_with_another_version_is_refused_in_a_sentence(scheduler, two_workers, monkeypatch):
    monkeypatch.setattr(executors, "here", lambda: "0.9.9+12345678")
    with pytest.raises(executors.ClusterError, match=r"the worker at tcp.* has Baulk .*, here it is 0.9.9"):
        executors.Cluster(scheduler)


def test_a_worker_that_comes_late_with_another_version_refuses_by_itself(yard):
    inputs = gather.gather("FER-01", yard, NOW)
    with pytest.raises(executors.ClusterError, match="two versions would give two answers"):
        executors.as_asked(parcel.packed(inputs), "0.9.9+12345678")


def test_a_worker_killed_on_the_way_costs_nothing(scheduler, two_workers, yard):
    killed = []

    def kill(_made):
        if not killed:
            killed.append(two_workers[0].pid)
            os.kill(two_workers[0].pid, signal.SIGKILL)

    with closing(executors.Cluster(scheduler)) as team:
        made = batch.run(yard, TAGS, NOW, team=team, done=kill)
    assert killed
    assert sorted(made.done) == list(TAGS)
    assert made.failed == {}


def test_nobody_at_the_address_is_a_sentence_within_its_time():
    began = time.monotonic()
    with pytest.raises(executors.ClusterError, match=r"no Dask scheduler answers at tcp://127\.0\.0\.1"):
        executors.Cluster(f"tcp://127.0.0.1:{free_port()}", within_s=1.5)
    assert time.monotonic() - began < 8
    with pytest.raises(executors.ClusterError, match="looks like tcp://"):
        executors.Cluster("127.0.0.1:8786")


def test_without_the_extra_the_sentence_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(executors.ClusterError, match=re.escape("pip install 'baulk[cluster]'")):
        executors.Cluster("tcp://127.0.0.1:8786")


def test_a_scheduler_without_workers_and_one_that_goes_away_are_sentences(tmp_path, yard):
    address = f"tcp://127.0.0.1:{free_port()}"
    log = tmp_path / "scheduler.log"
    words = ("--host", "127.0.0.1", "--port", address.rpartition(":")[2], "--no-dashboard")
    own = started(log, "distributed.cli.dask_scheduler", *words)
    others = []
    try:
        wait_until(lambda: "Scheduler at" in log.read_text())
        with pytest.raises(executors.ClusterError, match=f"has no workers; .*dask worker {address}"):
            executors.Cluster(address, within_s=1.0)
        others = [worker(tmp_path, address, "only")]
        with closing(executors.Cluster(address, within_s=60)) as team:
            threading.Timer(0.1, own.kill).start()
            with pytest.raises(executors.ClusterError, match="is gone; what came back until then is kept"):
                batch.run(yard, TAGS, NOW, team=team)
    finally:
        end(own, *others)
