"""May this timber be squared today? Leave it, rough it out, or square it: when, how sure, and why.

Decided on the movement of the finished piece against what its use tolerates, while it is built in, once it
has settled, and from season to season where its use says so; shrinking and swelling count alike. Never on
the average moisture or a shell reading: a piece is ready on the first date on which the share of the ensemble
that stands every condition is large enough for a yes. Rules of thumb stand nowhere in it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

import numpy as np

from baulk.models import checking
from baulk.models.allowance.chance import ComesOut
from baulk.models.allowance.parts import Term
from baulk.models.calibrate.calibration import Calibration
from baulk.models.calibrate.contradiction import Contradiction
from baulk.models.constants import DAY_S
from baulk.models.distortion.movement import Movement
from baulk.models.forecast import Forecast
from baulk.models.openings import Opening
from baulk.models.reason import Reason
from baulk.models.species import Species
from baulk.models.surface import margin as margins
from baulk.models.surface.margin import Margin
from baulk.models.timber import Timber
from baulk.models.use_class import BUILT_IN, UseClass, UseClassTable
from baulk.models.verdict import alternatives, building, next_reading, readiness, stages
from baulk.models.verdict.chances import Chances
from baulk.models.verdict.readiness import Path, Work
from baulk.models.verdict.reasons import Findings
from baulk.models.verdict.rough_out import SOONER_DAYS, RoughOut
from baulk.models.verdict.rule import BAND, Rule, service_draw
from baulk.models.verdict.stages import Stage

__all__ = ["BAND", "SOONER_DAYS", "Step", "Verdict", "judge", "service_draw"]

Step = Literal["leave", "rough out", "square"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """What to do with a timber, and why.

    Parameters
    ----------
    tag : str
        Which timber.
    step : str
        "leave", "rough out" or "square".
    made_utc : datetime
        Moment that it speaks of.
    dates : mapping of str to datetime or None
        First date on which "rough out" and "square" may be said; None beyond the horizon, and where scale and
        pins contradict each other.
    spread_days : mapping of str to float
        Standard deviation of each date that is still to come. [d]
    probability : mapping of str to float
        Chance that each holds today. [-]
    needed : float
        Chance of its conditions at which `square` is said; that it comes out too needs the wanted one. [-]
    stages : tuple of Stage
        Every condition of its use with a probability and a date of its own, and which of them decides.
    reasons : tuple of Reason
        Codes and values, the deciding one first; `baulk.models.text` puts them into words.
    next_reading : Reason
        The one reading that would narrow the answer most.
    residual : Movement
        Movement until it has settled in service, if it were squared today, every member. [mm]
    built : Movement or None
        Movement by the end of the build, if it were squared today; None when no build was given. [mm]
    driest, wettest : Movement
        Movement to the two ends of the service range, if it were squared today. [mm]
    margin : Margin or None
        Checking margin of the whole timber, today and in the days ahead; None where there is none or none was
        given.
    rough_out_size_mm : (float, float) or None
        Width and depth to rough out to. [mm]
    enough_readings : bool
        Whether the timber's own readings speak, not only its species.
    contradiction : Contradiction or None
        Scale and pins that cannot both be right; the step is then "leave" whatever the chances.
    out : ComesOut or None
        Whether the finished section still comes out of the timber; None where nobody asked.
    rough_out_terms : tuple of Term
        The parts of the allowance in the size to rough out to. [mm]
    chances : Chances or None
        Chance of `square` on each date ahead; None where scale and pins contradict each other.
    """

    tag: str
    step: Step
    made_utc: datetime
    dates: Mapping[str, datetime | None]
    spread_days: Mapping[str, float]
    probability: Mapping[str, float]
    needed: float
    stages: tuple[Stage, ...]
    reasons: tuple[Reason, ...]
    next_reading: Reason
    residual: Movement
    built: Movement | None
    driest: Movement
    wettest: Movement
    margin: Margin | None
    rough_out_size_mm: tuple[float, float] | None
    enough_readings: bool
    contradiction: Contradiction | None = None
    out: ComesOut | None = None
    rough_out_terms: tuple[Term, ...] = ()
    chances: Chances | None = None


def judge(  # noqa: PLR0913 - the contract's own signature
    timber: Timber,
    species: Species,
    use_class: UseClass,
    calibration: Calibration,
    forecast: Forecast,
    *,
    probability: float = 0.9,
    previous: str | None = None,
    roughed: RoughOut | Callable[[], RoughOut | None] | None = None,
    work: Work | None = None,
    margin: Margin | None = None,
    uses: UseClassTable = BUILT_IN,
    out: ComesOut | None = None,
    openings: Sequence[Opening] = (),
) -> Verdict:
    """Leave, rough out or square.

    Parameters
    ----------
    timber : Timber
        The timber.
    species : Species
        Its species.
    use_class : UseClass
        Where the finished piece will live.
    calibration : Calibration
        The ensemble now.
    forecast : Forecast
        The whole timber ahead.
    probability : float
        How sure the answer must be, 0.5 to below 1. [-]
    previous : str, optional
        Step of the last verdict; it is kept until its probability has fallen by 0.08 below the wanted one.
        For the first time `square` needs half-way from there to certainty (`rule.first_yes`).
    roughed : RoughOut or callable, optional
        The timber taken down oversize today, or what works it out where it counts: not for a timber that may
        be squared today, nor where scale and pins contradict each other.
    work : Work, optional
        The build that the squared piece goes into and its air; without it the piece goes into service at
        once and nothing is said of checking or of drier air.
    margin : Margin, optional
        Checking margin, from `baulk.models.surface.margin`.
    uses : UseClassTable
        The shop's table, for what would change the verdict.
    out : ComesOut, optional
        Whether the finished section still comes out of the timber, member by member; without it that is not
        asked.
    openings : sequence of Opening
        Checks, shakes and splits that were seen, from `baulk.models.openings.seen`.

    Returns
    -------
    Verdict
        Step, dates, probabilities, reasons.

    Notes
    -----
    The service moisture of a member lies in the middle half of the use's range, see
    `baulk.models.verdict.readiness`.

    References
    ----------
    The decision is our own; its parts are `baulk.models.distortion.movement`, `drying`, `readiness`,
    `checking` and `use_class`.
    """
    size_mm = (timber.finished.width_mm, timber.finished.depth_mm)
    rule = Rule.of(
        species,
        use_class,
        size_mm,
        calibration.meter_bias_pct.size,
        wanted=probability,
        kept=previous == "square",
    )
    whole = readiness.path(forecast, timber.finished, rule, members=calibration.members, work=work)
    now = datetime.fromtimestamp(float(forecast.posix_s[0]), UTC)
    fits = None if out is None else out.fits
    square = whole.square(fits)
    may_square = square is not None and square <= now
    # to square today is sooner, and of scale or pins that are wrong by far no word of the saw is said
    if calibration.contradiction is not None or (may_square and calibration.enough):
        roughed = None
    elif roughed is not None and not isinstance(roughed, RoughOut):
        roughed = roughed()
    taken = None
    if roughed is not None:
        taken = readiness.path(roughed.forecast, roughed.inner, rule, members=calibration.members, work=work)
    ready = taken.date(rule.needed) if taken else None
    gain_days = _gain_days(forecast, square, ready)
    least_days = SOONER_DAYS / 2 if previous == "rough out" else SOONER_DAYS
    worth = roughed is not None and gain_days is not None and gain_days >= least_days
    chance = {
        "square": float(whole.probability(fits=fits)[0]),
        # sawn smaller today, no more comes out of it than out of the whole timber
        "rough out": min(roughed.probability, 1.0 if out is None else out.probability)
        if roughed and worth
        else 0.0,
    }
    step = _step(chance["rough out"], may_square=may_square, wanted=probability, previous=previous)
    if not calibration.enough and not use_class.may_stay_wet:
        step = "leave"
    if calibration.contradiction is not None:  # scale or pins are wrong by far: no word of the saw
        step = "leave"
    today, binding = whole.today(rule.service_mc_pct), stages.of(whole)
    changed: tuple[Reason, ...] = ()
    if step != "square":
        brought = None
        if work is not None:
            asked = (forecast, timber.finished, calibration, rule, work)
            brought = alternatives.other_air(*asked, damper=_settles_too_dry(whole, today, square))
            changed = building.reasons(forecast, timber.finished, whole, calibration.members, work)
        changed = (*changed, *alternatives.reasons(whole, brought, uses=uses))
    found = Findings(
        timber=timber,
        calibration=calibration,
        forecast=forecast,
        whole=whole,
        stages=binding,
        today=today,
        driest=whole.today(use_class.service_low_pct),
        wettest=whole.today(use_class.service_high_pct),
        build_days=work.build_days if work else 0.0,
        roughed=None if use_class.may_stay_wet or step == "square" else roughed,
        square=square,
        ready=ready,
        taken=taken,
        gain_days=gain_days,
        checks=_checks(calibration, species, margin) if work else (),
        changed=changed if out is None or out.sure else (),
        yes=step == "square",
        out=out,
        openings=tuple(openings),
        waits=step != "square"
        and probability <= float(whole.probability()[0]) < rule.needed
        and calibration.enough
        and calibration.contradiction is None,
    )
    return Verdict(
        tag=timber.tag,
        step=step,
        made_utc=now,
        dates={
            "rough out": now if chance["rough out"] >= probability else None,
            # a date of members of both fits mixed is one that neither scale nor pins would give
            "square": None if calibration.contradiction is not None else square,
        },
        spread_days={} if square is None or square <= now else {"square": whole.spread_days()},
        probability=chance,
        needed=rule.needed,
        stages=binding,
        reasons=found.reasons(),
        next_reading=next_reading.recommend(timber, calibration, whole),
        residual=found.today,
        built=whole.build,
        driest=found.driest,
        wettest=found.wettest,
        margin=margin,
        rough_out_size_mm=roughed.size_mm if roughed and worth else None,
        enough_readings=calibration.enough,
        contradiction=calibration.contradiction,
        out=out,
        rough_out_terms=roughed.terms if roughed and worth else (),
        chances=None if calibration.contradiction is not None else whole.chances(fits),
    )


def _checks(calibration: Calibration, species: Species, margin: Margin | None) -> tuple[Reason, ...]:
    """Return what is to be told of checking; nothing where there is a margin but nobody worked it out."""
    now = calibration.field_now
    wet = checking.stage_for(species, now.section, float(np.median(now.mean_pct))) is not None
    return () if wet and margin is None else margins.reasons(margin, species)


def _settles_too_dry(whole: Path, today: Movement, square: datetime | None) -> bool:
    """Whether it is drier than its service, or ends so where it lies without ever having been ready."""
    if float(np.median(today.size_change_mm)) > 0:
        return True
    last = whole.shape.movement_from(whole.did_mm[-1], whole.rule.service_mc_pct)
    return square is None and float(np.median(last.size_change_mm)) > 0


def _gain_days(forecast: Forecast, whole: datetime | None, taken: datetime | None) -> float | None:
    """Days that roughing out saves; against the horizon when the whole timber is not ready within it."""
    if taken is None:
        return None
    whole_s = float(forecast.posix_s[-1]) if whole is None else whole.timestamp()
    return (whole_s - taken.timestamp()) / DAY_S


def _step(rough_out: float, *, may_square: bool, wanted: float, previous: str | None) -> Step:
    """Choose the step, keeping the last one until its probability has left the band."""
    if may_square:
        return "square"
    needed = wanted - BAND if previous == "rough out" else wanted
    return "rough out" if rough_out >= needed else "leave"
