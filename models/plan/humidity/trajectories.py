"""Every timber of a room followed in one way of treating it, week by week."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from baulk.models.constants import Floats
from baulk.models.field import MoistureField
from baulk.models.plan.humidity.schedule import Need
from baulk.models.plan.humidity.timbers import Stock, mean_pct
from baulk.models.plan.humidity.ways import Phase, Way
from baulk.models.verdict.readiness import Path


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trajectories:
    """Every timber of a room in one way.

    Parameters
    ----------
    fields : dict of str to tuple of MoistureField
        By tag, at the starts of the weeks and the end of the last. [%]
    paths : dict of str to Path
        Of those to be brought to their square.
    """

    fields: dict[str, tuple[MoistureField, ...]]
    paths: dict[str, Path]

    def given_l_day(self, stocks: tuple[Stock, ...]) -> Floats:
        """Water that the timbers give off, by week, shape (n,), [l/day]."""
        each_gives = [
            -each.expansion_factor * each.dry_kg * np.diff(np.median(mean_pct(self.fields[each.tag]), axis=1))
            for each in stocks
        ]
        return np.asarray(np.sum(each_gives, axis=0)) / 100 / 7


def follow(need: Need, way: Way, beside: Trajectories | None = None) -> Trajectories:
    """Follow every timber of a room in one way.

    Parameters
    ----------
    need : Need
        The room and its timbers. [%]
    way : Way
        What is done.
    beside : Trajectories, optional
        If nothing is done: stands for the timbers that the way is not meant for.

    Returns
    -------
    Trajectories
        Over the whole horizon. [%]

    References
    ----------
    `drying.solver`; readiness by the rule of the verdict.
    """
    at_s, year = need.room.at_s(), need.room.year
    fields, paths = {}, {}
    for each in need.stocks:
        if beside is not None and way.tags and each.tag not in way.tags:
            fields[each.tag] = beside.fields[each.tag]
            if each.tag in beside.paths:
                paths[each.tag] = beside.paths[each.tag]
            continue
        phases = way.of(each.tag, year)
        fields[each.tag] = dried(each, phases, at_s)
        if each in need.targets:
            air = way.air() if phases is way.phases else year
            paths[each.tag] = each.path(fields[each.tag], at_s, air)
    return Trajectories(fields=fields, paths=paths)


def dried(stock: Stock, phases: tuple[Phase, ...], at_s: Floats) -> tuple[MoistureField, ...]:
    """Moisture of one timber at the starts of the weeks, phase after phase.

    Parameters
    ----------
    stock : Stock
        The timber. [%]
    phases : tuple of Phase
        The first from now on.
    at_s : ndarray, shape (n,)
        Weeks, POSIX seconds. [s]

    Returns
    -------
    tuple of MoistureField
        One for each moment. [%]

    References
    ----------
    `drying.solver`.
    """
    found: list[MoistureField] = []
    for i, each in enumerate(phases):
        last = phases[i + 1].first_week if i + 1 < len(phases) else at_s.size - 1
        now = stock if not found else stock.from_field(found[-1])
        part = now.dried(each.air, at_s[each.first_week : last + 1], faces=each.faces, airflow=each.airflow)
        found += part if not found else part[1:]
    return tuple(found)
