"""What can be done with the air of a room, or with one timber in it, and how each of it is modelled.

Nothing; hold the planned humidity; keep the draughts off with a sheet; wrap for the first months; open and
shut by the weather; heat; take water out with a machine; move one timber to another place. Turning is not
among them: the model gives every face the same air, so that it can't say what turning changes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.constants import Floats
from baulk.models.face_cover import Covers, FaceCover
from baulk.models.plan.humidity.room import Room
from baulk.models.plan.humidity.schedule import Need
from baulk.models.plan.humidity.timbers import WEEK_S, Stock
from baulk.models.plan.humidity.water import vapour_g_m3
from baulk.models.plan.humidity.window import DAMPEST_RH, Window
from baulk.models.psychrometrics import saturation_pa
from baulk.models.reason import Reason
from baulk.models.section import Face

What = Literal["nothing", "hold", "cover", "wrap", "vent", "heat", "dry", "move"]

# share of the flux that is left when the air over a face slows from 0.5 to 0.1 m/s: laminar plate of 0.2 m,
# Sh = 0.664 Re^0.5 Sc^(1/3), 48 against 106 g/(m2 h) (computed)
STILL_AIR: Final = 0.45
WRAPPED_WEEKS: Final = 13  # over the driest season that comes; our own judgement, no source
HEATED_K: Final = 5.0  # our own judgement, no source
DRIED_TO_RH: Final = 50.0  # that a common dehumidifier is set to at the driest; our own judgement, no source
OPEN_PER_H: Final = 5.0  # air changes with doors open on both sides; common practice, no source
SHUT_PER_H: Final = 0.5  # and shut; common practice, no source
MOVE_WEEKS: Final = (0, 13, 26)  # after which a timber is moved

# hours of work: a week's reading and filling; a timber covered; wrapped and looked at; a week's walks to the
# doors; a week's emptying; a timber moved by two people
HOLD_H_WEEK: Final = 0.25  # our own judgement, no source
COVER_H: Final = 1.0  # our own judgement, no source
WRAP_H: Final = 2.0  # our own judgement, no source
VENT_H_WEEK: Final = 1.0  # our own judgement, no source
EMPTY_H_WEEK: Final = 0.25  # our own judgement, no source
MOVE_H: Final = 2.0  # our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Phase:
    """Some weeks of one way.

    Parameters
    ----------
    first_week : int
        When it begins.
    air : AirSeries
        Of the whole horizon. [degC, %]
    faces : Covers or None
        What lies on the faces; None for what lies there now.
    airflow : float
        Factor on the surface conductance. [-]
    """

    first_week: int
    air: AirSeries
    faces: Covers | None = None
    airflow: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Way:
    """One way of treating a room or a timber.

    Parameters
    ----------
    what : str
        One of `What`.
    phases : tuple of Phase
        One after the other, the first from now on.
    tags : tuple of str
        Timbers that it is for; none for every one.
    rh_pct : ndarray or None
        Humidity of the room by week, where its air is changed. [%]
    work_h : float
        Hours of work in a year.
    values : dict
        For its sentence.
    """

    what: What
    phases: tuple[Phase, ...]
    tags: tuple[str, ...] = ()
    rh_pct: Floats | None = None
    work_h: float = 0.0
    values: dict[str, float | str] | None = None

    def of(self, tag: str, year: AirSeries) -> tuple[Phase, ...]:
        """Return what it means for one timber: nothing where it is not meant."""
        return self.phases if not self.tags or tag in self.tags else (Phase(first_week=0, air=year),)

    def air(self) -> AirSeries:
        """Air over the whole horizon, phase after phase. [degC, %]."""
        made = self.phases[0].air
        for each in self.phases[1:]:
            made = _joined(made, each.air, float(made.posix_s[0]) + WEEK_S * each.first_week)
        return made


def nothing(room: Room) -> Way:
    """Leave the doors as they are."""
    return Way(what="nothing", phases=(Phase(first_week=0, air=room.year),), rh_pct=room.expected_rh)


def hold(room: Room, rh_pct: Floats) -> Way:
    """Hold a humidity by week."""
    return Way(
        what="hold",
        phases=(Phase(first_week=0, air=room.held(rh_pct)),),
        rh_pct=rh_pct,
        work_h=52 * HOLD_H_WEEK,
        values={"set_pct": float(rh_pct[0])},
    )


def others(
    need: Need, found: Window, outside: AirSeries | None
) -> tuple[tuple[Way, ...], tuple[Reason, ...]]:
    """Return what else can be done, and what can't be answered here and why.

    Parameters
    ----------
    need : Need
        The room and its timbers. [%RH, degC]
    found : Window
        What its air is held between if nothing is done. [%RH]
    outside : AirSeries or None
        Expected air outside, where it is measured apart from the room's. [degC, %]

    Returns
    -------
    ways, unanswered
        Each way once, moves once for each month.

    References
    ----------
    The parts: `drying.solver` with covers and slower air; psychrometrics at constant vapour pressure. The
    hours of work: our own judgement, no source.
    """
    room, green = need.room, [each for each in need.stocks if each.part != "keep"]
    coats = dict.fromkeys(Face, FaceCover.WRAPPED)
    still, bare = Phase(first_week=0, air=room.year, airflow=STILL_AIR), Phase(first_week=0, air=room.year)
    tags, many = tuple(each.tag for each in green), sum(each.expansion_factor for each in green)
    made = [
        Way(what="cover", phases=(still,), tags=tags, work_h=COVER_H * many),
        Way(
            what="wrap",
            phases=(replace(bare, faces=coats), replace(bare, first_week=WRAPPED_WEEKS)),
            tags=tags,
            work_h=WRAP_H * many,
            values={"weeks": float(WRAPPED_WEEKS)},
        ),
        _heated(room),
        _dried(room, found),
    ]
    unanswered = [Reason(code="humidity.cannot_turn")]
    if outside is None:
        unanswered.append(Reason(code="humidity.cannot_vent"))
    else:
        made.append(_vented(room, outside))
    if not need.elsewhere:
        unanswered.append(Reason(code="humidity.cannot_move"))
    return (*made, *_moves(need)), tuple(unanswered)


def _heated(room: Room) -> Way:
    """Warm the air and leave its water: the humidity falls with the saturation pressure."""
    year = room.year
    warm = np.minimum(year.temp_c + HEATED_K, 45.0)
    rh = year.rh_pct * saturation_pa(year.temp_c) / saturation_pa(warm)
    air = AirSeries(posix_s=year.posix_s, temp_c=warm, rh_pct=np.clip(rh, 0.0, 100.0))
    return Way(
        what="heat",
        phases=(Phase(first_week=0, air=air),),
        rh_pct=room.weekly(air.rh_pct),
        values={"warmer_k": HEATED_K},
    )


def _dried(room: Room, found: Window) -> Way:
    """Take water out down to the window's dry side, not below what a common machine is set to."""
    floor = np.maximum(np.nan_to_num(found.low_pct, nan=room.driest_rh), max(DRIED_TO_RH, room.driest_rh))
    rh = np.minimum(room.expected_rh, np.minimum(floor, DAMPEST_RH))
    return Way(
        what="dry",
        phases=(Phase(first_week=0, air=room.held(rh)),),
        rh_pct=rh,
        work_h=52 * EMPTY_H_WEEK,
        values={"to_pct": float(rh.min())},
    )


def _vented(room: Room, outside: AirSeries) -> Way:
    """Open while the air outside holds less water (its dew point lies lower), shut while it holds more."""
    year = room.year
    inside = vapour_g_m3(year.temp_c, year.rh_pct)
    out = np.interp(year.posix_s, outside.posix_s, vapour_g_m3(outside.temp_c, outside.rh_pct))
    share = OPEN_PER_H / (OPEN_PER_H + SHUT_PER_H)  # of the way to the outside's water
    water = inside - share * np.maximum(inside - out, 0.0)
    rh = np.clip(year.rh_pct * water / np.maximum(inside, 1e-9), 0.0, 100.0)
    air = AirSeries(posix_s=year.posix_s, temp_c=year.temp_c, rh_pct=rh)
    return Way(
        what="vent",
        phases=(Phase(first_week=0, air=air),),
        rh_pct=room.weekly(rh),
        work_h=52 * VENT_H_WEEK,
        values={"open_share": float(np.mean(out < inside))},
    )


def _moves(need: Need) -> list[Way]:
    """Move the timber that waits longest to each other place, now or later."""
    if not need.targets:
        return []
    last = max(need.targets, key=_wet)
    bare = Phase(first_week=0, air=need.room.year)
    return [
        Way(
            what="move",
            phases=(bare, Phase(first_week=week, air=air)) if week else (Phase(first_week=0, air=air),),
            tags=(last.tag,),
            work_h=MOVE_H,
            values={"tag": last.tag, "to": place, "week": float(week)},
        )
        for place, air in need.elsewhere.items()
        for week in MOVE_WEEKS
    ]


def _wet(stock: Stock) -> float:
    return float(np.median(stock.start.mean_pct))


def _joined(first: AirSeries, then: AirSeries, at_s: float) -> AirSeries:
    """Go on in another air from a moment on."""
    before, after = first.posix_s < at_s, then.posix_s >= at_s
    return AirSeries(
        posix_s=np.concatenate([first.posix_s[before], then.posix_s[after]]),
        temp_c=np.concatenate([first.temp_c[before], then.temp_c[after]]),
        rh_pct=np.concatenate([first.rh_pct[before], then.rh_pct[after]]),
    )
