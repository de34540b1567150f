"""Whether a timber's finished section still comes out of it, said at once: at its entry, a planing, a cut.

No fit is made. What is known of its moisture is its last evaluation, else its oven-dried section or its wood.
"""

from __future__ import annotations

import numpy as np

from baulk.ingest.evaluation import curves
from baulk.ingest.evaluation.document import Document
from baulk.ingest.evaluation.document_read import document_of
from baulk.ingest.shop import Shop
from baulk.models.allowance.chance import ComesOut
from baulk.models.allowance.parts import INTERVAL_SDS, Wet
from baulk.models.calibrate.parameters import start_of
from baulk.models.openings import kerfed
from baulk.models.reason import Reason
from baulk.models.species import Species
from baulk.models.timber import Timber
from baulk.models.verdict import comes_out
from baulk.models.verdict.comes_out import Recorded


def asked(shop: Shop, tag: str) -> ComesOut:
    """Work out whether a timber's finished section comes out of it, from what is known now.

    Parameters
    ----------
    shop : Shop
        The open shop, only read.
    tag : str
        Which timber.

    Returns
    -------
    ComesOut
        The chance, and the section that does come out, as surely as the shop wants a verdict.
    """
    timber = shop.register.get(tag)
    events = shop.register.events(timber.tag)
    timber = kerfed(timber, events)
    wood, use = shop.woods.species.get(timber.species), shop.woods.use_classes.get(timber.use_class)
    size = comes_out.recorded(timber, events)
    seen = curves.measured(shop, species=wood.name)
    ask = comes_out.asked(timber, wood, size, wanted=shop.config.verdict.probability, seen=seen)
    stored = shop.store.evaluation(timber.tag)
    answer = document_of(stored and stored[1])
    return comes_out.before_a_fit(timber, wood, use, size, ask, wet=_wet(timber, wood, size, answer))


def reason(shop: Shop, tag: str) -> Reason:
    """Return in a code and values what `asked` finds."""
    return comes_out.reason(asked(shop, tag))


def little_left(found: Reason) -> bool:
    """Whether a reason of this module says that little is left, or nothing."""
    return found.code != "verdict.comes_out"


def _wet(timber: Timber, wood: Species, size: Recorded, answer: Document | None) -> Wet:
    """Say how wet a timber was when it had the size that was recorded last."""
    came = size.since_s <= timber.arrived_utc.timestamp()
    if answer is None:
        mean, sd = start_of(timber, wood)
        return Wet(mean_pct=mean, sd_pct=sd)
    if came:
        start = answer.calibration.start_mc_pct
        return Wet(mean_pct=start.median, sd_pct=(start.high - start.low) / INTERVAL_SDS)
    low, middle, high = (
        float(np.interp(size.since_s, answer.history.posix_s, answer.history.mean_pct[row]))
        for row in (0, 2, -1)
    )
    return Wet(mean_pct=middle, sd_pct=(high - low) / INTERVAL_SDS)
