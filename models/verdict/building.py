"""What another build would do to a piece that the time in the shop moves too far: elsewhere, or shorter."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models import sorption
from baulk.models.air import AirSeries
from baulk.models.checking import mould_limit_pct
from baulk.models.constants import DAY_S, Floats
from baulk.models.distortion.movement import Shape
from baulk.models.drying import solver
from baulk.models.forecast import Forecast
from baulk.models.reason import Reason
from baulk.models.section import Finished
from baulk.models.verdict.readiness import Path, Work, build_draw, dried
from baulk.models.verdict.rule import Rule

SHARES: Final = (0.125, 0.25, 0.375, 0.5, 0.75, 1.0)  # of the build, at which a shorter one could end
WORTH: Final = 0.05  # gain in probability that is worth carrying a piece for; our own judgement, no source
# no air can be held in which wood settles nearer to saturation than this; our own judgement, no source
BELOW_FSP_PCT: Final = 5.0


def reasons(
    forecast: Forecast, finished: Finished, found: Path, members: solver.Members, work: Work
) -> tuple[Reason, ...]:
    """Work out what would come of a piece squared today that is built in elsewhere, or sooner.

    Parameters
    ----------
    forecast : Forecast
        The timber ahead, for its first field. [%]
    finished : Finished
        The piece in it. [mm]
    found : Path
        Movement ahead, with the build as it is planned.
    members : Members
        The ensemble.
    work : Work
        The build. [d]

    Returns
    -------
    tuple of Reason
        The best other place, air as in its service, each where it does better than what stands before it,
        and the longest build that is short enough; none where
        the build as planned is sure enough today.
    """
    stood = found.conditions()
    build = stood.get("build")
    if build is None or float(build[0].mean()) >= found.rule.needed:
        return ()
    rest = [each[0] for name, each in stood.items() if name != "build"]
    others = np.asarray(np.logical_and.reduce(rest))
    piece = _Piece(forecast, finished, found, members, work)
    now = float((others & build[0]).mean())
    best, place = _moved(piece, others, now)
    sure, held = _elsewhere(piece, others, now)  # told only where it does better than what the shop has
    return (*place, *((held,) if sure >= best + WORTH else ()), _shorter(piece, others, now))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """Air in which wood settles at a moisture content, at the temperatures of other air.

    Parameters
    ----------
    air : AirSeries
        The air. [degC, %]
    rh_pct, temp_c : float
        Its humidity and mean temperature. [%, degC]
    mould_rh_pct : float or None
        Humidity from which mould can start, where the air is damper. [%]
    """

    air: AirSeries
    rh_pct: float
    temp_c: float
    mould_rh_pct: float | None


def held_at(mc_pct: float, air: AirSeries, days: float) -> Held:
    """Find air of one humidity in which wood settles at a moisture content.

    Parameters
    ----------
    mc_pct : float
        Where wood is to settle. [% of oven-dry mass]
    air : AirSeries
        Whose temperatures it has. [degC]
    days : float
        Over how long from its start its mean temperature is taken. [d]

    Returns
    -------
    Held
        The air. [%]

    References
    ----------
    `baulk.models.sorption.rh_pct`, Wood Handbook eq. 4-5 solved for the humidity; mould by
    `baulk.models.checking.mould_limit_pct`.
    """
    last = int(np.searchsorted(air.posix_s, air.posix_s[0] + days * DAY_S))
    temp_c = float(np.mean(air.temp_c[: max(last, 1)]))
    rh = float(sorption.rh_pct(temp_c, mc_pct))
    mould = float(mould_limit_pct(np.clip(temp_c, 0.0, 50.0)))
    return Held(
        air=replace(air, rh_pct=np.full_like(air.rh_pct, rh)),
        rh_pct=rh,
        temp_c=temp_c,
        mould_rh_pct=mould if rh > mould else None,
    )


def service_of(rule: Rule) -> float:
    """Return the middle of the service range, or what the dampest air that can be held gives, [%]."""
    return min(rule.use.service_mc_pct, rule.species.fsp_pct - BELOW_FSP_PCT)


class _Piece:
    """A piece squared today, and how far it moves in a build."""

    def __init__(
        self, forecast: Forecast, finished: Finished, found: Path, members: solver.Members, work: Work
    ) -> None:
        self.field = solver.cut(forecast.fields[0], finished)
        self.section = finished.inside(forecast.fields[0].section)
        self.found, self.members, self.work = found, members, work

    def within(self, shares: tuple[float, ...], work: Work) -> NDArray[np.bool_]:
        """Whether each member stays within the tolerance up to each share of a build, (shares, m)."""
        rule, start_s = self.found.rule, self.field.posix_s
        at_s = start_s + work.build_days * DAY_S * np.array([0.0, *shares])
        first, *later = dried(self.section, self.field, at_s, self.members, work)
        shape = Shape(self.section, rule.species, first.x_edges_mm, first.y_edges_mm, self.members)
        did = shape.did(first.mc_pct)
        moved = np.array([shape.movement_between(did, each.mc_pct).largest_mm for each in later])
        largest: Floats = np.maximum.accumulate(moved, axis=0) * build_draw(self.members.size)
        return np.asarray(largest <= rule.tolerance_mm)


def _moved(piece: _Piece, others: NDArray[np.bool_], now: float) -> tuple[float, tuple[Reason, ...]]:
    """Return the place of the shop in which the squared piece would do best, where that is worth a word.

    Before it the chance that it stays within its tolerance there, or where it is without such a place.
    """
    best: tuple[float, float, str] | None = None
    for place, air in piece.work.elsewhere.items():
        within = piece.within((0.5, 1.0), replace(piece.work, air=air, futures=()))[-1]
        found = (float(within.mean()), float((within & others).mean()), place)
        best = found if best is None or found > best else best
    planned = float(piece.found.conditions()["build"][0].mean())
    if best is None or best[0] < planned + WORTH:
        return planned, ()
    told = Reason(
        code="change.other_place",
        values={
            "place": best[2],
            "build_probability": best[0],
            "probability": best[1],
            "now_probability": now,
        },
    )
    return best[0], (told,)


def _elsewhere(piece: _Piece, others: NDArray[np.bool_], now: float) -> tuple[float, Reason]:
    """Return the chance that it stays within its tolerance in air as in its service, and what is told."""
    rule, work = piece.found.rule, piece.work
    service = service_of(rule)
    ahead = _from(work.air, piece.field.posix_s)
    held = held_at(service, ahead, work.build_days)
    within = piece.within((0.5, 1.0), replace(work, air=held.air, futures=()))[-1]
    sure = float(within.mean())
    return sure, Reason(
        code="change.shop_air",
        values={
            "rh_pct": held.rh_pct,
            "temp_c": held.temp_c,
            "service_mc_pct": service,
            "mould_rh_pct": held.mould_rh_pct,
            "build_probability": sure,
            "probability": float((within & others).mean()),
            "now_probability": now,
        },
    )


def _shorter(piece: _Piece, others: NDArray[np.bool_], now: float) -> Reason:
    days, needed = piece.work.build_days, piece.found.rule.needed
    within = piece.within(SHARES, piece.work)
    enough = np.flatnonzero(within.mean(axis=1) >= needed)
    best = int(enough[-1]) if enough.size else 0
    return Reason(
        code="change.shorter_build",
        values={
            "build_days": days,
            "shorter_days": days * SHARES[best],
            "enough": bool(enough.size),
            "build_probability": float(within[best].mean()),
            "probability": float((within[best] & others).mean()),
            "now_probability": now,
        },
    )


def _from(air: AirSeries, start_s: float) -> AirSeries:
    """Return the air from a moment on."""
    first = max(int(np.searchsorted(air.posix_s, start_s, side="right")) - 1, 0)
    return AirSeries(posix_s=air.posix_s[first:], temp_c=air.temp_c[first:], rh_pct=air.rh_pct[first:])
