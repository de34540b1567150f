"""Chunks of members on every core: the one module of `models` that asks about the machine.

How many threads work changes the time and never the answer.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

_Chunk = TypeVar("_Chunk")


def parallel_for(
    work: Callable[[_Chunk], None], chunks: Sequence[_Chunk], threads: int | None = None
) -> None:
    """Run the chunks on every core, or on `threads`; the compiled code holds no interpreter lock."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    workers = min(len(chunks), cores, threads or cores)
    if workers < 2:
        for chunk in chunks:
            work(chunk)
        return
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, chunks))
