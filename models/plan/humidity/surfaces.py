"""What the surfaces of the wettest timbers are asked for, week by week, with a plan and without."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models import checking, creep
from baulk.models.air import AirSeries
from baulk.models.checking import DECIDED_ABOVE_PCT
from baulk.models.constants import Floats
from baulk.models.drying import outer_march
from baulk.models.field import MoistureField
from baulk.models.plan.humidity.schedule import EVERY, Need
from baulk.models.plan.humidity.timbers import WEEK_S, Stock, mean_pct
from baulk.models.plan.humidity.ways import Phase
from baulk.models.reason import Reason, Value
from baulk.models.surface import course

WEEKS: Final = 52
FIRST_WEEKS: Final = 2  # in steps of hours and by the day; the rest by half a week, for its air is smooth
SHARE: Final = EVERY // 2  # every n-th member for a chance
NAMED: Final = 3  # pieces that are told of


def risks(need: Need, rh_pct: Floats) -> tuple[Reason, ...]:
    """Tell which timbers would be asked for more than boards of their wood stand, and when.

    Parameters
    ----------
    need : Need
        What the air is planned for.
    rh_pct : ndarray, shape (n,)
        Its schedule, by week. [%]

    Returns
    -------
    tuple of Reason
        One for each timber for which that holds with the plan or without, in the first year while damage is
        decided; the worst first, at most three.

    References
    ----------
    `baulk.models.surface`: the same strain and stress as a timber's own margin.
    """
    room = need.room
    found: list[tuple[float, Reason]] = []
    for each in need.stocks:
        if not each.stages() or float(np.median(each.start.mean_pct)) <= DECIDED_ABOVE_PCT:
            continue
        few = each.some(slice(None, None, EVERY))  # as for the floors
        tolerated = float(checking.surface_strain_pct(each.species, each.stages()[0].emc_pct))
        values: dict[str, Value] = {"tag": each.tag, "tolerated_pct": tolerated}
        worst, weeks = 0.0, 0
        for name, air in (("nothing", room.year), ("plan", room.held(rh_pct))):
            wanted, over = _weeks(few, air, min(room.weeks, WEEKS), tolerated)
            first = int(np.argmax(over)) if over.any() else None
            values |= {
                f"{name}_pct": float(wanted.max()),
                f"{name}_weeks": int(over.sum()),
                f"{name}_utc": None
                if first is None
                else datetime.fromtimestamp(room.start_s + WEEK_S * first, UTC),
            }
            worst, weeks = max(worst, float(wanted.max())), weeks + int(over.sum())
        if weeks:
            found.append((worst - tolerated, Reason(code="humidity.surface_risk", values=values)))
    found.sort(key=lambda one: -one[0])
    return tuple(reason for _, reason in found[:NAMED])


def chance(each: Stock, phases: tuple[Phase, ...], fields: Sequence[MoistureField], weeks: int) -> float:
    """Compute the chance that a surface is asked for more than boards of its wood stand, in the first year.

    Parameters
    ----------
    each : Stock
        The timber.
    phases : tuple of Phase
        What is done with it.
    fields : sequence of MoistureField
        Its moisture by week, of every member. [%]
    weeks : int
        Of the plan.

    Returns
    -------
    float
        Share of the members for which strain or stress is too much on one day, as in its verdict; 0 once the
        damage is no longer decided. [-]

    References
    ----------
    `baulk.models.surface`: the same strain and stress as a timber's own margin.
    """
    mean = np.median(mean_pct(tuple(fields[: min(weeks, WEEKS)])), axis=1)
    if not each.stages() or mean[0] <= DECIDED_ABOVE_PCT:
        return 0.0
    few = each.some(slice(None, None, SHARE))
    stands = float(checking.surface_strain_pct(each.species, each.stages()[0].emc_pct))
    breaks = creep.breaking_strain_pct(each.species) or np.inf
    count = max(int(np.argmax(mean <= DECIDED_ABOVE_PCT)) if mean[-1] <= DECIDED_ABOVE_PCT else mean.size, 1)
    now, over = few.skin, np.zeros(few.members.size, dtype=bool)
    bare, wood = now.covers, now.members
    ends = sorted({0, FIRST_WEEKS, count, *(one.first_week for one in phases)})
    for first, last in pairwise(one for one in ends if one <= count):
        phase = next(one for one in reversed(phases) if one.first_week <= first)
        now = replace(
            now,
            covers=bare if phase.faces is None else phase.faces,
            members=replace(wood, surface_factor=wood.surface_factor * phase.airflow),
        )
        each_day, step_s = (course.A_DAY, outer_march.STEP_S) if last <= FIRST_WEEKS else (1, course.FAR_S)
        now, days = course.follow(
            now, few.species, [phase.air], days=7 * (last - first), each=each_day, step_s=step_s
        )
        over |= (days.wanted_pct > stands).any(axis=0) | (days.tension_pct > breaks).any(axis=0)
    return float(over.mean())


def _weeks(few: Stock, air: AirSeries, weeks: int, stands: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Strain wanted on the worst day of each week [% of length]; whether that, or the stress, is too much.

    Only of the weeks in which damage is decided, at least one.
    """
    at_s = few.start.posix_s + WEEK_S * np.arange(weeks, dtype=np.float64)
    mean = np.median(mean_pct(few.dried(air, at_s)), axis=1)
    count = max(int(np.argmax(mean <= DECIDED_ABOVE_PCT)) if mean[-1] <= DECIDED_ABOVE_PCT else weeks, 1)
    first = min(count, FIRST_WEEKS)
    now, days = course.follow(few.skin, few.species, [air], days=7 * first)
    wanted, tension = (_worst(each, first) for each in (days.wanted_pct, days.tension_pct))
    if count > first:
        rest = count - first
        _, later = course.follow(now, few.species, [air], days=7 * rest, each=1, step_s=course.FAR_S)
        wanted = np.concatenate([wanted, _worst(later.wanted_pct, rest)])
        tension = np.concatenate([tension, _worst(later.tension_pct, rest)])
    breaks_pct = creep.breaking_strain_pct(few.species) or np.inf
    return wanted, (wanted > stands) | (tension > breaks_pct)


def _worst(values: Floats, weeks: int) -> Floats:
    """Largest of the members' medians in each week, shape (weeks,)."""
    return np.asarray(np.median(values, axis=1).reshape(weeks, -1).max(axis=1))
