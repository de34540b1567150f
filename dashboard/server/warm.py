"""What the first visitor of each page would wait for is loaded once the server has been up for a while.

Not sooner: loaded beside the start it took turns with it, and the first page came a quarter later.
"""

from __future__ import annotations

import asyncio
import gc
import importlib
from typing import Final

from baulk.ingest import memory

AFTER_S: Final = 6.0  # a first page that was asked for at once has been drawn by then
SLOW: Final = (
    "altair",
    "baulk.dashboard.queries.yard_rows",
    "baulk.dashboard.sections.notices",
    "baulk.dashboard.sections.forecast_review",
    "baulk.dashboard.sections.what_if",
    "baulk.dashboard.sections.downloads",
    "baulk.dashboard.sections.humidity_plan",
    "baulk.ingest.planning.sawing",
)


async def later() -> None:
    """Wait, then load; the loop goes on meanwhile."""
    await asyncio.sleep(AFTER_S)
    await asyncio.to_thread(load)


def load() -> None:
    """Load the slow parts, hand back what that left over, and look for waste again from now on."""
    for name in SLOW:
        importlib.import_module(name)
    memory.give_back()
    gc.freeze()
    gc.enable()
