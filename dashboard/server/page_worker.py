"""The worker process of the page server, for what a person asks; its 100 MB go with it."""

from __future__ import annotations

import atexit
from collections.abc import Callable
from typing import Any, Final, TypeVar

from baulk.ingest.worker_process import Work, WorkerDied, WorkerProcess

T = TypeVar("T")
_WORKER: Final = WorkerProcess()
atexit.register(_WORKER.close)  # where the server ends by itself; a signal leaves it no time for this


def run(work: Work[..., T], *given: object, told: Callable[[Any], None] = lambda _: None) -> T:
    """Run a job in the worker process; who asks meanwhile waits in line.

    Parameters
    ----------
    work : callable
        A function of `baulk.ingest.planning.worker_jobs`.
    *given : object
        What it takes.
    told : callable, optional
        Called with what it tells of its progress.

    Returns
    -------
    object
        What it gave.

    Raises
    ------
    BaulkError
        If there is no answer, with the reason; also where that process ended before it had one.
    """
    try:
        return _WORKER.run(work, *given, told=told)
    except WorkerDied as err:
        again = "press the button again; if it fails again, this machine may have too little free memory"
        raise WorkerDied(f"{err}; {again}") from err


def warm_up() -> None:
    """Start the worker process while a person still reads or types; return at once.

    For what a person opens, never for what a page draws by itself: it stays for two minutes. What is opened
    and asked for within those meets it loaded.
    """
    from baulk.ingest.planning import worker_jobs  # noqa: PLC0415 - the first page needs none of it

    _WORKER.warm_up(worker_jobs.ready)


def end() -> None:
    """End the process now, whatever it works out: nothing that a person tries is kept before it is done."""
    _WORKER.close()
