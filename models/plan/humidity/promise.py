"""What a plan of a room's air promised on its day, small enough to keep for years."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.plan.humidity.air_plan import AirPlan, Week
from baulk.models.plan.humidity.outcome import Alternative, Span

WEEKS: Final = 104  # of air that are kept
OWN_AIR: Final = frozenset({"heat", "dry", "vent"})  # ways whose air by week stands nowhere in a plan


@dataclass(frozen=True, slots=True, kw_only=True)
class Followed:
    """Who said that a plan is followed.

    Parameters
    ----------
    by : str
        Who; may be empty.
    at_utc : datetime
        When it was said.
    note : str
        Free words.
    """

    by: str
    at_utc: datetime
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PromisedWeek:
    """The air of one week as it was promised.

    Parameters
    ----------
    temp_c, rh_pct : float or None
        Held or expected; None where the plan tells none. [degC, %]
    low_pct, high_pct : float
        The window; without one where the first is above the second. [%]
    """

    temp_c: float | None
    rh_pct: float | None
    low_pct: float
    high_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PromisedTimber:
    """One timber as it was promised.

    Parameters
    ----------
    tag : str
        Which.
    ready_utc : datetime or None
        Date from which it may be squared; None beyond the horizon.
    spread_days : float
        Its standard deviation. [d]
    moisture : tuple of Span
        Mean moisture in the weeks of `outcome.MOISTURE_WEEKS`. [%]
    """

    tag: str
    ready_utc: datetime | None
    spread_days: float
    moisture: tuple[Span, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """What one plan promised.

    Parameters
    ----------
    place : str
        The room.
    made_utc : datetime
        When the plan was made.
    what : str
        The way that is held against what came, one of `ways.What`.
    followed : Followed or None
        Who said that it is followed; None of one that was only kept, which is a promise for doing nothing.
    weeks : tuple of PromisedWeek
        At most `WEEKS`. [degC, %]
    timbers : tuple of PromisedTimber
        Those to be brought to their square.
    green : tuple of str
        Every timber whose surface the chance of checks speaks of.
    check_chance : float
        Of the worst of them, in the first year. [-]
    litres, kwh : float or None
        Of the first year; None where the room is not known. [l, kWh]
    by_week : tuple of (float, float)
        The same week by week; none where nothing is moved or used, or an earlier version kept it. [l, kWh]
    """

    place: str
    made_utc: datetime
    what: str
    followed: Followed | None
    weeks: tuple[PromisedWeek, ...]
    timbers: tuple[PromisedTimber, ...]
    green: tuple[str, ...]
    check_chance: float
    litres: float | None
    kwh: float | None
    by_week: tuple[tuple[float, float], ...] = ()


def of(plan: AirPlan, *, what: str | None = None, followed: Followed | None = None) -> Promise:
    """Return what a plan promises for one way.

    Parameters
    ----------
    plan : AirPlan
        The plan as it was worked out, with no lesson laid upon it.
    what : str, optional
        The way that is followed, one of its alternatives; as offered if left out, or doing nothing where
        nobody says that it is followed.
    followed : Followed, optional
        Who says so.

    Returns
    -------
    Promise
        To be kept. [degC, %, d, l, kWh]

    Raises
    ------
    OutOfRange
        If the plan knows no such way.

    References
    ----------
    None: a choice of fields of `AirPlan`.
    """
    chosen = plan.alternatives[plan.offered if followed else 0]
    if plan.what_if and followed:
        chosen = plan.alternatives[-1]
    if what is not None:
        by_name = {each.what: each for each in plan.alternatives}
        if what not in by_name:
            raise OutOfRange("the way that is followed", f"is one of {', '.join(by_name)}, not {what!r}")
        chosen = by_name[what]
    return Promise(
        place=plan.place,
        made_utc=plan.made_utc,
        what=chosen.what,
        followed=followed,
        weeks=tuple(_week(each, chosen) for each in plan.weeks[:WEEKS]),
        timbers=tuple(
            PromisedTimber(
                tag=each.tag, ready_utc=each.ready_utc, spread_days=each.spread_days, moisture=each.moisture
            )
            for each in chosen.timbers
        ),
        green=tuple(tag for tag, part in plan.pieces.items() if part != "keep"),
        check_chance=chosen.check_chance,
        litres=chosen.litres,
        kwh=chosen.kwh,
        by_week=chosen.by_week,
    )


def _week(week: Week, chosen: Alternative) -> PromisedWeek:
    rh = week.set_pct if chosen.what == "hold" else week.expected_pct
    return PromisedWeek(
        temp_c=None if chosen.what == "heat" else round(week.temp_c, 2),
        rh_pct=None if chosen.what in OWN_AIR else round(rh, 2),
        low_pct=round(week.low_pct, 2),
        high_pct=round(week.high_pct, 2),
    )
