"""Bow and crook that people of the shop measured: what narrows the usual ones of a wood."""

from __future__ import annotations

from datetime import datetime
from typing import Final
from weakref import WeakKeyDictionary

from baulk.ingest.register.register import Register
from baulk.ingest.shop import Shop
from baulk.models.allowance.bend import Seen
from baulk.models.timber import Event, EventKind

_BENT: Final = frozenset({"bow_mm", "crook_mm"})
_KNOWN: Final[WeakKeyDictionary[Register, tuple[int, tuple[Event, ...]]]] = WeakKeyDictionary()


def measured(
    shop: Shop, *, species: str | None = None, until_utc: datetime | None = None
) -> tuple[Seen, ...]:
    """Gather the curves that were measured on timbers of a shop, those that are gone included.

    Parameters
    ----------
    shop : Shop
        The open shop, only read.
    species : str, optional
        Of this wood alone.
    until_utc : datetime, optional
        Up to this moment, with a time zone.

    Returns
    -------
    tuple of Seen
        The last measurement of each timber.
    """
    found: dict[str, Seen] = {}
    for each in _events(shop):
        if until_utc is not None and each.at_utc > until_utc:
            continue
        bow, crook = (each.detail.get(name) for name in ("bow_mm", "crook_mm"))
        if bow is None and crook is None:
            continue
        timber = shop.register.get(each.tag)
        found[timber.tag] = Seen(
            species=timber.species,
            length_mm=float(each.detail.get("length_mm", timber.length_mm)),
            bow_mm=None if bow is None else float(bow),
            crook_mm=None if crook is None else float(crook),
        )
    return tuple(each for each in found.values() if species is None or each.species == species)


def _events(shop: Shop) -> tuple[Event, ...]:
    """Give what was measured, looked up once for each revision: a round asks for each of its timbers."""
    revision = shop.store.revision()
    known = _KNOWN.get(shop.register)
    if known is None or known[0] != revision:
        bent = (each for each in shop.register.events(kind=EventKind.MEASURED) if _BENT & each.detail.keys())
        known = _KNOWN[shop.register] = revision, tuple(bent)
    return known[1]
