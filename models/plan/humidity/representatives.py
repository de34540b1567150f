"""Which timbers of a place with many a plan of its air works out, and for how many each of them stands.

The work of a plan grows with its timbers, and timbers of one wood, size and use differ by how wet they are.
Of each such kind the wettest is taken and, where there is room, the driest and some between, evenly by rank.
"""

from __future__ import annotations

from collections.abc import Collection, Hashable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

MOST: Final = 40  # timbers worked out one by one; each takes seconds of work and megabytes of memory


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """What is known of a timber before it is worked out.

    Parameters
    ----------
    tag : str
        Which.
    kind : tuple of hashable
        Wood, use, size and the like, what matters most first; timbers of one kind differ by moisture.
    mean_mc_pct : float
        Moisture content, mean over its section, by which its stage goes; infinite where nothing is known. [%]
    volume_m3 : float
        Of the whole timber, above 0. [m3]
    """

    tag: str
    kind: tuple[Hashable, ...]
    mean_mc_pct: float
    volume_m3: float


def sample(
    candidates: Sequence[Candidate], *, always: Collection[str] = (), most: int = MOST
) -> dict[str, float]:
    """Choose the timbers to work out, and by what factor of its own volume each stands for its kind.

    Parameters
    ----------
    candidates : sequence of Candidate
        Every timber of the room.
    always : collection of str
        Tags that are taken whatever their number.
    most : int
        How many besides, at least 1.

    Returns
    -------
    dict of str to float
        By tag, in the order given. Factors are 1 or more, and 1 for all where the room holds no more than
        `most`; over a kind, the volumes taken times their factors are its volume. [-]

    References
    ----------
    Proportional allocation over strata (Cochran, W. G., 1977. Sampling Techniques, 3rd ed., chapter 5, from
    memory). That each kind has one place at least, two where there is room, is our own judgement.
    """
    free = [each for each in candidates if each.tag not in always]
    if len(free) <= most:
        return {each.tag: 1.0 for each in candidates}
    kinds = _kinds(free, most)
    factors = dict.fromkeys(always, 1.0)
    for kind, count in zip(kinds, _shares([len(each) for each in kinds], most), strict=True):
        ranked = sorted(kind, key=lambda each: (-each.mean_mc_pct, each.tag))
        taken = [ranked[i] for i in np.unique(np.linspace(0, len(ranked) - 1, count).round().astype(int))]
        factor = sum(each.volume_m3 for each in kind) / sum(each.volume_m3 for each in taken)
        factors |= {each.tag: factor for each in taken}
    return {each.tag: factors[each.tag] for each in candidates if each.tag in factors}


def _kinds(candidates: Sequence[Candidate], most: int) -> list[list[Candidate]]:
    """Part them by kind, by as much of it as leaves no more kinds than timbers to take."""
    for length in range(max(len(each.kind) for each in candidates), -1, -1):
        found: dict[tuple[Hashable, ...], list[Candidate]] = {}
        for each in candidates:
            found.setdefault(each.kind[:length], []).append(each)
        if len(found) <= most:
            break
    return list(found.values())


def _shares(sizes: Sequence[int], most: int) -> list[int]:
    """Deal places out by size, two to each where there are as many, one at least, never more than it has."""
    each = np.array(sizes)
    dealt = np.minimum(each, 2 if np.minimum(each, 2).sum() <= most else 1)
    for _ in range(most - int(dealt.sum())):
        open_ = np.where(dealt < each, each / dealt, 0.0)
        dealt[int(np.argmax(open_))] += 1
    return [int(one) for one in dealt]
