"""Notes in the store: a timber's fit, which tags seem swapped, and what the shop was asked once."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from baulk.ingest.store import Store
from baulk.models.reason import Reason

SWAPS: Final = "swapped tags"
HAND_METER: Final = "hand meter"


@dataclass(frozen=True, slots=True, kw_only=True)
class Swapped:
    """Two timbers that seem to bear each other's tags.

    Parameters
    ----------
    tags : tuple of (str, str)
        Which.
    reason : Reason
        Which, and since when.
    found_utc : datetime
        When it was seen first.
    """

    tags: tuple[str, str]
    reason: Reason
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
        {"tags": each.tags, "reason": each.reason.to_json(), "found_utc": each.found_utc.isoformat()}
        for each in found
    ]
    store.note(SWAPS, json.dumps(rows).encode())


def swap_reason(store: Store, tag: str, now_utc: datetime) -> Reason | None:
    """Return what was known at a moment of a timber that seems to bear another's tag.

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
    Reason or None
        None where nothing speaks for it.
    """
    for each in swaps(store):
        if tag in each.tags and each.found_utc <= now_utc:
            return each.reason
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class HandMeter:
    """What the shop answered about the meter behind readings by hand.

    Parameters
    ----------
    corrects_temperature : bool or None
        Whether it corrects for the wood's temperature by itself; None where nobody in the shop knows.
    answered_utc : datetime
        When.
    """

    corrects_temperature: bool | None
    answered_utc: datetime


def hand_meter(store: Store) -> HandMeter | None:
    """Return what the shop answered about its meter; None if it was not asked yet."""
    try:
        row = json.loads(store.noted(HAND_METER) or b"null")
        if row is None or row["corrects_temperature"] not in {True, False, None}:
            return None
        return HandMeter(
            corrects_temperature=row["corrects_temperature"],
            answered_utc=datetime.fromisoformat(row["answered_utc"]),
        )
    except (KeyError, TypeError, ValueError):  # damaged: it is asked again
        return None


def keep_hand_meter(store: Store, answer: HandMeter) -> None:
    """Keep what the shop answered about its meter, in place of an earlier answer."""
    row = {
        "corrects_temperature": answer.corrects_temperature,
        "answered_utc": answer.answered_utc.isoformat(),
    }
    store.note(HAND_METER, json.dumps(row).encode())


def _read(row: dict[str, Any]) -> Swapped:
    one, two = row["tags"]
    return Swapped(
        tags=(str(one), str(two)),
        reason=Reason.from_json(row["reason"]),
        found_utc=datetime.fromisoformat(row["found_utc"]),
    )
