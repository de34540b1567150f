"""What was seen of a timber's checks against what its kept evaluations had foretold."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from baulk.ingest.evaluation.document import Summary
from baulk.ingest.evaluation.document_read import summary_of
from baulk.ingest.shop import Shop
from baulk.models import openings
from baulk.models.openings import Opening
from baulk.models.reason import Reason
from baulk.models.surface import account
from baulk.models.surface.account import Told
from baulk.models.surface.margin import UnderTold
from baulk.models.timber import Event


def look(shop: Shop, tag: str) -> tuple[tuple[Opening, ...], tuple[Reason, ...]]:
    """Read a timber's checks and hold its margin to account.

    Parameters
    ----------
    shop : Shop
        The open shop, only read.
    tag : str
        Which timber.

    Returns
    -------
    openings : tuple of Opening
        Every check, shake and split. [mm]
    reasons : tuple of Reason
        How the margin stood what was seen; none where nobody looked.
    """
    timber = shop.register.get(tag)
    found = openings.seen(shop.register.events(timber.tag))
    if not found:
        return (), ()
    return found, account.reasons(account.looks(found, _foretold(shop, timber.tag), timber.arrived_utc))


def under_told(shop: Shop, tag: str, events: Sequence[Event], now_utc: datetime) -> UnderTold | None:
    """Say how far a timber's margin told too little, by what was seen of its checks until now.

    Parameters
    ----------
    shop : Shop
        The open shop, only read.
    tag : str
        Which timber, as the register writes it.
    events : sequence of Event
        Its events until now.
    now_utc : datetime
        Now, with a time zone.
    """
    found = openings.seen(events)
    if sum(len(each.days) for each in found) < account.FEWEST_GROWN:
        return None
    came_utc = shop.register.get(tag).arrived_utc
    return account.under_told(account.looks(found, _foretold(shop, tag, now_utc), came_utc))


def _foretold(shop: Shop, tag: str, now_utc: datetime | None = None) -> list[Told]:
    kept = [
        (each.made_utc, summary_of(each.payload))
        for each in shop.store.past_evaluations(tag)
        if now_utc is None or each.made_utc <= now_utc
    ]
    return [one for at_utc, each in kept if (one := _told(at_utc, each)) is not None]


def _told(made_utc: datetime, earlier: Summary | None) -> Told | None:
    """Return what an evaluation foretold; a chance counts only while damage is decided."""
    if earlier is None or earlier.checking is None or earlier.checking.ahead is None:
        return None
    ahead, deciding = earlier.checking.ahead, earlier.checking.deciding
    chance = tuple(each if deciding else 0.0 for each in ahead.chance)
    return Told(made_utc=made_utc, posix_s=ahead.posix_s, chance=chance)
