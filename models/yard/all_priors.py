"""The priors of a large yard's timbers, one after another: what is the same for all is worked out once.

`baulk.models.yard.prior.prior_of` looks at all others for each timber, so that a yard would cost the square
of its timbers. Here a number by itself is the same to rounding; how numbers of the wood hang together takes
the variances of all timbers, the one that is asked for among them, once more than `MANY` of its species
speak.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.yard.estimates import JointEstimate, Own, told_of
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
from baulk.models.yard.leave_one_out import Number, Wood
from baulk.models.yard.prior import ENOUGH, LOUD, Learned, YardPrior, joined, key_of, learned_of, prior_of
from baulk.models.yard.together import with_others

MANY: Final = (
    200  # timbers told, beyond which one hardly changes how much they differ; our own judgement, no source
)
Usual = Mapping[str, tuple[float, float]]


class AllPriors:
    """All timbers that taught something, for one after another to ask.

    Parameters
    ----------
    taught : sequence of Taught
        All of them, each tag once.
    """

    def __init__(self, taught: Sequence[Taught]) -> None:
        self._taught = tuple(taught)
        self._of = {each.timber.tag: each for each in taught}
        self._lots = lots([each.timber for each in taught])
        self._came: dict[tuple[str, str], list[Origin]] = defaultdict(list)
        for each in taught:
            self._came[each.timber.species, each.timber.arrived_at].append(each.timber)
        self._numbers: dict[tuple[str, str | None, tuple[float, float]], Number] = {}
        self._tolds: dict[object, _Told] = {}
        self._woods: dict[object, Wood] = {}

    def prior(self, timber: Origin, defaults: Usual) -> YardPrior:
        """Give the prior of one timber's numbers.

        Parameters
        ----------
        timber, defaults
            As for `baulk.models.yard.prior.prior_of`.

        Returns
        -------
        YardPrior
            That of `prior_of` where up to `MANY` of its wood speak. Beyond, the same with the variances of
            the wood, and what timbers of other lots say of each number, as they are with the timber among
            them.
        """
        lot = self._lot(timber)
        if lot is None:
            return prior_of(timber, self._taught, defaults)
        before = self._of.get(timber.tag)
        mine = Own(says={}) if before is None else before.own
        rows: dict[str, Learned] = {}
        wood: dict[str, Number] = {}
        groups = {Kin.WOOD: lot, Kin.METER: timber.meter, Kin.PLACE: timber.place}
        for name, kind in LEARNED.items():
            group = groups[kind]
            if name not in defaults or group is None:
                continue
            number = self._number(name, timber.species, defaults[name])
            if number.precision(number.at.get(timber.tag)) < ENOUGH**-2:
                continue
            if kind is Kin.WOOD:
                wood[name] = number
            else:
                rows[key_of(name, group)] = _row(number, timber.tag, group, defaults[name], mine, name)
        found = self._together(timber, lot, wood, defaults)
        if found is None:
            for name, number in wood.items():
                rows[name] = _row(number, timber.tag, lot, defaults[name], mine, name)
            whole = YardPrior(rows=rows)
        else:
            speak = {name: each.counted(lot, each.at.get(timber.tag), LOUD) for name, each in wood.items()}
            whole = joined(rows, found, speak, defaults, mine)
        order = list(LEARNED)
        known = sorted(whole.rows.items(), key=lambda row: order.index(row[0].partition(":")[0]))
        return replace(whole, rows=dict(known))

    def _lot(self, timber: Origin) -> str | None:
        """Name its lot among the others; None where it parts or joins lots that it is not of."""
        before = self._of.get(timber.tag)
        if before is not None and _came(before.timber) == _came(timber):
            return self._lots[timber.tag]
        if before is not None:
            return None  # what it taught lies in another lot than it is of now
        others = self._came.get((timber.species, timber.arrived_at), [])
        with_it = lots([*others, timber])
        pairs = {(self._lots[each.tag], with_it[each.tag]) for each in others}
        if not len(pairs) == len({each for each, _ in pairs}) == len({each for _, each in pairs}):
            return None
        return next((old for old, new in pairs if new == with_it[timber.tag]), timber.tag)

    def _number(self, name: str, species: str, usual: tuple[float, float]) -> Number:
        key = (name, species if LEARNED[name] is Kin.WOOD else None, usual)
        if key not in self._numbers:
            kin = [each for each in self._taught if key[1] in {None, each.timber.species}]
            self._numbers[key] = Number(name, estimates(name, kin, usual, self._lots))
        return self._numbers[key]

    def _together(
        self, timber: Origin, lot: str, wood: Mapping[str, Number], defaults: Usual
    ) -> tuple[Floats, Floats, Sequence[float]] | None:
        """Predict the numbers of the wood together; None where they do not hang together."""
        if len(wood) < 2:
            return None
        told, tag = self._told(timber.species, wood, defaults), timber.tag
        own = told.at.get(tag)
        odd = {each for number in wood.values() for each in number.odd(lot, number.at.get(tag))}
        mates = [i for i in told.of_lot.get(lot, ()) if i != own and told.timbers[i].tag not in odd]
        if len(told.timbers) > MANY:
            shared = told.in_common(own)
            every = self._wood(timber.species, told, wood, shared, defaults)
            return every.predicted(lot, mates, own, len(wood))
        heard = [i for i in np.flatnonzero(told.heard).tolist() if told.lots[i] != lot] + mates
        if not heard:
            return None
        heard.sort()
        shared = in_common([told.timbers[i] for i in heard])
        alone = [each.predicted(lot, each.at.get(tag)) for each in wood.values()]
        for name, group in shared.items():
            number = self._number(name, timber.species, defaults[name])
            alone.append(number.predicted(group, number.at.get(tag)))
        names = (*wood, *shared)
        precision, pull = told_of([told.wholes[i] for i in heard], names, defaults)
        return with_others(names, alone, precision, pull, [told.lots[i] for i in heard], lot)

    def _told(self, species: str, wood: Mapping[str, Number], defaults: Usual) -> _Told:
        key = (species, *((name, defaults[name]) for name in wood))
        if key not in self._tolds:
            known = wholes(each for each in self._taught if each.timber.species == species)
            timbers = [each for each, _ in known]
            odd = {tag for number in wood.values() for tag in number.all_odd()}
            self._tolds[key] = _Told(
                timbers=timbers,
                wholes=[each for _, each in known],
                lots=[self._lots[each.tag] for each in timbers],
                heard=np.array([each.tag not in odd for each in timbers], dtype=np.bool_),
            )
        return self._tolds[key]

    def _wood(
        self,
        species: str,
        told: _Told,
        wood: Mapping[str, Number],
        shared: Mapping[str, str],
        defaults: Usual,
    ) -> Wood:
        names = (*wood, *shared)
        key = (species, len(wood), *((name, defaults[name]) for name in names))
        if key not in self._woods:
            of = [*wood.values(), *(self._number(name, species, defaults[name]) for name in shared)]
            precision, pull = told_of(told.wholes, names, defaults)
            alone = [each.predicted("") for each in of]
            self._woods[key] = Wood(names, alone, precision, pull, told.lots, told.heard)
        return self._woods[key]


class _Told:
    """Timbers of a wood of which it is known how their numbers hang together."""

    def __init__(
        self,
        timbers: Sequence[Origin],
        wholes: Sequence[JointEstimate],
        lots: Sequence[str],
        heard: NDArray[np.bool_],
    ) -> None:
        self.timbers, self.wholes, self.lots, self.heard = timbers, wholes, lots, heard
        self.at = {each.tag: i for i, each in enumerate(timbers)}
        self.of_lot: dict[str, list[int]] = defaultdict(list)
        for i, lot in enumerate(lots):
            self.of_lot[lot].append(i)
        self._groups = {
            name: Counter(nearer_kin(timbers[i], kind, {}) for i in np.flatnonzero(heard).tolist())
            for name, kind in LEARNED.items()
            if kind is not Kin.WOOD
        }

    def in_common(self, without: int | None) -> dict[str, str]:
        """Name the one meter and the one place of all but one, by number, as of `prior.in_common`."""
        found = {}
        for name, groups in self._groups.items():
            left = groups
            if without is not None and self.heard[without]:
                left = groups - Counter([nearer_kin(self.timbers[without], LEARNED[name], {})])
            if len(left) == 1 and (group := next(iter(left))) is not None:
                found[name] = group
        return found


def _came(timber: Origin) -> tuple[object, ...]:
    return timber.species, timber.arrived_at, timber.arrived_utc


def _row(  # noqa: PLR0913, PLR0917 - one number of one timber
    number: Number, tag: str, group: str, usual: tuple[float, float], mine: Own, name: str
) -> Learned:
    """Write down one number by itself."""
    without = number.at.get(tag)
    found = number.predicted(group, without)
    return learned_of(found.mean, found.sd, number.counted(group, without, LOUD), usual, mine.says.get(name))
