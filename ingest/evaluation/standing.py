"""What every evaluation of a shop stands on: settings, tables, what is known of the meter, the program.

Readings and events say by themselves which timbers have news; a changed setting does not. So the ground of
the last round over every timber is noted as one short text, and who asks for news compares it: equal costs
a read, another one has every timber gathered and those worked out whose own fingerprint is another,
failures included.
"""

from __future__ import annotations

from typing import Final

from baulk.ingest.evaluation import fingerprint
from baulk.ingest.shop import Shop
from baulk.ingest.store import notes

KEY: Final = "standing"
_PARTS: Final = ("shop", "climate", "verdict", "learning")  # of the settings; others say nothing of wood


def ground(shop: Shop) -> str:
    """Return the digest of all that evaluations share.

    Parameters
    ----------
    shop : Shop
        The open shop; nothing that is secret goes into it.

    Returns
    -------
    str
        32 hexadecimal digits.
    """
    config, hand = shop.config, notes.hand_meter(shop.store)
    return fingerprint.of(
        *(getattr(config, part).model_dump_json() for part in _PARTS),
        *(each.model_dump_json() for each in config.meter),
        None if hand is None else hand.corrects_temperature,
        shop.woods,
    )


def changed(shop: Shop) -> bool:
    """Whether settings, tables or program are others than when every timber was last looked over."""
    return shop.store.noted(KEY) != ground(shop).encode()


def looked_over(shop: Shop) -> None:
    """Note that every timber has been looked over on the present ground."""
    shop.store.note(KEY, ground(shop).encode())
