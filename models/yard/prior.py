"""What one timber teaches serves the next: from the fits of a yard's timbers to the prior of one of them.

A fit gives a timber's numbers after its readings. What its prior had put into them is taken out again, so
that a prior which came from the yard is not counted once more each day; the rest, what its own readings say,
goes into a model of levels (`baulk.models.yard.hierarchy`): species, lot and timber for the wood, the single
meter for a meter's numbers, the place for its air. A timber's own readings never enter its own prior.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from baulk.models.constants import Floats
from baulk.models.reason import Reason, Values
from baulk.models.yard.estimates import Estimate, Own, told_of
from baulk.models.yard.hierarchy import Predicted
from baulk.models.yard.kinship import (
    LEARNED,
    Kin,
    Origin,
    Taught,
    estimates,
    in_common,
    lots,
    nearer_kin,
    wholes,
)
from baulk.models.yard.together import Heard, by_itself, with_others

WIDEST: Final = 1.5  # of the default's standard deviation; our own judgement, no source
ENOUGH: Final = 1.5  # error of all together, in the default's sd, to be heard; our own judgement, no source
LOUD: Final = 3.0  # error in the default's sd below which a timber is counted; our own judgement, no source
STEPS: Final = 50  # a prior is rounded to such a part of the default's sd, so that it rests from day to day
TAILS: Final = 4.0  # degrees of freedom of departures from kin; common practice, no source
WORTH_SAYING: Final = 0.05  # of the width of a forecast; our own judgement, no source


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
    together : tuple of str
        Names of rows that are not independent.
    correlation : tuple of tuple of float
        Of these. [-]
    """

    rows: Mapping[str, Learned] = field(default_factory=dict)
    spread: float = 1.0
    compared: int = 0
    together: tuple[str, ...] = ()
    correlation: tuple[tuple[float, ...], ...] = ()

    def without(self, name: str) -> YardPrior:
        """Give the same but for one number."""
        stay = [i for i, each in enumerate(self.together) if each != name]
        return replace(
            self,
            rows={key: each for key, each in self.rows.items() if key.partition(":")[0] != name},
            together=tuple(self.together[i] for i in stay),
            correlation=tuple(tuple(self.correlation[i][k] for k in stay) for i in stay),
        )

    def row(self, name: str) -> Learned | None:
        """Prior of a number by its name in `LEARNED`, whatever its meter is called; None for the default."""
        return next((each for key, each in self.rows.items() if key.partition(":")[0] == name), None)

    def reasons(self, species: str) -> tuple[Reason, ...]:
        """Return what a timber's answer leans on besides its own readings.

        Parameters
        ----------
        species : str
            The timber's species.

        Returns
        -------
        tuple of Reason
            No more than two; none where nobody speaks.
        """
        said = []
        row, more = self.row("ln_d"), self.spread - 1
        if row is not None and row.timbers:
            code = "yard.dries_unlike" if row.parted else "yard.leans_on"
            kin: Values = {"species": species, "timbers": row.timbers, "near": row.near}
            said.append(Reason(code=code, values=kin))
        if abs(more) >= WORTH_SAYING and self.compared:
            code = "yard.forecasts_missed" if more > 0 else "yard.forecasts_came_nearer"
            told: Values = {"species": species, "compared": self.compared, "width_share": abs(more)}
            said.append(Reason(code=code, values=told))
        return tuple(said)


def prior_of(
    timber: Origin, others: Sequence[Taught], defaults: Mapping[str, tuple[float, float]]
) -> YardPrior:
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
    YardPrior
        Numbers of which nobody speaks are not in it.

    References
    ----------
    A timber that departs: weight of an observation under Student's t with `TAILS` degrees of freedom, Lange,
    K. L., Little, R. J. A., Taylor, J. M. G., 1989. Journal of the American Statistical Association 84,
    881-896 (from memory).
    """
    mine = next((each.own for each in others if each.timber.tag == timber.tag), Own(says={}))
    kin = _Kin(timber, [each for each in others if each.timber.tag != timber.tag])
    rows: dict[str, Learned] = {}
    wood: dict[str, tuple[Predicted, list[Heard]]] = {}
    for name, kind in LEARNED.items():
        group = nearer_kin(timber, kind, kin.of_lot)
        if name not in defaults or group is None:
            continue
        heard = kin.heard(name, defaults[name])
        if sum(each.sd**-2 for each in heard) < ENOUGH**-2:
            continue
        predicted = by_itself(name, heard, group)
        if kind is Kin.WOOD:
            wood[name] = (predicted, heard)
        rows[key_of(name, group)] = learned_of(
            predicted.mean, predicted.sd, counted(heard, group), defaults[name], mine.says.get(name)
        )
    return _with_wood(kin, rows, wood, defaults, mine)


def key_of(name: str, group: str) -> str:
    """Name the row of a number: one of a meter bears the meter's name."""
    return name if LEARNED[name] is not Kin.METER else f"{name}:{group}"


class _Kin:
    """The other timbers of the yard, seen from one."""

    def __init__(self, timber: Origin, others: Sequence[Taught]) -> None:
        self.timber, self.others = timber, others
        self.of_lot = lots([*(each.timber for each in others), timber])

    def wood(self) -> list[Taught]:
        """Those of its species."""
        return [each for each in self.others if each.timber.species == self.timber.species]

    def heard(self, name: str, usual: tuple[float, float]) -> list[Heard]:
        """Estimates of a number."""
        kin = self.wood() if LEARNED[name] is Kin.WOOD else self.others
        return estimates(name, kin, usual, self.of_lot)

    def shared(
        self, lot: Sequence[Origin], defaults: Mapping[str, tuple[float, float]]
    ) -> dict[str, Predicted]:
        """Return the numbers of the one meter that read all these timbers, and of their one place."""
        return {
            name: by_itself(name, self.heard(name, defaults[name]), group)
            for name, group in in_common(lot).items()
        }


def counted(heard: Iterable[Heard], group: str) -> tuple[int, int]:
    """Count the timbers that speak of a number, and those of them that are of a group."""
    loud = [each.group for each in heard if each.sd <= LOUD]
    return len(loud), sum(where == group for where in loud)


def learned_of(
    mean: float, sd: float, speak: tuple[int, int], usual: tuple[float, float], own: Estimate | None
) -> Learned:
    """Write down the prior of a number, wider where the timber has departed from its kin.

    Parameters
    ----------
    mean, sd : float
        As predicted, about the default and in its units. [-]
    speak : (int, int)
        As from `counted`.
    usual : (float, float)
        Mean and standard deviation of its default prior, in its own unit.
    own : Estimate or None
        What the timber's own readings say of it.

    Returns
    -------
    Learned
        In the number's own unit, rounded.
    """
    middle, unit = usual
    sd, parted = min(sd, WIDEST), False
    if own is not None:
        off = ((own.value - middle) / unit - mean) ** 2 / (sd**2 + (own.sd / unit) ** 2)
        wider = np.sqrt(max(1.0, (TAILS + off) / (TAILS + 1)))
        parted = bool(wider > WIDEST)
        sd = min(sd * wider, max(sd, WIDEST))
    return Learned(
        mean=float(middle + unit * round(mean * STEPS) / STEPS),
        sd=float(unit * math.ceil(sd * STEPS) / STEPS),
        timbers=speak[0],
        near=speak[1],
        parted=parted,
    )


def _with_wood(
    kin: _Kin,
    rows: dict[str, Learned],
    wood: Mapping[str, tuple[Predicted, list[Heard]]],
    defaults: Mapping[str, tuple[float, float]],
    mine: Own,
) -> YardPrior:
    """Put the numbers of the wood together: in place of each by itself, and with how they hang together."""
    names = tuple(wood)
    odd = {
        each.tag
        for predicted, heard in wood.values()
        for each, is_odd in zip(heard, predicted.odd, strict=True)
        if is_odd
    }
    told = [(each, whole) for each, whole in wholes(kin.wood()) if each.tag not in odd]
    if len(names) < 2 or not told:
        return YardPrior(rows=rows)
    shared = kin.shared([each for each, _ in told], defaults)
    group, where = kin.of_lot[kin.timber.tag], [kin.of_lot[each.tag] for each, _ in told]
    every = (*names, *shared)
    precision, pull = told_of([each for _, each in told], every, defaults)
    alone = [*(each for each, _ in wood.values()), *shared.values()]
    found = with_others(every, alone, precision, pull, where, group)
    speak = {name: counted(heard, group) for name, (_, heard) in wood.items()}
    return joined(rows, found, speak, defaults, mine)


def joined(
    rows: Mapping[str, Learned],
    found: tuple[Floats, Floats, Sequence[float]],
    speak: Mapping[str, tuple[int, int]],
    defaults: Mapping[str, tuple[float, float]],
    mine: Own,
) -> YardPrior:
    """Put the numbers of the wood, predicted together, in place of each by itself.

    Parameters
    ----------
    rows : mapping of str to Learned
        Each number by itself.
    found : (ndarray, ndarray, sequence of float)
        Mean, covariance and factor on the standard deviation, as of
        `baulk.models.yard.together.with_others`; those of `speak` are the first.
    speak : mapping of str to (int, int)
        Of each number of the wood, in that order, as from `counted`.
    defaults : mapping of str to (float, float)
        As for `prior_of`.
    mine : Own
        What the timber's own readings say.

    Returns
    -------
    YardPrior
        With how they hang together.
    """
    mean, cov, wider = found
    names, size = tuple(speak), len(speak)
    sd = np.sqrt(np.diag(cov))[:size]
    correlation = np.round(cov[:size, :size] / np.outer(sd, sd), 2)
    together = {
        name: learned_of(
            float(mean[i]), float(sd[i]) * wider[i], speak[name], defaults[name], mine.says.get(name)
        )
        for i, name in enumerate(names)
    }
    return YardPrior(
        rows={**rows, **together},
        together=names,
        correlation=tuple(tuple(map(float, each)) for each in correlation),
    )
