"""Which places a shop knows, so that a slip of the pen makes no new one: "lofft" offers "loft"."""

from __future__ import annotations

from typing import Final

from baulk.ingest.errors import Unlikely
from baulk.ingest.shop import Shop
from baulk.models.errors import NotFound
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series

_KEY: Final = "/places"  # no tag has a stroke
OUTSIDE: Final = ("outside", "outdoors", "outdoor", "weather", "yard")  # places whose air is the weather's


def names(shop: Shop, *, again: bool = False) -> frozenset[str]:
    """Give the places entered, those that timber lies in, whose air is stored, or that the settings name.

    Parameters
    ----------
    shop : Shop
        An open shop.
    again : bool
        Whether to look anew, not only once a minute.
    """
    held, found = shop.register.recalled(_KEY)
    if not held or again:
        said = {one.place for one in shop.config.source if one.place is not None and "{" not in one.place}
        entered = {one.name for one in shop.register.places()}
        found = frozenset({*said, *entered, *shop.store.places()})
        shop.register.recall(_KEY, found)
    known: frozenset[str] = found
    return known


def outdoors(shop: Shop) -> frozenset[str]:
    """Give the places whose air is the weather's: called so, or entered as a yard."""
    return frozenset({*OUTSIDE, *(each.name for each in shop.register.places() if each.kind == "yard")})


def refuse_new(shop: Shop, name: str) -> None:
    """Refuse a place that nobody entered; the first of a shop needs no word.

    Raises
    ------
    Unlikely
        If it is new; the nearest known ones are offered.
    """
    Series(owner=Owner.AIR, name=name, quantity=Quantity.TEMP)  # refuses what no place can be called
    known = names(shop, again=True)
    if known and name not in known:
        missed = str(NotFound("place", name, known))
        raise Unlikely(
            f"{missed}{'' if missed.endswith('?') else ';'} `baulk place add {name}` enters it if it is new.",
            "--new-place",
        )


def waits_for(name: str) -> str:
    """Say what a message waits for whose air is that of a place which nobody entered."""
    return f"place:{name}"


def not_entered(name: str) -> str:
    """Say that a place is unknown; no likely name is looked for, since a flood would pay for each."""
    return f"no place called {name!r}; enter it (place add), or put the name right at its sensor"
