"""Corrections on record: a note in the store for each, with what was stored, what stands now, who and why."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from baulk.ingest.shop import Shop
from baulk.ingest.store import Store
from baulk.ingest.store.moments import to_us
from baulk.ingest.store.reading_body import note_of, reading_of_note
from baulk.models.errors import NotFound
from baulk.models.quantity import Owner
from baulk.models.reading import Reading, Series

CORRECTED: Final = "corrected"  # flag of a reading that a person put right
_KEY: Final = "correction/"
Key = tuple[Series, datetime]


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """A reading that was taken back or put right.

    Parameters
    ----------
    number : int
        Counts up for each timber or place.
    was : Reading
        What was stored.
    now : Reading or None
        What is stored in its place; None where it was taken back.
    by, note : str
        Who, and why.
    at_utc : datetime
        When.
    undone_utc : datetime or None
        When this correction was itself taken back.
    undone_by : str
        By whom.
    key : str
        Of its note in the store.
    """

    number: int
    was: Reading
    now: Reading | None
    by: str
    note: str
    at_utc: datetime
    undone_utc: datetime | None = None
    undone_by: str = ""
    key: str = ""

    @property
    def counts(self) -> bool:
        """Whether it has not been taken back."""
        return self.undone_utc is None


def listed(store: Store, owner: Owner, name: str) -> list[Correction]:
    """Give the corrections of a timber or a place, oldest first, those taken back too."""
    prefix = f"{_KEY}{owner.value}/{name}/"
    return [_read(key, note, n) for n, (key, note) in enumerate(sorted(store.notes(prefix).items()), 1)]


def taken_away(store: Store) -> dict[Key, frozenset[float]]:
    """Give series and time of every reading that a correction which counts took away, and the values."""
    found: dict[Key, frozenset[float]] = {}
    for key, note in store.notes(_KEY).items():
        if (one := _read(key, note, 0)).counts:
            found[key_of(one.was)] = found.get(key_of(one.was), frozenset()) | {one.was.value}
    return found


def is_news(store: Store, chain: Sequence[Correction]) -> bool:
    """Whether one of the corrections that a reading went through is not on record."""
    return bool(not_on_record(store, chain))


def not_on_record(store: Store, chain: Sequence[Correction]) -> list[Correction]:
    """Return those of the corrections that a reading went through that are not on record."""
    series = chain[0].was.series
    have = {(*key_of(one.was), one.was.value, one.at_utc) for one in listed(store, series.owner, series.name)}
    return [one for one in chain if (*key_of(one.was), one.was.value, one.at_utc) not in have]


def key_of(reading: Reading) -> Key:
    """Return the series and the time of a reading."""
    return reading.series, reading.taken_utc


def note_key(one: Correction, end: str) -> str:
    """Give a correction the key of its note, by which they stand in the order in which they were made."""
    return f"{_KEY}{one.was.series.owner.value}/{one.was.series.name}/{to_us(one.at_utc):020d}-{end}"


def packed(one: Correction) -> bytes:
    """Return a correction as its note has it."""
    body = {
        "was": note_of(one.was),
        "now": None if one.now is None else note_of(one.now),
        "by": one.by,
        "note": one.note,
        "at_utc": one.at_utc.isoformat(),
        "undone_utc": None if one.undone_utc is None else one.undone_utc.isoformat(),
        "undone_by": one.undone_by,
    }
    return json.dumps(body).encode()


def _read(key: str, note: bytes, number: int) -> Correction:
    body = json.loads(note)
    undone = body["undone_utc"]
    return Correction(
        number=number,
        was=reading_of_note(body["was"]),
        now=None if body["now"] is None else reading_of_note(body["now"]),
        by=body["by"],
        note=body["note"],
        at_utc=datetime.fromisoformat(body["at_utc"]),
        undone_utc=None if undone is None else datetime.fromisoformat(undone),
        undone_by=body["undone_by"],
        key=key,
    )


def numbered(shop: Shop, owner: Owner, name: str, number: int) -> Correction:
    """Give a correction by its number.

    Raises
    ------
    NotFound
        If there is none.
    """
    every = listed(shop.store, owner, name)
    for one in every:
        if one.number == number:
            return one
    raise NotFound("correction", str(number), [str(one.number) for one in every])


def left(readings: Iterable[Reading], away: Mapping[Key, frozenset[float]]) -> list[Reading]:
    """Leave out what a correction took away; another value at its time is news."""
    return [one for one in readings if one.value not in away.get(key_of(one), ())]
