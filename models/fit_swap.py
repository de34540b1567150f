"""Two timbers whose tags or sensors were exchanged: each one's readings fit the other's drying better."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.fit_result import Calibration, Fitted
from baulk.models.wording import day

Floats = NDArray[np.float64]

LEAST_GAIN: Final = 25.0  # squared standard deviations that each must gain; our own judgement, no source
OWN_SD_PCT: Final = (
    3.0  # doubt of a fit at another's pins, beside the reading's own; our own judgement, no source
)
SCALE_SD_SHARE: Final = 0.03  # a weight against the last one before; our own judgement, no source
WORST: Final = 4.0  # standard deviations that one reading counts for at most; our own judgement, no source
LEAST_READINGS: Final = 3  # of each timber after the exchange; our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Swap:
    """Since when two timbers read each other's wood.

    Parameters
    ----------
    tags : tuple of (str, str)
        Which.
    since_posix_s : float
        First reading that belongs to the other. [s]
    gain : float
        How much better the exchanged readings fit, the lesser of the two, in squared standard deviations. [-]
    words : str
        One sentence.
    """

    tags: tuple[str, str]
    since_posix_s: float
    gain: float
    words: str


def swapped(a: Calibration, b: Calibration) -> Swap | None:
    """Tell whether the readings of two timbers were exchanged from some moment on.

    Parameters
    ----------
    a, b : Calibration
        Their fits, at about the same moment.

    Returns
    -------
    Swap or None
        The moment from which exchanged readings fit both timbers best, if much better than their own.

    Notes
    -----
    A reading is held against the median course of each timber at its depth, with that timber's own meter
    bias; a weight against the timber's last weight before the moment. Two timbers that are equally dry can't
    be told apart by pins, and no harm is done; their weights tell them unless they are equally heavy too.
    """
    own_a, own_b = _usable(a), _usable(b)
    if len(own_a) <= LEAST_READINGS or len(own_b) <= LEAST_READINGS:
        return None
    sides = (
        (own_a, own_b, _pin_gains(own_a, a, b)),
        (own_b, own_a, _pin_gains(own_b, b, a)),
    )
    best: tuple[float, float] | None = None
    gain = 0.0
    for moment in sorted({one.posix_s for one in (*own_a, *own_b)}):
        found = [each for each in (_gain(*side, moment) for side in sides) if each is not None]
        if len(found) == 2 and (best is None or sum(found) > best[0]) and min(found) > LEAST_GAIN:
            best, gain = (sum(found), moment), min(found)
    if best is None:
        return None
    one, two = (_tag(each) for each in (own_a, own_b))
    when = day(datetime.fromtimestamp(best[1], UTC))
    return Swap(
        tags=(one, two),
        since_posix_s=best[1],
        gain=gain,
        words=(
            f"since {when} what is read as {one} fits {two} better and the other way round, as when their "
            "tags or sensors were swapped; look at both timbers before either verdict is used"
        ),
    )


def _usable(fitted: Calibration) -> list[Fitted]:
    return [one for one in fitted.readings if one.depth_mm is not None or one.kg is not None]


def _tag(readings: list[Fitted]) -> str:
    return readings[0].series.split("/")[1]


def _gain(mine: list[Fitted], other: list[Fitted], pins: Floats, moment: float) -> float | None:
    """Return how much better the readings since a moment fit the other timber; None where few are left."""
    after = np.array([one.posix_s >= moment for one in mine])
    of_pins = pins[after & np.isfinite(pins)]
    gains = list(of_pins)
    own_kg, their_kg = _last_kg(mine, moment), _last_kg(other, moment)
    if own_kg is not None and their_kg is not None:
        for one in mine:
            if one.kg is not None and one.posix_s >= moment:
                own, theirs = (np.log(one.kg / kg) / SCALE_SD_SHARE for kg in (own_kg, their_kg))
                gains.append(min(own**2, WORST**2) - min(theirs**2, WORST**2))
    return float(sum(gains)) if len(gains) >= LEAST_READINGS else None


def _last_kg(readings: list[Fitted], moment: float) -> float | None:
    kg = [one.kg for one in readings if one.kg is not None and one.posix_s < moment]
    return kg[-1] if kg else None


def _pin_gains(mine: list[Fitted], here: Calibration, there: Calibration) -> Floats:
    """Return for each reading how much better it fits the other timber; NaN for one that is not of pins."""
    own, theirs = (np.minimum(_away(mine, each) ** 2, WORST**2) for each in (here, there))
    return np.asarray(own - theirs)


def _away(readings: list[Fitted], fitted: Calibration) -> Floats:
    """Return the standard deviations between pins' readings and a timber's median course at their depth."""
    bias = float(np.median(fitted.meter_bias_pct))
    courses: dict[float, Floats] = {}
    found = np.full(len(readings), np.nan)
    for i, one in enumerate(readings):
        if one.depth_mm is None:
            continue
        depth_mm = min(one.depth_mm, float(fitted.depths_mm[-1]))
        if depth_mm not in courses:
            courses[depth_mm] = np.array(
                [np.interp(depth_mm, fitted.depths_mm, each) for each in fitted.history_depth_pct]
            )
        off = one.measured_pct - bias - np.interp(one.posix_s, fitted.history_posix_s, courses[depth_mm])
        found[i] = (max(off, 0.0) if one.at_least else off) / np.hypot(one.sd_pct, OWN_SD_PCT)
    return found
