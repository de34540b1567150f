"""What comes of one way of treating a room: when each timber is ready, what it risks, what it costs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import numpy as np

from baulk.models import keeping
from baulk.models.air import AirSeries
from baulk.models.air_scenarios import MONTH_RH_SD_PCT
from baulk.models.constants import Floats
from baulk.models.field import MoistureField
from baulk.models.plan.humidity import mould, surfaces
from baulk.models.plan.humidity.room import Exchange, Room
from baulk.models.plan.humidity.schedule import Need
from baulk.models.plan.humidity.timbers import WEEK_S, Stock, mean_pct
from baulk.models.plan.humidity.trajectories import Trajectories
from baulk.models.plan.humidity.water import (
    AT_WORK_KG_H,
    draught_l_day,
    heating_kwh,
    machines,
    vapour_g_m3,
)
from baulk.models.plan.humidity.ways import Way
from baulk.models.plan.humidity.window import rh_at
from baulk.models.verdict.readiness import Path

COUNTED: Final = 52  # weeks over which risks, machines and money are counted
MOISTURE_WEEKS: Final = (0, 4, 8, 13, 26, 39, 52, 78, 104)  # in which a timber's moisture is told


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A middle value with its 5-95 % range."""

    median: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TimberOutcome:
    """What comes of one way for one timber.

    Parameters
    ----------
    tag : str
        Which.
    ready_utc : datetime or None
        First date that is sure enough, by the verdict's rule; None beyond the horizon.
    spread_days : float
        Its standard deviation. [d]
    weeks : Span
        Until it is ready, over the members. [weeks]
    gained : Span
        The same member with and without; below 0 when it takes longer. [weeks]
    unready : float
        Share of the members that are not ready within the horizon. [-]
    moisture : tuple of Span
        Mean over the section in the weeks of `MOISTURE_WEEKS`, over the members. [%]
    """

    tag: str
    ready_utc: datetime | None
    spread_days: float
    weeks: Span
    gained: Span
    unready: float
    moisture: tuple[Span, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Alternative:
    """What comes of one way, over the first year unless said otherwise.

    Parameters
    ----------
    what : str
        One of `ways.What`.
    values : dict
        What belongs to it: the timber moved, where to and after how many weeks; the set-point.
    timbers : tuple of TimberOutcome
        Those to be brought to their square.
    gained : Span
        Mean over them. [weeks]
    check_chance : float
        Largest chance of any green timber to be asked for more than boards of its wood stand. [-]
    mould_index : float
        Largest mould index that its air comes to; from 3 on it is seen. [-]
    decay_h : float
        Most hours of any timber, warm enough for decay with its shell above 20 %. [h]
    outside_weeks : int
        In which the air lies beyond what finished work tolerates, by more than a month's air differs.
    litres, kwh, money : float or None
        Water moved, electricity, and its price; None where the room or the price is not known. [l, kWh, -]
    work_h : float
        Hours of work. [h]
    by_week : tuple of (float, float)
        Water moved and electricity of each week of the first year; none where they are not known or 0.
        [l, kWh]
    """

    what: str
    values: dict[str, float | str]
    timbers: tuple[TimberOutcome, ...]
    gained: Span
    check_chance: float
    mould_index: float
    decay_h: float
    outside_weeks: int
    litres: float | None
    kwh: float | None
    money: float | None
    work_h: float
    by_week: tuple[tuple[float, float], ...] = ()


def ready_utc(stock: Stock, made: Path, nothing: Path) -> datetime | None:
    """Give the first date on which a timber's verdict will be `square`.

    Parameters
    ----------
    stock : Stock
        The timber.
    made, nothing : Path
        Its readiness with something done, and if nothing is done.

    Returns
    -------
    datetime or None
        From what its verdict tells, with the plan's own difference laid upon it; from the plan alone where no
        verdict tells. None beyond the horizon.

    References
    ----------
    `verdict.chances`.
    """
    if stock.told is None:
        return made.square()
    return stock.told.shifted(made.posix_s, made.ready(), nothing.ready()).square()


def doubtful_weeks(need: Need, stock: Stock, nothing: Path) -> Floats:
    """Weeks until each member is ready if nothing is done, every member in a year of its own.

    Parameters
    ----------
    need : Need
        The room, with the years that may come.
    stock : Stock
        The timber.
    nothing : Path
        Its readiness in the season's mean.

    Returns
    -------
    ndarray, shape (m,)
        As `nothing` has it where the room has no years. [weeks]

    References
    ----------
    Design of this program: years as `air_scenarios` draws them.
    """
    if not need.years:
        return nothing.days() / 7
    years, at_s = need.years[: stock.members.size], need.room.at_s(2)
    parts = [stock.some(slice(i, None, len(years))).dried(year, at_s) for i, year in enumerate(years)]
    # put together before they are judged: each member has its own draw of service and build, as in `nothing`
    fields = tuple(MoistureField.dealt(moment, stock.start) for moment in zip(*parts, strict=True))
    return stock.path(fields, at_s, years[0], years=years).days() / 7


def of(  # noqa: PLR0913 - a way, beside doing nothing, and what its water is counted with
    need: Need,
    way: Way,
    made: Trajectories,
    beside: Trajectories,
    *,
    without: dict[str, Floats],
    room: Counted,
) -> Alternative:
    """Put together what comes of one way.

    Parameters
    ----------
    need : Need
        The room and its timbers.
    way : Way
        What is done.
    made, beside : Trajectories
        With it, and if nothing is done. [%]
    without : dict of str to ndarray
        Weeks until each member of each target is ready if nothing is done; for air that is held every member
        in a year of its own, else in the same season. [weeks]
    room : Counted
        For water and money.

    Returns
    -------
    Alternative
        Risks and costs of the first year.

    References
    ----------
    The parts: `surfaces.chance`, `mould.index`, `keeping.warm_hours`, `water`.
    """
    year = need.room.year
    timbers = []
    for each in need.targets:
        path = made.paths[each.tag]
        weeks = path.days() / 7
        timbers.append(
            TimberOutcome(
                tag=each.tag,
                ready_utc=ready_utc(each, path, beside.paths[each.tag]),
                spread_days=path.spread_days(),
                weeks=span(weeks),
                gained=span(without[each.tag] - weeks),
                unready=float(1 - np.mean(path.ready().any(axis=0))),
                moisture=_moisture(made.fields[each.tag]),
            )
        )
    green = [each for each in need.stocks if each.part != "keep"]
    air = way.air() if not way.tags else year
    rh = need.room.expected_rh if way.rh_pct is None else way.rh_pct
    litres, kwh, by_week = room.used(need, way, made if way.rh_pct is not None else beside)
    return Alternative(
        what=way.what,
        values=dict(way.values or {}),
        timbers=tuple(timbers),
        gained=_mean([each.gained for each in timbers]),
        check_chance=max(
            (
                surfaces.chance(each, way.of(each.tag, year), made.fields[each.tag], need.room.weeks)
                for each in green
            ),
            default=0.0,
        ),
        mould_index=float(max(mould.index(air, days=7 * COUNTED), default=0.0)),
        decay_h=max((_decay_h(way, each, made, need) for each in green), default=0.0),
        outside_weeks=_outside_weeks(need, rh),
        litres=litres,
        kwh=kwh,
        money=None if kwh is None or room.price_kwh is None else kwh * room.price_kwh,
        work_h=way.work_h,
        by_week=by_week,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Counted:
    """What the water and the electricity of a way are counted with.

    Parameters
    ----------
    volume_m3 : float or None
        Air in the room. [m3]
    exchange : Exchange or None
        Air changes. [1/h]
    outside_g_m3 : ndarray or None
        Water in the air outside, by week. [g/m3]
    people_h_day : float
        Hours of work in the room. [h]
    price_kwh : float or None
        In any money.
    """

    volume_m3: float | None
    exchange: Exchange | None
    outside_g_m3: Floats | None
    people_h_day: float
    price_kwh: float | None

    def draught(self, room: Room, rh: Floats) -> Floats | None:
        """Water that comes in with the air, by week; None where the room is not known. [l/day]."""
        if self.volume_m3 is None or self.exchange is None or self.outside_g_m3 is None:
            return None
        inside = vapour_g_m3(room.temp_c, rh)
        return draught_l_day(self.volume_m3, self.exchange.per_h, self.outside_g_m3, inside)

    def need(self, room: Room, rh: Floats, given_l_day: Floats) -> Floats | None:
        """Water to take out by week, below 0 to add; None where the room is not known. [l/day]."""
        draught = self.draught(room, rh)
        return None if draught is None else given_l_day + draught + self.people_h_day * AT_WORK_KG_H

    def used(
        self, need: Need, way: Way, made: Trajectories
    ) -> tuple[float | None, float | None, tuple[tuple[float, float], ...]]:
        """Water moved and electricity used in the first year, and week by week. [l, kWh]."""
        room, year = need.room, slice(0, COUNTED)
        if way.what == "heat":
            known = self.volume_m3 is not None and self.exchange is not None
            warmer = float((way.values or {})["warmer_k"])
            kwh = heating_kwh(self.volume_m3, self.exchange.per_h, warmer) if known else None  # type: ignore[union-attr,arg-type]
            return 0.0, kwh, () if kwh is None else ((0.0, round(kwh / COUNTED, 3)),) * COUNTED
        if way.what not in {"hold", "dry"} or way.rh_pct is None:
            return 0.0, 0.0, ()
        moved = self.need(room, way.rh_pct, made.given_l_day(need.stocks))
        if moved is None:
            return None, None, ()
        if way.what == "dry":  # it adds none
            moved = np.maximum(moved, 0.0)
        found = machines(
            moved[year], room.temp_c[year], way.rh_pct[year], heated=room.held_c is not None, price_kwh=None
        )
        power = sum((np.array(each.kwh_by_week) for each in found), start=np.zeros(moved[year].size))
        by_week = tuple(
            (round(float(litres), 3), round(float(kwh), 3))
            for litres, kwh in zip(7 * np.abs(moved[year]), power, strict=True)
        )
        return float(7 * np.abs(moved[year]).sum()), sum(each.kwh for each in found), by_week


def span(values: Floats) -> Span:
    """Return the middle and the 5-95 % range of some values."""
    low, middle, high = (float(each) + 0.0 for each in np.quantile(values, (0.05, 0.5, 0.95)))
    return Span(median=middle, low=low, high=high)


def _moisture(fields: tuple[MoistureField, ...]) -> tuple[Span, ...]:
    told = tuple(fields[week] for week in MOISTURE_WEEKS if week < len(fields))
    return tuple(span(each) for each in mean_pct(told))


def _mean(spans: list[Span]) -> Span:
    """Mean over timbers whose errors go together, which is the widest that it can be."""
    if not spans:
        return Span(median=0.0, low=0.0, high=0.0)
    count = len(spans)
    return Span(
        median=sum(each.median for each in spans) / count,
        low=sum(each.low for each in spans) / count,
        high=sum(each.high for each in spans) / count,
    )


def _decay_h(way: Way, each: Stock, made: Trajectories, need: Need) -> float:
    """Hours of the first year in which it is warm enough for decay with the shell above the safe moisture."""
    air = way.air() if not way.tags or each.tag in way.tags else need.room.year
    fields = made.fields[each.tag][:COUNTED]
    whole = replace(fields[0], mc_pct=np.concatenate([one.mc_pct for one in fields]), potential=None)
    damp = np.median(whole.shell_pct.reshape(len(fields), -1), axis=1) > keeping.SAFE_PCT
    hours = 0.0
    for week in np.flatnonzero(damp):
        begins = need.room.start_s + WEEK_S * float(week)
        first, last = np.searchsorted(air.posix_s, (begins - WEEK_S, begins + WEEK_S))
        part = AirSeries(
            posix_s=air.posix_s[first:last], temp_c=air.temp_c[first:last], rh_pct=air.rh_pct[first:last]
        )
        hours += keeping.warm_hours(part, since_s=begins, until_s=begins + WEEK_S)
    return hours


def _outside_weeks(need: Need, rh: Floats) -> int:
    if not need.bands:
        return 0
    temp = need.room.temp_c[:COUNTED]
    low = np.max([rh_at(temp, each.low_pct) for each in need.bands], axis=0)
    high = np.min([rh_at(temp, each.high_pct) for each in need.bands], axis=0)
    held = rh[:COUNTED]
    return int(np.sum((held < low - MONTH_RH_SD_PCT) | (held > high + MONTH_RH_SD_PCT)))
