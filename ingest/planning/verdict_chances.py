"""The chances that a timber's stored verdict tells, for plans that are laid beside it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

import numpy as np

from baulk.ingest.evaluation.document_read import document_of
from baulk.ingest.shop import Shop
from baulk.models.constants import DAY_S
from baulk.models.verdict.chances import Chances
from baulk.models.verdict.rule import first_yes

FRESH: Final = timedelta(days=7)  # a verdict is made anew every day that something comes; our own judgement


def of(shop: Shop, tag: str, now_utc: datetime) -> Chances | None:
    """Give the chance of `square` on each date ahead that a timber's last verdict told.

    Parameters
    ----------
    shop : Shop
        The open shop.
    tag : str
        Which timber.
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    Chances or None
        None where no verdict of the last days tells any: none was made, another version made it, or scale and
        pins contradict each other.
    """
    stored = shop.store.evaluation(tag)
    found = document_of(stored and stored[1])
    if found is None or found.verdict.chances is None or now_utc - found.made_utc > FRESH:
        return None
    said, told = found.verdict, found.verdict.chances
    ready = np.array(told.ready)
    return Chances(
        posix_s=found.made_utc.timestamp() + DAY_S * np.array(told.days),
        ready=ready,
        with_room=ready if told.with_room is None else np.array(told.with_room),
        needed=first_yes(said.wanted) if said.needed is None else said.needed,
        needed_with_room=told.needed_with_room,
    )
