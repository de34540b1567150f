"""One part in one timber: where it lies, when it is ready and what that costs, or why it does not serve."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S
from baulk.models.plan.buying import ready_stock
from baulk.models.plan.buying.parts import LAST, Part
from baulk.models.plan.buying.purchase import InYard, Wish
from baulk.models.reason import Reason
from baulk.models.section import Finished
from baulk.models.woods import Woods

WEEK_S: Final = 7 * DAY_S
# share of a piece's own wood that another wood of its list must save; our own judgement, no source
OTHER_WOOD: Final = 0.1
# waste that a week sooner is worth to the part needed first, half of it to the second; our own judgement, no
# source: it decides between timbers that are otherwise alike
SOONER_M3: Final = 1e-5
LONGEST_WEEKS: Final = 260.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One part in one timber.

    Parameters
    ----------
    place : Finished or None
        Where it lies; None where the timber does not serve. [mm]
    sawn_mm : (float, float)
        What is sawn now. [mm]
    ready_utc : datetime or None
        When it may be squared.
    how : Reason or None
        Where that date comes from.
    late_weeks : float
        After the day wanted. [week]
    waste_m3 : float
        Of the section over its length, finished wood taken off. [m3]
    more : float
        What it costs beyond its waste: waiting, another wood. In the shop's money or in m3. [-]
    cost : float
        In all; infinite where the timber does not serve. [-]
    reason : Reason or None
        Why it does not.
    """

    place: Finished | None = None
    sawn_mm: tuple[float, float] = (0.0, 0.0)
    ready_utc: datetime | None = None
    how: Reason | None = None
    late_weeks: float = 0.0
    waste_m3: float = 0.0
    more: float = 0.0
    cost: float = float("inf")
    reason: Reason | None = None


def pair(  # noqa: PLR0913, PLR0917 - a part, a timber, the air it would dry in and the tables
    part: Part, timber: InYard, wish: Wish, now_utc: datetime, air: Sequence[AirSeries], woods: Woods
) -> Pair:
    """Lay a part into a timber.

    Parameters
    ----------
    part, timber, wish
        What is wanted, what is there, how the shop cuts. [mm]
    now_utc : datetime
        Now, with a time zone.
    air : sequence of AirSeries
        Possible futures.
    woods : Woods
        The shop's species and use classes.

    Returns
    -------
    Pair
        With its place and cost, or with a reason.
    """
    use = woods.use_classes.get(part.use_class)
    found = ready_stock.place(part, timber, use, wish)
    if isinstance(found, Reason):
        return Pair(reason=found)
    place, sawn = found
    at_utc, how = ready_stock.when(part, timber, use, now_utc=now_utc, confidence=wish.confidence)
    if at_utc is None and how.code == "buying.moves_too_much":
        return Pair(reason=how)
    late = 0.0
    if part.wanted_by_utc is not None:
        if at_utc is None:
            chance = ready_stock.later(part, timber, use, place, now_utc=now_utc, air=air)
            if chance < wish.confidence:
                return Pair(
                    reason=how
                    if how.code == "buying.too_dry"
                    else Reason(code="buying.not_ready", values={"probability": chance})
                )
            at_utc = part.wanted_by_utc
            drying = {"mean_pct": timber.mean_pct, "probability": chance}
            how = Reason(code="buying.by_drying_on", values=drying)
        late = max(0.0, (at_utc - part.wanted_by_utc).total_seconds() / WEEK_S)
        if late < 1:  # a day named means that day, its hour is not meant
            late = late if late > 1 / 7 else 0.0
    if late > 0 and wish.wait_per_week is None:
        values = {"ready_utc": at_utc, "how": how.to_json()}
        return Pair(reason=Reason(code="buying.late", values=values))
    waste = section_m2(timber) * (part.length_mm + wish.kerf_mm) / 1000 - finished_m3(part)
    more = late * (wish.wait_per_week or 0.0) + price(wish) * (
        _another_wood(part, timber) + _sooner(part, at_utc, now_utc)
    )
    return Pair(
        place=place,
        sawn_mm=sawn,
        ready_utc=at_utc,
        how=how,
        late_weeks=late,
        waste_m3=waste,
        more=more,
        cost=max(waste, 0.0) * price(wish) + more,
    )


def _another_wood(part: Part, timber: InYard) -> float:
    """Return what another wood of the part's list must save. [m3]."""
    return OTHER_WOOD * finished_m3(part) if another(part, timber) else 0.0


def another(part: Part, timber: InYard) -> bool:
    """Whether a timber is of one of a part's other woods."""
    return part.species is not None and timber.species != part.species


def _sooner(part: Part, at_utc: datetime | None, now_utc: datetime) -> float:
    """Return what it is worth that a part needed early gets the timber that is ready first. [m3]."""
    if part.rank == LAST:
        return 0.0
    weeks = LONGEST_WEEKS if at_utc is None else max((at_utc - now_utc).total_seconds() / WEEK_S, 0.0)
    return SOONER_M3 / part.rank * min(weeks, LONGEST_WEEKS)


def price(wish: Wish) -> float:
    """Return the price of a cubic metre; 1 where waste is counted in cubic metres. [1/m3]."""
    return 1.0 if wish.price_per_m3 is None else wish.price_per_m3


def section_m2(timber: InYard) -> float:
    """Return the section of a timber. [m2]."""
    return timber.stock.section.width_mm * timber.stock.section.depth_mm * 1e-6


def finished_m3(part: Part) -> float:
    """Return the finished wood of one piece. [m3]."""
    return part.width_mm * part.depth_mm * part.length_mm * 1e-9
