"""Readings that a person entered while their server was away: kept in the books until it is back."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Final

from baulk.models.reading import Reading, Series

WAITING: Final = "waiting/"


def key_of(one: Reading) -> str:
    """Name the note of a reading; the same one twice is one note."""
    return f"{WAITING}{one.series}/{one.taken_utc.isoformat()}/{one.value!r}"


def packed(one: Reading) -> bytes:
    """Write a reading for a note."""
    body = {
        "series": str(one.series),
        "value": one.value,
        "taken_utc": one.taken_utc.isoformat(),
        "arrived_utc": one.arrived_utc.isoformat(),
        "source": one.source,
        "flags": one.flags,
    }
    return json.dumps(body).encode()


def unpacked(note: bytes) -> Reading:
    """Give the reading of a note."""
    body = json.loads(note)
    return Reading(
        series=Series.parse(body["series"]),
        value=body["value"],
        taken_utc=datetime.fromisoformat(body["taken_utc"]),
        arrived_utc=datetime.fromisoformat(body["arrived_utc"]),
        source=body["source"],
        flags=tuple(body["flags"]),
    )
