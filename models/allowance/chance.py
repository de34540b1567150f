"""Whether the finished section is still inside a timber: the allowance of every member against its room."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.allowance.engine import uses_up
from baulk.models.allowance.parts import Ask
from baulk.models.constants import Floats
from baulk.models.distortion.movement import Movement

BOW_SEED: Final = 17
CROOK_SEED: Final = 19


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ComesOut:
    """The chance that a finished section comes out of a timber, and the section that does.

    Parameters
    ----------
    wanted : float
        How sure it must be. [-]
    size_mm : (float, float)
        Size of the timber as it was recorded last. [mm]
    finished_mm : (float, float)
        The section asked for. [mm]
    largest_mm : (float, float)
        The largest section, no larger than the one asked for, that comes out as surely as wanted; 0 where
        nothing does. [mm]
    parts_mm : mapping of str to (float, float)
        Median of each part of what the timber loses, across its width and its depth. [mm]
    fits : ndarray of bool, shape (m,)
        Whether it comes out for every member.
    """

    wanted: float
    size_mm: tuple[float, float]
    finished_mm: tuple[float, float]
    largest_mm: tuple[float, float]
    parts_mm: dict[str, tuple[float, float]]
    fits: NDArray[np.bool_]

    @property
    def probability(self) -> float:
        """Chance that it comes out."""
        return float(np.mean(self.fits))

    @property
    def sure(self) -> bool:
        """Whether it comes out as surely as wanted."""
        return self.probability >= self.wanted

    @property
    def lost(self) -> bool:
        """Whether it is likelier that it does not come out."""
        return self.probability < 0.5


def comes_out(ask: Ask, size_mm: tuple[float, float], moved: Movement) -> ComesOut:
    """Hold the room in a timber against what every member still takes of it.

    Parameters
    ----------
    ask : Ask
        The finished piece; the saw cut is not counted, for the timber is there. [mm]
    size_mm : (float, float)
        The timber as it was measured last. [mm]
    moved : Movement
        Of every member, from that moment to its service moisture. [mm]

    Returns
    -------
    ComesOut
        The chance, and the largest section that comes out as surely as `ask` wants it.

    References
    ----------
    The sum is that of `baulk.models.allowance.engine`, each member with its own shrinkage, bow and crook in
    place of a quantile of them.
    """
    shrinks, shape = uses_up(moved)
    members = shape.size
    bends = (ask.crook.draws_mm(members, CROOK_SEED), ask.bow.draws_mm(members, BOW_SEED))
    finished = (ask.width_mm, ask.depth_mm)
    # what is left of each dimension once the timber is dry, straightened, sound and planed
    left = [
        size - lost - shape - bend - off - twist + ask.tolerance_mm
        for size, lost, bend, off, twist in zip(
            size_mm, shrinks, bends, ask.faces_mm, ask.untwisting_mm, strict=True
        )
    ]
    short = [want - each for want, each in zip(finished, left, strict=True)]
    if ask.wanes_mm:  # a corner is off or not: room elsewhere does not make up for it
        room = [size - lost - want for size, lost, want in zip(size_mm, shrinks, finished, strict=True)]
        lacks = _wane_lacks(ask, room[0], room[1])
        short = [np.maximum(each, lacks) for each in short]
    fits = (short[0] <= 0) & (short[1] <= 0)
    middle = {
        "shrinkage": tuple(float(np.median(each)) for each in shrinks),
        "distortion": (float(np.median(shape)),) * 2,
        "crook": (float(np.median(bends[0])), 0.0),
        "bow": (0.0, float(np.median(bends[1]))),
        **({"twist": ask.untwisting_mm} if ask.twist else {}),
        "planing": (2 * ask.planing_mm,) * 2,
        "checks": tuple(off - 2 * ask.planing_mm for off in ask.faces_mm),
    }
    return ComesOut(
        wanted=ask.confidence,
        size_mm=size_mm,
        finished_mm=finished,
        largest_mm=_largest(short, finished, ask.confidence),
        parts_mm={name: (each[0], each[1]) for name, each in middle.items()},
        fits=np.asarray(fits),
    )


# shares of the room beside a piece that lie toward faces b and a: at a side, in the middle
_PLACES: Final = tuple(product((0.0, 0.5, 1.0), repeat=2))


def _wane_lacks(ask: Ask, room_x: Floats, room_y: Floats) -> Floats:
    """Return how much larger both ways a timber would have to be to clear its wane, shape (m,). [mm].

    The piece lies where it lacks least; at a corner off by across x down it is clear of the bevel once what
    lies beside it, over across, and what lies above it, over down, come to one.
    """
    least = np.full(np.broadcast(room_x, room_y).shape, np.inf)
    for right, up in _PLACES:
        lacks = np.zeros_like(least)
        for corner, across, down in ask.wanes_mm:
            beside = right if "b" in corner else 1 - right
            above = up if "a" in corner else 1 - up
            if beside or above:
                clear = beside * np.maximum(room_x, 0) / across + above * np.maximum(room_y, 0) / down
                lacks = np.maximum(lacks, (1 - clear) / (beside / across + above / down))
            else:
                lacks = np.full_like(least, np.inf)
        least = np.minimum(least, lacks)
    return least


def _largest(short: list[Floats], finished: tuple[float, float], wanted: float) -> tuple[float, float]:
    """Take as little as will do off both dimensions; off one only where the other needs nothing off."""
    lacks = [np.maximum(0.0, each) for each in short]
    alone = [float(np.quantile(each, wanted, method="higher")) for each in lacks]
    both = float(np.quantile(np.maximum(*lacks), wanted, method="higher"))
    off = (both, both)
    for one in ((both, 0.0), (0.0, both)):
        held = np.mean((lacks[0] <= one[0]) & (lacks[1] <= one[1])) >= wanted
        if min(alone) == 0 and held:
            off = one
            break
    width, depth = (max(want - each, 0.0) for want, each in zip(finished, off, strict=True))
    return width, depth
