"""Units as they come over the wire, turned into the one unit of their quantity (`baulk.models.quantity`)."""

from __future__ import annotations

from functools import lru_cache

from baulk.models import moisture_text
from baulk.models.errors import OutOfRange
from baulk.models.quantity import SPECS, Quantity, Scale


def known(quantity: Quantity) -> tuple[str, ...]:
    """Units that a mapping may declare for a quantity."""
    return tuple(SPECS[quantity].declared)


def convert(value: float, scale: Scale) -> float:
    """Apply ``value * scale + offset``, and hide the last binary digit that it adds."""
    return scaled(value, scale) if scale != (1, 0) else float(value)


@lru_cache(maxsize=4096, typed=True)  # a sensor's numbers have few digits and come again
def scaled(value: float, scale: Scale) -> float:
    """Convert a value whose unit is not the quantity's own."""
    return float(f"{value * scale[0] + scale[1]:.12g}")


def at_least(quantity: Quantity | None, words: str, scale: Scale, *, basis: str = "dry") -> float | None:
    """Return the moisture at which a meter's scale ended, where that is what its text says: OL, >30, over.

    Parameters
    ----------
    quantity : Quantity or None
        What is measured; only of a moisture can it be said.
    words : str
        What stands where the number should.
    scale : Scale
        Of a number in the text. Without one the usual end counts, which is percent of oven-dry mass.
    basis : {"dry", "wet"}
        What a number in the text counts from.

    Returns
    -------
    float or None
        The wood is this wet or wetter; None where the text says nothing of the kind. [%]

    Raises
    ------
    OutOfRange
        If its number is no moisture on the wet basis.
    """
    found = moisture_text.over(words) if quantity is Quantity.MOISTURE else None
    if found is None or moisture_text.names_no_number(words):
        return None if found is None else found.mc_pct
    value = convert(found.mc_pct, scale)
    return dry_basis(value) if basis == "wet" else value


def dry_basis(wet_pct: float) -> float:
    """Turn moisture in percent of the whole mass into percent of the oven-dry mass.

    Wood Handbook FPL-GTR-282, eq. (4-1): MC is water over oven-dry mass; a wet basis divides by both.
    """
    if not 0 <= wet_pct < 100:
        raise OutOfRange("a moisture on the wet basis", f"lies from 0 to below 100 %, not {wet_pct:g}")
    return float(f"{100 * wet_pct / (100 - wet_pct):.12g}")
