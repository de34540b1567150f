"""Child processes that are started together, watched, and always ended."""

from __future__ import annotations

import ctypes
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import IO, Self

from baulk.models.errors import BaulkError

GRACE_S = 8.0
MOST_RESTARTS = 5


class ChildGone(BaulkError):
    """A part of the program ended by itself and could not be kept running."""


@dataclass(slots=True)
class Child:
    """One process, how it was started, and where its words go."""

    name: str
    argv: list[str]
    log: Path
    process: subprocess.Popen[bytes]
    restarts: int = 0
    once: bool = False

    @property
    def last_words(self) -> str:
        """The last line it wrote."""
        with suppress(OSError):
            lines = [line for line in self.log.read_text(errors="replace").splitlines() if line.strip()]
            if lines:
                return lines[-1].strip()
        return "it said nothing"


@dataclass(slots=True)
class Children:
    """A context in which child processes live; leaving it ends all of them, the youngest first.

    Parameters
    ----------
    logs : Path
        Folder for what they write, one file each.
    """

    logs: Path
    running: list[Child] = field(default_factory=list)

    def __enter__(self) -> Self:
        self.logs.mkdir(parents=True, exist_ok=True)
        return self

    def __exit__(self, *_: object) -> None:
        self.end()

    def start(self, name: str, argv: Sequence[str], *, once: bool = False) -> Child:
        """Start one in a session of its own: a Ctrl-C reaches us alone, and we end them in order.

        Parameters
        ----------
        name : str
            What it is called in sentences and in the log folder.
        argv : sequence of str
            Program and arguments.
        once : bool
            Whether it ends by itself when it is done, and is not to be started again.

        Returns
        -------
        Child
            The running process.
        """
        log = self.logs / f"{name.replace(' ', '-')}.log"
        with log.open("ab") as out:
            child = Child(name, list(argv), log, _spawn(argv, out), once=once)
        self.running.append(child)
        return child

    def wait_for(self, child: Child, ready: Callable[[], bool], *, seconds: float) -> None:
        """Wait until a child is ready.

        Raises
        ------
        ChildGone
            If it ends instead, or takes longer.
        """
        until = time.monotonic() + seconds
        while not ready():
            if child.process.poll() is not None:
                raise ChildGone(f"the {child.name} ended while starting: {child.last_words}")
            if time.monotonic() > until:
                raise ChildGone(f"the {child.name} was not ready within {seconds:.0f} s: {child.last_words}")
            time.sleep(0.05)

    def mend(self) -> None:
        """Start again what has ended by itself.

        Raises
        ------
        ChildGone
            If it has ended too often.
        """
        for child in self.running:
            if child.once or child.process.poll() is None:
                continue
            if child.restarts >= MOST_RESTARTS:
                raise ChildGone(
                    f"the {child.name} ended {child.restarts + 1} times, at last with: {child.last_words}"
                )
            child.restarts += 1
            time.sleep(min(2.0, 0.5 * child.restarts))
            with child.log.open("ab") as out:
                child.process = _spawn(child.argv, out)

    def again(self, name: str) -> None:
        """End the one of a name as gently as all are ended, and start it anew, which counts as no failure."""
        for child in self.running:
            if child.name == name:
                _signal(child, signal.SIGTERM)
                with suppress(subprocess.TimeoutExpired):
                    child.process.wait(GRACE_S)
                _signal(child, signal.SIGKILL)
                child.process.wait()
                with child.log.open("ab") as out:
                    child.process = _spawn(child.argv, out)

    def end(self) -> None:
        """End all, the youngest first: asked to, and after a grace made to."""
        for child in reversed(self.running):
            _signal(child, signal.SIGTERM)
        until = time.monotonic() + GRACE_S
        for child in reversed(self.running):
            with suppress(subprocess.TimeoutExpired):
                child.process.wait(max(0.1, until - time.monotonic()))
            _signal(child, signal.SIGKILL)  # also what it may have started itself
            child.process.wait()
        self.running.clear()


@contextmanager
def stop_signals() -> Iterator[threading.Event]:
    """Give an event that Ctrl-C or SIGTERM sets; a second one of them is obeyed at once.

    A handler runs in the main thread, between any two of its steps, and so must not set the event itself: the
    main thread may be inside `Event.wait` and hold the event's lock, and would wait for itself for ever.
    """
    stop, asked = threading.Event(), False
    ours, theirs = socket.socketpair()

    def ask(_number: int, _frame: FrameType | None) -> None:
        nonlocal asked
        if asked:
            raise KeyboardInterrupt
        asked = True
        theirs.send(b"\0")

    def listen() -> None:
        if ours.recv(1):  # empty when the other end was closed
            stop.set()

    listener = threading.Thread(target=listen, name="stop-signals", daemon=True)
    listener.start()
    before = {number: signal.signal(number, ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        theirs.close()
        listener.join(1.0)
        ours.close()


def ourselves(*arguments: str) -> list[str]:
    """Return the words that start another command of this program."""
    return [sys.executable, "-P", "-m", "baulk.dashboard.commands", *arguments]


def _spawn(argv: Sequence[str], out: IO[bytes]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(  # noqa: S603 - our own words, no shell
        list(argv),
        stdin=subprocess.DEVNULL,
        stdout=out,
        stderr=subprocess.STDOUT,
        start_new_session=True,
        preexec_fn=_end_with_parent if sys.platform == "linux" else None,  # noqa: PLW1509 - one system call
    )


def _end_with_parent() -> None:
    """Have Linux end this process when the one that started it is killed without a chance to do so."""
    end_signal_of_parent = 1  # PR_SET_PDEATHSIG
    ctypes.CDLL(None).prctl(end_signal_of_parent, signal.SIGTERM)


def _signal(child: Child, number: signal.Signals) -> None:
    with suppress(ProcessLookupError, PermissionError):
        os.killpg(child.process.pid, number)
