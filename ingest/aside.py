"""Work in a process beside this one, which comes when there is some and goes a while after.

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
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import IO, Any, Concatenate, Final, ParamSpec, TypeVar

from baulk.ingest import memory
from baulk.models.errors import BaulkError

LOG: Final = logging.getLogger(__name__)
IDLE_S: Final = 120.0  # who tries one thing tries another; its start takes about two seconds of a processor
GRACE_S: Final = 2.0  # to see that its input has ended
TURN_S: Final = 0.5  # between two looks whether to stop
FIRST_TO_GO: Final = 500  # of 1000, where memory runs out: rather this process than one that hears or answers
_OURS: Final = "from baulk.ingest import aside; aside.main()"

P = ParamSpec("P")
T = TypeVar("T")


class Gone(BaulkError):
    """The process beside this one ended before it had answered."""


class Fault(BaulkError):
    """What went wrong beside this process and can't be handed over as it was; its log has the details."""


@dataclass(frozen=True, slots=True)
class Line:
    """What work has to the process that asked for it.

    Parameters
    ----------
    tell : callable
        Says how far it is, in anything that can be pickled.
    stopped : callable
        Whether it is asked to end early.
    """

    tell: Callable[[Any], None]
    stopped: Callable[[], bool]


Work = Callable[Concatenate[Line, P], T]


class Aside:
    """A process beside this one, for one piece of work after the other; whoever comes meanwhile waits.

    Parameters
    ----------
    idle_s : float
        How long it stays when there is no work. [s]
    """

    def __init__(self, *, idle_s: float = IDLE_S) -> None:
        self._idle_s = idle_s
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
    ) -> T:
        """Have some work done, and wait for it.

        Parameters
        ----------
        work : callable
            A function of a module; takes a `Line`, then what is given.
        *given : object
            Whatever can be pickled.
        told : callable, optional
            Called with what the work tells.
        stopped : callable, optional
            Asked now and then; once it says yes, the work is asked to end early.

        Returns
        -------
        object
            What the work gave.

        Raises
        ------
        Gone
            If the process ended before it had answered.
        Exception
            Whatever the work raised.
        """
        with self._busy:
            if self._leaving is not None:
                self._leaving.cancel()
            child = self._living()
            try:
                found: T = child.answer((work, given), told, stopped)
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

    def close(self) -> None:
        """End it now."""
        if self._leaving is not None:
            self._leaving.cancel()
        if self._child is not None:
            self._child.end()
            self._child = None

    def _living(self) -> _Child:
        if self._child is not None and self.pid is None:
            self._child.end()  # it was ended while it had nothing to do
            self._child = None
        if self._child is None:
            self._child = _Child()
        return self._child

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
        self._listener = threading.Thread(target=self._listen, daemon=True, name="aside")
        self._listener.start()

    def _listen(self) -> None:
        assert self.process.stdout is not None  # noqa: S101 - for the type checker
        with self.process.stdout as given, suppress(EOFError, OSError, pickle.UnpicklingError, ValueError):
            while True:
                self._heard.put(pickle.load(given))  # noqa: S301 - our own process
        self._heard.put(("gone", None))

    def _say(self, what: object) -> None:
        assert self.process.stdin is not None  # noqa: S101 - for the type checker
        with suppress(BrokenPipeError):  # that it is gone is heard as well
            self.process.stdin.write(pickle.dumps(what))
            self.process.stdin.flush()

    def answer(self, asked: object, told: Callable[[Any], None], stopped: Callable[[], bool]) -> Any:  # noqa: ANN401
        body = pickle.dumps(asked)
        self.owes, stopping = True, False
        self._say(body)
        while True:
            if not stopping and stopped():
                self._say(None)
                stopping = True
            try:
                kind, said = self._heard.get(timeout=TURN_S)
            except Empty:
                continue
            if kind == "told":
                told(said)
                continue
            self.owes = False
            if kind == "done":
                return pickle.loads(said)  # noqa: S301 - our own process
            if kind == "raised":
                raise said
            raise Gone(f"the process that works out {_ended(self.process.wait())}")

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
            return f"was ended from outside or had no memory left ({signal.Signals(-code).name})"
    return f"ended by itself ({code})"


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

    line = Line(tell=lambda said: say("told", said), stopped=stopping.is_set)
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
        except (EOFError, OSError):
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
    return Fault(said)
