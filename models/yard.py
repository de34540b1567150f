"""What one timber teaches serves the next: from the fits of a yard's timbers to the prior of one of them.

A fit gives a timber's numbers after its readings. What its prior had put into them is taken out again, so
that a prior which came from the yard is not counted once more each day; the rest, what its own readings say,
goes into a model of levels (`baulk.models.yard_levels`): species, lot and timber for the wood, the single
meter for a meter's numbers, the place for its air. A timber's own readings never enter its own prior.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import Enum
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.errors import OutOfRange
from baulk.models.yard_levels import next_of

Floats = NDArray[np.float64]


class Kin(Enum):
    """Which timbers teach a number."""

    WOOD = "of one species; nearer kin are those of one lot"
    METER = "read by any meter; nearer kin are those read by the same one"
    PLACE = "in any place; nearer kin are those in the same one"


LEARNED: Final[Mapping[str, Kin]] = MappingProxyType(
    {
        "ln_d": Kin.WOOD,
        "slope": Kin.WOOD,
        "ln_ratio": Kin.WOOD,
        "ln_raised": Kin.WOOD,
        "start": Kin.WOOD,
        "ln_surface": Kin.PLACE,
        "emc_offset": Kin.PLACE,
        "meter_bias": Kin.METER,
        "wet_slope": Kin.METER,
    }
)
LEAST_SHARE: Final = 0.36  # of the default's sd between kin, 0.25 in ln D; our own judgement, no source
WIDEST: Final = 1.5  # of the default's standard deviation; our own judgement, no source
SPEAKS: Final = 0.25  # gain over the prior's precision that outweighs noise; our own judgement, no source
NOISE: Final = 0.1  # gain that is nothing but the noise of 64 members; our own judgement, no source
LOUD: Final = 1.5  # error in the default's sd below which a timber is counted; our own judgement, no source
SILENT: Final = 1000.0  # error in the default's sd of one that says nothing
FARTHEST: Final = 3.0  # of the default's sd from its middle, for an estimate; our own judgement, no source
STEPS: Final = 50  # a prior is rounded to such a part of the default's sd, so that it rests from day to day
TAILS: Final = 4.0  # degrees of freedom of departures from kin; common practice, no source
SAME_LOT: Final = timedelta(days=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """One timber as far as kinship goes.

    Parameters
    ----------
    tag, species : str
        Which, and its wood.
    arrived_utc : datetime
        When it came, with a time zone.
    arrived_at : str
        Where it was set down then.
    place : str or None
        Where it has lain all the time; None for one that was moved.
    meter : str or None
        What read it; None where several meters or none did.
    """

    tag: str
    species: str
    arrived_utc: datetime
    arrived_at: str
    place: str | None = None
    meter: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Numbers of a timber after its fit, and what they were before.

    Parameters
    ----------
    names : tuple of str
        Names of `LEARNED`.
    mean, cov : ndarray, shape (p,) and (p, p)
        After the fit, each in its own unit.
    prior_mean, prior_sd : ndarray, shape (p,)
        Before it, as the fit drew them; without correlation.
    default_mean, default_sd : ndarray, shape (p,)
        Before it for a timber of which the yard knows nothing.
    members : int
        Size of the ensemble that `cov` was taken from.
    """

    names: tuple[str, ...]
    mean: Floats
    cov: Floats
    prior_mean: Floats
    prior_sd: Floats
    default_mean: Floats
    default_sd: Floats
    members: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """What a timber's own readings say of one of its numbers.

    Parameters
    ----------
    value, sd : float
        In the number's own unit.
    """

    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Taught:
    """One timber and what its readings say.

    Parameters
    ----------
    timber : Origin
        The timber.
    says : mapping of str to Estimate
        By name; numbers of which its readings say nothing are not there.
    """

    timber: Origin
    says: Mapping[str, Estimate]


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """Prior of one number of one timber.

    Parameters
    ----------
    mean, sd : float
        In the number's own unit.
    timbers : int
        How many other timbers speak in it.
    near : int
        How many of these are its nearer kin: of its lot, its meter or its place.
    parted : bool
        Whether its own readings so far contradict its kin, so that these were given less weight.
    """

    mean: float
    sd: float
    timbers: int
    near: int = 0
    parted: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class YardPrior:
    """What a yard knows of a timber before its readings.

    Parameters
    ----------
    rows : mapping of str to Learned
        By name; what is of a meter bears its name behind a colon, ``meter_bias:hand-held meter``.
    spread : float
        Factor on the width of its forecast that earlier forecasts have taught. [-]
    compared : int
        Timbers whose forecasts were held against what came.
    """

    rows: Mapping[str, Learned] = field(default_factory=dict)
    spread: float = 1.0
    compared: int = 0

    def row(self, name: str) -> Learned | None:
        """Prior of a number by its name in `LEARNED`, whatever its meter is called; None for the default."""
        return next((each for key, each in self.rows.items() if key.partition(":")[0] == name), None)


def estimates(found: Posterior) -> dict[str, Estimate]:
    """Take the prior out of a fit: what a timber's own readings say of each of its numbers.

    Parameters
    ----------
    found : Posterior
        The fit.

    Returns
    -------
    dict of str to Estimate
        By name, with a huge error where its readings say nothing. For each the others of its numbers are as
        doubtful as by default, whatever prior the fit had, so that what kin say of one never returns through
        another.

    Raises
    ------
    OutOfRange
        If the ensemble is too small for so many numbers.

    Notes
    -----
    The ensemble of a fit has the covariance of its prior exactly before the readings, so that the inverse of
    its covariance after them needs no correction for few members.
    """
    size = len(found.names)
    if found.members < size + 3:
        raise OutOfRange("the ensemble", f"needs {size + 3} members for {size} numbers, not {found.members}")
    scale = found.prior_sd
    after = np.linalg.pinv(found.cov / np.outer(scale, scale), hermitian=True)
    told, forms = np.linalg.eigh(after - np.eye(size))
    moved = (found.mean - found.default_mean) / scale
    before = (found.prior_mean - found.default_mean) / scale
    pull = forms.T @ (after @ moved - before)
    real = told > 0
    own = (forms[:, real] * told[real]) @ forms[:, real].T
    pull = forms[:, real] @ pull[real]
    usual = (scale / found.default_sd) ** 2
    says = {}
    for i, name in enumerate(found.names):
        rest = np.arange(size) != i
        through = np.linalg.solve(own[np.ix_(rest, rest)] + np.diag(usual[rest]), own[rest, i])
        far = FARTHEST * float(found.default_sd[i] / scale[i])
        gain = float(own[i, i] - own[i, rest] @ through)
        if gain <= NOISE:
            says[name] = Estimate(value=float(found.default_mean[i]), sd=SILENT * float(found.default_sd[i]))
            continue
        value = float(np.clip(pull[i] - through @ pull[rest], -far * gain, far * gain)) / gain
        heard = gain**3 / (gain**2 + SPEAKS**2)  # weak ones fade, so that noise adds up to little
        says[name] = Estimate(
            value=float(found.default_mean[i] + scale[i] * value), sd=float(scale[i] / np.sqrt(heard))
        )
    return says


def settled(before: Mapping[str, Estimate], now: Mapping[str, Estimate]) -> dict[str, Estimate]:
    """Take a new fit's estimates half and what was held before half, so that the yard settles.

    What a fit says apart from its prior is noisy where the prior is narrow: without this, weak timbers that
    narrow each other's priors today would not be heard tomorrow, and again the day after.

    Parameters
    ----------
    before, now : mapping of str to Estimate
        By name.

    Returns
    -------
    dict of str to Estimate
        By name, as `now`.
    """
    found = {}
    for name, new in now.items():
        old = before.get(name, new)
        told, held = new.sd**-2, old.sd**-2
        value = (told * new.value + held * old.value) / (told + held)
        found[name] = Estimate(value=value, sd=((told + held) / 2) ** -0.5)
    return found


def lots(timbers: Sequence[Origin]) -> dict[str, str]:
    """Tell the lots: timbers of one species that came to one place on the same day, or within two days.

    Parameters
    ----------
    timbers : sequence of Origin
        In any order, each tag once.

    Returns
    -------
    dict of str to str
        Tag of the first timber of each timber's lot, by tag.
    """
    found: dict[str, str] = {}
    first: Origin | None = None
    for each in sorted(timbers, key=lambda one: (one.species, one.arrived_at, one.arrived_utc, one.tag)):
        same = first is not None and (each.species, each.arrived_at) == (first.species, first.arrived_at)
        if first is None or not same or each.arrived_utc - first.arrived_utc > SAME_LOT:
            first = each
        found[each.tag] = first.tag
    return found


def prior_of(
    timber: Origin, others: Sequence[Taught], defaults: Mapping[str, tuple[float, float]]
) -> dict[str, Learned]:
    """Give the prior of one timber's numbers from what the other timbers of the yard have taught.

    Parameters
    ----------
    timber : Origin
        Which.
    others : sequence of Taught
        Every timber that taught something; what it taught itself is left away, but for a number in which it
        has already departed from its kin: there the prior is wider.
    defaults : mapping of str to (float, float)
        Mean and standard deviation of the default prior of each number, each in its own unit.

    Returns
    -------
    dict of str to Learned
        By name, as in `YardPrior`; a number of which nobody speaks is not there.

    References
    ----------
    A timber that departs: weight of an observation under Student's t with `TAILS` degrees of freedom, Lange,
    K. L., Little, R. J. A., Taylor, J. M. G., 1989. Journal of the American Statistical Association 84,
    881-896 (from memory).
    """
    of_lot = lots([*(each.timber for each in others if each.timber.tag != timber.tag), timber])
    mine = next((each.says for each in others if each.timber.tag == timber.tag), {})
    found = {}
    for name, kin in LEARNED.items():
        if name not in defaults:
            continue
        group = _group(timber, kin, of_lot)
        if group is None:
            continue
        heard = [
            (where, each.says[name])
            for each in others
            if each.timber.tag != timber.tag
            and name in each.says
            and each.says[name].sd < SILENT / 2 * defaults[name][1]
            and (kin is not Kin.WOOD or each.timber.species == timber.species)
            and (where := _group(each.timber, kin, of_lot)) is not None
        ]
        unit = defaults[name][1]
        if any(each.sd <= LOUD * unit for _, each in heard):
            row = _learned(heard, group, defaults[name], mine.get(name))
            found[f"{name}:{group}" if kin is Kin.METER else name] = row
    return found


def _group(timber: Origin, kin: Kin, of_lot: Mapping[str, str]) -> str | None:
    if kin is Kin.WOOD:
        return of_lot[timber.tag]
    return timber.meter if kin is Kin.METER else timber.place


def _learned(
    heard: Sequence[tuple[str, Estimate]], group: str, default: tuple[float, float], own: Estimate | None
) -> Learned:
    middle, unit = default
    predicted = next_of(
        [(each.value - middle) / unit for _, each in heard],
        [(each.sd / unit) ** 2 for _, each in heard],
        [where for where, _ in heard],
        group,
        least_sd=LEAST_SHARE,
    )
    loud = [where for where, each in heard if each.sd <= LOUD * unit]
    mean, sd, parted = predicted.mean, min(predicted.sd, WIDEST), False
    if own is not None:
        off = ((own.value - middle) / unit - mean) ** 2 / (sd**2 + (own.sd / unit) ** 2)
        wider = np.sqrt(max(1.0, (TAILS + off) / (TAILS + 1)))
        parted = bool(wider > WIDEST)
        sd = min(sd * wider, max(sd, WIDEST))
    return Learned(
        mean=float(middle + unit * round(mean * STEPS) / STEPS),
        sd=float(unit * math.ceil(sd * STEPS) / STEPS),
        timbers=len(loud),
        near=sum(where == group for where in loud),
        parted=parted,
    )
