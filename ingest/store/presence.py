"""Sensors that have said, or of whom the broker has said, that they are away: notes of the store."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from baulk.ingest.store import Store
from baulk.ingest.wire.message import Told

_KEY: Final = "presence/"


@dataclass(frozen=True, slots=True, kw_only=True)
class Presence:
    """What was said last of a sensor itself.

    Parameters
    ----------
    about : str
        ``timber/TAG``, ``air/PLACE`` or ``sensor/NAME``.
    away : bool
        Whether it is away, else it is there.
    since_utc : datetime
        When that was heard first.
    """

    about: str
    away: bool
    since_utc: datetime


def keep(store: Store, told: Told, now_utc: datetime) -> None:
    """Keep what was said of a sensor; said again, the first time stays."""
    known = _read(told.about, store.noted(_KEY + told.about))
    if known is None or known.away != told.away:
        body = {"away": told.away, "since_utc": now_utc.isoformat()}
        store.note(_KEY + told.about, json.dumps(body).encode())


def all_of(store: Store) -> dict[str, Presence]:
    """Give what was said last, by what it is about."""
    notes = {key.removeprefix(_KEY): note for key, note in store.notes(_KEY).items()}
    return {about: one for about, note in notes.items() if (one := _read(about, note)) is not None}


def _read(about: str, note: bytes | None) -> Presence | None:
    try:
        body = json.loads(note or b"null")
        since = datetime.fromisoformat(body["since_utc"])
        return Presence(about=about, away=body["away"] is True, since_utc=since)
    except (KeyError, TypeError, ValueError):  # none, or another version's
        return None
