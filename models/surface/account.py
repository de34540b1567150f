"""What the checking margin foretold against what was seen: each time that somebody looked at a check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import numpy as np

from baulk.models.openings import Opening, Seen
from baulk.models.reason import Reason, Value
from baulk.models.surface.margin import LIKELY, UnderTold

# how many openings and growths tell anything of the margin, how unlikely they must be by what it told, and
# the lowest chance from which a risk is told: our own judgement, no source
FEWEST_GROWN: Final = 3
SURPRISE: Final = 0.05
LEAST_TOLD_FROM: Final = 0.05
OPENED_MM: Final = 0.2  # a narrower one is none: two leaves of a feeler gauge; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What one evaluation foretold.

    Parameters
    ----------
    made_utc : datetime
        When, with a time zone.
    posix_s : tuple of float
        Days, the day itself first. [s]
    chance : tuple of float
        Chance by each day that the surface is asked for more than it stands. [-]
    """

    made_utc: datetime
    posix_s: tuple[float, ...]
    chance: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """The time between two looks at a check, or before the first.

    Parameters
    ----------
    opening : Opening
        The check.
    from_utc, to_utc : datetime
        From the look before, or the arrival, to this one, with a time zone.
    grew : bool
        Whether it opened or grew in that time.
    chance : float or None
        The most that was foretold, before it was seen, for a day of that time; None where nothing was. [-]
    told_utc : datetime or None
        When that was said.
    """

    opening: Opening
    from_utc: datetime
    to_utc: datetime
    grew: bool
    chance: float | None
    told_utc: datetime | None

    @property
    def foretold(self) -> bool:
        """Whether a risk had been told."""
        return self.chance is not None and self.chance >= LIKELY


def looks(openings: Sequence[Opening], told: Sequence[Told], came_utc: datetime) -> tuple[Look, ...]:
    """Hold each look at each check against what had been foretold by then.

    Parameters
    ----------
    openings : sequence of Opening
        From `baulk.models.openings.seen`; shakes and splits are no matter of the surface and are passed over.
    told : sequence of Told
        Evaluations that had a margin, in any order.
    came_utc : datetime
        Arrival, with a time zone.

    Returns
    -------
    tuple of Look
        In order of time.
    """
    found: list[Look] = []
    for each in openings:
        if each.kind != "check":
            continue
        first = each.days[0]
        begun = max(came_utc, min(each.since_utc, first.at_utc))
        found.append(_look(each, (came_utc, begun), told, grew=_open(first)))
        for before, after in zip(each.days, each.days[1:], strict=False):
            grew = bool(replace(each, days=(before, after)).growth)
            found.append(_look(each, (before.at_utc, after.at_utc), told, grew=grew))
    return tuple(sorted(found, key=lambda one: one.to_utc))


def reasons(found: Sequence[Look]) -> tuple[Reason, ...]:
    """Return how the margin stood what was seen.

    Parameters
    ----------
    found : sequence of Look
        From `looks`.

    Returns
    -------
    tuple of Reason
        One for each opening or growth of which a margin spoke, newest first, and the sum; none where nobody
        looked or no margin was known.
    """
    known = [each for each in found if each.chance is not None]
    if not known:
        return ()
    grown, quiet = ([each for each in known if each.grew is one] for one in (True, False))
    total: dict[str, Value] = {
        "grew": len(grown),
        "foretold": sum(each.foretold for each in grown),
        "quiet": len(quiet),
        "in_vain": sum(each.foretold for each in quiet),
    }
    return (*(_reason(each) for each in reversed(grown)), Reason(code="checking.account", values=total))


def under_told(found: Sequence[Look]) -> UnderTold | None:
    """Return how far the margin told too little, where enough looks say so.

    Parameters
    ----------
    found : sequence of Look
        From `looks`.

    Returns
    -------
    UnderTold or None
        None below `FEWEST_GROWN` openings and growths, and while what was told leaves so many of them
        likelier than `SURPRISE`: then nothing is changed.

    References
    ----------
    The number of growths under the chances told is a sum of unlike yes-or-no draws, summed exactly; the
    limits are our own judgement, no source.
    """
    known = [each for each in found if each.chance is not None]
    grew, chances = sum(each.grew for each in known), [float(each.chance or 0.0) for each in known]
    if grew < FEWEST_GROWN:
        return None
    of_count = np.ones(1)
    for chance in chances:
        of_count = np.convolve(of_count, [1 - chance, chance])
    if of_count[grew:].sum() >= SURPRISE:
        return None
    told_from = max(LIKELY * sum(chances) / grew, LEAST_TOLD_FROM)
    return UnderTold(grew=grew, expected=sum(chances), told_from=told_from)


def _reason(look: Look) -> Reason:
    values: dict[str, Value] = {
        "kind": look.opening.kind,
        "face": look.opening.face.value if look.opening.face else "",
        "name": look.opening.name,
        "from_utc": look.from_utc,
        "to_utc": look.to_utc,
        "probability": look.chance,
        "told_utc": look.told_utc,
    }
    if look.foretold:
        return Reason(code="checking.was_foretold", values=values)
    return Reason(code="checking.was_not_foretold", values=values)


def _look(opening: Opening, span: tuple[datetime, datetime], told: Sequence[Told], *, grew: bool) -> Look:
    begin_s, end_s = span[0].timestamp(), span[1].timestamp()
    most: tuple[float, datetime] | None = None
    for each in told:
        days = zip(each.posix_s, each.chance, strict=True)
        inside = [chance for at_s, chance in days if begin_s <= at_s <= end_s]
        if each.made_utc <= span[1] and inside and (most is None or max(inside) > most[0]):
            most = (max(inside), each.made_utc)
    return Look(
        opening=opening,
        from_utc=span[0],
        to_utc=span[1],
        grew=grew,
        chance=None if most is None else most[0],
        told_utc=None if most is None else most[1],
    )


def _open(first: Seen) -> bool:
    """Whether there was a check on the first look; one whose sizes nobody measured counts."""
    sizes = [each for each in (first.width_mm, first.depth_mm, first.length_mm) if each is not None]
    return not sizes or max(sizes) > OPENED_MM
