"""What the first visitor of each page would wait for is loaded once the server is quiet.

Paper and photographs are not among it: they take 11 MB, and a quarter of a second once.

Not sooner: loaded beside the start it took turns with it, and the first page came a quarter later.
"""

from __future__ import annotations

import asyncio
import gc
import importlib
import time
from typing import Final

from baulk.ingest import memory

LOOK_S: Final = 4.0
QUIET: Final = 0.1  # of a core: what was asked for at once has been drawn
LONGEST_S: Final = 120.0  # a server that is never quiet has loaded most of it for its visitors
SLOW: Final = (
    "altair",
    "baulk.dashboard.queries.yard_rows",
    "baulk.dashboard.sections.notices",
    "baulk.dashboard.sections.forecast_review",
    "baulk.dashboard.sections.what_if",
    "baulk.dashboard.sections.humidity_plan",
    "baulk.ingest.planning.sawing",
)


async def later() -> None:
    """Wait until the server is quiet, then load; the loop goes on meanwhile."""
    used, began = time.process_time(), time.monotonic()
    while True:
        await asyncio.sleep(LOOK_S)
        before, used = used, time.process_time()
        if used - before < QUIET * LOOK_S or time.monotonic() - began > LONGEST_S:
            break
    await asyncio.to_thread(load)


def load() -> None:
    """Load the slow parts, hand back what that left over, and look for waste again from now on."""
    for name in SLOW:
        importlib.import_module(name)
    memory.give_back()
    gc.freeze()
    gc.enable()
