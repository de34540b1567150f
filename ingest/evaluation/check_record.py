"""What was seen of a timber's checks against what its kept evaluations had foretold."""

from __future__ import annotations

from datetime import datetime

from baulk.ingest.evaluation.document import Summary, summary_of
from baulk.ingest.shop import Shop
from baulk.models import openings
from baulk.models.openings import Opening
from baulk.models.reason import Reason
from baulk.models.surface import account
from baulk.models.surface.account import Told


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
    kept = [(each.made_utc, summary_of(each.payload)) for each in shop.store.past_evaluations(timber.tag)]
    told = [one for at_utc, each in kept if (one := _told(at_utc, each)) is not None]
    return found, account.reasons(account.looks(found, told, timber.arrived_utc))


def _told(made_utc: datetime, earlier: Summary | None) -> Told | None:
    """Return what an evaluation foretold; a chance counts only while damage is decided."""
    if earlier is None or earlier.checking is None or earlier.checking.ahead is None:
        return None
    ahead, deciding = earlier.checking.ahead, earlier.checking.deciding
    chance = tuple(each if deciding else 0.0 for each in ahead.chance)
    return Told(made_utc=made_utc, posix_s=ahead.posix_s, chance=chance)
