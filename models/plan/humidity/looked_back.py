"""A plan of a room's air looked back on: what it promised against what came since."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S, HOUR_S, Floats
from baulk.models.plan.humidity.outcome import COUNTED, MOISTURE_WEEKS, Span
from baulk.models.plan.humidity.promise import Promise, PromisedTimber, PromisedWeek
from baulk.models.plan.humidity.timbers import WEEK_S
from baulk.models.plan.humidity.used import Used, UsedBack, held

EARLY_WEEKS: Final = 4.0  # in which nothing can be said yet; our own judgement, no source
LEAST_WEEK_H: Final = 24  # measured hours for a week to count; our own judgement, no source
SPAN_SD: Final = 3.29  # a normal 5-95 % range over its standard deviation
ROUND_SD_DAYS: Final = 2.0  # ready some time in the week between two evaluations that are kept: 7 / sqrt(12)


@dataclass(frozen=True, slots=True, kw_only=True)
class TimberCame:
    """What came of one timber since a plan was made.

    Parameters
    ----------
    tag : str
        Which.
    left : bool
        It lies elsewhere now or is no longer of the yard, so that the promise can't be held against it.
    mc_pct : float or None
        Mean moisture as its newest evaluation sees it. [%]
    mc_sd_pct : float
        Its standard deviation. [%]
    mc_utc : datetime or None
        When that evaluation was made; None for now.
    ready_utc : datetime or None
        When it was first told to be squared, or was finished; None while it was not.
    expected_utc : datetime or None
        When that is expected now; None where it was, or beyond what a verdict tells.
    expected_spread_days : float
        Its standard deviation. [d]
    checks_utc : tuple of datetime
        When a check or split of it was first entered.
    """

    tag: str
    left: bool = False
    mc_pct: float | None = None
    mc_sd_pct: float = 0.0
    mc_utc: datetime | None = None
    ready_utc: datetime | None = None
    expected_utc: datetime | None = None
    expected_spread_days: float = 0.0
    checks_utc: tuple[datetime, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Came:
    """What came since a plan was made.

    Parameters
    ----------
    now_utc : datetime
        Now.
    air : AirSeries or None
        Measured in the room since. [degC, %]
    timbers : dict of str to TimberCame
        By tag.
    used : tuple of Used
        Litres and kilowatt-hours that were read off. [l, kWh]
    """

    now_utc: datetime
    air: AirSeries | None
    timbers: dict[str, TimberCame]
    used: tuple[Used, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Meant:
    """A mean with its standard error over weeks; None where a single week gives none."""

    mean: float
    se: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AirBack:
    """The air that was promised against the air that came.

    Parameters
    ----------
    weeks : int
        With enough measured hours.
    hours : int
        Measured in them. [h]
    inside : Meant or None
        Share of those hours in the week's window; None where no week had a window. [-]
    rh_promised_pct : float or None
        Mean over the measured weeks; None where the plan tells none. [%]
    rh_off_pct, temp_off_k : Meant or None
        Measured less promised. [%, K]
    """

    weeks: int
    hours: int
    inside: Meant | None
    rh_promised_pct: float | None
    rh_off_pct: Meant | None
    temp_off_k: Meant | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TimberBack:
    """One timber, promised against what came.

    Parameters
    ----------
    tag : str
        Which.
    left : bool
        It can't be held against the promise any more.
    promised_pct : Span or None
        Mean moisture promised for today; None beyond what is kept. [%]
    now_pct, now_sd_pct : float or None
        As it is now. [%]
    promised_utc : datetime or None
        When it was to be ready.
    ready_utc, expected_utc : datetime or None
        When it was, or is expected now.
    late_days, sd_days : float or None
        Later than promised, and the standard deviation of that; below 0 sooner. [d]
    due : bool
        The promised day has passed.
    lead_days : float
        From the plan to the promised day. [d]
    """

    tag: str
    left: bool
    promised_pct: Span | None
    now_pct: float | None
    now_sd_pct: float | None
    promised_utc: datetime | None
    ready_utc: datetime | None
    expected_utc: datetime | None
    late_days: float | None
    sd_days: float | None
    due: bool
    lead_days: float

    @property
    def moisture_sd_pct(self) -> float | None:
        """Standard deviation of now less promised, [%]."""
        if self.promised_pct is None or self.now_sd_pct is None:
            return None
        return math.hypot((self.promised_pct.high - self.promised_pct.low) / SPAN_SD, self.now_sd_pct)


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedBack:
    """One plan looked back on.

    Parameters
    ----------
    promise : Promise
        What it promised.
    weeks : float
        Since it was made.
    air : AirBack or None
        None where nothing was measured, or too early.
    timbers : tuple of TimberBack
        None too early.
    checked : tuple of str
        Green timbers of which a check was entered within the year that its chance speaks of.
    used : UsedBack or None
        Water and electricity against the promise; None where nobody told any.
    """

    promise: Promise
    weeks: float
    air: AirBack | None
    timbers: tuple[TimberBack, ...]
    checked: tuple[str, ...]
    used: UsedBack | None = None

    @property
    def too_early(self) -> bool:
        """Whether less time has passed than anything could be said after."""
        return self.weeks < EARLY_WEEKS

    @property
    def year_over(self) -> bool:
        """Whether the year has passed that the chance of checks speaks of."""
        return self.weeks >= COUNTED


def look_back(promise: Promise, came: Came) -> LookedBack:
    """Hold what a plan promised against what came since.

    Parameters
    ----------
    promise : Promise
        As it was kept. [degC, %, d]
    came : Came
        Since then. [degC, %]

    Returns
    -------
    LookedBack
        Without air and timbers while it is too early to say.

    References
    ----------
    Standard errors over weeks take weeks for independent; they are not wholly, so that they are the least
    that it can be. Own judgement, no source.
    """
    weeks = (came.now_utc - promise.made_utc) / timedelta(weeks=1)
    early = weeks < EARLY_WEEKS
    year = promise.made_utc + timedelta(weeks=COUNTED)
    return LookedBack(
        promise=promise,
        weeks=weeks,
        air=None if early or came.air is None else air_back(promise, came.air, came.now_utc),
        timbers=() if early else tuple(_timber(promise, each, came, weeks) for each in promise.timbers),
        checked=tuple(
            tag
            for tag in promise.green
            if tag in came.timbers
            and any(promise.made_utc < at <= year for at in came.timbers[tag].checks_utc)
        ),
        used=held(promise, came.used),
    )


def air_back(promise: Promise, air: AirSeries, now_utc: datetime) -> AirBack | None:
    """Hold the promised air against the measured.

    Parameters
    ----------
    promise : Promise
        Windows, humidity and temperature by week. [degC, %]
    air : AirSeries
        Measured; what lies outside the weeks kept does not count. [degC, %]
    now_utc : datetime
        Until when.

    Returns
    -------
    AirBack or None
        Means of hours, each hour once however often it was measured; None where no week has enough.

    References
    ----------
    None: means, and standard deviations over weeks by the square root of their number.
    """
    start = promise.made_utc.timestamp()
    seen = (air.posix_s >= start) & (air.posix_s < now_utc.timestamp())
    hour, which = np.unique((air.posix_s[seen] - start) // HOUR_S, return_inverse=True)
    if not hour.size:
        return None
    times = np.bincount(which)
    temp, rh = (np.bincount(which, each[seen]) / times for each in (air.temp_c, air.rh_pct))
    of_week = (hour * HOUR_S // WEEK_S).astype(int)
    measured = [
        (promise.weeks[i], temp[of_week == i], rh[of_week == i])
        for i in np.unique(of_week)
        if i < len(promise.weeks) and np.sum(of_week == i) >= LEAST_WEEK_H
    ]
    if not measured:
        return None
    open_weeks = [(week, humid) for week, _, humid in measured if week.low_pct <= week.high_pct]
    told = [(week.rh_pct, humid) for week, _, humid in measured if week.rh_pct is not None]
    warm = [(week.temp_c, degrees) for week, degrees, _ in measured if week.temp_c is not None]
    return AirBack(
        weeks=len(measured),
        hours=sum(each[1].size for each in measured),
        inside=_meant([_inside(week, humid) for week, humid in open_weeks]),
        rh_promised_pct=float(np.mean([each for each, _ in told])) if told else None,
        rh_off_pct=_meant([float(np.mean(humid)) - promised for promised, humid in told]),
        temp_off_k=_meant([float(np.mean(degrees)) - promised for promised, degrees in warm]),
    )


def _inside(week: PromisedWeek, rh: Floats) -> float:
    return float(np.mean((rh >= week.low_pct) & (rh <= week.high_pct)))


def _meant(values: list[float]) -> Meant | None:
    if not values:
        return None
    se = float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else None
    return Meant(mean=float(np.mean(values)), se=se)


def _timber(promise: Promise, told: PromisedTimber, came: Came, weeks: float) -> TimberBack:
    now = came.timbers.get(told.tag, TimberCame(tag=told.tag, left=True))
    left = now.left
    seen_weeks = _seen_weeks(promise, now, came.now_utc, weeks)
    seen = not left and seen_weeks is not None
    due = not left and told.ready_utc is not None and told.ready_utc <= came.now_utc
    late, sd = (None, None) if left else _late(told, now, came.now_utc)
    ready = told.ready_utc
    return TimberBack(
        tag=told.tag,
        left=left,
        promised_pct=None if left else promised_today(told, weeks if seen_weeks is None else seen_weeks),
        now_pct=now.mc_pct if seen else None,
        now_sd_pct=now.mc_sd_pct if seen and now.mc_pct is not None else None,
        promised_utc=ready,
        ready_utc=None if left else now.ready_utc,
        expected_utc=None if left else now.expected_utc,
        late_days=late,
        sd_days=sd,
        due=due,
        lead_days=0.0 if ready is None else (ready - promise.made_utc).total_seconds() / DAY_S,
    )


def _seen_weeks(promise: Promise, now: TimberCame, now_utc: datetime, weeks: float) -> float | None:
    """Return for which week of the plan moisture is known; None if that is too early or long ago."""
    if now.mc_utc is None:
        return weeks
    after = (now.mc_utc - promise.made_utc).total_seconds() / WEEK_S
    since = (now_utc - now.mc_utc).total_seconds() / WEEK_S
    return after if after >= EARLY_WEEKS and since <= EARLY_WEEKS else None


def promised_today(told: PromisedTimber, weeks: float) -> Span | None:
    """Return the moisture promised for so many weeks after the plan.

    Parameters
    ----------
    told : PromisedTimber
        With the weeks of `outcome.MOISTURE_WEEKS`. [%]
    weeks : float
        Since the plan, 0 or more. [weeks]

    Returns
    -------
    Span or None
        Between the two weeks nearest, by the square root of time, in which drying runs straight;
        None beyond the last. [%]

    References
    ----------
    Crank, The Mathematics of Diffusion: early uptake goes with the square root of time; recalled.
    """
    known = MOISTURE_WEEKS[: len(told.moisture)]
    if not known or weeks > known[-1]:
        return None
    root, at = math.sqrt(weeks), np.sqrt(known)
    low, median, high = (
        float(np.interp(root, at, [getattr(each, name) for each in told.moisture]))
        for name in ("low", "median", "high")
    )
    return Span(median=median, low=low, high=high)


def _late(told: PromisedTimber, now: TimberCame, now_utc: datetime) -> tuple[float | None, float | None]:
    """Days later than promised, and the standard deviation of what it was held against."""
    if told.ready_utc is None:
        return None, None
    if now.ready_utc is not None:
        came, sd = now.ready_utc, ROUND_SD_DAYS
    elif now.expected_utc is None and told.ready_utc > now_utc:
        return None, None
    else:  # it is not ready today, whatever was expected: so late at the least
        came, sd = max(now.expected_utc or now_utc, now_utc), now.expected_spread_days
    return (came - told.ready_utc).total_seconds() / DAY_S, math.hypot(sd, told.spread_days)
