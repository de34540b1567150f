"""A process that comes for some work: it answers, it goes again, and nothing hangs when it is ended."""

from __future__ import annotations

import importlib
import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import closing
from pathlib import Path

import pytest

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
def aside(work):
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


def test_it_answers_tells_how_far_it_is_and_stays_for_the_next(aside, work):
    heard = []
    assert aside.pid is None
    assert aside.run(work.add, 2, 3, told=heard.append) == 5
    assert heard == [2, 3]
    first = aside.run(work.number)
    assert first == aside.run(work.number) == aside.pid
    assert first != os.getpid()


def test_it_ends_when_there_has_been_nothing_to_do_and_comes_back(work):
    with closing(WorkerProcess(idle_s=0.5)) as aside:
        first = aside.run(work.number)
        assert gone_soon(first)
        assert aside.pid is None
        second = aside.run(work.number)
        assert second != first
        assert there(second)
    assert gone_soon(second)


@pytest.mark.parametrize(
    ("how", "said"),
    [("end", "was killed or ran out of memory (SIGKILL)"), ("leave", "exited with code 7")],
)
def test_when_it_is_ended_that_is_said_and_the_next_work_is_done(aside, work, how, said):
    with pytest.raises(WorkerDied) as err:
        aside.run(getattr(work, how))
    assert said in str(err.value)
    assert aside.run(work.add, 1, 1) == 2


def test_when_it_was_ended_between_two_pieces_of_work_the_next_one_is_done(aside, work):
    os.kill(aside.run(work.number), signal.SIGKILL)
    until = time.monotonic() + WITHIN_S
    while aside.pid is not None and time.monotonic() < until:
        time.sleep(0.02)
    assert aside.run(work.add, 1, 1) == 2


def test_an_error_comes_back_as_it_was_or_with_its_sentence(aside, work):
    with pytest.raises(StoreError, match="the store is away"):
        aside.run(work.store_away)
    with pytest.raises(JobFailed, match=r"^the start must lie between 0 and 200 %, not 300 %$"):
        aside.run(work.out_of_range)
    with pytest.raises(ZeroDivisionError):
        aside.run(work.wrong)
    with pytest.raises(TypeError, match="pickle"):
        aside.run(work.unfit)
    assert aside.run(work.add, 1, 1) == 2


def test_it_can_be_asked_to_end_early_and_the_next_work_is_not(aside, work):
    heard = []
    assert aside.run(work.wait, told=heard.append, stopped=lambda: bool(heard)) is True
    assert aside.run(work.add, 1, 1) == 2
    pid = aside.pid
    assert aside.run(work.interrupted) == "there still"  # whoever started it is asked, not it
    assert aside.pid == pid


def test_what_the_asking_process_is_interrupted_in_is_not_taken_for_the_next_answer(aside, work):
    def interrupt(_):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        aside.run(work.wait, told=interrupt)
    assert aside.run(work.add, 1, 1) == 2


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
    with closing(WorkerProcess(stop_timeout_s=0.6)) as aside:
        with pytest.raises(WorkerStopTimeout, match=r"was asked to end, had not after 0\.6 s and was ended"):
            aside.run(getattr(work, how), told=pids.append, stopped=lambda: bool(pids))
        assert gone_soon(*pids)
        assert aside.run(work.add, 1, 1) == 2


def test_one_that_is_asked_to_end_and_does_is_not_ended(work):
    heard = []
    with closing(WorkerProcess(stop_timeout_s=30.0)) as aside:
        assert aside.run(work.wait, told=heard.append, stopped=lambda: bool(heard)) is True
        assert aside.pid is not None


@pytest.mark.parametrize("how", ["deaf", "frozen"])
def test_one_that_hangs_is_ended_after_a_while_and_who_waits_turns_until_then(work, how):
    pids, turns = [], []
    with closing(WorkerProcess(stall_timeout_s=1.5)) as aside:
        with pytest.raises(WorkerDied, match="gave no sign for") as err:
            aside.run(getattr(work, how), told=pids.append, stopped=lambda: bool(turns.append(0)))
        assert not isinstance(err.value, WorkerStopTimeout)
        assert len(turns) >= 3, "this is where systemd hears that the asking process lives"
        assert gone_soon(*pids)


def test_one_that_gets_on_is_not_taken_to_hang(work):
    with closing(WorkerProcess(stall_timeout_s=1.5)) as aside:
        aside.run(work.number)  # its start is no silence of its work
        assert aside.run(work.asks, 4.0) == "done"


def test_ended_by_another_thread_it_goes_even_if_it_hangs_and_who_waits_is_told(aside, work):
    pids, said = [], []

    def ask():
        with pytest.raises(WorkerDied) as err:
            aside.run(work.frozen, told=pids.append)
        said.append(str(err.value))

    asking = threading.Thread(target=ask)
    asking.start()
    until = time.monotonic() + WITHIN_S
    while not pids and time.monotonic() < until:
        time.sleep(0.02)
    aside.close()
    asking.join(WITHIN_S)
    assert len(said) == 1
    assert gone_soon(*pids)


def test_asked_ahead_it_comes_and_nobody_waits_and_it_goes_again(work, tmp_path):
    file = tmp_path / "came"
    with closing(WorkerProcess(idle_s=1.0)) as aside:
        aside.warm_up(work.count, str(file))
        assert aside.pid is None or not file.exists(), "it has not waited for the work"
        until = time.monotonic() + WITHIN_S
        while not file.exists() and time.monotonic() < until:
            time.sleep(0.02)
        (pid,) = {int(each) for each in file.read_text().split()}
        assert aside.run(work.number) == pid
        assert gone_soon(pid)
        assert aside.pid is None


def test_ahead_of_work_that_goes_on_nothing_more_is_begun(aside, work, tmp_path):
    def told(_):
        aside.warm_up(work.count, str(tmp_path / "came"))

    aside.run(work.wait, told=told, stopped=lambda: True)
    assert aside.run(work.add, 1, 1) == 2
    assert not (tmp_path / "came").exists()
