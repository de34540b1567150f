"""One value of a message as the number that its mapping declares: text, boolean, scaled number."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from baulk.ingest.errors import WireError
from baulk.ingest.wire import units
from baulk.ingest.wire.message import number, number_in
from baulk.models.quantity import Quantity, Scale

_COMMA: Final = re.compile(r"[+-]?\d{1,40},\d{1,40}([eE][+-]?\d{1,4})?")
COMMA: Final = "comma"


def value_of(  # noqa: PLR0913 - what a mapping declares of a value
    found: object,
    what: str,
    *,
    scale: Scale = (1, 0),
    words: Mapping[str, float] | None = None,
    decimal: str = "point",
    ends_in: str = "",
) -> float:
    """Return the number that a value means.

    Parameters
    ----------
    found : object
        A number, text or boolean out of the payload.
    what : str
        What it is, for the sentence where it is none.
    scale : Scale
        What it is multiplied by, and what is added then: an integer of tenths has (0.1, 0).
    words : mapping, optional
        Texts that stand for a number, ``true`` and ``false`` of a boolean among them; not scaled.
    decimal : {"point", "comma"}
        What parts the decimals of a number in a text. A number without decimals is read either way.
    ends_in : str
        What stands behind the number in a text, as its unit does.

    Raises
    ------
    WireError
        If it is no such value; nothing is guessed.
    """
    if isinstance(found, bool | str) and words:
        said = str(found).lower() if isinstance(found, bool) else found.strip()
        if (meant := words.get(said)) is not None:
            return float(meant)
    if not isinstance(found, str):
        return units.convert(number(found, what), scale)
    bare = found.strip()
    if ends_in:
        if not bare.endswith(ends_in):
            raise WireError(f"{what} is {_short(bare)}, without the {ends_in!r} behind it that is declared")
        bare = bare.removesuffix(ends_in).strip()
    if decimal == COMMA:
        if "." in bare:
            raise WireError(f"{what} is {_short(bare)}, with a point where a decimal comma is declared")
        bare = bare.replace(",", ".") if _COMMA.fullmatch(bare) else bare
    return units.convert(number_in(bare, what), scale)


def ended(found: object, quantity: Quantity, scale: Scale, basis: str) -> float | None:
    """Return the moisture at which the meter's scale ended, where a text says that."""
    return units.at_least(quantity, found, scale, basis=basis) if isinstance(found, str) else None


def _short(words: str) -> str:
    return repr(words if len(words) <= 60 else words[:57] + "...")
