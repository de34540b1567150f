"""A worker process that starts when there is a job and ends when it has been idle.

What works timbers out takes several times the memory of what sees whether any is due, and a process surely
gives back only what ends with it. The two speak in pickles over the pipes of standard input and output: no
third process keeps books on them, and the one beside never outlives this one, for its input ends.
"""

from __future__ import annotations

import logging
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import IO, Any, Concatenate, Final, ParamSpec, TypeVar

from baulk.ingest import memory
from baulk.models.errors import BaulkError

LOG: Final = logging.getLogger(__name__)
# limits here are our own judgement, no source
IDLE_S: Final = 120.0  # who tries one thing tries another; its start takes about two seconds of a processor
GRACE_S: Final = 2.0  # to see that its input has ended
TURN_S: Final = 0.5  # between two looks whether to stop
STOP_TIMEOUT_S: Final = (
    20.0  # from being asked to end early; half a minute is what the services leave at the least
)
STALL_TIMEOUT_S: Final = 1800.0  # without a sign of getting on it hangs
SIGN_S: Final = 10.0  # between two signs that work gets on
FIRST_TO_GO: Final = 500  # of 1000, where memory runs out: rather this process than one that hears or answers
_OURS: Final = "from baulk.ingest import worker_process; worker_process.main()"

P = ParamSpec("P")
T = TypeVar("T")


class WorkerDied(BaulkError):
    """The worker process ended before it had answered."""


class WorkerStopTimeout(WorkerDied):
    """It was asked to end early, had not after a while, and was ended."""


class JobFailed(BaulkError):
    """What went wrong in the worker process and can't be handed over as it was; its log has the details."""


@dataclass(frozen=True, slots=True)
class JobContext:
    """How a job speaks with the process that asked for it.

    Parameters
    ----------
    tell : callable
        Says how far it is, in anything that can be pickled.
    stopped : callable
        Whether it is asked to end early. Who asks gets on, and is not taken to hang.
    """

    tell: Callable[[Any], None]
    stopped: Callable[[], bool]


Work = Callable[Concatenate[JobContext, P], T]


class WorkerProcess:
    """A worker process that runs one job at a time; callers wait for their turn.

    Parameters
    ----------
    idle_s : float
        How long it stays when there is no work. [s]
    stop_timeout_s : float
        How long it may go on after it was asked to end early. [s]
    stall_timeout_s : float
        How long it may work without telling anything or asking whether to stop. [s]
    """

    def __init__(
        self,
        *,
        idle_s: float = IDLE_S,
        stop_timeout_s: float = STOP_TIMEOUT_S,
        stall_timeout_s: float = STALL_TIMEOUT_S,
    ) -> None:
        self._idle_s, self._stop_timeout_s, self._stall_timeout_s = idle_s, stop_timeout_s, stall_timeout_s
        self._busy = threading.Lock()
        self._child: _Child | None = None
        self._leaving: threading.Timer | None = None

    @property
    def pid(self) -> int | None:
        """Its number while it is there."""
        child = self._child
        return None if child is None or child.process.poll() is not None else child.process.pid

    def run(
        self,
        work: Work[..., T],
        *given: object,
        told: Callable[[Any], None] = lambda _: None,
        stopped: Callable[[], bool] = lambda: False,
        stall_timeout_s: float | None = None,
    ) -> T:
        """Have some work done, and wait for it.

        Parameters
        ----------
        work : callable
            A function of a module; takes a `JobContext`, then what is given.
        *given : object
            Whatever can be pickled.
        told : callable, optional
            Called with what the work tells.
        stopped : callable, optional
            Asked at least twice a second; once it says yes, the work is asked to end early.
        stall_timeout_s : float, optional
            How long this work may go on without a sign, if not as long as all. [s]

        Returns
        -------
        object
            What the work gave.

        Raises
        ------
        WorkerDied
            If the process ended before it had answered, or was ended because it gave no sign for too long.
        WorkerStopTimeout
            If it was ended because it did not end early when it was asked to.
        Exception
            Whatever the work raised.
        """
        with self._busy:
            if self._leaving is not None:
                self._leaving.cancel()
            child = self._living()
            try:
                found: T = child.answer(
                    (work, given),
                    told,
                    stopped,
                    (self._stop_timeout_s, stall_timeout_s or self._stall_timeout_s),
                )
            except BaseException:
                if child.owes:  # its answer would be taken for that of the next
                    child.end()
                raise
            else:
                return found
            finally:
                self._leaving = threading.Timer(self._idle_s, self._leave, (child,))
                self._leaving.daemon = True
                self._leaving.start()

    def warm_up(self, work: Work[..., object], *given: object) -> None:
        """Have it come, if it is not there, and do work that nobody waits for; return at once.

        Parameters
        ----------
        work, *given
            As for `run`; what comes of it is dropped, and a fault is met again by whoever needs the process.
        """
        if self._busy.locked():
            return  # it is there, and its two minutes begin when it is done

        def come() -> None:
            with suppress(Exception):
                self.run(work, *given)

        threading.Thread(target=come, daemon=True, name="worker warm-up").start()

    def close(self) -> None:
        """End it now."""
        if self._leaving is not None:
            self._leaving.cancel()
        child, self._child = self._child, None
        if child is not None:
            child.end()

    def _living(self) -> _Child:
        child = self._child
        if child is not None and child.process.poll() is not None:
            child.end()  # it was ended while it had nothing to do
            child = None
        if child is None:
            try:
                child = _Child()
            except OSError as err:
                raise WorkerDied(f"the worker process could not be started: {err.strerror}") from err
        self._child = child
        return child

    def _leave(self, child: _Child) -> None:
        if not self._busy.acquire(blocking=False):
            return  # work came; it sets the clock anew
        try:
            child.end()
            if self._child is child:
                self._child = None
        finally:
            self._busy.release()


class _Child:
    """The process, as the one that started it sees it."""

    def __init__(self) -> None:
        self.owes = False
        self.process = subprocess.Popen(  # noqa: S603 - our own words, no shell
            [sys.executable, "-P", "-c", _OURS], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        self._heard: SimpleQueue[tuple[str, Any]] = SimpleQueue()
        self._listener = threading.Thread(target=self._listen, daemon=True, name="worker replies")
        self._listener.start()

    def _listen(self) -> None:
        assert self.process.stdout is not None  # noqa: S101 - for the type checker
        with self.process.stdout as given, suppress(Exception):  # whatever it is, nothing more is heard
            while True:
                self._heard.put(pickle.load(given))  # noqa: S301 - our own process
        self._heard.put(("gone", None))

    def _say(self, what: object) -> None:
        assert self.process.stdin is not None  # noqa: S101 - for the type checker
        with suppress(BrokenPipeError, ValueError):  # that it is gone, or ended by `close`, is heard as well
            self.process.stdin.write(pickle.dumps(what))
            self.process.stdin.flush()

    def answer(
        self,
        asked: object,
        told: Callable[[Any], None],
        stopped: Callable[[], bool],
        patience_s: tuple[float, float],
    ) -> Any:  # noqa: ANN401 - whatever the work gives
        body, (stop_timeout_s, stall_timeout_s) = pickle.dumps(asked), patience_s
        self.owes, end_by_s = True, float("inf")
        self._say(body)
        sign_by_s = time.monotonic() + stall_timeout_s
        while True:
            if end_by_s == float("inf") and stopped():
                self._say(None)
                end_by_s = time.monotonic() + stop_timeout_s
            if time.monotonic() > end_by_s:
                raise WorkerStopTimeout(
                    f"the worker process did not stop within {stop_timeout_s:g} s and was killed"
                )
            try:
                kind, said = self._heard.get(timeout=TURN_S)
            except Empty:
                if time.monotonic() > sign_by_s:
                    raise WorkerDied(
                        f"the worker process did not respond for {stall_timeout_s / 60:g} min and was killed"
                    ) from None
                continue
            sign_by_s = time.monotonic() + stall_timeout_s
            if kind == "told":
                told(said)
            if kind in {"told", "on"}:
                continue
            self.owes = False
            if kind == "done":
                return pickle.loads(said)  # noqa: S301 - our own process
            if kind == "raised":
                raise said
            self.end()  # it may live, and nothing is heard of it any more
            raise WorkerDied(f"the worker process {_ended(self.process.returncode)}")

    def end(self) -> None:
        """End it, whatever it does."""
        with suppress(OSError, ValueError):
            if self.process.stdin is not None:
                self.process.stdin.close()
        with suppress(subprocess.TimeoutExpired):
            self.process.wait(GRACE_S)
        self.process.kill()
        self.process.wait()
        self._listener.join(GRACE_S)


def _ended(code: int) -> str:
    if code < 0:
        with suppress(ValueError):
            return f"was killed or ran out of memory ({signal.Signals(-code).name})"
    return f"exited with code {code}"


def main() -> None:
    """Do what the process that started this one asks, until it asks no more."""
    out = os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # what a library prints is no answer
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)  # it is asked to stop by whoever started it
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(str(FIRST_TO_GO), encoding="ascii")
    asked: SimpleQueue[bytes] = SimpleQueue()
    stopping = threading.Event()
    threading.Thread(target=_hear, args=(sys.stdin.buffer, asked, stopping), daemon=True).start()
    speaking = threading.Lock()

    def say(kind: str, said: object) -> None:
        body = pickle.dumps((kind, said))
        with speaking:
            out.write(body)
            out.flush()

    signed_s = time.monotonic()

    def asked_to_stop() -> bool:
        nonlocal signed_s
        if time.monotonic() - signed_s > SIGN_S:
            signed_s = time.monotonic()
            say("on", None)
        return stopping.is_set()

    line = JobContext(tell=lambda said: say("told", said), stopped=asked_to_stop)
    while True:
        body = asked.get()
        try:
            work, given = pickle.loads(body)  # noqa: S301 - of the process that started this one
            say("done", pickle.dumps(work(line, *given)))
        except Exception as err:  # noqa: BLE001 - it is for who asked to say
            say("raised", _handed(err))
        memory.give_back()


def _hear(given: IO[bytes], asked: SimpleQueue[bytes], stopping: threading.Event) -> None:
    while True:
        try:
            said = pickle.load(given)  # noqa: S301 - of the process that started this one
        except Exception:  # noqa: BLE001 - also a request cut off in the middle, or too large for the memory
            os._exit(0)  # it is gone, or needs us no more
        if said is None:
            stopping.set()
        else:
            stopping.clear()  # what it was asked to end has ended
            asked.put(said)


def _handed(err: Exception) -> Exception:
    """Return an error as it can be handed over."""
    if not isinstance(err, BaulkError):
        LOG.error("work beside the asking process failed", exc_info=err)
    with suppress(Exception):
        again = pickle.loads(pickle.dumps(err))  # noqa: S301 - made here
        if type(again) is type(err) and str(again) == str(err):
            return err
    said = str(err) if isinstance(err, BaulkError) else f"{type(err).__name__}: {err}"
    return JobFailed(said)
