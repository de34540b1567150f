"""The timbers of a room that stand for all while a schedule is searched.

A search holds some hundred schedules against every timber, so that a night's plan of a shed of hundreds would
take an hour of one core. What is found is held by all of them all the same: their surfaces bound the air of
every week, and what it brings is worked out and told for each.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from baulk.models.plan.humidity.timbers import Stock

SEARCHED: Final = 24  # timbers that a search looks at; our own judgement, no source


def standing_for(targets: Sequence[Stock], count: int = SEARCHED) -> tuple[Stock, ...]:
    """Choose the timbers that stand for all in a search, whose cost would grow with the yard otherwise.

    Parameters
    ----------
    targets : sequence of Stock
        Those to be brought to their square.
    count : int
        The most that are chosen, at least 1.

    Returns
    -------
    tuple of Stock
        All of them up to `count`; beyond, every so many'th by species, section and moisture.

    References
    ----------
    None: systematic sampling of an ordered list, textbook knowledge.
    """
    if len(targets) <= count:
        return tuple(targets)
    ordered = sorted(targets, key=_kind)
    return tuple(ordered[i] for i in ((np.arange(count) + 0.5) * len(ordered) / count).astype(int).tolist())


def _kind(stock: Stock) -> tuple[str, float, float, str]:
    section = stock.timber.section
    return (
        stock.timber.species,
        min(section.width_mm, section.depth_mm),
        float(np.median(stock.start.mean_pct)),
        stock.tag,
    )
