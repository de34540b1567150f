"""Readings that a person entered while their server was away: kept in the books until it is back."""

from __future__ import annotations

import json
from typing import Final

from baulk.ingest.store.reading_body import note_of, reading_of_note
from baulk.models.reading import Reading

WAITING: Final = "waiting/"


def key_of(one: Reading) -> str:
    """Name the note of a reading; the same one twice is one note."""
    return f"{WAITING}{one.series}/{one.taken_utc.isoformat()}/{one.value!r}"


def packed(one: Reading) -> bytes:
    """Write a reading for a note."""
    return json.dumps(note_of(one)).encode()


def unpacked(note: bytes) -> Reading:
    """Give the reading of a note."""
    return reading_of_note(json.loads(note))
