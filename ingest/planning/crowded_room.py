"""Which timbers of a crowded room are worked out, by what is known before any is."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

import numpy as np

from baulk.ingest.evaluation.document_read import summary_of
from baulk.ingest.shop import Shop
from baulk.models.plan.humidity.finished import is_finished
from baulk.models.plan.humidity.representatives import MOST, Candidate, chosen
from baulk.models.timber import Event, Timber

ALIKE_MM: Final = 25.0  # of thickness, within which timbers dry alike; our own judgement, no source


def representatives(shop: Shop, here: Sequence[Timber], wanted: Collection[str]) -> dict[str, float]:
    """Choose the timbers of a room to work out, and for how many each stands.

    Parameters
    ----------
    shop : Shop
        The open shop, only read.
    here : sequence of Timber
        Every timber of the room.
    wanted : collection of str
        Tags in lower case that a person named: each is worked out.

    Returns
    -------
    dict of str to float
        As `baulk.models.plan.humidity.representatives.chosen`. [-]
    """
    if len(here) <= MOST:
        return {each.tag: 1.0 for each in here}
    events: dict[str, list[Event]] = {}
    for event in shop.register.events():
        events.setdefault(event.tag, []).append(event)
    found = [_candidate(shop, each, events.get(each.tag, ())) for each in here]
    return chosen(found, always={each.tag for each in here if each.tag.lower() in wanted})


def _candidate(shop: Shop, timber: Timber, events: Sequence[Event]) -> Candidate:
    stored = shop.store.evaluation(timber.tag)
    told = None if stored is None else summary_of(stored[1])
    section, piece = timber.section, timber.finished
    state = "finished" if is_finished(timber, events) else "green" if told is None else told.verdict.step
    thickness = round(min(section.width_mm, section.depth_mm) / ALIKE_MM)
    return Candidate(
        tag=timber.tag,
        kind=(timber.species, state, timber.use_class, thickness, piece.width_mm, piece.depth_mm),
        wet=np.inf if told is None else told.core_now_pct.median,
        volume_m3=section.width_mm * section.depth_mm * timber.length_mm / 1e9,
    )
