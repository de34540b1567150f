"""What is freed goes back to the machine."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from baulk.ingest import memory


def resident_kb() -> int:
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="told by /proc")
def test_what_is_freed_goes_back_to_the_machine():
    small = [
        bytes(2000) + bytes([k % 256]) for k in range(40_000)
    ]  # 80 MB, each too small for a map of its own
    kept = small[::400]
    del small
    if not memory.give_back():
        pytest.skip("another C library")
    before = resident_kb()
    before = resident_kb()
    small = [bytes(2000) + bytes([k % 256]) for k in range(40_000)]  # too small for maps of their own
    kept = small[::400]  # so that the C library can't give all of it back by itself
    full = resident_kb()
    del small
    if not memory.give_back():
        pytest.skip("another C library")
    assert full - before > 60_000
    assert resident_kb() - before < 0.3 * (full - before)
    assert len(kept) == 100
