"""Readings of a sensor that moves, out of a data logger's file: each goes to the timber it was on then."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import numpy as np

from baulk.ingest import attribution
from baulk.ingest.exchange.reading_rows import Block
from baulk.ingest.register.register import Attachments
from baulk.models.reading import Series, sensor_flag


def placed(
    block: Block, sensor: str, known: Attachments, arrived_utc: datetime
) -> tuple[list[Block], Iterator[tuple[int, str]]]:
    """Part the readings of a moving sensor by where it was.

    Parameters
    ----------
    block : Block
        Its readings, under its own name.
    sensor : str
        Its name.
    known : Attachments
        Where it was, as the register has it.
    arrived_utc : datetime
        Now.

    Returns
    -------
    blocks : list of Block
        One for each timber, depth and face.
    homeless : iterator of (int, str)
        Index into the block and why, of readings from when it was on nothing.
    """
    groups: dict[Series, list[int]] = {}
    flags: dict[int, tuple[str, ...]] = {}
    homeless: list[tuple[int, str]] = []
    marked = Block(
        series=block.series,
        lines=block.lines,
        taken_us=block.taken_us,
        values=block.values,
        flags=dict.fromkeys(range(len(block.taken_us)), (sensor_flag(sensor),)),
    )
    for n in range(len(block.taken_us)):
        one = marked.reading(n, arrived_utc)
        there = attribution.place(one, known)
        if there is None:
            homeless.append((n, attribution.why_not(one, known)))
        else:
            groups.setdefault(there.series, []).append(n)
            flags[n] = there.flags
    blocks = []
    for series, index in groups.items():
        at = np.array(index, dtype=np.int64)
        blocks.append(
            Block(
                series=series,
                lines=block.lines[at],
                taken_us=block.taken_us[at],
                values=block.values[at],
                flags={k: flags[n] for k, n in enumerate(index)},
            )
        )
    return blocks, iter(homeless)
