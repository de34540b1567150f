"""Timbers that bear each other's tags, or sensors that were put back on the wrong one, across the yard.

Only timbers whose own fit says that all their series stepped at once are looked at, and only pairs of them
that stepped at the same time as far as their readings can tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import combinations
from typing import Final

from baulk.ingest.evaluation import compute, document_read, fit_store, gather
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes
from baulk.ingest.store.base import StoredEvaluation
from baulk.ingest.store.notes import Swapped
from baulk.models.calibrate import calibration
from baulk.models.calibrate.calibration import Calibration, Swap
from baulk.models.constants import DAY_S
from baulk.models.errors import BaulkError

MOST_PAIRS: Final = 20
APART_S: Final = DAY_S


@dataclass(frozen=True, slots=True, kw_only=True)
class _Step:
    """A timber whose readings stepped, between the last reading before and the first one after."""

    tag: str
    first_s: float
    last_s: float

    def apart_s(self, other: _Step) -> float:
        """Time between the two steps at the least."""
        return max(self.first_s, other.first_s) - min(self.last_s, other.last_s)


def look(shop: Shop, now_utc: datetime) -> list[Swap]:
    """Look for timbers that read each other's wood, and keep what was found.

    Parameters
    ----------
    shop : Shop
        The open shop; its stored evaluations say who is to be looked at.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    list of Swap
        The surest first; a timber stands in one pair only.
    """
    pairs = _pairs(shop)
    fits: dict[str, Calibration | None] = {}
    for tag in dict.fromkeys(tag for pair in pairs for tag in pair):
        fits[tag] = _fit(shop, tag, now_utc)
    swaps = []
    for one, two in pairs:
        a, b = fits[one], fits[two]
        if a is not None and b is not None and (swap := calibration.swapped(a, b)) is not None:
            swaps.append(swap)
    best: list[Swap] = []
    for swap in sorted(swaps, key=lambda each: each.gain, reverse=True):
        if not any(tag in other.tags for other in best for tag in swap.tags):
            best.append(swap)
    before = notes.swaps(shop.store)
    since = {each.tags: each.found_utc for each in before}
    found = tuple(
        Swapped(tags=each.tags, reason=each.reason, found_utc=since.get(each.tags, now_utc)) for each in best
    )
    if found != before:
        notes.keep_swaps(shop.store, found)
    return best


def _pairs(shop: Shop) -> list[tuple[str, str]]:
    """Give the pairs that are worth a look, those whose steps lie nearest first."""
    standing = {timber.tag for timber in shop.register.list()}
    steps = [
        step
        for stored in shop.store.evaluations()
        if stored.tag in standing and (step := _step(stored)) is not None
    ]
    near = [
        (max(one.apart_s(two), 0.0), abs(one.last_s - two.last_s), (one.tag, two.tag))
        for one, two in combinations(steps, 2)
        if one.apart_s(two) <= APART_S
    ]
    return [pair for *_, pair in sorted(near)[:MOST_PAIRS]]


def _step(stored: StoredEvaluation) -> _Step | None:
    found = document_read.document_of(stored.payload)
    if found is None or found.calibration.stepped_posix_s is None:
        return None
    last = found.calibration.stepped_posix_s
    earlier = [each.posix_s for each in found.readings if each.posix_s < last]
    return _Step(tag=stored.tag, first_s=max(earlier, default=last), last_s=last)


def _fit(shop: Shop, tag: str, now_utc: datetime) -> Calibration | None:
    try:
        inputs = gather.gather(tag, shop, now_utc, resume=True)
        return compute.fitted_to(inputs, fit_store.taken_up(inputs))
    except BaulkError:  # its own evaluation says why
        return None
