"""Which timbers are finished work: those of which an event says so, never those that only may be squared."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from baulk.models.timber import Event, EventKind, Timber

SAW_MM: Final = 3.0  # that a squared piece may be above its finished size; our own judgement, no source
PLACED: Final = frozenset({EventKind.FITTED, EventKind.PRIMED, EventKind.BEDDED, EventKind.LAUNCHED})


def is_finished(timber: Timber, events: Iterable[Event]) -> bool:
    """Whether an event says that a timber is finished.

    Parameters
    ----------
    timber : Timber
        As it is now. [mm]
    events : iterable of Event
        What was done to it.

    Returns
    -------
    bool
        True once it was fitted, primed, bedded or launched, or planed down to its finished size.

    References
    ----------
    None: a rule of this program. A verdict `square` says that it may be squared, not that it was.
    """
    kinds = {each.kind for each in events}
    if kinds & PLACED:
        return True
    section, piece = timber.section, timber.finished
    sizes, wanted = sorted((section.width_mm, section.depth_mm)), sorted((piece.width_mm, piece.depth_mm))
    return EventKind.PLANED in kinds and all(
        size <= want + SAW_MM for size, want in zip(sizes, wanted, strict=True)
    )
