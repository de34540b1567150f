"""Tension across the grain in the outer layers of a drying timber, as far as creep leaves it.

A surface that dries wants to shrink and is held by the wet wood beneath it. Were that wood elastic, it would
break at a tenth of what it stands: as its moisture changes under load, wood creeps (mechano-sorption), in
one cycle of humidity by five times its elastic strain and in several by ten. Here that creep is one Kelvin
element whose clock is the change of moisture, not time: it tends to ten times the elastic strain and has come
half the way after one cycle. Creep by time alone is left out, for no figures of it were found for green
hardwood across the grain; it grows with temperature and moisture, so that it would spare a kiln's boards more
than a shed's timber. The timber as a whole is taken as stiff beside its surface, and its stiffness as that of
green wood throughout.

All of it serves to compare airs within one wood, as the checking margin does.

References
----------
Toratti, T., Svensson, S., 2000. Wood Sci. Technol. 34, 317-326, abstract: one cycle across the grain, about
5 times. Svensson, S., Toratti, T., 2002. Wood Sci. Technol. 36, 145-156, abstract: several cycles, 10 times.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.species import Species

ONE_CYCLE: Final = 5.0  # mechano-sorptive over elastic strain, Toratti & Svensson 2000, abstract
MANY_CYCLES: Final = 10.0  # the same, Svensson & Toratti 2002, abstract
CYCLE_PCT: Final = (
    16.0  # there and back in the first one's cycle, which its abstract does not give; no source
)
OUTER_MM: Final = 10.0  # over which tension is averaged; our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strained:
    """What the cells of the outer centimetre have been through; every array has the shape of the cells.

    Parameters
    ----------
    wants_pct : ndarray
        Shrinkage wanted beyond what the section has done. [% of length]
    bound_pct : ndarray
        Moisture below the onset of shrinkage. [%]
    elastic_pct, crept_pct : ndarray
        What of that stretches the wood and what it has crept. [% of length]
    """

    wants_pct: Floats
    bound_pct: Floats
    elastic_pct: Floats
    crept_pct: Floats

    def some(self, which: slice | NDArray[np.intp]) -> Strained:
        """Return that of some of the members, along the last axis."""
        return Strained(
            wants_pct=self.wants_pct[..., which],
            bound_pct=self.bound_pct[..., which],
            elastic_pct=self.elastic_pct[..., which],
            crept_pct=self.crept_pct[..., which],
        )


def breaking_strain_pct(species: Species) -> float | None:
    """Elastic strain at which green wood breaks in tension along the rings, or None where it is not known.

    Parameters
    ----------
    species : Species
        The wood.

    Returns
    -------
    float or None
        Strength across the grain over the tangential modulus, both green. [% of length]

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), tables 5-1 and 5-3: small clear pieces, the strength from notched ones;
    it serves to compare airs within one wood.
    """
    known = species.strength
    return None if known is None else 100 * known.tension_across.green / known.e_tangential.green


def rested(like: Floats, onset_pct: float) -> Strained:
    """Return green wood without any stress, in the shape of `like`."""
    none = np.zeros(like.shape)
    return Strained(
        wants_pct=none, bound_pct=np.full(like.shape, onset_pct), elastic_pct=none, crept_pct=none
    )


def follow(
    before: Strained, wants_pct: Floats, bound_pct: Floats, width_mm: Floats
) -> tuple[Strained, Floats]:
    """Follow the cells through their drying.

    Parameters
    ----------
    before : Strained
        Where they stand, shape (faces, k, m).
    wants_pct : ndarray, shape (t, faces, k, m)
        Shrinkage wanted beyond what the section has done; below 0 where it is pressed. [% of length]
    bound_pct : ndarray, shape (t, faces, k, m)
        Moisture, at most the onset of shrinkage. [%]
    width_mm : ndarray, shape (k,)
        What of each cell counts. [mm]

    Returns
    -------
    after : Strained
        Where they stand at the last moment.
    tension_pct : ndarray, shape (t, faces, m)
        Elastic strain averaged over the width that counts; what is pressed counts as 0. [% of length]
    """
    gone = np.abs(np.diff(bound_pct, axis=0, prepend=before.bound_pct[None]))
    asked = np.diff(wants_pct, axis=0, prepend=before.wants_pct[None])
    way = -np.expm1(gone * (np.log1p(-ONE_CYCLE / MANY_CYCLES) / CYCLE_PCT))
    way /= 1 + MANY_CYCLES * way
    weight = width_mm / width_mm.sum()
    elastic, crept = before.elastic_pct, before.crept_pct
    tension = np.empty((len(wants_pct), wants_pct.shape[1], wants_pct.shape[3]))
    for i in range(len(wants_pct)):
        loaded = elastic + asked[i]
        creeps = (MANY_CYCLES * loaded - crept) * way[i]
        elastic, crept = loaded - creeps, crept + creeps
        tension[i] = weight @ np.maximum(elastic, 0.0)
    return Strained(
        wants_pct=wants_pct[-1], bound_pct=bound_pct[-1], elastic_pct=elastic, crept_pct=crept
    ), tension
