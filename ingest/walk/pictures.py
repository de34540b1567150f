"""A photograph of a timber that was taken on the walk: kept once, however often it is sent."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from typing import Final

from baulk.ingest import photos
from baulk.ingest.shop import Shop
from baulk.ingest.walk.arrivals import ID, KEPT
from baulk.models.errors import OutOfRange

NOTE: Final = "picture/"


def keep(  # noqa: PLR0913 - what a phone sends
    shop: Shop, key: str, tag: str, picture: bytes, *, age_s: float, now_utc: datetime, by: str = ""
) -> None:
    """Keep a photograph of a timber, once.

    Parameters
    ----------
    shop : Shop
        The open shop.
    key : str
        The picture's own name, for good: 8 to 64 letters, digits and dashes.
    tag : str
        Which timber.
    picture : bytes
        JPEG or PNG.
    age_s : float
        How long ago it was taken, by one and the same clock; 0 to the time that such notes are kept. [s]
    now_utc : datetime
        Now, with a time zone.
    by : str
        Who took it.

    Raises
    ------
    OutOfRange
        If it has no proper name, or lay longer than notes are kept.
    RegisterError
        If there is no such timber, or the picture can't be read or kept.
    """
    if not ID.fullmatch(key):
        raise OutOfRange("a picture", "is named by 8 to 64 letters, digits and dashes")
    if not 0 <= age_s <= KEPT.total_seconds():
        raise OutOfRange("the age of a picture", f"is 0 to {KEPT.days} days")
    if shop.store.noted(NOTE + key) is not None:
        return
    taken_utc = now_utc - timedelta(seconds=age_s)
    photos.keep(shop, tag, picture, now_utc=taken_utc, by=by)
    shop.store.note(NOTE + key, json.dumps(now_utc.isoformat()).encode())
    since = (now_utc - KEPT).isoformat()
    old = [name for name, body in shop.store.notes(NOTE).items() if json.loads(body) < since]
    if old:
        shop.store.forget(*old)
