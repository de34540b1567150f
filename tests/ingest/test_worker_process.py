"""A process that comes for some work: it answers, it goes again, and nothing hangs when it is ended."""

from __future__ import annotations

import errno
import importlib
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

from baulk.ingest import worker_process
from baulk.ingest.errors import StoreError
from baulk.ingest.worker_process import JobFailed, WorkerDied, WorkerProcess, WorkerStopTimeout

HERE = Path(__file__).parent
WITHIN_S = 30.0


@pytest.fixture
def work(monkeypatch):
    """The module of work, as both processes import it."""
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(HERE), os.environ.get("PYTHONPATH", "")]))
    monkeypatch.syspath_prepend(str(HERE))
    return importlib.import_module("worker_process_jobs")


@pytest.fixture
def worker(work):
    with closing(WorkerProcess(idle_s=60.0)) as found:
        yield found


def there(pid):
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except FileNotFoundError:
        return False
    return state != "Z"


def gone_soon(pid):
    until = time.monotonic() + WITHIN_S
    while there(pid) and time.monotonic() < until:
        time.sleep(0.05)
    return not there(pid)


def test_it_answers_tells_how_far_it_is_and_stays_for_the_next(worker, work):
    heard = []
    assert worker.pid is None
    assert worker.run(work.add, 2, 3, told=heard.append) == 5
    assert heard == [2, 3]
    first = worker.run(work.number)
    assert first == worker.run(work.number) == worker.pid
    assert first != os.getpid()


def test_it_ends_when_there_has_been_nothing_to_do_and_comes_back(work):
    with closing(WorkerProcess(idle_s=2.0)) as worker:
        first = worker.run(work.number)
        assert gone_soon(first)
        assert worker.pid is None
        second = worker.run(work.number)
        assert second != first
        assert there(second)
    assert gone_soon(second)


@pytest.mark.parametrize(
    ("how", "said"),
    [("end", "was killed or ran out of memory (SIGKILL)"), ("leave", "exited with code 7")],
)
def test_when_it_is_ended_that_is_said_and_the_next_work_is_done(worker, work, how, said):
    with pytest.raises(WorkerDied) as err:
        worker.run(getattr(work, how))
    assert said in str(err.value)
    assert worker.run(work.add, 1, 1) == 2


def test_when_it_was_ended_between_two_pieces_of_work_the_next_one_is_done(worker, work):
    os.kill(worker.run(work.number), signal.SIGKILL)
    until = time.monotonic() + WITHIN_S
    while worker.pid is not None and time.monotonic() < until:
        time.sleep(0.02)
    assert worker.run(work.add, 1, 1) == 2


def test_an_error_comes_back_as_it_was_or_with_its_sentence(worker, work):
    with pytest.raises(StoreError, match="the store is away"):
        worker.run(work.store_away)
    with pytest.raises(JobFailed, match=r"^the start must lie between 0 and 200 %, not 300 %$"):
        worker.run(work.out_of_range)
    with pytest.raises(ZeroDivisionError):
        worker.run(work.wrong)
    with pytest.raises(TypeError, match="pickle"):
        worker.run(work.unfit)
    assert worker.run(work.add, 1, 1) == 2


def test_it_can_be_asked_to_end_early_and_the_next_work_is_not(worker, work):
    heard = []
    assert worker.run(work.wait, told=heard.append, stopped=lambda: bool(heard)) is True
    assert worker.run(work.add, 1, 1) == 2
    pid = worker.pid
    assert worker.run(work.interrupted) == "there still"  # whoever started it is asked, not it
    assert worker.pid == pid


def test_what_the_asking_process_is_interrupted_in_is_not_taken_for_the_next_answer(worker, work):
    def interrupt(_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        worker.run(work.wait, told=interrupt)
    assert worker.run(work.add, 1, 1) == 2


def test_it_ends_where_its_request_is_cut_off_in_the_middle():
    """A parent that is killed while it writes leaves half a pickle, which is no end of input."""
    code = "from baulk.ingest import worker_process; worker_process.main()"
    started = subprocess.Popen([sys.executable, "-P", "-c", code], stdin=subprocess.PIPE)
    started.stdin.write(pickle.dumps("x" * 100_000)[:50_000])
    started.stdin.close()
    assert started.wait(WITHIN_S) == 0


def test_one_that_cannot_be_started_is_told_in_a_sentence(worker, work, monkeypatch):
    def full(*_args, **_how):
        raise OSError(errno.ENOMEM, os.strerror(errno.ENOMEM))

    with monkeypatch.context() as patched:
        patched.setattr(worker_process.subprocess, "Popen", full)
        with pytest.raises(WorkerDied, match="could not be started: Cannot allocate memory"):
            worker.run(work.number)
    assert worker.run(work.add, 1, 1) == 2


def test_it_ends_with_the_process_that_started_it_however_that_ends(work):
    asking = (
        "import worker_process_jobs, time;"
        "from baulk.ingest.worker_process import WorkerProcess; a = WorkerProcess();"
        "print(a.run(worker_process_jobs.number), flush=True); a.run(worker_process_jobs.wait)"
    )
    with subprocess.Popen([sys.executable, "-c", asking], stdout=subprocess.PIPE, text=True) as parent:
        pid = int(parent.stdout.readline())
        assert there(pid)
        parent.kill()
    assert gone_soon(pid)


@pytest.mark.parametrize("how", ["deaf", "frozen"])
def test_one_that_does_not_end_when_it_is_asked_to_is_ended_and_the_next_work_is_done(work, how):
    pids = []
    with closing(WorkerProcess(stop_timeout_s=0.6)) as worker:
        with pytest.raises(WorkerStopTimeout, match=r"did not stop within 0\.6 s and was killed"):
            worker.run(getattr(work, how), told=pids.append, stopped=lambda: bool(pids))
        assert gone_soon(*pids)
        assert worker.run(work.add, 1, 1) == 2


def test_one_that_is_asked_to_end_and_does_is_not_ended(work):
    heard = []
    with closing(WorkerProcess(stop_timeout_s=30.0)) as worker:
        assert worker.run(work.wait, told=heard.append, stopped=lambda: bool(heard)) is True
        assert worker.pid is not None


@pytest.mark.parametrize("how", ["deaf", "frozen"])
def test_one_that_hangs_is_ended_after_a_while_and_who_waits_turns_until_then(work, how):
    pids, turns = [], []
    with closing(WorkerProcess(stall_timeout_s=1.5)) as worker:
        with pytest.raises(WorkerDied, match="did not respond for") as err:
            worker.run(getattr(work, how), told=pids.append, stopped=lambda: bool(turns.append(0)))
        assert not isinstance(err.value, WorkerStopTimeout)
        assert len(turns) >= 3, "this is where systemd hears that the asking process lives"
        assert gone_soon(*pids)


def test_one_that_gets_on_is_not_taken_to_hang(work):
    with closing(WorkerProcess(stall_timeout_s=3.0)) as worker:
        worker.run(work.number)  # its start is no silence of its work
        assert worker.run(work.asks, 7.0) == "done"


def test_ended_by_another_thread_it_goes_even_if_it_hangs_and_who_waits_is_told(worker, work):
    pids, said = [], []

    def ask():
        with pytest.raises(WorkerDied) as err:
            worker.run(work.frozen, told=pids.append)
        said.append(str(err.value))

    asking = threading.Thread(target=ask)
    asking.start()
    until = time.monotonic() + WITHIN_S
    while not pids and time.monotonic() < until:
        time.sleep(0.02)
    worker.close()
    asking.join(WITHIN_S)
    assert len(said) == 1
    assert gone_soon(*pids)


def test_asked_ahead_it_comes_and_nobody_waits_and_it_goes_again(work, tmp_path):
    file = tmp_path / "came"
    with closing(WorkerProcess(idle_s=3.0)) as worker:
        worker.warm_up(work.count, str(file))
        assert worker.pid is None or not file.exists(), "it has not waited for the work"
        until = time.monotonic() + WITHIN_S
        while not (file.exists() and file.read_text()) and time.monotonic() < until:
            time.sleep(0.02)
        (pid,) = {int(each) for each in file.read_text().split()}
        assert worker.run(work.number) == pid
        assert gone_soon(pid)
        assert worker.pid is None


def test_ahead_of_work_that_goes_on_nothing_more_is_begun(worker, work, tmp_path):
    def told(_):
        worker.warm_up(work.count, str(tmp_path / "came"))

    worker.run(work.wait, told=told, stopped=lambda: True)
    assert worker.run(work.add, 1, 1) == 2
    assert not (tmp_path / "came").exists()
