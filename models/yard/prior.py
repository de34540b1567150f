"""What one timber teaches serves the next: from the fits of a yard's timbers to the prior of one of them.

A fit gives a timber's numbers after its readings. What its prior had put into them is taken out again, so
that a prior which came from the yard is not counted once more each day; the rest, what its own readings say,
goes into a model of levels (`baulk.models.yard.hierarchy`): species, lot and timber for the wood, the single
meter for a meter's numbers, the place for its air. A timber's own readings never enter its own prior.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import Enum
from types import MappingProxyType
from typing import Final

import numpy as np

from baulk.models.reason import Reason, Values
from baulk.models.yard.estimates import Estimate, Own, told_of
from baulk.models.yard.hierarchy import Predicted
from baulk.models.yard.together import FAINT, Heard, by_itself, with_others


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
TOGETHER: Final = tuple(LEARNED)  # names of which a fit says how they hang together
WIDEST: Final = 1.5  # of the default's standard deviation; our own judgement, no source
ENOUGH: Final = 1.5  # error of all together, in the default's sd, to be heard; our own judgement, no source
LOUD: Final = 3.0  # error in the default's sd below which a timber is counted; our own judgement, no source
STEPS: Final = 50  # a prior is rounded to such a part of the default's sd, so that it rests from day to day
TAILS: Final = 4.0  # degrees of freedom of departures from kin; common practice, no source
SAME_LOT: Final = timedelta(days=2)
WORTH_SAYING: Final = 0.05  # of the width of a forecast; our own judgement, no source


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Taught:
    """One timber and what its readings say.

    Parameters
    ----------
    timber : Origin
        The timber.
    own : Own
        What its own readings say of its numbers.
    """

    timber: Origin
    own: Own


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
        group = kin.group(timber, kind)
        if name not in defaults or group is None:
            continue
        heard = kin.heard(name, kind, defaults[name])
        if sum(each.sd**-2 for each in heard) < ENOUGH**-2:
            continue
        predicted = by_itself(name, heard, group)
        if kind is Kin.WOOD:
            wood[name] = (predicted, heard)
        rows[name if kind is not Kin.METER else f"{name}:{group}"] = _learned(
            predicted.mean, predicted.sd, heard, group, defaults[name], mine.says.get(name)
        )
    return _with_wood(kin, rows, wood, defaults, mine)


class _Kin:
    """The other timbers of the yard, seen from one."""

    def __init__(self, timber: Origin, others: Sequence[Taught]) -> None:
        self.timber, self.others = timber, others
        self.of_lot = lots([*(each.timber for each in others), timber])

    def group(self, timber: Origin, kind: Kin) -> str | None:
        """Nearer kin that a timber belongs to."""
        if kind is Kin.WOOD:
            return self.of_lot[timber.tag]
        return timber.meter if kind is Kin.METER else timber.place

    def wood(self) -> list[Taught]:
        """Those of its species."""
        return [each for each in self.others if each.timber.species == self.timber.species]

    def heard(self, name: str, kind: Kin, usual: tuple[float, float]) -> list[Heard]:
        """Estimates of a number, without those that say next to nothing."""
        middle, unit = usual
        return [
            Heard(each.timber.tag, group, (said.value - middle) / unit, said.sd / unit)
            for each in (self.wood() if kind is Kin.WOOD else self.others)
            if (said := each.own.says.get(name)) is not None
            and said.sd < FAINT * unit
            and (group := self.group(each.timber, kind)) is not None
        ]

    def shared(
        self, lot: Sequence[Origin], defaults: Mapping[str, tuple[float, float]]
    ) -> dict[str, Predicted]:
        """Return the numbers of the one meter that read all these timbers, and of their one place."""
        found = {}
        for name, kind in LEARNED.items():
            groups = {self.group(each, kind) for each in lot}
            if kind is Kin.WOOD or len(groups) > 1 or (group := groups.pop()) is None:
                continue
            found[name] = by_itself(name, self.heard(name, kind, defaults[name]), group)
        return found


def _learned(  # noqa: PLR0913, PLR0917 - one number's own
    mean: float,
    sd: float,
    heard: Sequence[Heard],
    group: str,
    usual: tuple[float, float],
    own: Estimate | None,
) -> Learned:
    middle, unit = usual
    loud = [each.group for each in heard if each.sd <= LOUD]
    sd, parted = min(sd, WIDEST), False
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
    told = [
        (each.timber, each.own.together)
        for each in kin.wood()
        if each.own.together is not None
        and each.own.together.names == TOGETHER
        and each.timber.tag not in odd
    ]
    if len(names) < 2 or not told:
        return YardPrior(rows=rows)
    shared = kin.shared([each for each, _ in told], defaults)
    group, where = kin.of_lot[kin.timber.tag], [kin.of_lot[each.tag] for each, _ in told]
    every = (*names, *shared)
    precision, pull = told_of([each for _, each in told], every, defaults)
    alone = [*(each for each, _ in wood.values()), *shared.values()]
    mean, cov, wider = with_others(every, alone, precision, pull, where, group)
    size = len(names)
    sd = np.sqrt(np.diag(cov))[:size]
    correlation = np.round(cov[:size, :size] / np.outer(sd, sd), 2)
    for i, name in enumerate(names):
        rows[name] = _learned(
            float(mean[i]),
            float(sd[i]) * wider[i],
            wood[name][1],
            group,
            defaults[name],
            mine.says.get(name),
        )
    return YardPrior(
        rows=rows, together=names, correlation=tuple(tuple(map(float, each)) for each in correlation)
    )
