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

from baulk.models import ends
from baulk.models.calibrate import Calibration
from baulk.models.diffusion import law_for
from baulk.models.fit_smoother import shown_pct
from baulk.models.readiness import DAY_S, Path
from baulk.models.timber import Timber
from baulk.models.units import show_length

Floats = NDArray[np.float64]

PIN_SD_PCT: Final = 2.0  # one pin pair against the wood about it, see `baulk.models.observations`
WEIGHT_SD_PCT: Final = 0.6  # of the first weight
BORED_SD_PCT: Final = (
    1.5  # a bored core dried in an oven: small, loses water on the way; common practice, no source
)
SECTION_SD_PCT: Final = 2.0  # a slice of one end against the whole timber; common practice, no source
WORTH: Final = 0.05  # less than this share is not worth a reading
LEAST_DAYS: Final = 7.0
LEAST_MM: Final = 0.02
SOUND_MM: Final = 500.0  # from an end, at the least, of a section that stands for the piece; common practice


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
    field, rule = calibration.field_now, path.rule
    half = min(timber.section.width_mm, timber.section.depth_mm) / 2
    found = [
        Candidate(
            words=f"pins at {show_length(depth, rule.system)} below mid-face",
            seen=shown_pct(field.pin_pct(depth), calibration.theta),
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
        Candidate(
            words="a core bored to the middle and dried in an oven", seen=field.core_pct, sd=BORED_SD_PCT
        ),
        Candidate(
            words="a slice cut well in from one end and dried in an oven",
            seen=field.mean_pct,
            sd=SECTION_SD_PCT,
        ),
    ]


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
    if calibration.contradiction is not None:
        return _settling(timber, path)
    days = path.days()
    moved = _on_the_likely_date(path)
    by_date = float(np.std(days)) >= LEAST_DAYS and float(np.mean(path.ready().any(axis=0))) >= 0.5
    target = days if by_date else moved
    if not by_date and float(np.std(moved)) < LEAST_MM:
        return "No further reading would change the answer much; weigh it again in a month."
    share, best = _best(target, candidates(timber, calibration, path))
    lead = ""
    if share < WORTH:
        share, best = _best(target, cutting(calibration))
        lead = "No pin or weight today would narrow it by a twentieth. "
    now = float(np.std(target))
    if share < WORTH:
        return (
            "No reading today would narrow it by a twentieth (by correlation over the ensemble); the same "
            "pins and weight again in four weeks may."
        )
    left = float(np.sqrt(1 - min(share, 1.0)))
    what = (
        f"the day it is ready by {100 * (1 - left):.0f} %, from ±{now:.0f} to ±{now * left:.0f} days"
        if by_date
        else f"the movement to come by {100 * (1 - left):.0f} %, from ±{path.rule.small(now, 1)} to "
        f"±{path.rule.small(now * left, 1)}"
    )
    return (
        f"{lead}{best.words[0].upper()}{best.words[1:]} today: expected to narrow {what} (one standard "
        "deviation; by correlation over the ensemble)."
    )


def _settling(timber: Timber, path: Path) -> str:
    """Name the test that settles whether scale or pins are right."""
    rule, now_s = path.rule, float(path.posix_s[0])
    days = max(0.0, (now_s - timber.arrived_utc.timestamp()) / DAY_S)
    reach_mm = ends.reach_mm(law_for(rule.species), days, sealed=timber.ends_sealed)
    step_mm = 152.4 if rule.system == "inch" else 50.0
    far_mm = step_mm * np.ceil(max(SOUND_MM, reach_mm) / step_mm)
    if far_mm > timber.length_mm / 2:
        where = "from the middle of its length, for it is too short for a sound one nearer an end"
    else:
        where = (
            f"{show_length(far_mm, rule.system)} in from the end that will be offcut, before one is cut "
            "out of the middle of the piece"
        )
    return (
        "One test settles whether the scale or the pins are right: saw a section and dry it in the oven, "
        f"{where}. Until then another weight or pin reading only repeats what each of them says."
    )


def _best(target: Floats, offered: list[Candidate]) -> tuple[float, Candidate]:
    return max(((explained(target, each), each) for each in offered), key=lambda one: one[0])


def _on_the_likely_date(path: Path) -> Floats:
    likely = np.flatnonzero(path.probability() >= 0.5)
    then = int(likely[0]) if likely.size else -1
    settled = np.full(path.mean_pct.shape[1], path.rule.use.service_mc_pct)
    return np.asarray(path.largest_mm(settled)[then])
