"""Which reading would narrow a verdict most: its expected worth, worked out over the ensemble.

Of each reading that could be taken today every member predicts a value. The share of the spread of an answer
that a reading explains is the squared correlation of the two, the reading's own error counted in; after it,
the answer's standard deviation is expected to shrink by the root of what is left (exact for a linear
Gaussian ensemble, as the fit itself assumes).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.calibrate import Calibration
from baulk.models.readiness import Path
from baulk.models.timber import Timber
from baulk.models.units import show_length

Floats = NDArray[np.float64]

PIN_SD_PCT: Final = 2.0  # one pin pair against the wood about it, see `baulk.models.observations`
WEIGHT_SD_PCT: Final = 0.6  # of the first weight
WORTH: Final = 0.05  # less than this share is not worth a reading
LEAST_DAYS: Final = 7.0
LEAST_MM: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A reading that could be taken today.

    Parameters
    ----------
    words : str
        What to read.
    seen : ndarray, shape (m,)
        What each member would read.
    sd : float
        Error of the reading, in the same unit.
    """

    words: str
    seen: Floats
    sd: float


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


def candidates(timber: Timber, calibration: Calibration, path: Path) -> list[Candidate]:
    """List what could be read today.

    Parameters
    ----------
    timber : Timber
        The timber.
    calibration : Calibration
        Its ensemble now.
    path : Path
        For the species and the units.

    Returns
    -------
    list of Candidate
        Pins at four depths, and the weight where one is known already.
    """
    field, bias, rule = calibration.field_now, calibration.meter_bias_pct, path.rule
    half = min(timber.section.width_mm, timber.section.depth_mm) / 2
    found = [
        Candidate(
            words=f"pins at {show_length(depth, rule.system)} below mid-face",
            seen=np.minimum(field.pin_pct(depth) + bias, rule.species.fsp_pct),
            sd=PIN_SD_PCT,
        )
        for depth in (0.25 * half, 0.5 * half, 0.75 * half, 0.95 * half)
    ]
    if calibration.weighed:
        first = calibration.history_mean_pct[0]
        found.append(
            Candidate(
                words="its weight",
                seen=np.asarray(100 * (100 + field.mean_pct) / (100 + first)),
                sd=WEIGHT_SD_PCT,
            )
        )
    return found


def sentence(timber: Timber, calibration: Calibration, path: Path) -> str:
    """Say which reading to take next, and what it is expected to be worth.

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
    str
        One sentence.
    """
    days = path.days()
    moved = _on_the_likely_date(path)
    by_date = float(np.std(days)) >= LEAST_DAYS and float(np.mean(path.ready().any(axis=0))) >= 0.5
    target = days if by_date else moved
    if not by_date and float(np.std(moved)) < LEAST_MM:
        return "No further reading would change the answer much; weigh it again in a month."
    worth = [(explained(target, each), each) for each in candidates(timber, calibration, path)]
    share, best = max(worth, key=lambda one: one[0])
    now = float(np.std(target))
    if share < WORTH:
        return (
            "No pin or weight today would narrow it by more than a twentieth (by correlation over "
            "the ensemble); an oven-dry section or a bored core would, or the same pins again in four weeks."
        )
    then = now * np.sqrt(1 - min(share, 1.0))
    what = (
        f"the day it is ready from ±{now:.0f} to ±{then:.0f} days"
        if by_date
        else f"the movement to come from ±{path.rule.small(now)} to ±{path.rule.small(then)}"
    )
    return (
        f"{best.words[0].upper()}{best.words[1:]} today: expected to narrow {what} (one standard deviation; "
        "by correlation over the ensemble)."
    )


def _on_the_likely_date(path: Path) -> Floats:
    likely = np.flatnonzero(path.probability() >= 0.5)
    then = int(likely[0]) if likely.size else -1
    settled = np.full(path.mean_pct.shape[1], path.rule.use.service_mc_pct)
    return np.asarray(path.largest_mm(settled)[then])
