"""Waiting for what another thread or process does."""

from __future__ import annotations

import time


def until(true, seconds=60.0):
    """Whether something came true in that time; it is long, for who succeeds does not wait for it."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.03)
    return False
