"""What a plan of a room's air says: the window by week, the schedule in it, what it gains, its water."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from baulk.models.air import AirSeries
from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity.outcome import Alternative, Span
from baulk.models.plan.humidity.remedies import Remedy
from baulk.models.plan.humidity.room import Exchange
from baulk.models.plan.humidity.water import (
    Machine,
)
from baulk.models.plan.humidity.window import Band
from baulk.models.reason import Reason


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """One week of the plan; humidities in %RH, water in litres a day, None where there is no such limit.

    Parameters
    ----------
    starts_utc : datetime
        Its first moment.
    temp_c, expected_pct : float
        Temperature held or expected, and humidity if nothing is done. [degC, %]
    set_pct, low_pct, high_pct : float
        What to hold, and the window. [%]
    low_by, high_by : str
        What sets each side.
    checking_pct, mould_pct, finished_low_pct, finished_high_pct : float or None
        Limits. [%]
    condensation_pct : float
        Limit. [%]
    timbers_l_day : float
        Water that the timbers give off. [l/day]
    draught_l_day, need_l_day : float or None
        Water that comes in with the air, and what must be taken out in all; below 0 to add. [l/day]
    """

    starts_utc: datetime
    temp_c: float
    expected_pct: float
    set_pct: float
    low_pct: float
    high_pct: float
    low_by: str
    high_by: str
    checking_pct: float | None
    mould_pct: float | None
    finished_low_pct: float | None
    finished_high_pct: float | None
    condensation_pct: float
    timbers_l_day: float
    draught_l_day: float | None
    need_l_day: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """When one timber may be squared with the plan and without.

    Parameters
    ----------
    tag : str
        Which.
    nothing_utc, plan_utc : datetime or None
        First date that is sure enough, by the verdict's rule; None beyond the horizon.
    nothing_spread_days, plan_spread_days : float
        Standard deviations of the two. [d]
    nothing_weeks, plan_weeks : Span
        Weeks until it is ready, over the members.
    gained_weeks : Span
        The same member with and without; below 0 when the plan takes longer.
    unready : float
        Share of the members that are not ready within the horizon even with the plan. [-]
    """

    tag: str
    nothing_utc: datetime | None
    plan_utc: datetime | None
    nothing_spread_days: float
    plan_spread_days: float
    nothing_weeks: Span
    plan_weeks: Span
    gained_weeks: Span
    unready: float

    @property
    def date_gain_weeks(self) -> float | None:
        """Weeks by which its date comes sooner with the plan; None where one lies beyond the horizon."""
        if self.plan_utc is None or self.nothing_utc is None:
            return None
        return (self.nothing_utc - self.plan_utc).days / 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """What a room's water is counted with.

    Parameters
    ----------
    volume_m3 : float or None
        Air in the room. [m3]
    exchange : Exchange or None
        Air changes, given or learned.
    outside : AirSeries or None
        Air outside, expected from now on, at the room's own moments. [degC, %]
    people_h_day : float
        Hours of work in it a day, over all people. [h]
    price_kwh : float or None
        Of a kilowatt-hour, in any money.
    unknown : tuple of Reason
        Why the draught is not known; none when it is.
    outside_measured : bool
        Whether `outside` is the weather's own, not the room's in its place.
    """

    volume_m3: float | None = None
    exchange: Exchange | None = None
    outside: AirSeries | None = None
    people_h_day: float = 0.0
    price_kwh: float | None = None
    unknown: tuple[Reason, ...] = ()
    outside_measured: bool = False

    def __post_init__(self) -> None:
        if not 0 <= self.people_h_day <= 1000:
            raise OutOfRange("the hours of work", f"lie between 0 and 1000 a day, not {self.people_h_day:g}")
        if self.price_kwh is not None and not 0 <= self.price_kwh <= 1000:
            raise OutOfRange(
                "the price", f"of a kilowatt-hour lies between 0 and 1000, not {self.price_kwh:g}"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class AirPlan:
    """A plan of one room's air, complete in itself.

    Parameters
    ----------
    place : str
        The room.
    made_utc : datetime
        When.
    held_c : float or None
        Temperature held; None for the season's. [degC]
    what_if : bool
        Whether the schedule was asked for, not searched.
    sure : float
        How sure a date has to be. [-]
    pieces : dict of str to str
        What the room is to do for each tag: "dry", "beside", "keep" or "wet".
    bands : tuple of Band
        What finished work tolerates.
    weeks : tuple of Week
        The plan.
    gains : tuple of Gain
        For each timber to be dried.
    closed : tuple of (str, str, str, int)
        What meets in the weeks without a window, see `remedies.closers`; empty when there are none.
    remedies : tuple of Remedy
        What opens them.
    machines : tuple of Machine
        For the first year.
    volume_m3 : float or None
        Air in the room. [m3]
    exchange : Exchange or None
        Air changes, given or learned.
    people_h_day : float
        Hours of work in it a day. [h]
    price_kwh : float or None
        In any money.
    water_unknown : tuple of Reason
        Why the water of the room could not be counted; none when it was.
    assumptions, changes : tuple of Reason
        What it rests on, and what would change it.
    headline : Reason
        What is to be done, in one sentence.
    offered : int
        Which of the alternatives that is; 0 for leaving the doors as they are.
    alternatives : tuple of Alternative
        Doing nothing first, then holding the plan's humidity, then what else can be done.
    unanswered : tuple of Reason
        What this model can't answer, and why.
    air_assumed : tuple of Reason
        Which air was measured, and what stands in for the rest.
    surface_risks : tuple of Reason
        Timbers whose surface is asked for more than boards of their wood stand, with the plan or without.
    """

    place: str
    made_utc: datetime
    held_c: float | None
    what_if: bool
    sure: float
    pieces: dict[str, str]
    bands: tuple[Band, ...]
    weeks: tuple[Week, ...]
    gains: tuple[Gain, ...]
    closed: tuple[tuple[str, str, str, int], ...]
    remedies: tuple[Remedy, ...]
    machines: tuple[Machine, ...]
    volume_m3: float | None
    exchange: Exchange | None
    people_h_day: float
    price_kwh: float | None
    water_unknown: tuple[Reason, ...]
    assumptions: tuple[Reason, ...]
    changes: tuple[Reason, ...]
    headline: Reason
    offered: int
    alternatives: tuple[Alternative, ...]
    unanswered: tuple[Reason, ...] = ()
    air_assumed: tuple[Reason, ...] = ()
    surface_risks: tuple[Reason, ...] = ()

    @property
    def is_held(self) -> bool:
        """Whether a humidity is to be held: the plan is offered, or it was asked what if."""
        return self.what_if or self.alternatives[self.offered].what == "hold"

    @property
    def set_pct(self) -> float:
        """Humidity to hold this week, [%]."""
        return self.weeks[0].set_pct
