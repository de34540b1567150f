"""What plans of a room's air that were looked back on teach the next one."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from baulk.models.plan.humidity.air_plan import AirPlan
from baulk.models.plan.humidity.looked_back import LookedBack
from baulk.models.plan.humidity.outcome import COUNTED, Alternative
from baulk.models.reason import Reason

# numbers of models/data/constants.csv
PRIOR_SD_DAYS: Final = 30.0
SCATTER_DAYS: Final = 60.0
SCATTER_TIMBERS: Final = 2.0
LEAST_TIMBERS: Final = 3
LEAST_LEAD_DAYS: Final = 56.0
BEYOND_SD: Final = 1.96  # the two ends of a normal 95 % range


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """By how much plans promised too early or too late.

    Parameters
    ----------
    late_days, se_days : float
        Mean over the timbers of how much later than promised they came, and its standard error;
        below 0 sooner. [d]
    told_days, told_sd_days : float
        The same drawn toward none by how few they are. [d]
    timbers, plans : int
        That it rests on.
    """

    late_days: float
    se_days: float
    told_days: float
    told_sd_days: float
    timbers: int
    plans: int

    @property
    def counts(self) -> bool:
        """Whether it is beyond its own uncertainty, so that the next plan's months are moved by it."""
        return self.timbers >= LEAST_TIMBERS and abs(self.told_days) > BEYOND_SD * self.told_sd_days

    @property
    def reason(self) -> Reason:
        """What is told of it."""
        return Reason(
            code="back.lesson_used" if self.counts else "back.lesson",
            values={
                "late_days": self.late_days,
                "se_days": self.se_days,
                "told_days": self.told_days,
                "told_sd_days": self.told_sd_days,
                "timbers": self.timbers,
                "plans": self.plans,
            },
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChecksTold:
    """Chances of a check that plans told against the years in which one was entered.

    Parameters
    ----------
    years : int
        Plans, a year or more apart, whose year is over.
    expected, sd : float
        Years with a check by the chances told, and the standard deviation of that number.
    came : int
        Years with one.
    """

    years: int
    expected: float
    sd: float
    came: int

    @property
    def reason(self) -> Reason:
        """What is told of it."""
        values = {"years": self.years, "expected": self.expected, "sd": self.sd, "came": self.came}
        return Reason(code="back.chances", values=values)


def learned(found: Sequence[LookedBack]) -> Lesson | None:
    """Return what plans that were looked back on teach the next one of the same room.

    A timber counts once its promised day has passed, whether it was ready or not: one that came early waits
    for that day, or early ones alone would count. A promise of less than eight weeks ahead teaches nothing.
    Each timber counts once, by its mean over plans.

    Parameters
    ----------
    found : sequence of LookedBack
        Of one room. [d]

    Returns
    -------
    Lesson or None
        None while no promised day has passed.

    References
    ----------
    Normal mean with a normal prior about none, the scatter of timbers joined with what is presumed of it:
    Gelman et al., Bayesian Data Analysis, chapters 2 and 3, recalled. Timbers of one shed share its weather,
    which this takes for independent: the standard error is the least that it can be.
    """
    late: dict[str, list[float]] = {}
    plans = set()
    for each in found:
        for one in each.timbers:
            if one.due and one.late_days is not None and one.lead_days >= LEAST_LEAD_DAYS:
                late.setdefault(one.tag, []).append(one.late_days)
                plans.add(each.promise.made_utc)
    if not late:
        return None
    means = np.array([np.mean(each) for each in late.values()])
    n, mean = means.size, float(means.mean())
    squares = float(np.sum((means - mean) ** 2))
    scatter = (SCATTER_TIMBERS * SCATTER_DAYS**2 + squares) / (SCATTER_TIMBERS + n - 1)
    weight = n / scatter
    prior = 1 / PRIOR_SD_DAYS**2
    return Lesson(
        late_days=mean,
        se_days=math.sqrt(scatter / n),
        told_days=mean * weight / (weight + prior),
        told_sd_days=math.sqrt(1 / (weight + prior)),
        timbers=n,
        plans=len(plans),
    )


def checks(found: Sequence[LookedBack]) -> ChecksTold | None:
    """Hold the chances of a check against what was entered, over years that do not overlap.

    Parameters
    ----------
    found : sequence of LookedBack
        Of one room, in any order. [-]

    Returns
    -------
    ChecksTold or None
        None while no year is over.

    References
    ----------
    Mean and variance of a sum of independent yes-or-no outcomes: sum of p and of p (1 - p).
    """
    taken: list[LookedBack] = []
    for each in sorted(found, key=lambda one: one.promise.made_utc):
        apart = not taken or each.promise.made_utc - taken[-1].promise.made_utc >= timedelta(weeks=COUNTED)
        if each.year_over and each.promise.green and apart:
            taken.append(each)
    if not taken:
        return None
    chances = [each.promise.check_chance for each in taken]
    return ChecksTold(
        years=len(taken),
        expected=sum(chances),
        sd=math.sqrt(sum(each * (1 - each) for each in chances)),
        came=sum(bool(each.checked) for each in taken),
    )


def taught(plan: AirPlan, lesson: Lesson | None) -> AirPlan:
    """Return a plan with what earlier ones teach: said, and laid upon its dates where it counts.

    Parameters
    ----------
    plan : AirPlan
        As it was worked out.
    lesson : Lesson or None
        From `learned`. [d]

    Returns
    -------
    AirPlan
        The same, with the lesson first among its assumptions, and every date moved by it where it is beyond
        its own uncertainty. Weeks gained stay: both sides move alike.

    References
    ----------
    None: a sum of two dates' errors, taken for independent.
    """
    if lesson is None:
        return plan
    told = (lesson.reason, *plan.assumptions)
    if not lesson.counts:
        return replace(plan, assumptions=told)
    sd = lesson.told_sd_days

    def moved(date: datetime | None) -> datetime | None:
        # none is promised for a day that has passed
        return None if date is None else max(date + timedelta(days=round(lesson.told_days)), plan.made_utc)

    def way(each: Alternative) -> Alternative:
        return replace(
            each,
            timbers=tuple(
                replace(one, ready_utc=moved(one.ready_utc), spread_days=math.hypot(one.spread_days, sd))
                for one in each.timbers
            ),
        )

    return replace(
        plan,
        assumptions=told,
        alternatives=tuple(way(each) for each in plan.alternatives),
        gains=tuple(
            replace(
                each,
                nothing_utc=moved(each.nothing_utc),
                plan_utc=moved(each.plan_utc),
                nothing_spread_days=math.hypot(each.nothing_spread_days, sd),
                plan_spread_days=math.hypot(each.plan_spread_days, sd),
            )
            for each in plan.gains
        ),
    )
