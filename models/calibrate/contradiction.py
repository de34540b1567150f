"""Scale and pins that cannot both be right: whether it is so, what each of them says, and both kept.

A joint fit of two witnesses that exclude each other settles on one of them, or on a moisture between the
two that neither says. Where the joint fit shows tension, the timber is fitted to the weights and oven-dry
sections alone and to the pins alone. If neither can be what the other says, half of the members are taken
from each fit, so that every interval that is worked out from them holds both.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.calibrate.assimilation import LONE_WOLF, errors, lone, predict
from baulk.models.calibrate.inputs import FitInputs
from baulk.models.calibrate.parameters import START, bounded, middle, potential
from baulk.models.calibrate.screening import Observation
from baulk.models.constants import Floats
from baulk.models.field import MoistureField
from baulk.models.near_faces import NearFaces
from baulk.models.reason import Reason, utc

Run = tuple[MoistureField, ...]
Course = tuple[Floats, Run, Floats]
Fit = Callable[[Floats, Sequence[Observation]], Course]

APART: Final = 3.0  # standard deviations, of the median of the latest readings; our own judgement, no source
LATEST: Final = 5  # readings of each kind; our own judgement, no source
PUSHED: Final = 2.5  # prior standard deviations of the start; our own judgement, no source
LEAST_PINS: Final = 3  # our own judgement, no source
LEAST_WEIGHTS: Final = 3  # without an oven-dry section; our own judgement, no source
LEAST_APART_PCT: Final = 5.0  # of the two means now; our own judgement, no source
# of the moisture at arrival, where only pins speak: the section that was entered then is the other witness
START_SD_SHARE: Final = 0.35
_OTHER_KIND: Final = Reason(code="calibration.other_kind")  # only while each kind is fitted alone


@dataclass(frozen=True, slots=True, kw_only=True)
class Contradiction:
    """What scale and pins say of the mean now, where they cannot both be right.

    Parameters
    ----------
    scale_pct, pins_pct : (float, float, float)
        5, 50 and 95 % quantiles of the mean of the section now, from weights and oven-dry sections alone and
        from pins alone. [%]
    since_posix_s : float
        First reading of the pins that the scale contradicts. [s]
    weights, sections, pins : int
        Usable readings of each kind.
    """

    scale_pct: tuple[float, float, float]
    pins_pct: tuple[float, float, float]
    since_posix_s: float
    weights: int
    sections: int
    pins: int

    @property
    def reason(self) -> Reason:
        """What contradicts what, and since when."""
        return Reason(
            code="verdict.contradiction",
            values={
                "scale_pct": self.scale_pct,
                "pins_pct": self.pins_pct,
                "since_utc": utc(self.since_posix_s),
                "weights": self.weights,
                "sections": self.sections,
                "pins": self.pins,
            },
        )


def contradiction(stored: Mapping[str, Any]) -> Contradiction:
    """Read back what `dataclasses.asdict` gave of a contradiction and JSON kept."""
    spans = {name: tuple(float(each) for each in stored[name]) for name in ("scale_pct", "pins_pct")}
    return Contradiction(**{**stored, **spans})


def in_tension(data: Sequence[Observation], off: Floats, away: Floats, theta: Floats, begun: Floats) -> bool:
    """Tell from the joint fit whether scale and pins may exclude each other.

    Parameters
    ----------
    data : sequence of Observation
        Readings, those set aside too.
    off, away : ndarray, shape (n,)
        Measured minus the joint fit's median [%], and that in standard deviations.
    theta, begun : ndarray, shape (22, m)
        The ensemble after the readings and before them.

    Returns
    -------
    bool
        Whether it is worth two further fits.
    """
    scale, pins = _kinds(data)
    if not _enough(data, scale, pins):
        return False
    pushed = abs(np.mean(theta[START]) - np.mean(begun[START])) > PUSHED * np.std(begun[START])
    return bool(pushed or _strained(off, away, scale) or _strained(off, away, pins))


def _strained(off: Floats, away: Floats, kind: NDArray[np.bool_]) -> bool:
    """Whether most of one kind lies off the same way, or many are taken for outliers."""
    lost = float(np.mean(away[kind] > LONE_WOLF))
    return lost > 0.3 or abs(float(np.median(np.sign(off[kind]) * away[kind]))) > LONE_WOLF / 2


def _kinds(data: Sequence[Observation]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which usable readings are of scale and oven, and which of pins."""
    usable = np.array([not each.aside for each in data], dtype=bool)
    pins = np.array([each.depth_mm is not None for each in data], dtype=bool)
    return usable & ~pins, usable & pins


def _enough(data: Sequence[Observation], scale: NDArray[np.bool_], pins: NDArray[np.bool_]) -> bool:
    sections = sum(each.lost_pct is not None for each, ours in zip(data, scale, strict=True) if ours)
    return bool(pins.sum() >= LEAST_PINS and (sections or scale.sum() >= LEAST_WEIGHTS))


def apart(
    data: Sequence[Observation], begun: Floats, given: FitInputs, fit: Fit
) -> tuple[Contradiction, Floats, Run, Floats] | None:
    """Fit scale and pins each alone, and keep both fits where they exclude each other.

    Parameters
    ----------
    data : sequence of Observation
        Readings.
    begun : ndarray, shape (22, m)
        The ensemble before them.
    given : FitInputs
        What a fit looks at.
    fit : callable
        Ensemble and readings to the ensemble after them, its fields and the history's moments.

    Returns
    -------
    tuple or None
        The contradiction, then ensemble, fields and moments as `fit` gives them, every other member from each
        of the two fits; None where scale and pins can both be right.
    """
    scale, pins = _kinds(data)
    by_scale = fit(begun, _only(data, scale))
    by_pins = fit(_freed(begun, given), _only(data, pins))
    sd_pct = errors(data)
    off = [lone(predict(data, run, theta, given), data, sd_pct)[1] for theta, run, _ in (by_scale, by_pins)]
    away = max(_latest(off[0], pins), _latest(off[1], scale))
    told = [_quantiles(run[-1].mean_pct) for _, run, _ in (by_scale, by_pins)]
    gap = max(told[0][0] - told[1][2], told[1][0] - told[0][2])
    if away <= APART or gap <= 0 or abs(told[0][1] - told[1][1]) < LEAST_APART_PCT:
        return None
    at = [int(each) for each in np.flatnonzero(pins)]
    first = next((i for i in at if off[0][i] > APART), at[0])
    sections = sum(each.lost_pct is not None for each, ours in zip(data, scale, strict=True) if ours)
    found = Contradiction(
        scale_pct=told[0], pins_pct=told[1], since_posix_s=data[first].posix_s,
        weights=int(scale.sum()) - sections, sections=sections, pins=int(pins.sum()),
    )  # fmt: skip
    return found, *halves(by_scale, by_pins)


def halves(one: Course, other: Course) -> Course:
    """Take every other member from each of two fits of the same timber.

    Parameters
    ----------
    one, other : tuple
        Ensemble, fields and moments of each.

    Returns
    -------
    tuple
        The same of both together, so that what is worked out from them holds what either says.
    """
    mine = np.arange(one[0].shape[1]) % 2 == 0
    theta = np.where(mine, one[0], other[0])
    points = potential(theta)
    run = tuple(
        replace(
            each,
            mc_pct=np.where(mine[:, None, None], each.mc_pct, its.mc_pct),
            potential=points,
            near_faces=_either(mine, each.near_faces, its.near_faces),
        )
        for each, its in zip(one[1], other[1], strict=True)
    )
    return theta, run, one[2]


def _either(first: NDArray[np.bool_], one: NearFaces | None, other: NearFaces | None) -> NearFaces | None:
    if one is None or other is None:
        return None
    return replace(one, added_pct=np.where(first, one.added_pct, other.added_pct))


def _only(data: Sequence[Observation], kept: NDArray[np.bool_]) -> tuple[Observation, ...]:
    return tuple(
        each if each.aside or mine else replace(each, aside=_OTHER_KIND)
        for each, mine in zip(data, kept, strict=True)
    )


def _freed(begun: Floats, given: FitInputs) -> Floats:
    """Return the prior with the start as wide as where nobody knows it."""
    freed, centre = begun.copy(), middle(given.timber, given.species, given.law)
    start = freed[START]
    sd = max(float(np.std(start)), START_SD_SHARE * float(centre[START]))
    freed[START] = centre[START] + sd * (start - np.mean(start)) / max(float(np.std(start)), 1e-9)
    return bounded(freed, centre)


def _latest(away: Floats, kind: NDArray[np.bool_]) -> float:
    return float(np.median(away[np.flatnonzero(kind)[-LATEST:]]))


def _quantiles(values: Floats) -> tuple[float, float, float]:
    low, middle_, high = np.quantile(values, (0.05, 0.5, 0.95))
    return float(low), float(middle_), float(high)
