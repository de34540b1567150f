"""The checking margin: what a surface is asked for, now and for a fortnight, beside a published start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from typing import Final

import numpy as np

from baulk.models import checking, creep
from baulk.models.air import AirSeries
from baulk.models.calibrate.calibration import Calibration
from baulk.models.calibrate.inputs import mean_emc_pct
from baulk.models.checking import DECIDED_ABOVE_PCT, STARTS, Floor, Start
from baulk.models.constants import DAY_S, Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.reason import Reason, Value
from baulk.models.species import Species
from baulk.models.surface.course import Surface, follow, since_arrival
from baulk.models.timber import Event, Timber

YEARS_AHEAD: Final = 8  # possible airs of the days ahead; each costs the model a run
DAYS_AHEAD: Final = 14  # time enough to change the air; our own judgement, no source
LIKELY: Final = 0.5  # chance from which a risk is told; our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class UnderTold:
    """How far the margin of one timber told too little, by looks at its checks.

    Parameters
    ----------
    grew : int
        How often a check opened or grew of which a chance had been told.
    expected : float
        How often it should have, by the chances told for every look. [-]
    told_from : float
        Chance from which its risks are told instead of `LIKELY`. [-]
    """

    grew: int
    expected: float
    told_from: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Margin:
    """What a surface is asked for, today and in the days ahead, beside what the same wood is known to stand.

    Parameters
    ----------
    posix_s : float
        Now. [s]
    wanted_pct : ndarray, shape (m,)
        Strain on the last day, at the face that is asked for most. [% of length]
    ahead_pct : ndarray, shape (d, m)
        The same on each day ahead. [% of length]
    stress : ndarray, shape (m,), or None
        Tension of the outer centimetre after creep, over the strength of green wood; None where the wood's is
        not known. [-]
    stress_ahead : ndarray, shape (d, m), or None
        The same on each day ahead. [-]
    in_air_pct : float
        Strain, were the surface at the EMC of the air today. [% of length]
    tolerated_pct : float
        Strain at the published start. [% of length]
    stage : Floor
        The stage it is held against.
    start : Start
        The schedule.
    deciding : bool
        Whether the section is still so wet that damage is decided now.
    thicker : float
        How many times thicker than the schedule's boards the piece is. [-]
    under : UnderTold or None
        What looks at its checks have shown; None where they were as foretold, or too few.
    """

    posix_s: float
    wanted_pct: Floats
    ahead_pct: Floats
    stress: Floats | None
    stress_ahead: Floats | None
    in_air_pct: float
    tolerated_pct: float
    stage: Floor
    start: Start
    deciding: bool
    thicker: float
    under: UnderTold | None = None

    @property
    def told_from(self) -> float:
        """Chance from which a risk is told."""
        return LIKELY if self.under is None else self.under.told_from

    @property
    def margin_pct(self) -> Floats:
        """Tolerated less wanted; below 0 the surface is asked for more than the start asks. [% of length]."""
        return np.asarray(self.tolerated_pct - self.wanted_pct)

    @property
    def chance(self) -> Floats:
        """Share of the members that are asked for more, or stressed beyond strength, by each day."""
        over = np.concatenate([self.wanted_pct[None], self.ahead_pct]) > self.tolerated_pct
        if self.stress is not None and self.stress_ahead is not None:
            over |= np.concatenate([self.stress[None], self.stress_ahead]) > 1
        return np.asarray(np.maximum.accumulate(over).mean(axis=1))

    @property
    def risk_day(self) -> int | None:
        """Day by which enough members are asked for more, 0 for today; None for none of those ahead."""
        likely = np.flatnonzero(self.chance >= self.told_from)
        return int(likely[0]) if likely.size else None

    @property
    def risk_utc(self) -> datetime | None:
        """Day by which that happens; None for today, and for none of those ahead."""
        day = self.risk_day
        if not day:
            return None
        return datetime.fromtimestamp((self.posix_s + day * DAY_S) // DAY_S * DAY_S, UTC)

    @property
    def at_risk(self) -> bool:
        """Whether that happens while damage is decided."""
        return self.deciding and self.risk_day is not None


def margin(  # noqa: PLR0913 - a timber, its past and its air
    timber: Timber,
    species: Species,
    calibration: Calibration,
    air: AirSeries,
    ahead: Sequence[AirSeries],
    *,
    law: DiffusionLaw,
    events: Sequence[Event] = (),
    gaps: Sequence[tuple[float, float]] = (),
    under: UnderTold | None = None,
    threads: int | None = None,
) -> Margin | None:
    """Work out the checking margin of a timber today and in the fortnight ahead.

    Parameters
    ----------
    timber, species, calibration, air, law, events, gaps, threads
        As for `since_arrival`.
    ahead : sequence of AirSeries
        Possible airs from now on, dealt to the members. [degC, %]
    under : UnderTold, optional
        From `account.under_told`.

    Returns
    -------
    Margin or None
        As from `of`.
    """
    if (
        checking.stage_for(
            species, calibration.field_now.section, float(np.median(calibration.field_now.mean_pct))
        )
        is None
    ):
        return None
    now = since_arrival(timber, species, calibration, air, law=law, events=events, gaps=gaps, threads=threads)
    found = of(
        now, species, ahead, mean_mc_pct=float(np.median(calibration.field_now.mean_pct)), threads=threads
    )
    return None if found is None else replace(found, under=under)


def of(
    now: Surface,
    species: Species,
    ahead: Sequence[AirSeries],
    *,
    mean_mc_pct: float,
    threads: int | None = None,
) -> Margin | None:
    """Hold a surface against the mildest published start of its wood.

    Parameters
    ----------
    now : Surface
        The surface.
    species : Species
        Its wood.
    ahead : sequence of AirSeries
        Possible airs from now on, dealt to the members. [degC, %]
    mean_mc_pct : float
        Mean moisture content of the section. [%]
    threads : int, optional
        As `baulk.models.drying.solver.dry` takes it.

    Returns
    -------
    Margin or None
        None where no start of that species is known, or the section is drier than its last wet stage, when
        the surface no longer decides.

    References
    ----------
    Design of this program; the parts as in `checking` and `creep`.
    """
    found = checking.stage_for(species, now.layers.section, mean_mc_pct)
    if found is None:
        return None
    start, stage = found
    _, days = follow(now, species, ahead, days=DAYS_AHEAD, threads=threads)
    now_s = now.layers.posix_s
    emc = [mean_emc_pct(each, now_s, now_s + DAY_S) for each in ahead]
    breaks_pct = creep.breaking_strain_pct(species)
    done = now.layers.mean_share(species.shrinkage_onset_pct)
    thickness = min(now.layers.section.width_mm, now.layers.section.depth_mm)
    return Margin(
        posix_s=now_s,
        wanted_pct=now.wanted_pct,
        ahead_pct=days.wanted_pct,
        stress=None if breaks_pct is None else now.tension_pct / breaks_pct,
        stress_ahead=None if breaks_pct is None else days.tension_pct / breaks_pct,
        in_air_pct=float(checking.surface_strain_pct(species, np.mean(emc), np.median(done))),
        tolerated_pct=float(checking.surface_strain_pct(species, stage.emc_pct)),
        stage=stage,
        start=start,
        deciding=mean_mc_pct > DECIDED_ABOVE_PCT,
        thicker=thickness / start.thickness_mm,
    )


def reasons(found: Margin | None, species: Species) -> tuple[Reason, ...]:
    """Return what is to be told of a margin.

    Parameters
    ----------
    found : Margin or None
        From `margin`.
    species : Species
        The wood.

    Returns
    -------
    tuple of Reason
        One, or three to four where there is a margin: strains today [% of length], those of the days ahead,
        the stress that creep leaves, and what checks depend on now.
    """
    if found is None:
        known = any(each.species == species.name for each in STARTS)
        return (
            Reason(code="checking.past")
            if known
            else Reason(code="checking.no_start", values={"species": species.name}),
        )
    return (
        Reason(
            code="checking.margin",
            values={
                "wanted_pct": float(np.median(found.wanted_pct)),
                "tolerated_pct": found.tolerated_pct,
                "in_air_pct": found.in_air_pct,
                "board_mm": found.start.thickness_mm,
                "emc_pct": found.stage.emc_pct,
                "source": found.stage.source,
                "species": species.name,
                "times_thicker": found.thicker,
            },
        ),
        _ahead(found),
        *(() if found.under is None else (Reason(code="checking.under_told", values=asdict(found.under)),)),
        *_stress(found),
        Reason(code="checking.decided_now", values={"above_pct": DECIDED_ABOVE_PCT})
        if found.deciding
        else Reason(code="checking.mostly_over", values={"below_pct": DECIDED_ABOVE_PCT}),
    )


def _ahead(found: Margin) -> Reason:
    """Return how the days ahead compare, whether or not they bring a risk."""
    values: dict[str, Value] = {
        "days": len(found.ahead_pct),
        "wanted_pct": float(np.median(found.ahead_pct.max(axis=0))),
        "probability": float(found.chance[-1]),
    }
    if found.risk_day is None:
        return Reason(code="checking.ahead_within", values=values)
    return Reason(code="checking.ahead_over", values={**values, "from_utc": found.risk_utc})


def _stress(found: Margin) -> tuple[Reason, ...]:
    """Return what creep leaves of the stress, nothing for a wood whose strength is not known."""
    if found.stress is None or found.stress_ahead is None:
        return ()
    values: dict[str, Value] = {
        "stress": float(np.median(found.stress)),
        "stress_ahead": float(np.median(found.stress_ahead.max(axis=0))),
        "days": len(found.ahead_pct),
        "depth_mm": creep.OUTER_MM,
    }
    return (Reason(code="checking.stress", values=values),)
