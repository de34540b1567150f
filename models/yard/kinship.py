"""Kinship in a yard: which timbers teach which number, which are nearer kin, and what each one says."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from types import MappingProxyType
from typing import Final

from baulk.models.yard.estimates import JointEstimate, Own
from baulk.models.yard.together import FAINT, Heard


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
JOINT_PARAMETERS: Final = tuple(LEARNED)  # those that a fit estimates jointly
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


def nearer_kin(timber: Origin, kind: Kin, of_lot: Mapping[str, str]) -> str | None:
    """Nearer kin that a timber belongs to; `of_lot` as from `lots`."""
    if kind is Kin.WOOD:
        return of_lot[timber.tag]
    return timber.meter if kind is Kin.METER else timber.place


def estimates(
    name: str, kin: Iterable[Taught], usual: tuple[float, float], of_lot: Mapping[str, str]
) -> list[Heard]:
    """Give the estimates of a number, without those that say next to nothing."""
    middle, unit = usual
    return [
        Heard(each.timber.tag, group, (said.value - middle) / unit, said.sd / unit)
        for each in kin
        if (said := each.own.says.get(name)) is not None
        and said.sd < FAINT * unit
        and (group := nearer_kin(each.timber, LEARNED[name], of_lot)) is not None
    ]


def in_common(timbers: Sequence[Origin]) -> dict[str, str]:
    """Name the one meter that read all these timbers and their one place, by number."""
    found = {}
    for name, kind in LEARNED.items():
        groups = set() if kind is Kin.WOOD else {nearer_kin(each, kind, {}) for each in timbers}
        if len(groups) == 1 and (group := groups.pop()) is not None:
            found[name] = group
    return found


def wholes(kin: Iterable[Taught]) -> list[tuple[Origin, JointEstimate]]:
    """Give those of which it is known how all their numbers hang together."""
    return [
        (each.timber, each.own.together)
        for each in kin
        if each.own.together is not None and each.own.together.names == JOINT_PARAMETERS
    ]
