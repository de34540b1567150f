"""An invented room: square timbers of any moisture, in air that stays or follows a coast's year."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np

from baulk.models import species, use_class
from baulk.models.air import AirSeries
from baulk.models.diffusion import law_for
from baulk.models.drying import outer_layers
from baulk.models.drying.grid import graded_edges_mm
from baulk.models.drying.solver import Members
from baulk.models.field import MoistureField
from baulk.models.plan.humidity.room import Exchange, Room
from baulk.models.plan.humidity.schedule import Need
from baulk.models.plan.humidity.timbers import CELLS, WEEK_S, Stock
from baulk.models.section import Finished, Section
from baulk.models.surface import course
from baulk.models.timber import Timber

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
NOW_S = NOW.timestamp()
DAY_S = 86_400.0
GIVEN = Exchange(per_h=0.4, low=0.4, high=0.4, source_g_m3_h=None, days=0.0, how="given")


def piece(tag="OAK-1", wood="white oak", mc=60.0, use="frame-outdoors", part="dry", *, mm=200.0, cut=150.0,
          spread=0.3, build_days=0.0, shell=None, stood=float("inf")):  # fmt: skip
    """A square timber, its moisture even or with a drier shell."""
    section = Section(width_mm=mm, depth_mm=mm, pith_y_mm=-mm)
    x = graded_edges_mm(mm, CELLS[0])
    field = np.full((16, *CELLS), mc)
    if shell is not None:
        field[:, [0, -1], :] = shell
        field[:, :, [0, -1]] = shell
    even = (np.arange(16) - 7.5) / 7.5
    members = Members(
        d_factor=np.exp(spread * even), surface_factor=np.ones(16), start_mc_pct=np.full(16, mc),
        emc_offset_pct=np.zeros(16),
    )  # fmt: skip
    kind = species.get(wood)
    start = MoistureField(posix_s=NOW_S, section=section, x_edges_mm=x, y_edges_mm=x, mc_pct=field)
    surface = course.fresh(kind, outer_layers.from_field(start), members, law_for(kind))
    return Stock(
        timber=Timber(
            tag=tag,
            species=wood,
            section=section,
            length_mm=3000.0,
            finished=Finished(width_mm=cut, depth_mm=cut),
            use_class=use,
            place="shed",
            arrived_utc=NOW,
        ),
        species=kind,
        use=use_class.get(use),
        law=law_for(kind),
        start=start,
        members=members,
        part=part,
        build_days=build_days,
        surface=replace(surface, stood_pct=stood),
    )


def room(temp_c=20.0, rh=65.0, *, weeks=156, held=None, **given):
    at_s = NOW_S + np.arange(0, (weeks + 60) * WEEK_S, 6 * 3600.0)
    year = AirSeries(posix_s=at_s, temp_c=np.full(at_s.size, temp_c), rh_pct=np.full(at_s.size, rh))
    return Room(
        place="shed", year=year, rh_now_pct=rh, held_c=held, lag_k=np.zeros(weeks), weeks=weeks, **given
    )


def need(*stocks, bands=(), strict=False, **given):
    return Need(
        room=room(**given), stocks=stocks, targets=tuple(each for each in stocks if each.part == "dry"),
        bands=tuple(bands), strict=strict,
    )  # fmt: skip


def coast(weeks=156, damper=0.0):
    """A cool coast's year: 8 to 14 degC, about 85 %."""
    at_s = NOW_S + np.arange(0, (weeks + 60) * WEEK_S, 6 * 3600.0)
    year = (at_s / DAY_S % 365.25) / 365.25 * 2 * np.pi
    return AirSeries(posix_s=at_s, temp_c=11 - 3 * np.cos(year - 0.4), rh_pct=85 + damper + 2 * np.cos(year))


def coastal(*stocks, bands=(), **given):
    """What a plan of a shed on that coast is for."""
    shed = Room(place="shed", year=coast(), rh_now_pct=85.0, held_c=None, lag_k=np.ones(156), **given)
    targets = tuple(each for each in stocks if each.part == "dry")
    years = tuple(coast(damper=each) for each in (-4.0, -1.5, 1.5, 4.0))
    return Need(room=shed, stocks=stocks, targets=targets, bands=tuple(bands), years=years)
