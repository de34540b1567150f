"""Whether a timber that is being entered was entered before: under a tag spelt alike, or under another."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Final

from baulk.models.plausible import Finding, Level
from baulk.models.reason import Reason, Values
from baulk.models.timber import Timber

DAY: Final = timedelta(days=1)
SAME_MM: Final = 1.0  # what two people read off a rule for one side: our own judgement, no source
SAME_LENGTH_MM: Final = 10.0  # our own judgement, no source
SAME_SHARE: Final = 0.005  # of a weight: a step of a hoist's scale; our own judgement, no source
_PART: Final = re.compile(r"\d+|[^\W\d_]+")


def spelt(tag: str) -> tuple[str, ...]:
    """Return a tag without what people leave away or put in: its case, separators and leading noughts.

    Parameters
    ----------
    tag : str
        For instance ``FER-03``.

    Returns
    -------
    tuple of str
        For instance ``("fer", "3")``, as of ``fer3`` and ``FER 003``.
    """
    return tuple(each.lstrip("0") or "0" for each in _PART.findall(tag.casefold()))


def findings(
    timber: Timber,
    others: Sequence[Timber],
    *,
    weight_kg: float | None = None,
    weights_kg: Mapping[str, float] | None = None,
) -> tuple[Finding, ...]:
    """Return which timbers a new one may be, entered once more.

    Parameters
    ----------
    timber : Timber
        The new one.
    others : sequence of Timber
        Those of the register, that have left too.
    weight_kg : float, optional
        Of the new one as it came. [kg]
    weights_kg : mapping of str to float, optional
        The first weight of each of the others that has one. [kg]

    Returns
    -------
    tuple of Finding
        At most one: a tag spelt alike, else the same wood and size on the same day. Two weights that differ
        tell two pieces of one size apart.

    References
    ----------
    The limits are our own judgement, no source.
    """
    code = "timber.spelt_alike"
    others = [one for one in others if one.tag.casefold() != timber.tag.casefold()]  # that one is refused
    found = [one for one in others if spelt(one.tag) == spelt(timber.tag)]
    if not found:
        code = "timber.entered_before"
        known = weights_kg or {}
        found = [
            one for one in others if _same(timber, one) and not _told_apart(weight_kg, known.get(one.tag))
        ]
    if not found:
        return ()
    values: Values = {
        "tag": timber.tag,
        "tags": tuple(one.tag for one in found[:3]),
        "species": timber.species,
        "arrived_utc": found[0].arrived_utc,
    }
    return (Finding(level=Level.UNLIKELY, reason=Reason(code=code, values=values)),)


def _same(one: Timber, other: Timber) -> bool:
    pairs = [
        (getattr(one.section, name), getattr(other.section, name), SAME_MM)
        for name in ("width_mm", "depth_mm", "pith_x_mm", "pith_y_mm")
    ]
    pairs.append((one.length_mm, other.length_mm, SAME_LENGTH_MM))
    return (
        one.species == other.species
        and abs(one.arrived_utc - other.arrived_utc) < DAY
        and all(abs(first - second) <= most for first, second, most in pairs)
    )


def _told_apart(one_kg: float | None, other_kg: float | None) -> bool:
    return one_kg is not None and other_kg is not None and abs(one_kg - other_kg) > SAME_SHARE * other_kg
