"""Two timbers whose tags or sensors were exchanged: each one's readings fit the other's drying better."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np

from baulk.models.fit_result import Calibration, Fitted
from baulk.models.wording import day

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
    since_posix_s : float
        First reading that belongs to the other. [s]
    gain : float
        How much better the exchanged readings fit, the lesser of the two, in squared standard deviations. [-]
    words : str
        One sentence.
    """

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
        The moment from which both fit better exchanged, where before it neither does.

    Notes
    -----
    A reading is held against the median course of each timber at its depth, with that timber's own meter
    bias; a weight against the timber's last weight before the moment. Two timbers that are equally dry can't
    be told apart by pins, and no harm is done; their weights tell them unless they are equally heavy too.
    """
    own_a, own_b = _usable(a), _usable(b)
    if len(own_a) <= LEAST_READINGS or len(own_b) <= LEAST_READINGS:
        return None
    best: tuple[float, float] | None = None
    for moment in sorted({one.posix_s for one in (*own_a, *own_b)}):
        gains = [
            _gain(mine, other, there, here, moment)
            for mine, other, here, there in ((own_a, own_b, a, b), (own_b, own_a, b, a))
        ]
        found = [each for each in gains if each is not None]
        if len(found) == 2 and (best is None or sum(found) > best[0]) and min(found) > LEAST_GAIN:
            best = (sum(found), moment)
            gain = min(found)
    if best is None:
        return None
    one, two = (_tag(each) for each in (own_a, own_b))
    when = day(datetime.fromtimestamp(best[1], UTC))
    return Swap(
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


def _gain(
    mine: list[Fitted], other: list[Fitted], there: Calibration, here: Calibration, moment: float
) -> float | None:
    """How much better a timber's readings since a moment fit the other one; None where too few are left."""
    after = [one for one in mine if one.posix_s >= moment]
    last = [_last_kg(each, moment) for each in (mine, other)]
    gain, count = 0.0, 0
    for one in after:
        if one.kg is not None:
            if last[0] is None or last[1] is None:
                continue
            own, theirs = (np.log(one.kg / kg) / SCALE_SD_SHARE for kg in last if kg is not None)
        else:
            own, theirs = _away(one, here), _away(one, there)
        count += 1
        gain += min(own**2, WORST**2) - min(theirs**2, WORST**2)
    return gain if count >= LEAST_READINGS else None


def _last_kg(readings: list[Fitted], moment: float) -> float | None:
    kg = [one.kg for one in readings if one.kg is not None and one.posix_s < moment]
    return kg[-1] if kg else None


def _away(one: Fitted, fitted: Calibration) -> float:
    """Return the standard deviations between a pin's reading and a timber's median course at its depth."""
    depth_mm = min(one.depth_mm or 0.0, float(fitted.depths_mm[-1]))
    course = [np.interp(depth_mm, fitted.depths_mm, each) for each in fitted.history_depth_pct]
    there = float(np.interp(one.posix_s, fitted.history_posix_s, course))
    there += float(np.median(fitted.meter_bias_pct))
    off = one.measured_pct - there
    if one.at_least:
        off = max(off, 0.0)
    return off / float(np.hypot(one.sd_pct, OWN_SD_PCT))
