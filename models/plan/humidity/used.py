"""Water moved and electricity used in a room, as somebody read it off, against what a plan promised."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from baulk.models.constants import DAY_S
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity.promise import Promise
from baulk.models.reason import Reason

MOST_LITRES: Final = 1e6  # of one entry; wide on purpose, our own
MOST_KWH: Final = 1e6


@dataclass(frozen=True, slots=True, kw_only=True)
class Used:
    """What a meter, a tank or a can told over some days.

    Parameters
    ----------
    since_utc, until_utc : datetime
        From when until when, with a time zone.
    litres, kwh : float or None
        Water put in or taken out, and electricity, 0 or more; None where nobody read that. [l, kWh]
    by, note : str
        Who read it, and free words.
    noted_utc : datetime
        When it was written down.

    Raises
    ------
    OutOfRange
        If it ends before it begins, tells neither, or can't be meant.
    """

    since_utc: datetime
    until_utc: datetime
    litres: float | None
    kwh: float | None
    by: str
    note: str
    noted_utc: datetime

    def __post_init__(self) -> None:
        if self.until_utc <= self.since_utc:
            raise OutOfRange("the days over which it was used", "end after they begin; give both again")
        if self.litres is None and self.kwh is None:
            raise OutOfRange("what was used", "needs litres of water, kilowatt-hours, or both")
        for value, what, most in (
            (self.litres, "litres", MOST_LITRES),
            (self.kwh, "kilowatt-hours", MOST_KWH),
        ):
            if value is not None and not 0 <= value <= most:  # also refuses NaN
                raise OutOfRange(f"the {what} used", f"lie between 0 and {most:.0f}, not {value:g}")

    @property
    def reason(self) -> Reason:
        """What is told of it."""
        return Reason(
            code="back.read_off",
            values={
                "since_utc": self.since_utc,
                "until_utc": self.until_utc,
                "litres": self.litres,
                "energy_kwh": self.kwh,
                "by": self.by,
            },
        )

    def told_before(self, others: Iterable[Used]) -> Used | None:
        """Return the first entry that tells litres, or kilowatt-hours, of some of the same days."""
        for each in others:
            apart = each.until_utc <= self.since_utc or each.since_utc >= self.until_utc
            both = (self.litres is not None and each.litres is not None) or (
                self.kwh is not None and each.kwh is not None
            )
            if both and not apart:
                return each
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedBack:
    """What was used against what was promised for the same days.

    Parameters
    ----------
    litres_days, kwh_days : float
        Days that were told; 0 where none was. [d]
    litres, kwh : float
        Used in them. [l, kWh]
    promised_litres, promised_kwh : float
        Promised for them. [l, kWh]
    """

    litres_days: float
    litres: float
    promised_litres: float
    kwh_days: float
    kwh: float
    promised_kwh: float


def held(promise: Promise, told: Sequence[Used]) -> UsedBack | None:
    """Hold what was used against a promise.

    Parameters
    ----------
    promise : Promise
        With its litres and kilowatt-hours week by week. [l, kWh]
    told : sequence of Used
        As people read it off. [l, kWh]

    Returns
    -------
    UsedBack or None
        Entries that lie wholly in the promised year; a part of a week counts by its share. None where there
        are none.

    References
    ----------
    None: sums.
    """
    made = promise.made_utc
    last_days = 7.0 * len(promise.by_week)

    def days(at: datetime) -> float:
        return (at - made).total_seconds() / DAY_S

    inside = [
        (days(each.since_utc), days(each.until_utc), each)
        for each in told
        if days(each.since_utc) >= 0 and days(each.until_utc) <= last_days
    ]
    if not inside:
        return None
    wet = [(first, last, each.litres) for first, last, each in inside if each.litres is not None]
    power = [(first, last, each.kwh) for first, last, each in inside if each.kwh is not None]
    litres, kwh = ([week[which] for week in promise.by_week] for which in (0, 1))
    return UsedBack(
        litres_days=sum(last - first for first, last, _ in wet),
        litres=sum(value for *_, value in wet),
        promised_litres=sum(_between(litres, first, last) for first, last, _ in wet),
        kwh_days=sum(last - first for first, last, _ in power),
        kwh=sum(value for *_, value in power),
        promised_kwh=sum(_between(kwh, first, last) for first, last, _ in power),
    )


def _between(weekly: Sequence[float], first_days: float, last_days: float) -> float:
    """Return what weeks come to between two days of them."""
    found = 0.0
    for week in range(math.floor(first_days / 7), min(math.ceil(last_days / 7), len(weekly))):
        part = min(last_days, 7.0 * (week + 1)) - max(first_days, 7.0 * week)
        found += weekly[week] * max(part, 0.0) / 7
    return found
