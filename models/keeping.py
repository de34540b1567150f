"""While a timber lies: hours in which it could decay, insects and stain in sapwood, what it wants done to it.

What is told here is a caution for the eye, not a finding: nothing is measured of fungi or beetles.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Final

import numpy as np

from baulk.models import sapwood
from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S
from baulk.models.reason import Reason, Value
from baulk.models.species import Species
from baulk.models.timber import Event, EventKind, Timber

# Wood Handbook, FPL-GTR-282, chapter 14: decay is slow below 10 and above 35 degC; read in a public copy
DECAY_FROM_C: Final = 10.0
DECAY_TO_C: Final = 35.0
# NAVFAC MO-312, 4.2: decay stops at 20 % or less, and needs the free water of some 25 to 30 % to begin
SAFE_PCT: Final = 20.0
FLIGHT_C: Final = 16.0  # ambrosia beetles fly on days about so warm; from memory
LOOKED_BACK_DAYS: Final = 60.0  # in which warm hours are counted; our own judgement, no source
WARM_DAYS: Final = 14.0  # in which a day of flight makes it the season; our own judgement, no source
TOLD_H: Final = 168.0  # warm hours from which decay is told of: a week; our own judgement, no source
NOTICE_H: Final = 500.0  # warm hours from which it is a notice: three weeks; our own judgement, no source
SAPWOOD_SHARE: Final = 0.01  # of the section from which there is sapwood; our own judgement, no source
TURN_DAYS: Final = 60.0  # after which a wet timber is turned; common practice, no source
STICKERS_DAYS: Final = 120.0  # after which stickers are looked under and shifted; common practice, no source
COAT_DAYS: Final = 180.0  # after which end coats are looked at for cracks; common practice, no source
LONGEST_HOLD_S: Final = 6 * 3600.0  # that a reading of the air stands for; our own judgement, no source


class Resistance(StrEnum):
    """How well heartwood stands decay."""

    GOOD = "good"
    MIDDLING = "middling"
    POOR = "poor"


# Comparative decay resistance of heartwood: NAVFAC MO-312, Table 2-1, after Forest Products Laboratory
# FPL-0153 (1967); read. A wood that it lacks has none here.
_GOOD: Final = frozenset({
    "Atlantic white cedar", "Port-Orford cedar", "northern white cedar", "western redcedar", "yellow cedar",
    "American chestnut", "black cherry", "black locust", "black walnut", "chestnut oak", "post oak",
    "redwood", "white oak",
})  # fmt: skip
_MIDDLING: Final = frozenset({
    "Douglas-fir", "baldcypress", "eastern white pine", "longleaf pine", "slash pine",
    "swamp chestnut oak", "tamarack", "western larch",
})  # fmt: skip
_POOR: Final = frozenset({
    "American beech", "American elm", "Engelmann spruce", "Sitka spruce", "black spruce",
    "eastern hemlock", "loblolly pine", "lodgepole pine", "northern red oak", "red spruce", "rock elm",
    "shortleaf pine", "slippery elm", "sugar maple", "western hemlock", "white ash", "yellow birch",
    "yellow-poplar",
})  # fmt: skip
PLACED: Final = frozenset({EventKind.FITTED, EventKind.BEDDED, EventKind.LAUNCHED})
_OF_LONGHORNS: Final = ("pine", "spruce", " fir")


@dataclass(frozen=True, slots=True, kw_only=True)
class Lying:
    """What is known of a timber that lies and dries.

    Parameters
    ----------
    timber : Timber
        The piece. [mm]
    wood : Species
        What it is of.
    events : tuple of Event
        What was done to it.
    shell_pct, mean_pct : float
        Median moisture content of its outer fifth and of the whole section. [%]
    air : AirSeries or None
        Of the place where it lies; None where nobody measures it. [degC, %]
    shell_dry_utc : datetime or None
        When its shell is expected to come down to `SAFE_PCT`, if that was forecast.
    """

    timber: Timber
    wood: Species
    events: tuple[Event, ...]
    shell_pct: float
    mean_pct: float
    air: AirSeries | None = None
    shell_dry_utc: datetime | None = None


def resistance(wood: Species) -> Resistance | None:
    """Return how well the heartwood of a wood stands decay; None where no table says.

    References
    ----------
    NAVFAC MO-312, Wood Protection, Table 2-1, after Forest Products Laboratory, FPL-0153 (1967).
    """
    groups = ((Resistance.GOOD, _GOOD), (Resistance.MIDDLING, _MIDDLING), (Resistance.POOR, _POOR))
    return next((each for each, names in groups if wood.name in names), None)


def warm_hours(air: AirSeries, *, since_s: float, until_s: float) -> float:
    """Compute the hours in which the air was warm enough for fungi to rot wet wood.

    Parameters
    ----------
    air : AirSeries
        Each reading holds until the next, at most six hours. [degC, %]
    since_s, until_s : float
        From and to, seconds since 1970. [s]

    Returns
    -------
    float
        At least 0. [h]

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), chapter 14: decay is relatively slow below 10 and above 35 degC.

    Examples
    --------
    >>> air = AirSeries(posix_s=np.arange(4) * 3600.0, temp_c=np.array([5.0, 15, 15, 40]), rh_pct=np.ones(4))
    >>> warm_hours(air, since_s=0, until_s=4 * 3600)
    2.0
    """
    ends = np.append(air.posix_s[1:], until_s)
    ends = np.minimum(np.minimum(ends, air.posix_s + LONGEST_HOLD_S), until_s)
    held = np.maximum(ends - np.maximum(air.posix_s, since_s), 0.0)
    warm = (air.temp_c >= DECAY_FROM_C) & (air.temp_c <= DECAY_TO_C)
    return float(np.sum(held * warm) / 3600.0)


def has_sapwood(timber: Timber, wood: Species) -> bool:
    """Whether some of a section is sapwood, as measured or as is usual in the wood."""
    radius, _ = sapwood.prior_mm(timber.section, wood, timber.heartwood_mm)
    return float(sapwood.share(timber.section, radius)) >= SAPWOOD_SHARE


def decay_hours(lying: Lying, now_utc: datetime) -> float:
    """Compute the hours of the last sixty days in which a timber lay warm with its shell not yet safe.

    A shell that dries was never drier before, so that one which is still above 20 % now has been so in every
    hour that counts. A timber that rain wetted again is taken for wet since it arrived: on the side of care.

    Parameters
    ----------
    lying : Lying
        The timber and its air. [%, degC]
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    float
        0 where the shell is at 20 % or below, or nobody measures the air. [h]

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), chapter 14; NAVFAC MO-312, 4.2 (decay stops at 20 % or less).
    """
    if lying.air is None or lying.shell_pct <= SAFE_PCT:
        return 0.0
    now_s = now_utc.timestamp()
    since_s = max(now_s - LOOKED_BACK_DAYS * DAY_S, lying.timber.arrived_utc.timestamp())
    return warm_hours(lying.air, since_s=since_s, until_s=now_s)


def remarks(lying: Lying, now_utc: datetime) -> tuple[Reason, ...]:
    """Say what to look for and what to do while a timber lies: decay, insects, stain, what is due.

    Parameters
    ----------
    lying : Lying
        The timber and its air. [%, degC]
    now_utc : datetime
        Now, with a time zone.

    Returns
    -------
    tuple of Reason
        Codes of `baulk.models.text.keeping`, the one that costs most wood first.

    References
    ----------
    Decay as `decay_hours`. Stain and ambrosia beetles: NAVFAC MO-312, 4.2 and 4.3 (sapwood, green, in warm
    weather). Powderpost beetles: dry sapwood of hardwoods, those with large pores first (trade column on
    lyctids). Old house borer: pine, spruce and fir at 10 to 30 %, adults in June and July (Georgia
    Forestry Commission's book of pests of dry wood). When to turn, to shift stickers and to look at coats:
    common practice, no source.
    """
    if not _lies(lying):
        return ()
    found = [*_decay(lying, now_utc), *_of_sapwood(lying, now_utc), *_to_do(lying, now_utc)]
    return tuple(found)


def notice(lying: Lying, now_utc: datetime) -> Reason | None:
    """Say that a timber has lain wet and warm for weeks, in words of its own for a messenger; or nothing.

    Heartwood that stands decay well, without sapwood, is left out.
    """
    hours = decay_hours(lying, now_utc)
    safe = resistance(lying.wood) is Resistance.GOOD and not has_sapwood(lying.timber, lying.wood)
    if hours < NOTICE_H or safe or not _lies(lying):
        return None
    values: dict[str, Value] = {"tag": lying.timber.tag, "shell_pct": round(lying.shell_pct)}
    return Reason(code="notice.decay", values=values)


def _lies(lying: Lying) -> bool:
    """Whether it still lies in the yard: neither retired nor in its place."""
    placed = any(each.kind in PLACED and each.counts for each in lying.events)
    return lying.timber.retired_utc is None and not placed


def _decay(lying: Lying, now_utc: datetime) -> list[Reason]:
    hours = decay_hours(lying, now_utc)
    if hours < TOLD_H:
        return []
    stands = resistance(lying.wood)
    values: dict[str, Value] = {
        "hours_h": round(hours),
        "days": LOOKED_BACK_DAYS,
        "shell_pct": lying.shell_pct,
        "species": lying.wood.name,
        "resistance": None if stands is None else stands.value,
        "has_sapwood": has_sapwood(lying.timber, lying.wood),
        "dry_utc": lying.shell_dry_utc,
    }
    return [Reason(code="keeping.decay", values=values)]


def _of_sapwood(lying: Lying, now_utc: datetime) -> list[Reason]:
    """Return what lives in sapwood, in the weeks in which it is about."""
    if lying.air is None or not has_sapwood(lying.timber, lying.wood):
        return []
    now_s = now_utc.timestamp()
    lately = (lying.air.posix_s >= now_s - WARM_DAYS * DAY_S) & (lying.air.posix_s <= now_s)
    if not np.any(lately):
        return []
    warmest_c, wet = float(lying.air.temp_c[lately].max()), lying.shell_pct > SAFE_PCT
    found = []
    if wet and warmest_c >= DECAY_FROM_C:
        found.append(Reason(code="keeping.stain", values={"shell_pct": lying.shell_pct}))
    if warmest_c < FLIGHT_C:
        return found
    if wet and lying.mean_pct > lying.wood.fsp_pct:
        found.append(Reason(code="keeping.ambrosia", values={"warmest_c": warmest_c}))
    if lying.wood.softwood:
        if lying.shell_pct <= lying.wood.fsp_pct and lying.wood.name.endswith(_OF_LONGHORNS):
            found.append(Reason(code="keeping.longhorn", values={"species": lying.wood.name}))
    elif not wet:
        found.append(Reason(code="keeping.powderpost", values={"species": lying.wood.name}))
    return found


def _to_do(lying: Lying, now_utc: datetime) -> list[Reason]:
    """Return what is due on a timber that is still wet inside."""
    if lying.mean_pct <= SAFE_PCT:
        return []
    arrived = lying.timber.arrived_utc
    counted = [each for each in lying.events if each.counts]
    found = []
    days = _days(_last(counted, EventKind.TURNED) or arrived, now_utc)
    if days >= TURN_DAYS:
        found.append(Reason(code="keeping.turn", values={"days": round(days)}))
    days = _days(_last(counted, EventKind.STICKERED) or arrived, now_utc)
    if days >= STICKERS_DAYS:
        found.append(Reason(code="keeping.stickers", values={"days": round(days)}))
    sealed = max(filter(None, (_last(counted, EventKind.END_SEALED), _coated(counted))), default=None)
    if sealed is None and lying.timber.ends_sealed:
        sealed = arrived
    if sealed is not None and (days := _days(sealed, now_utc)) >= COAT_DAYS:
        found.append(Reason(code="keeping.coat", values={"days": round(days)}))
    return found


def _last(events: Iterable[Event], kind: EventKind) -> datetime | None:
    return max((each.at_utc for each in events if each.kind is kind), default=None)


def _coated(events: Iterable[Event]) -> datetime | None:
    """Return when a coat was put on last; one that was taken off is none."""
    coats = [each for each in events if each.kind is EventKind.COATED and each.detail["faces"]]
    return _last(coats, EventKind.COATED)


def _days(since_utc: datetime, now_utc: datetime) -> float:
    return (now_utc - since_utc).total_seconds() / DAY_S
