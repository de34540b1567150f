"""A reading as JSON has it, where it waits as a message or stands in a note."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from baulk.models.reading import Reading, Series


def body_of(reading: Reading) -> dict[str, Any]:
    """Return a reading as JSON has it, but for its arrival, which a message tells apart."""
    return {
        "series": str(reading.series),
        "value": reading.value,
        "taken_utc": reading.taken_utc.isoformat(),
        "source": reading.source,
        "flags": list(reading.flags),
    }


def reading_of(body: Mapping[str, Any], arrived_utc: datetime) -> Reading:
    """Return the reading that JSON has.

    Parameters
    ----------
    body : mapping
        As `body_of` made it.
    arrived_utc : datetime
        When it arrived, with a time zone.

    Raises
    ------
    KeyError, TypeError, ValueError, AttributeError, BaulkError
        If it is no such thing.
    """
    return Reading(
        series=Series.parse(body["series"]),
        value=float(body["value"]),
        taken_utc=datetime.fromisoformat(body["taken_utc"]),
        arrived_utc=arrived_utc,
        source=str(body["source"]),
        flags=tuple(str(flag) for flag in body["flags"]),
    )


def note_of(reading: Reading) -> dict[str, Any]:
    """Return a reading as a note has it: with its arrival."""
    return {**body_of(reading), "arrived_utc": reading.arrived_utc.isoformat()}


def reading_of_note(note: Mapping[str, Any]) -> Reading:
    """Return the reading that a note has; raises as `reading_of`."""
    return reading_of(note, datetime.fromisoformat(note["arrived_utc"]))
