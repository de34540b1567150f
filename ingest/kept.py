"""Notes that evaluations leave in the store: a timber's fit, and which timbers bear each other's tags."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from baulk.ingest.store import Store

SWAPS: Final = "swapped tags"


@dataclass(frozen=True, slots=True, kw_only=True)
class Swapped:
    """Two timbers that seem to bear each other's tags.

    Parameters
    ----------
    tags : tuple of (str, str)
        Which.
    words : str
        One sentence, with since when.
    found_utc : datetime
        When it was seen first.
    """

    tags: tuple[str, str]
    words: str
    found_utc: datetime


def fit_key(tag: str) -> str:
    """Name the note that holds the last fit of a timber."""
    return f"fit/{tag}"


def swaps(store: Store) -> tuple[Swapped, ...]:
    """Give the pairs that were found last."""
    try:
        return tuple(_read(row) for row in json.loads(store.noted(SWAPS) or b"[]"))
    except (KeyError, TypeError, ValueError):  # another version's: the next look writes it anew
        return ()


def keep_swaps(store: Store, found: Iterable[Swapped]) -> None:
    """Keep the pairs that were found, in place of those before."""
    rows = [
        {"tags": each.tags, "words": each.words, "found_utc": each.found_utc.isoformat()} for each in found
    ]
    store.note(SWAPS, json.dumps(rows).encode())


def swap_words(store: Store, tag: str, now_utc: datetime) -> str | None:
    """Say what was known at a moment of a timber that seems to bear another's tag.

    Parameters
    ----------
    store : Store
        Where it is kept.
    tag : str
        Which timber.
    now_utc : datetime
        Now, or an earlier day.

    Returns
    -------
    str or None
        One sentence; None where nothing speaks for it.
    """
    for each in swaps(store):
        if tag in each.tags and each.found_utc <= now_utc:
            return each.words
    return None


def _read(row: dict[str, Any]) -> Swapped:
    one, two = row["tags"]
    return Swapped(
        tags=(str(one), str(two)),
        words=str(row["words"]),
        found_utc=datetime.fromisoformat(row["found_utc"]),
    )
