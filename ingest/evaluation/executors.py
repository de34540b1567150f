"""Who works evaluations out: this process, other processes on this machine, or other machines.

Processes with one thread each, not one process with threads: only the drying core runs without the
interpreter's lock, and it is a third of the work (tests/bench/test_fleet.py has the figures).
"""

from __future__ import annotations

import importlib
import logging
import multiprocessing
import os
import signal
import threading
import time
import warnings
from collections.abc import Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import connection
from typing import Any, Final, Protocol

from baulk.ingest.errors import extra_missing
from baulk.ingest.evaluation import parcel
from baulk.ingest.evaluation.compute import Answered, Evaluation, answer
from baulk.ingest.evaluation.fingerprint import model_version
from baulk.ingest.evaluation.inputs import Inputs
from baulk.models.errors import BaulkError

_ONE_THREAD: Final = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")


class Team(Protocol):
    """Takes inputs and gives evaluations in its own time.

    A future that fails with `concurrent.futures.BrokenExecutor` says that a worker died: perhaps its own,
    perhaps another's. Any other exception is that of its own inputs.

    Attributes
    ----------
    shares_fate : bool
        Whether all that is on its way fails with the one.
    """

    shares_fate: bool

    @property
    def size(self) -> int:
        """How many it works out at once."""

    def submit(self, inputs: Inputs) -> Future[Answered]:
        """Begin, or wait in line."""

    def restart(self) -> None:
        """Be ready to go on after a worker died."""

    def close(self) -> None:
        """End what was started; what has not begun never will."""


class InProcess:
    """Our own process, one timber after the other, each on every core."""

    size = 1
    shares_fate = False

    def submit(self, inputs: Inputs) -> Future[Answered]:
        """Work it out now."""
        done: Future[Answered] = Future()
        done.set_result(answer(inputs))
        return done

    def restart(self) -> None:
        """Do nothing: when this process dies nobody goes on."""

    def close(self) -> None:
        """Do nothing."""


class LocalProcesses:
    """Other processes on this machine, started as they are needed.

    Parameters
    ----------
    size : int
        How many.
    """

    shares_fate = True

    def __init__(self, size: int) -> None:
        self.size = size
        self._pool = self._started()

    def _started(self) -> ProcessPoolExecutor:
        fresh = multiprocessing.get_context("spawn")  # a fork would carry locks and open databases along
        return ProcessPoolExecutor(self.size, mp_context=fresh, initializer=_begin)

    def submit(self, inputs: Inputs) -> Future[Answered]:
        """Hand it to the next process that is free."""
        with _one_thread_each():  # a process is started in here
            return self._pool.submit(from_parcel, parcel.packed(inputs, far=False))

    def restart(self) -> None:
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
        As `baulk.ingest.evaluation.compute.answer` gives it.
    """
    return answer(inputs, threads=1)


def from_parcel(given: bytes) -> Answered:
    """Work one timber out on a worker, from what `baulk.ingest.evaluation.parcel` packed."""
    return on_one_core(parcel.opened(given)).sent()


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


WITHIN_S: Final = 10.0
LOOK_EVERY_S: Final = 5.0
_DEADLY: Final = "worker after worker of the cluster died over it; look at their memory and logs"


class ClusterError(BaulkError, OSError):
    """The cluster can't be used, and why."""


class Cluster:
    """Workers of a running Dask cluster.

    Parameters
    ----------
    address : str
        Of its scheduler, for instance ``tcp://10.0.0.5:8786``.
    within_s : float
        How long it may take to answer. [s]

    Raises
    ------
    ClusterError
        If the extra is not installed, nobody answers, or a worker lacks this program or has another version.
    """

    shares_fate = False

    def __init__(self, address: str, *, within_s: float = WITHIN_S) -> None:
        self._address, self._size, self._looked_s = address, 1, -LOOK_EVERY_S
        self._client = _client(address, within_s)
        try:
            self._look_at_workers(within_s)
            self._executor: Executor = self._client.get_executor(pure=False)
        except BaseException:
            self.close()
            raise

    @property
    def size(self) -> int:
        """How many threads its workers have; looked at every few seconds."""
        if time.monotonic() > self._looked_s + LOOK_EVERY_S:
            try:
                self._size = max(1, int(sum(self._client.nthreads().values())))
            except OSError as err:
                raise self._gone() from err
            self._looked_s = time.monotonic()
        return self._size

    def submit(self, inputs: Inputs) -> Future[Answered]:
        """Hand it to the scheduler."""
        self._refuse_gone()
        given: Future[Answered] = Future()

        def pass_on(done: Future[Answered]) -> None:
            if done.cancelled():
                given.cancel()
                given.set_running_or_notify_cancel()
            elif (err := done.exception()) is None:
                given.set_result(done.result())
            elif type(err).__name__ == "KilledWorker":
                given.set_exception(ClusterError(_DEADLY))
            else:
                given.set_exception(err)

        self._executor.submit(as_asked, parcel.packed(inputs), here()).add_done_callback(pass_on)
        return given

    def restart(self) -> None:
        """Go on if the scheduler is still there."""
        self._refuse_gone()

    def close(self) -> None:
        """Leave the cluster as it was found."""
        self._client.close(timeout=2)

    def _refuse_gone(self) -> None:
        if self._client.status != "running":
            raise self._gone()

    def _gone(self) -> ClusterError:
        return ClusterError(
            f"the Dask scheduler at {self._address} is gone; what came back until then is kept, and the same "
            "command goes on from there"
        )

    def _look_at_workers(self, within_s: float) -> None:
        try:
            self._client.wait_for_workers(1, timeout=within_s)
        except TimeoutError as err:
            raise ClusterError(
                f"the Dask scheduler at {self._address} has no workers; start some, for instance with "
                f"`dask worker {self._address}`"
            ) from err
        found = self._client.run(model_version, on_error="return")
        for worker, theirs in found.items():
            if isinstance(theirs, ModuleNotFoundError):
                raise ClusterError(f"the worker at {worker} can't import {theirs.name}; install Baulk there")
            if theirs != here():
                raise ClusterError(_differs(f"the worker at {worker}", theirs))


def as_asked(given: bytes, version: str) -> Answered:
    """Work one timber out on a worker, unless its program is another than the one that asks."""
    if (ours := here()) != version:  # a worker that came while the run was on
        raise ClusterError(_differs("a worker of the cluster", ours, version))
    return from_parcel(given)


def here() -> str:
    """Give the version of this program."""
    return model_version()


def _differs(who: str, theirs: object, ours: str | None = None) -> str:
    return (
        f"{who} has Baulk {theirs}, here it is {ours or here()}; install the same on both, for two "
        "versions would give two answers"
    )


def _client(address: str, within_s: float) -> Any:  # noqa: ANN401 - the package has no types of its own
    try:
        distributed = importlib.import_module("distributed")  # an optional extra, slow to load
    except ImportError as err:
        raise ClusterError(extra_missing("A cluster", "cluster")) from err
    if "://" not in address:
        raise ClusterError(f"the address of a cluster looks like tcp://10.0.0.5:8786, not {address!r}")
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what matters of it is said in our words
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # its own table of versions; ours is the one that decides
            return distributed.Client(address, timeout=within_s, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as err:
        raise ClusterError(
            f"no Dask scheduler answers at {address} within {within_s:.0f} s; check the address, and the "
            "scheduler"
        ) from err
