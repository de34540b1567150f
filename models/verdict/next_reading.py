"""Which reading would narrow a verdict most: its expected worth, worked out over the ensemble.

Of each reading that could be taken today every member predicts a value. The share of the spread of an answer
that a reading explains is the squared correlation of the two, the reading's own error counted in; after it,
the answer's standard deviation is expected to shrink by the root of what is left (exact for a linear
Gaussian ensemble, as the fit itself assumes).

Pins are blind while the core is above fibre saturation: what they show then hardly depends on how wet it is.
They are not offered until it is below; a weight or a core from the oven has no such limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from baulk.models import end_grain
from baulk.models.calibrate.assimilation import shown_pct
from baulk.models.calibrate.calibration import Calibration
from baulk.models.calibrate.parameters import FSP
from baulk.models.constants import DAY_S, Floats
from baulk.models.diffusion import law_for
from baulk.models.reason import Reason
from baulk.models.timber import Timber
from baulk.models.verdict.readiness import Path

Kind: TypeAlias = Literal["pins", "weight", "core", "section"]

PIN_SD_PCT: Final = 2.0  # one pin pair against the wood about it, see `baulk.models.calibrate.observations`
WET_PIN_SD_PCT: Final = 3.4  # above saturation: 3 of the meter and 1.5 from pin to pin, as in the fit
WEIGHT_SD_PCT: Final = 0.6  # of the first weight
# a bored core is small and loses water on the way to the oven; common practice, no source
BORED_SD_PCT: Final = 1.5
SECTION_SD_PCT: Final = 2.0  # a slice of one end against the whole timber; common practice, no source
LEAST_GAIN: Final = 0.05  # of the standard deviation; what gains less is not worth a reading
WORTH: Final = 1 - (1 - LEAST_GAIN) ** 2  # the same as a share of the variance
DEPTHS: Final = (0.25, 0.5, 0.75, 0.95)  # of the half-thickness, where pins are offered
CORE_FROM: Final = 0.7  # of the half-thickness
LEAST_DAYS: Final = 7.0
LEAST_MM: Final = 0.02
SOUND_MM: Final = 500.0  # from an end, at the least, of a section that stands for the piece; common practice


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A reading that could be taken today.

    Parameters
    ----------
    kind : {"pins", "weight", "core", "section"}
        Pins, a weight, or from the oven a bored core or a slice of the whole section.
    depth_mm : float, optional
        Below mid-face; of pins. [mm]
    seen : ndarray, shape (m,)
        What each member would read.
    sd : float
        Error of the reading, in the same unit.
    """

    kind: Kind
    seen: Floats
    sd: float
    depth_mm: float | None = None


def explained(target: Floats, candidate: Candidate) -> float:
    """Share of a target's variance that a reading is expected to take away.

    Parameters
    ----------
    target : ndarray, shape (m,)
        What is wanted, by member.
    candidate : Candidate
        The reading.

    Returns
    -------
    float
        0 to 1.

    References
    ----------
    Squared correlation with the reading's error in its variance; the gain of one smoother step (Emerick &
    Reynolds 2013) on a scalar.
    """
    variance = (float(np.var(candidate.seen)) + candidate.sd**2) * float(np.var(target))
    together = float(np.mean((candidate.seen - candidate.seen.mean()) * (target - target.mean())))
    return together**2 / variance if variance > 0 else 0.0


def blind(timber: Timber, calibration: Calibration) -> bool:
    """Whether pins tell little because the core is above fibre saturation in most members.

    Parameters
    ----------
    timber : Timber
        The timber.
    calibration : Calibration
        Its ensemble now.

    Returns
    -------
    bool
        True where it is so at every depth of `DEPTHS` in the core.
    """
    half = _half_mm(timber)
    return all(_saturated(calibration, share * half) for share in DEPTHS if share > CORE_FROM)


def candidates(timber: Timber, calibration: Calibration) -> list[Candidate]:
    """List what could be read today without cutting.

    Parameters
    ----------
    timber : Timber
        The timber.
    calibration : Calibration
        Its ensemble now.

    Returns
    -------
    list of Candidate
        Pins at four depths unless they are blind, and the weight where one is known already.
    """
    field, half = calibration.field_now, _half_mm(timber)
    depths = () if blind(timber, calibration) else DEPTHS
    found = [
        Candidate(
            kind="pins",
            depth_mm=share * half,
            seen=shown_pct(field.pin_pct(share * half), calibration.theta),
            sd=WET_PIN_SD_PCT if _saturated(calibration, share * half) else PIN_SD_PCT,
        )
        for share in depths
    ]
    if calibration.weighed:
        first = calibration.history_mean_pct[0]
        found.append(
            Candidate(
                kind="weight",
                seen=np.asarray(100 * (100 + field.mean_pct) / (100 + first)),
                sd=WEIGHT_SD_PCT,
            )
        )
    return found


def cutting(calibration: Calibration) -> list[Candidate]:
    """List what could be read today at the price of a hole or a shorter timber.

    Parameters
    ----------
    calibration : Calibration
        Its ensemble now.

    Returns
    -------
    list of Candidate
        A bored core and an oven-dry section; neither knows the meter's bias or its limit at saturation.
    """
    field = calibration.field_now
    return [
        Candidate(kind="core", seen=field.core_pct, sd=BORED_SD_PCT),
        Candidate(
            kind="section",
            seen=field.mean_pct,
            sd=SECTION_SD_PCT,
        ),
    ]


def recommend(timber: Timber, calibration: Calibration, path: Path) -> Reason:
    """Return which reading to take next, and what it is expected to be worth.

    Parameters
    ----------
    timber : Timber
        The timber.
    calibration : Calibration
        Its ensemble now.
    path : Path
        Its movement ahead.

    Returns
    -------
    Reason
        What to do, why not pins where they are blind, and whether a first weight would do instead of a cut.
    """
    if calibration.contradiction is not None:
        return _settling(timber, path)
    days = path.days()
    moved = _on_the_likely_date(path)
    by_date = float(np.std(days)) >= LEAST_DAYS and float(np.mean(path.ready().any(axis=0))) >= 0.5
    target = days if by_date else moved
    if not by_date and float(np.std(moved)) < LEAST_MM:
        return Reason(code="next_reading.not_needed")
    dull = "pins_blind" if blind(timber, calibration) else None
    share, found = _best(target, candidates(timber, calibration))
    if found is not None and share >= WORTH:
        return _take(found, share, target, by_date=by_date, why_not=dull)
    share, found = _best(target, cutting(calibration))
    if found is not None and share >= WORTH:
        why_not = dull or "small_gain"
        return _take(found, share, target, by_date=by_date, why_not=why_not, or_weigh=not calibration.weighed)
    if not calibration.weighed:
        return Reason(code="next_reading.first_weight")
    return Reason(code="next_reading.none", values={"least_share": LEAST_GAIN})


def _take(  # noqa: PLR0913 - a reading and what it is worth
    found: Candidate,
    share: float,
    target: Floats,
    *,
    by_date: bool,
    why_not: str | None,
    or_weigh: bool = False,
) -> Reason:
    sd = float(np.std(target))
    kept = float(np.sqrt(1 - min(share, 1.0)))
    unit = "days" if by_date else "mm"
    return Reason(
        code="next_reading.take",
        values={
            "kind": found.kind,
            "depth_mm": found.depth_mm,
            "of": "date" if by_date else "movement",
            "less_share": 1 - kept,
            "least_share": LEAST_GAIN,
            "why_not": why_not,
            "or_weigh": or_weigh,
            f"sd_{unit}": sd,
            f"sd_then_{unit}": sd * kept,
        },
    )


def _settling(timber: Timber, path: Path) -> Reason:
    """Return the test that settles whether scale or pins are right."""
    days = max(0.0, (float(path.posix_s[0]) - timber.arrived_utc.timestamp()) / DAY_S)
    reach_mm = end_grain.reach_mm(law_for(path.rule.species), days, sealed=timber.ends_sealed)
    from_end_mm = max(SOUND_MM, reach_mm)
    if from_end_mm > timber.length_mm / 2:
        return Reason(code="next_reading.settle_from_middle")
    return Reason(code="next_reading.settle", values={"from_end_mm": from_end_mm})


def _half_mm(timber: Timber) -> float:
    return min(timber.section.width_mm, timber.section.depth_mm) / 2


def _saturated(calibration: Calibration, depth_mm: float) -> bool:
    """Whether the wood at a depth is above fibre saturation in most members."""
    above = calibration.field_now.pin_pct(depth_mm) > calibration.theta[FSP]
    return float(np.mean(above)) > 0.5


def _best(target: Floats, offered: list[Candidate]) -> tuple[float, Candidate | None]:
    return max(
        ((explained(target, each), each) for each in offered), key=lambda one: one[0], default=(0.0, None)
    )


def _on_the_likely_date(path: Path) -> Floats:
    likely = np.flatnonzero(path.probability() >= 0.5)
    then = int(likely[0]) if likely.size else -1
    settled = np.full(path.mean_pct.shape[1], path.rule.use.service_mc_pct)
    return np.asarray(path.largest_mm(settled)[then])
