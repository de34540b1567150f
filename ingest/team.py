"""Who works evaluations out: this process, processes beside it, or (`baulk.ingest.cluster`) other machines.

Processes with one thread each, not one process with threads: only the drying core runs without the
interpreter's lock, and it is a third of the work (tests/bench/test_fleet.py has the figures).
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import connection
from typing import Final, Protocol

from baulk.ingest.evaluation import Evaluation, answer
from baulk.ingest.inputs import Inputs
from baulk.models.drying.layout import use_cores

_ONE_THREAD: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


class Team(Protocol):
    """Takes inputs and gives evaluations in its own time.

    A future that fails with `concurrent.futures.BrokenExecutor` says that a worker died: perhaps its own,
    perhaps another's. Any other exception is that of its own inputs.

    Attributes
    ----------
    breaks_whole : bool
        Whether all that is on its way fails with the one.
    """

    breaks_whole: bool

    @property
    def size(self) -> int:
        """How many it works out at once."""

    def submit(self, inputs: Inputs) -> Future[Evaluation]:
        """Begin, or wait in line."""

    def mend(self) -> None:
        """Be ready to go on after a worker died."""

    def close(self) -> None:
        """End what was started; what has not begun never will."""


class Here:
    """Our own process, one timber after the other, each on every core."""

    size = 1
    breaks_whole = False

    def submit(self, inputs: Inputs) -> Future[Evaluation]:
        """Work it out now."""
        done: Future[Evaluation] = Future()
        done.set_result(answer(inputs))
        return done

    def mend(self) -> None:
        """Do nothing: when this process dies nobody goes on."""

    def close(self) -> None:
        """Do nothing."""


class Beside:
    """Processes beside this one, started as they are needed.

    Parameters
    ----------
    size : int
        How many.
    """

    breaks_whole = True

    def __init__(self, size: int) -> None:
        self.size = size
        self._pool = self._started()

    def _started(self) -> ProcessPoolExecutor:
        fresh = multiprocessing.get_context("spawn")  # a fork would carry locks and open databases along
        return ProcessPoolExecutor(self.size, mp_context=fresh, initializer=_begin)

    def submit(self, inputs: Inputs) -> Future[Evaluation]:
        """Hand it to the next process that is free."""
        with _one_thread_each():  # a process is started in here
            return self._pool.submit(on_one_core, inputs)

    def mend(self) -> None:
        """Start the processes anew."""
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._pool = self._started()

    def close(self) -> None:
        """Let each end what it has begun, which takes seconds, and end it."""
        self._pool.shutdown(wait=True, cancel_futures=True)


def cores() -> int:
    """How many cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def on_one_core(inputs: Inputs) -> Evaluation:
    """Work one timber out beside others that do the same.

    Parameters
    ----------
    inputs : Inputs
        Everything that is known.

    Returns
    -------
    Evaluation
        As `baulk.ingest.evaluation.answer` gives it.
    """
    use_cores(1)
    return answer(inputs)


def _begin() -> None:
    """Leave Ctrl-C to the process that started us, and end when that one is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:

        def watch() -> None:
            connection.wait([parent.sentinel])
            os._exit(1)

        threading.Thread(target=watch, daemon=True, name="parent").start()


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Have processes that are started meanwhile do their linear algebra on one thread."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
