"""What would change a verdict: another allowance, another use, other air, time in the right place."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.calibrate.calibration import Calibration
from baulk.models.checking import mould_limit_pct
from baulk.models.constants import DAY_S
from baulk.models.drying import solver
from baulk.models.forecast import Forecast
from baulk.models.reason import Reason, Values
from baulk.models.section import Finished
from baulk.models.use_class import UseClassTable
from baulk.models.verdict.building import Held, held_at, service_of
from baulk.models.verdict.readiness import Path, Work, path
from baulk.models.verdict.rule import Rule, first_yes

OTHER_RH: Final = 10.0  # points of relative humidity that a shop's air can be moved by; our own choice
DAMPEST_RH: Final = 95.0  # damper air can't be held without dew on something; our own judgement, no source
EACH: Final = 4  # every n-th member is enough for the difference that other air makes
STEP_DAYS: Final = 28.0
CELLS: Final = (8, 8)
SHOWN: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OtherAir:
    """What other air would bring the whole timber.

    Parameters
    ----------
    rh_points : float
        How much damper the other air is; below 0 where it is drier. [% RH]
    likely_days, other_days : float
        Median days until it is ready in the air expected, and in the other; the horizon's end for never. [d]
    horizon_days : float
        The horizon. [d]
    mould_rh_pct : float or None
        Humidity from which mould can start, where the other air is damper on the mean. [%]
    place : Held or None
        Air as in its service, for a timber that is too dry.
    place_days : float
        Median days in that. [d]
    """

    rh_points: float
    likely_days: float
    other_days: float
    horizon_days: float
    mould_rh_pct: float | None = None
    place: Held | None = None
    place_days: float = float("inf")


def allowance_mm(found: Path) -> float | None:
    """Smallest tolerance with which the piece could be squared today.

    Parameters
    ----------
    found : Path
        Movement ahead.

    Returns
    -------
    float or None
        None where the use's limit on the mean moisture, or on the movement to a season, stands in the way,
        whatever the tolerance. [mm]
    """
    stood = found.conditions()
    rest = [each[0] for name, each in stood.items() if name not in {"settling", "build"}]
    moved = found.largest_mm()[0]
    others = np.asarray(np.logical_and.reduce([np.ones(moved.shape, dtype=bool), *rest]))
    need_mm = float(np.quantile(np.where(others, moved, np.inf), found.rule.needed, method="higher"))
    return need_mm if np.isfinite(need_mm) else None


def other_air(  # noqa: PLR0913 - the timber, its ensemble and the air
    forecast: Forecast,
    finished: Finished,
    calibration: Calibration,
    rule: Rule,
    work: Work,
    *,
    damper: bool = False,
) -> OtherAir:
    """Compare the air expected with air `OTHER_RH` points drier or damper, with a part of the ensemble.

    Parameters
    ----------
    forecast : Forecast
        The whole timber ahead, for its first field and its horizon. [%]
    finished : Finished
        The piece in it. [mm]
    calibration : Calibration
        The ensemble.
    rule : Rule
        What readiness means.
    work : Work
        The air expected and the law; the build itself is left out of the comparison.
    damper : bool
        Whether the other air is damper; then air in which wood settles as in its service is tried too.

    Returns
    -------
    OtherAir
        Median days of each.
    """
    every = slice(None, None, EACH)
    members = calibration.members.some(every)
    start = calibration.field_now.some(every)
    first, last = float(forecast.posix_s[0]), float(forecast.posix_s[-1])
    at_s = np.arange(first, last + 1, STEP_DAYS * DAY_S / 2)
    some = replace(rule, service_mc_pct=rule.service_mc_pct[every])
    points = OTHER_RH if damper else -OTHER_RH
    most = np.maximum(work.air.rh_pct, DAMPEST_RH)
    other = replace(work.air, rh_pct=np.clip(work.air.rh_pct + points, 0.0, most))
    place = held_at(service_of(rule), work.air, (last - first) / DAY_S) if damper else None
    found = []
    for air in (work.air, other, *([] if place is None else [place.air])):
        fields = solver.dry(
            start.section, start, air, work.law, start_posix_s=first, at_posix_s=at_s, members=members,
            cells=CELLS, error_pct=0.2, faces=calibration.covers, threads=work.threads,
            near_faces=False,
        )  # fmt: skip
        ahead = replace(forecast, posix_s=at_s, fields=fields)
        found.append(float(np.median(path(ahead, finished, some, members=members).days())))
    return OtherAir(
        rh_points=points,
        likely_days=found[0],
        other_days=found[1],
        horizon_days=(last - first) / DAY_S,
        mould_rh_pct=_mould(other) if damper else None,
        place=place,
        place_days=found[2] if place is not None else float("inf"),
    )


def _mould(air: AirSeries) -> float | None:
    limit = float(mould_limit_pct(np.clip(np.mean(air.temp_c), 0.0, 50.0)))
    return limit if float(np.mean(air.rh_pct)) > limit else None


def reasons(found: Path, brought: OtherAir | None, *, uses: UseClassTable) -> tuple[Reason, ...]:
    """Return what would change the verdict of a piece that can't be squared today.

    Parameters
    ----------
    found : Path
        Movement ahead.
    brought : OtherAir or None
        What other air would bring.
    uses : UseClassTable
        The uses that it could be for instead.

    Returns
    -------
    tuple of Reason
        Allowance, uses, air.
    """
    said = [_allowance(found), *_uses(found, uses)]
    if brought is not None and brought.likely_days >= STEP_DAYS / 2:  # what is likely ready needs no air
        said += [*_place(brought), _air(brought)]
    return tuple(said)


def _allowance(found: Path) -> Reason:
    need_mm = allowance_mm(found)
    if need_mm is None:
        stood = {name: float(each[0].mean()) for name, each in found.conditions().items()}
        seasons = {name: stood[name] for name in ("dry_season", "damp_season") if name in stood}
        most, least = (
            found.rule.use.max_mc_at_squaring_pct,
            min(seasons, key=lambda name: seasons[name], default=None),
        )
        if most is None or (least is not None and seasons[least] < stood["mean_limit"]):
            return Reason(
                code="change.allowance_no_help_season",
                values={"season": least, "probability": seasons[least] if least else 0.0},
            )
        return Reason(
            code="change.allowance_no_help", values={"most_pct": most, "probability": stood["mean_limit"]}
        )
    return Reason(
        code="change.allowance", values={"allowance_mm": need_mm, "tolerance_mm": found.rule.tolerance_mm}
    )


def _uses(found: Path, uses: UseClassTable) -> list[Reason]:
    wanted, own = first_yes(found.rule.wanted), found.rule.use.name
    today: list[Values] = []
    sooner: list[tuple[datetime, str, float]] = []
    mine = found.date(wanted)
    for use in uses.every():
        ready = found.ready(use)
        sure = np.flatnonzero(ready.mean(axis=1) >= wanted)
        if use.name == own or sure.size == 0:
            continue
        when = datetime.fromtimestamp(float(found.posix_s[sure[0]]), UTC)
        if sure[0] == 0:
            today.append({"use": use.title, "may_stay_wet": use.may_stay_wet})
        elif mine is None or when < mine:
            sooner.append((when, use.title, found.spread_days(ready)))
    said = []
    if today:
        said.append(Reason(code="change.uses_today", values={"uses": today}))
    if sooner:
        early: list[Values] = [
            {"use": title, "ready_utc": when, "spread_days": spread}
            for when, title, spread in sorted(sooner)[:SHOWN]
        ]
        said.append(Reason(code="change.uses_sooner", values={"uses": early}))
    return said or [Reason(code="change.no_use_sooner")]


def _air(brought: OtherAir) -> Reason:
    gain_days, points = brought.likely_days - brought.other_days, brought.rh_points
    air, by = ("drier", "drier_rh_pct") if points < 0 else ("damper", "damper_rh_pct")
    other_by: Values = {by: abs(points)}
    if brought.other_days >= brought.horizon_days:
        return Reason(
            code=f"change.{air}_air_not_ready", values={**other_by, "horizon_days": brought.horizon_days}
        )
    if abs(gain_days) < STEP_DAYS / 2:
        return Reason(code=f"change.{air}_air_no_matter", values={**other_by})
    if gain_days < 0:
        return Reason(code=f"change.{air}_air_later", values={**other_by, "later_days": -gain_days})
    at_least = brought.likely_days >= brought.horizon_days
    sooner: Values = {**other_by, "gain_days": gain_days, "at_least": at_least}
    if points > 0:
        sooner = {**sooner, "mould_rh_pct": brought.mould_rh_pct}
    return Reason(code=f"change.{air}_air_sooner", values=sooner)


def _place(brought: OtherAir) -> list[Reason]:
    """Return what time in air as in its service would do for a timber that is too dry."""
    held = brought.place
    if held is None:
        return []
    never = brought.place_days >= brought.horizon_days
    return [
        Reason(
            code="change.right_place",
            values={
                "rh_pct": held.rh_pct,
                "temp_c": held.temp_c,
                "mould_rh_pct": held.mould_rh_pct,
                "ready_days": None if never else brought.place_days,
                "horizon_days": brought.horizon_days,
            },
        )
    ]
