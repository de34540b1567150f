"""The process beside the page server that works out what a person asks: its 100 MB go with it."""

from __future__ import annotations

import atexit
from collections.abc import Callable
from typing import Any, Final, TypeVar

from baulk.ingest.aside import Aside, Work

T = TypeVar("T")
_ASIDE: Final = Aside()
atexit.register(_ASIDE.close)  # where the server ends by itself; a signal leaves it no time for this


def worked_out(work: Work[..., T], *given: object, told: Callable[[Any], None] = lambda _: None) -> T:
    """Have something worked out; who asks meanwhile waits in line.

    Parameters
    ----------
    work : callable
        A function of `baulk.ingest.planning.worked_aside`.
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
    return _ASIDE.run(work, *given, told=told)


def ahead() -> None:
    """Have the process come while a person still reads or types; return at once.

    For what a person opens, never for what a page draws by itself: it stays for two minutes. What is opened
    and asked for within those meets it loaded.
    """
    from baulk.ingest.planning import worked_aside  # noqa: PLC0415 - the first page needs none of it

    _ASIDE.ahead(worked_aside.ready)


def end() -> None:
    """End the process now, whatever it works out: nothing that a person tries is kept before it is done."""
    _ASIDE.close()
