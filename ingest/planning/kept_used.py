"""Litres and kilowatt-hours of a room as people read them off, kept as notes; each can be taken back."""

from __future__ import annotations

import json
from datetime import UTC
from typing import Final

from baulk.ingest.planning import kept_form
from baulk.ingest.shop import Shop
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity.used import Used

USED: Final = "air-used/"
MOST: Final = 400  # of one room; beyond, the oldest goes


def _key(place: str, each: Used) -> str:
    return f"{USED}{place}/{each.noted_utc.astimezone(UTC):%Y%m%dT%H%M%S%f}"


def told(shop: Shop, place: str) -> tuple[Used, ...]:
    """Give what was told of a room, in the order of telling; one of another version is passed over."""
    found = []
    for key, stored in shop.store.notes(f"{USED}{place}/").items():
        if "/" in key.removeprefix(f"{USED}{place}/"):  # a place's name may begin with another's
            continue
        try:
            found.append(kept_form.read(Used, json.loads(stored)))
        except (ValueError, TypeError, KeyError, AttributeError):
            continue
    return tuple(sorted(found, key=lambda one: one.noted_utc))


def tell(shop: Shop, place: str, used: Used) -> Used:
    """Keep what was used in a room.

    Parameters
    ----------
    shop : Shop
        The open shop.
    place : str
        The room.
    used : Used
        What was read off. [l, kWh]

    Returns
    -------
    Used
        As it was kept.

    Raises
    ------
    OutOfRange
        If some of its days were told already.
    """
    before = told(shop, place)
    if (twice := used.told_before(before)) is not None:
        since, until = (at.astimezone(shop.config.zone) for at in (twice.since_utc, twice.until_utc))
        raise OutOfRange(
            "what was used",
            f"is told from {since:%Y-%m-%d} to {until:%Y-%m-%d} already; take that back first, or give other "
            "days",
        )
    shop.store.note(_key(place, used), json.dumps(kept_form.plain(used)).encode())
    if gone := before[: max(0, len(before) + 1 - MOST)]:
        shop.store.forget(*(_key(place, each) for each in gone))
    return used


def take_back(shop: Shop, place: str, used: Used | None = None) -> Used:
    """Take back what was told of a room.

    Parameters
    ----------
    shop : Shop
        The open shop.
    place : str
        The room.
    used : Used, optional
        Which; the last that was told if left out.

    Returns
    -------
    Used
        What no longer counts.

    Raises
    ------
    OutOfRange
        If nothing is told of it.
    """
    before = told(shop, place)
    if not before:
        raise OutOfRange(f"what was used in {place}", "was told by nobody yet; there is nothing to take back")
    gone = before[-1] if used is None else used
    shop.store.forget(_key(place, gone))
    return gone
