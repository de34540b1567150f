"""Thinning of old sensor readings, as [store] thin_after_days asks for: once a day, in the quiet hours."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Final

from baulk.ingest.shop import Shop

KEY: Final = "thinned"  # of the note that says when
_NIGHT: Final = range(5)  # hours of this machine's clock


def due(shop: Shop, now_utc: datetime) -> bool:
    """Whether the settings ask for thinning and it was not done tonight, or by day for two days."""
    return shop.config.store.thin_after_days is not None and tonight(shop, KEY, now_utc)


def tonight(shop: Shop, key: str, now_utc: datetime) -> bool:
    """Whether what every night does was not done tonight, or by day for two days; a note says when."""
    noted = shop.store.noted(key)
    if noted is None:
        return True
    since = now_utc - datetime.fromisoformat(noted.decode())
    return since > timedelta(hours=20 if now_utc.astimezone().hour in _NIGHT else 48) or since < timedelta(0)


def nightly(shop: Shop, now_utc: datetime) -> int:
    """Thin if it is due; return how many readings went.

    Parameters
    ----------
    shop : Shop
        The open shop.
    now_utc : datetime
        Now, with a time zone.
    """
    part = shop.config.store
    if part.thin_after_days is None or not due(shop, now_utc):
        return 0
    gone = shop.store.thin(now_utc, keep_days=part.thin_after_days, to=part.thin_to)
    shop.store.note(KEY, now_utc.astimezone(UTC).isoformat().encode())
    return gone
