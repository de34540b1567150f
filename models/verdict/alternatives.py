"""What would change a verdict: another allowance, another use, drier air."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from baulk.models import sorption
from baulk.models.air import AirSeries
from baulk.models.calibrate.calibration import Calibration
from baulk.models.checking import mould_limit_pct
from baulk.models.constants import DAY_S
from baulk.models.drying import solver
from baulk.models.forecast import Forecast
from baulk.models.reason import Reason, Values
from baulk.models.section import Finished
from baulk.models.use_class import UseClassTable
from baulk.models.verdict.readiness import Path, Rule, Work, path

DRIER_RH: Final = 10.0  # points of relative humidity that a shop can be brought down by; our own choice
EACH: Final = 4  # every n-th member is enough for the difference that drier air makes
STEP_DAYS: Final = 28.0
CELLS: Final = (8, 8)
SHOWN: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Drier:
    """What drier air would bring.

    Parameters
    ----------
    likely_days, drier_days : float
        Median days until it is ready in the air expected, and in drier air; the horizon's end for never. [d]
    horizon_days : float
        The horizon. [d]
    """

    likely_days: float
    drier_days: float
    horizon_days: float


def allowance_mm(found: Path) -> float | None:
    """Smallest tolerance with which the piece could be squared today.

    Parameters
    ----------
    found : Path
        Movement ahead.

    Returns
    -------
    float or None
        None where the use's limit on the mean moisture stands in the way, whatever the tolerance. [mm]
    """
    most = found.rule.use.max_mc_at_squaring_pct
    if most is not None and float(np.mean(found.mean_pct[0] <= most)) < found.rule.wanted:
        return None
    return float(np.quantile(found.largest_mm()[0], found.rule.wanted, method="higher"))


def drier(forecast: Forecast, finished: Finished, calibration: Calibration, rule: Rule, work: Work) -> Drier:
    """Compare the air expected with air `DRIER_RH` points drier, with a part of the ensemble.

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

    Returns
    -------
    Drier
        Median days of both.
    """
    every = slice(None, None, EACH)
    members = calibration.members.some(every)
    start = calibration.field_now.some(every)
    first, last = float(forecast.posix_s[0]), float(forecast.posix_s[-1])
    at_s = np.arange(first, last + 1, STEP_DAYS * DAY_S / 2)
    some = replace(rule, service_mc_pct=rule.service_mc_pct[every])
    dry_air = AirSeries(
        posix_s=work.air.posix_s,
        temp_c=work.air.temp_c,
        rh_pct=np.maximum(work.air.rh_pct - DRIER_RH, 0.0),
    )
    found = []
    for air in (work.air, dry_air):
        fields = solver.dry(
            start.section, start, air, work.law, start_posix_s=first, at_posix_s=at_s, members=members,
            cells=CELLS, error_pct=0.2, faces=calibration.covers, threads=work.threads,
        )  # fmt: skip
        ahead = replace(forecast, posix_s=at_s, fields=fields)
        found.append(float(np.median(path(ahead, finished, some, members=members).days())))
    return Drier(likely_days=found[0], drier_days=found[1], horizon_days=(last - first) / DAY_S)


def held_back_by_the_shop(found: Path) -> bool:
    """Whether the build moves the piece further than service does, were it squared today.

    Parameters
    ----------
    found : Path
        Movement ahead.

    Returns
    -------
    bool
        By the medians; False without a build.
    """
    settled = found.today(found.rule.service_mc_pct).largest_mm
    return float(np.median(found.build_mm[0])) > max(float(np.median(settled)), found.rule.tolerance_mm)


def reasons(
    found: Path, brought: Drier | None, work: Work | None = None, *, uses: UseClassTable
) -> tuple[Reason, ...]:
    """Return what would change the verdict of a piece that can't be squared today.

    Parameters
    ----------
    found : Path
        Movement ahead.
    brought : Drier or None
        What drier air would bring.
    work : Work, optional
        The build.
    uses : UseClassTable
        The uses that it could be for instead.

    Returns
    -------
    tuple of Reason
        Allowance, uses, air.
    """
    said = [_allowance(found), *_uses(found, uses)]
    if brought is not None:
        said.append(_air(brought))
    if work is not None and held_back_by_the_shop(found):
        said.append(_shop(found, work))
    return tuple(said)


def _allowance(found: Path) -> Reason:
    need_mm = allowance_mm(found)
    if need_mm is None:
        most = found.rule.use.max_mc_at_squaring_pct or 0.0
        return Reason(
            code="change.allowance_no_help",
            values={"most_pct": most, "probability": float(np.mean(found.mean_pct[0] <= most))},
        )
    return Reason(
        code="change.allowance", values={"allowance_mm": need_mm, "tolerance_mm": found.rule.tolerance_mm}
    )


def _uses(found: Path, uses: UseClassTable) -> list[Reason]:
    wanted, own = found.rule.wanted, found.rule.use.name
    today: list[Values] = []
    sooner: list[tuple[datetime, str]] = []
    mine = found.date(wanted)
    for use in uses.every():
        sure = np.flatnonzero(found.probability(use) >= wanted)
        if use.name == own or sure.size == 0:
            continue
        when = datetime.fromtimestamp(float(found.posix_s[sure[0]]), UTC)
        if sure[0] == 0:
            today.append({"use": use.title, "may_stay_wet": use.may_stay_wet})
        elif mine is None or when < mine:
            sooner.append((when, use.title))
    said = []
    if today:
        said.append(Reason(code="change.uses_today", values={"uses": today}))
    if sooner:
        early: list[Values] = [{"use": title, "ready_utc": when} for when, title in sorted(sooner)[:SHOWN]]
        said.append(Reason(code="change.uses_sooner", values={"uses": early}))
    return said or [Reason(code="change.no_use_sooner")]


def _air(brought: Drier) -> Reason:
    gain_days = brought.likely_days - brought.drier_days
    drier_by: Values = {"drier_rh_pct": DRIER_RH}
    if brought.drier_days >= brought.horizon_days:
        return Reason(
            code="change.drier_air_not_ready", values={**drier_by, "horizon_days": brought.horizon_days}
        )
    if abs(gain_days) < STEP_DAYS / 2:
        return Reason(code="change.drier_air_no_matter", values={**drier_by})
    if gain_days < 0:
        return Reason(code="change.drier_air_later", values={**drier_by, "later_days": -gain_days})
    at_least = brought.likely_days >= brought.horizon_days
    return Reason(
        code="change.drier_air_sooner", values={**drier_by, "gain_days": gain_days, "at_least": at_least}
    )


def _shop(found: Path, work: Work) -> Reason:
    """Return the humidity at which the build would move the piece no further than service."""
    first = int(np.searchsorted(work.air.posix_s, found.posix_s[0]))
    last = int(np.searchsorted(work.air.posix_s, found.posix_s[0] + work.build_days * DAY_S))
    temp = float(np.mean(work.air.temp_c[first : max(last, first + 1)]))
    wanted = found.rule.use.service_mc_pct
    rh = float(sorption.rh_pct(temp, min(wanted, found.rule.species.fsp_pct - 5)))
    mould = float(mould_limit_pct(np.clip(temp, 0.0, 50.0)))
    return Reason(
        code="change.shop_air",
        values={"rh_pct": rh, "service_mc_pct": wanted, "mould_rh_pct": mould if rh > mould else None},
    )
