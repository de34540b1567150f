"""The schedule of humidity inside the window that brings the chosen timbers to their square soonest.

What is searched is where in the window the air stands, 0 for its dry side and 1 for its damp side, at a few
weeks with straight lines between; Powell's method over the fast drying core, with four members of each
chosen timber: a quick, a median, a slow and a very slow one. What counts is the mean of its members' weeks
and the week in which its verdict is sure, alike. The window itself depends on how far the timbers have come,
so that it is worked out anew until it and the schedule agree. The best few are then told apart by the
verdict's own rule with all members.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import scipy

from baulk.models import sorption
from baulk.models.air import AirSeries
from baulk.models.checking import DECIDED_ABOVE_PCT
from baulk.models.constants import DAY_S, Floats
from baulk.models.plan.humidity import window as windows
from baulk.models.plan.humidity.room import Room
from baulk.models.plan.humidity.timbers import Stock, mean_pct, ready_days
from baulk.models.plan.humidity.window import Band, Window
from baulk.models.verdict import readiness

KNOTS: Final = (0.0, 6.0, 16.0, 30.0, 52.0, 104.0)  # weeks
TRIES: Final = 70  # of schedules
EVERY: Final = 4  # weeks between two looks at a timber, and every n-th member for its stage
TOLD: Final = (0.25, 0.5, 0.75, 0.9)  # of the members, by when they are ready
STEADY_RH: Final = tuple(range(40, 91, 5))  # tried too, for a search of a few tries may miss the plain one
AGREED_RH: Final = 0.25
ROUNDS: Final = 8
EFFORT_WEEKS: Final = 0.1  # to gain for a point away from the expected air; our own judgement, no source
UNREADY_WEEKS: Final = 26.0  # for a tolerance lacking at the horizon; our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Need:
    """What the air is planned for.

    Parameters
    ----------
    room : Room
        The room.
    stocks : tuple of Stock
        Every timber in it.
    targets : tuple of Stock
        Those to be brought to their square.
    bands : tuple of Band
        What finished work tolerates.
    strict : bool
        Whether the published stages hold as printed to their end.
    elsewhere : mapping of str to AirSeries
        Air expected in other places that a timber could be moved to. [degC, %]
    years : tuple of AirSeries
        The room's air in years as different as years are, for the doubt of doing nothing. [degC, %]
    """

    room: Room
    stocks: tuple[Stock, ...]
    targets: tuple[Stock, ...]
    bands: tuple[Band, ...]
    strict: bool = False
    elsewhere: Mapping[str, AirSeries] = field(default_factory=dict)
    years: tuple[AirSeries, ...] = ()
    # by the humidities asked for: until schedule and window agree the same ones are asked for again and again
    _floors: dict[bytes, list[tuple[str, Floats]]] = field(default_factory=dict, init=False, repr=False)

    def window(self, rh_pct: Floats) -> Window:
        """Window by week when the room is held at these humidities.

        Parameters
        ----------
        rh_pct : ndarray, shape (n,)
            By week. [%]
        """
        room = self.room
        return windows.window(
            room.temp_c, room.colder_k, self.floors(rh_pct), self.bands, driest_rh=room.driest_rh
        )

    def floors(self, rh_pct: Floats) -> list[tuple[str, Floats]]:
        """Driest EMC that each piece's surface is to be asked for, by week.

        Parameters
        ----------
        rh_pct : ndarray, shape (n,)
            By week. [%]
        """
        key = np.asarray(rh_pct, dtype=np.float64).tobytes()
        if key not in self._floors:
            self._floors[key] = self._worked_out(rh_pct)
        return self._floors[key]

    def _worked_out(self, rh_pct: Floats) -> list[tuple[str, Floats]]:
        air, at_s = self.room.held(rh_pct), self.room.at_s()[:-1]
        found = []
        for each in self.stocks:
            stages = each.stages()
            if not stages or float(np.median(each.start.mean_pct)) <= stages[-1].above_pct:
                continue
            few = each.some(slice(None, None, EVERY))
            mean = np.median(mean_pct(few.dried(air, at_s)), axis=1)
            # what it has stood by the start of each week, as long as that can count
            surface = np.full(mean.size, np.inf)
            wet = int(np.sum(mean > stages[-1].above_pct))
            if not self.strict and wet > 1 and mean[wet - 1] <= DECIDED_ABOVE_PCT:
                surface[1:wet] = np.median(few.surface_pct(air, wet - 1), axis=1)
            found.append((each.tag, windows.floor_emc_pct(each, mean, surface, strict=self.strict)))
        return found


def laid(place: Floats, found: Window, room: Room) -> Floats:
    """Lay a schedule into a window.

    Parameters
    ----------
    place : ndarray, shape (knots,)
        Where in the window at `KNOTS`, 0 dry to 1 damp. [-]
    found : Window
        The window.
    room : Room
        For where the air stands now, and how fast it may change.

    Returns
    -------
    ndarray, shape (n,)
        Humidity by week; the upper limit where the window is empty, for people and timbers alike. [%]

    References
    ----------
    Our own design.
    """
    at = np.interp(np.arange(room.weeks), KNOTS, place)
    wanted = np.where(found.open, found.low_pct + at * (found.high_pct - found.low_pct), found.high_pct)
    return _stepped(wanted, found, room)


def _stepped(wanted: Floats, found: Window, room: Room) -> Floats:
    """Follow some humidities from today's on in steps, inside the window; where that forbids it, it leads."""
    out, last = np.empty(room.weeks), room.rh_now_pct
    for i, each in enumerate(wanted):
        low = min(found.low_pct[i], found.high_pct[i])
        last = min(max(each, last - room.step_pct), last + room.step_pct)
        last = out[i] = min(max(last, low), found.high_pct[i])
    return out


def agreed(place: Floats, need: Need, first: Floats | None = None) -> tuple[Floats, Window]:
    """Find the schedule and the window that belong together.

    Parameters
    ----------
    place : ndarray, shape (knots,)
        Where in the window, see `laid`. [-]
    need : Need
        What the air is planned for.
    first : ndarray, shape (n,), optional
        Where to begin. [%]

    Returns
    -------
    rh, window
        By week; they agree to a quarter of a percent, or to a week where a stage ends.

    References
    ----------
    Our own design.
    """
    rh = need.room.expected_rh if first is None else first
    found = need.window(rh)
    for _ in range(ROUNDS):
        fresh = laid(place, found, need.room)
        settled = float(np.max(np.abs(fresh - rh))) < AGREED_RH
        rh = fresh
        found = need.window(rh)
        if settled:
            break
    return rh, found


def effort(rh_pct: Floats, room: Room) -> float:
    """Weeks that a schedule must gain to be worth holding: more the further it lies from the expected air.

    Parameters
    ----------
    rh_pct : ndarray, shape (n,)
        By week. [%]
    room : Room
        For the air expected.

    Returns
    -------
    float
        Weeks, and a little for damp air, so that of two equal schedules the drier is taken.

    References
    ----------
    Our own judgement, no source: a week for ten points of humidity held all the time.
    """
    away = float(np.mean(np.abs(rh_pct - room.expected_rh)))
    return EFFORT_WEEKS * away + 0.001 * float(np.mean(rh_pct))


def score(rh_pct: Floats, need: Need, few: Sequence[Stock]) -> float:
    """Weeks until the chosen timbers are ready, by the proxy, with what still lacks at the horizon.

    Parameters
    ----------
    rh_pct : ndarray, shape (n,)
        By week. [%]
    need : Need
        For the room.
    few : sequence of Stock
        The chosen timbers with few members.

    Returns
    -------
    float
        Weeks, and what the effort counts for.

    References
    ----------
    Our own design.
    """
    room = need.room
    air, at_s = room.held(rh_pct), room.at_s(EVERY)
    ahead = {days: ahead_pct(air, at_s, days) for days in {each.build_days for each in few}}
    total = 0.0
    for each in few:
        excess = each.excess_until_ready_mm(air, at_s, ahead[each.build_days])
        days = ready_days(excess, at_s[: excess.shape[0]])
        lacking = np.maximum(excess[-1], 0.0) / each.rule.tolerance_mm
        weeks = days / 7 + UNREADY_WEEKS * np.where(days * DAY_S >= np.ptp(at_s), lacking, 0)
        total += _both(weeks, each.wanted)
    return total / max(len(few), 1) + effort(rh_pct, room)


def ahead_pct(air: AirSeries, at_s: Floats, build_days: float) -> Floats:
    """Mean EMC over the half and the whole of a build from each moment on.

    Parameters
    ----------
    air : AirSeries
        The air, evenly spaced in time. [degC, %]
    at_s : ndarray, shape (n,)
        Moments, POSIX seconds. [s]
    build_days : float
        From squaring to service. [d]

    Returns
    -------
    ndarray, shape (2, n)
        Mean EMC. [%]

    References
    ----------
    Wood Handbook eq. 4-5; the mean of the EMC, not the EMC of the mean.
    """
    upto = np.concatenate([[0.0], np.cumsum(sorption.emc_pct(air.temp_c, air.rh_pct))])
    first = np.searchsorted(air.posix_s, at_s)
    found = []
    for days in (build_days / 2, build_days):
        last = np.minimum(np.searchsorted(air.posix_s, at_s + days * DAY_S), air.posix_s.size)
        last = np.maximum(last, first + 1)
        found.append((upto[last] - upto[first]) / (last - first))
    return np.array(found)


def best(need: Need) -> tuple[Floats, Window]:
    """Search the schedule.

    Parameters
    ----------
    need : Need
        What the air is planned for; without targets the air stays as near as it can to what is expected.

    Returns
    -------
    rh, window
        By week. [%]

    References
    ----------
    Powell, M. J. D., 1964. Computer Journal 7, 155-162, as scipy.optimize has it.
    """
    room = need.room
    if not need.targets:
        return _near_expected(need)
    few = [told(each, room) for each in need.targets]
    dry = np.zeros(len(KNOTS))
    rh, found = agreed(dry, need)
    still = _near_expected(need)
    known: dict[bytes, float] = {}  # where the window is shut, or a step leads, many places are one schedule

    def scored(rh_pct: Floats) -> float:
        key = rh_pct.tobytes()
        if key not in known:
            known[key] = score(rh_pct, need, few)
        return known[key]

    starts = [dry, np.full(len(KNOTS), 0.5), np.append(np.zeros(len(KNOTS) - 2), [0.5, 0.7])]
    begin = min(starts, key=lambda place: scored(laid(place, found, room)))
    searched = scipy.optimize.minimize(
        lambda place: scored(laid(np.clip(place, 0, 1), found, room)),
        begin,
        method="Powell",
        bounds=[(0.0, 1.0)] * len(KNOTS),
        options={"maxfev": TRIES, "xtol": 0.03, "ftol": 1e-3},
    )
    steady = sorted(
        (_stepped(np.full(room.weeks, float(level)), found, room) for level in STEADY_RH),
        key=scored,
    )
    some = [still, (rh, found), agreed(np.clip(searched.x, 0, 1), need, rh)]
    some += [_steady(each, need) for each in steady[:2]]
    return some[_soonest([rh for rh, _ in some], need)]


def exact(rh_pct: Floats, need: Need) -> float:
    """Weeks until the chosen timbers are ready, by the verdict's own rule with all members.

    Parameters
    ----------
    rh_pct : ndarray, shape (n,)
        By week. [%]
    need : Need
        What the air is planned for.

    Returns
    -------
    float
        Weeks; a member that is not ready counts for the horizon.

    References
    ----------
    `readiness.path`.
    """
    return _weeks(_paths(rh_pct, need), need)


def _paths(rh_pct: Floats, need: Need) -> list[readiness.Path]:
    """Readiness of each chosen timber; no build is run yet."""
    air, at_s = need.room.held(rh_pct), need.room.at_s(EVERY // 2)
    return [each.path(each.dried(air, at_s), at_s, air) for each in need.targets]


def _weeks(paths: Sequence[readiness.Path], need: Need, *, building: bool = True) -> float:
    """Weeks as `exact` has them, or as if nothing moved while it is built, which is never more."""
    days = [each.days() if building else each.days(each.ready_before_build) for each in paths]
    return float(np.mean([_both(of / 7, each.wanted) for of, each in zip(days, need.targets, strict=True)]))


def _soonest(schedules: Sequence[Floats], need: Need) -> int:
    """Return the schedule of which `exact` and `effort` come to least, the first of several alike.

    The builds, which cost most, are run only of those that would be soonest without them.
    """
    paths = [_paths(each, need) for each in schedules]
    efforts = [effort(each, need.room) for each in schedules]
    least = sorted((_weeks(each, need, building=False) + efforts[i], i) for i, each in enumerate(paths))
    best = (np.inf, -1)
    for at_least, i in least:
        if (at_least, i) < best:
            best = min(best, (_weeks(paths[i], need) + efforts[i], i))
    return best[1]


def told(stock: Stock, room: Room) -> Stock:
    """Choose the members that stand for all: by when each is ready in the air expected.

    Parameters
    ----------
    stock : Stock
        The timber with all its members.
    room : Room
        For the air expected.

    Returns
    -------
    Stock
        With four of them.

    References
    ----------
    None: quantiles.
    """
    at_s = room.at_s(EVERY)
    excess = stock.excess_mm(stock.dried(room.year, at_s), ahead_pct(room.year, at_s, stock.build_days))
    order = np.lexsort((excess[-1], ready_days(excess, at_s)))
    places = np.round(np.array(TOLD) * (order.size - 1)).astype(np.intp)
    return stock.some(order[places])


def _both(weeks: Floats, wanted: float) -> float:
    """Weigh the middle of the members and the one that makes the verdict sure alike."""
    return 0.5 * float(np.mean(weeks)) + 0.5 * float(np.quantile(weeks, wanted, method="higher"))


def _near_expected(need: Need) -> tuple[Floats, Window]:
    """Keep to the expected air where the window lets it."""
    return _steady(need.room.expected_rh, need)


def _steady(wanted: Floats, need: Need) -> tuple[Floats, Window]:
    """Keep to some humidities where the window lets it, until both agree."""
    rh = wanted
    found = need.window(rh)
    for _ in range(ROUNDS):
        fresh = _stepped(wanted, found, need.room)
        settled = float(np.max(np.abs(fresh - rh))) < AGREED_RH
        rh, found = fresh, need.window(fresh)
        if settled:
            break
    return rh, found
