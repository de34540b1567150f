"""What is to be looked for and done while a timber lies, gathered from a shop."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

from baulk.ingest.errors import DocumentError
from baulk.ingest.evaluation.document import Document, Summary
from baulk.ingest.evaluation.document_read import parse
from baulk.ingest.shop import Shop
from baulk.models import keeping
from baulk.models.air import AirSeries
from baulk.models.errors import BaulkError
from baulk.models.keeping import Lying
from baulk.models.reason import Reason
from baulk.models.timber import Timber

_MEDIAN: Final = 2  # row of the forecast's quantiles


def look(shop: Shop, tag: str, now_utc: datetime) -> tuple[Reason, ...]:
    """Return what to look for and to do on one timber; nothing before its first evaluation.

    Parameters
    ----------
    shop : Shop
        The open shop, only read.
    tag : str
        Which timber.
    now_utc : datetime
        Now, with a time zone.
    """
    timber = shop.register.get(tag)
    stored = shop.store.evaluation(timber.tag)
    if stored is None:
        return ()
    try:
        found = parse(stored[1])
    except DocumentError:  # a timber that could not be evaluated: nobody knows how wet its shell is
        return ()
    return keeping.remarks(lying(shop, timber, found, air(shop, timber.place, now_utc)), now_utc)


def lying(shop: Shop, timber: Timber, found: Summary, of_place: AirSeries | None) -> Lying:
    """Put together what is known of a timber that lies; a whole document tells when its shell will be dry."""
    return Lying(
        timber=timber,
        wood=shop.woods.species.get(timber.species),
        events=tuple(shop.register.events(timber.tag)),
        shell_pct=found.shell_now_pct.median,
        mean_pct=found.mean_now_pct.median,
        air=of_place,
        shell_dry_utc=_dry(found) if isinstance(found, Document) else None,
    )


def air(shop: Shop, place: str, now_utc: datetime) -> AirSeries | None:
    """Return the air of a place over the days that count; None where too little was measured."""
    try:
        return shop.store.air(place, now_utc - timedelta(days=keeping.LOOKED_BACK_DAYS))
    except BaulkError:
        return None


def _dry(found: Document) -> datetime | None:
    """Return when the median of the shell comes down to what is safe."""
    ahead = found.forecast
    below = (
        at
        for at, each in zip(ahead.posix_s, ahead.shell_pct[_MEDIAN], strict=True)
        if each <= keeping.SAFE_PCT
    )
    first = next(below, None)
    return None if first is None else datetime.fromtimestamp(int(first), UTC)
