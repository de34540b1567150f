"""Which timbers of a place with many are worked out, by what is known before any is."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Final

import numpy as np

from baulk.ingest.evaluation.document_read import failure_of, summary_of
from baulk.ingest.shop import Shop
from baulk.models.plan.humidity.finished import is_finished
from baulk.models.plan.humidity.representatives import MOST, Candidate, sample
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
        As `baulk.models.plan.humidity.representatives.sample`; besides, with 1, those that could not be
        worked out last. [-]
    """
    if len(here) <= MOST:
        return {each.tag: 1.0 for each in here}
    events: dict[str, list[Event]] = {}
    for event in shop.register.events():
        events.setdefault(event.tag, []).append(event)
    named = {each.tag for each in here if each.tag.lower() in wanted}
    found, kept, failed = [], {}, {}
    for timber in here:
        stored = shop.store.evaluation(timber.tag)
        if stored is not None and failure_of(stored[1]) is not None and timber.tag not in named:
            failed[timber.tag] = 1.0  # tried as in any room, and told why where it fails again
            continue
        finished = is_finished(timber, events.get(timber.tag, ()))
        if finished:  # what it tolerates goes by these, and the tightest has to be in
            piece = timber.finished
            kept[timber.species, timber.use_class, piece.width_mm, piece.depth_mm] = timber.tag
        found.append(_candidate(timber, None if stored is None else stored[1], finished=finished))
    return failed | sample(found, always=named | set(kept.values()))


def _candidate(timber: Timber, stored: bytes | None, *, finished: bool) -> Candidate:
    told = summary_of(stored)
    section, piece = timber.section, timber.finished
    state = "finished" if finished else "green" if told is None else told.verdict.step
    thickness = round(min(section.width_mm, section.depth_mm) / ALIKE_MM)
    return Candidate(
        tag=timber.tag,
        kind=(timber.species, state, thickness, timber.use_class, piece.width_mm, piece.depth_mm),
        mean_mc_pct=np.inf if told is None else told.mean_now_pct.median,
        volume_m3=section.width_mm * section.depth_mm * timber.length_mm / 1e9,
    )
