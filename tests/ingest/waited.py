"""Waiting for what another thread or process does."""

from __future__ import annotations

import time


def until(true, seconds=20.0):
    """Whether something came true in that time."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if true():
            return True
        time.sleep(0.03)
    return False
