"""What systemd is told by a part that it runs: that it is ready, that it lives, that it ends.

The protocol is one datagram of `NAME=value` lines to the socket named in the environment (sd_notify(3)).
Without that name, which is everywhere but under systemd, nothing is sent. No library: the small one on the
package index has had no release since 2017, and the other needs systemd's headers to be built.
"""

from __future__ import annotations

import os
import socket
import time
from contextlib import suppress
from typing import Final

_SOCKET: Final = "NOTIFY_SOCKET"
_WATCHDOG: Final = "WATCHDOG_USEC"
_MAIN: Final = "WATCHDOG_PID"
_OFTEN: Final = 4.0  # times within the watchdog's patience; systemd itself advises two
_last: float = float("-inf")


def ready(status: str = "") -> None:
    """Tell that the part does its work from now on.

    Parameters
    ----------
    status : str
        One line that ``systemctl status`` shows.
    """
    _send("READY=1" + (f"\nSTATUS={' '.join(status.split())}" if status else ""))


def alive() -> None:
    """Tell that the part still goes round; called from its own loop, as often as that likes."""
    global _last  # noqa: PLW0603 - one watchdog a process, as systemd sees it
    every = patience_s() / _OFTEN
    if not every or time.monotonic() - _last < every:
        return
    _last = time.monotonic()
    _send("WATCHDOG=1")


def ending() -> None:
    """Tell that the part is about to end because it was asked to."""
    _send("STOPPING=1")


def patience_s() -> float:
    """Return how long systemd waits for `alive` before it starts us anew [s]; 0 if it does not watch."""
    whom = os.environ.get(_MAIN)
    if whom is not None and whom != str(os.getpid()):
        return 0.0  # it watches our parent, whose environment we have
    try:
        return max(0.0, float(os.environ.get(_WATCHDOG, "0")) / 1e6)
    except ValueError:
        return 0.0


def _send(words: str) -> None:
    where = os.environ.get(_SOCKET)
    if not where:
        return
    address = f"\0{where[1:]}" if where.startswith("@") else where
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
        out.sendto(words.encode(), address)
