"""What the shrinkage of each cell does to each measure of a section's outline, worked out once and kept."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import numpy as np

from baulk.models.constants import Floats
from baulk.models.distortion.elasticity import Body
from baulk.models.distortion.measures import GAP, GAP_MEAN, measures
from baulk.models.section import Face, Section, as_weak
from baulk.models.species import Species


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """Another face that the check may as well open.

    Parameters
    ----------
    face : Face
        The face.
    near : float
        How nearly as weak it is, above 0 to 1. [-]
    apart : mapping
        By how much each measure differs once all of the section has done its whole shrinkage evenly, which
        is exact; of other fields it is taken in the proportion in which the check opens. [mm, or rad of an
        angle]
    """

    face: Face
    near: float
    apart: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Solved:
    """What was worked out of one section.

    Parameters
    ----------
    influence : mapping
        By measure what each cell does to it when it alone does its whole shrinkage, cells in (ny, nx) order.
    shut : ndarray or None
        What pressing the lips of the check together by 1 mm on the mean does to each measure.
    check_face : Face or None
        Where the check opens; None free of heart.
    even : mapping
        Measures of an even whole shrinkage.
    rivals : tuple of Rival
        Faces that are about as weak.
    """

    influence: Mapping[str, Floats]
    shut: Floats | None
    check_face: Face | None
    even: Mapping[str, float]
    rivals: tuple[Rival, ...]


def solve(section: Section, species: Species, x_edges: Floats, y_edges: Floats) -> Solved:
    """Work out the influence of every cell on every measure of a section's outline.

    Parameters
    ----------
    section : Section
        The piece, its pith and its relief kerf. [mm]
    species : Species
        Shrinkage and elastic constants.
    x_edges, y_edges : ndarray
        Edges of the cells. [mm]

    Returns
    -------
    Solved
        Kept for the next who asks. [mm]
    """
    x_bytes, y_bytes = (np.asarray(each, np.float64).tobytes() for each in (x_edges, y_edges))
    return _remembered(section, species, x_bytes, y_bytes)


@lru_cache(maxsize=256)  # 40 kB each; one verdict asks for the same piece up to three times
def _remembered(section: Section, species: Species, x_bytes: bytes, y_bytes: bytes) -> Solved:
    x_edges, y_edges = np.frombuffer(x_bytes), np.frombuffer(y_bytes)
    body = Body(section, species, x_edges, y_edges)
    rows = measures(body.places, section, body.slit)
    even = MappingProxyType(body.even(rows, body.face))
    opened = body.opening_rows()
    if opened is not None:
        rows[GAP], rows[GAP_MEAN] = opened
    weights = np.stack(list(rows.values()))
    moved = body.moved_by(weights)
    found = body.influence(weights, moved)
    found.setflags(write=False)
    influence = dict(zip(rows, found, strict=True))
    if body.slit is None or opened is None:
        return Solved(influence=MappingProxyType(influence), shut=None, check_face=None, even=even, rivals=())
    pressed = weights @ moved[list(rows).index(GAP_MEAN)]
    shut = pressed / pressed[list(rows).index(GAP_MEAN)]
    shut.setflags(write=False)
    return Solved(
        influence=MappingProxyType(influence),
        shut=shut,
        check_face=body.slit.face,
        even=even,
        rivals=tuple(_rivals(section, body, rows, even)),
    )


def _rivals(
    section: Section, body: Body, rows: Mapping[str, Floats], even: Mapping[str, float]
) -> Iterator[Rival]:
    for face, near in as_weak(section).items():
        other = body.even(rows, face)
        apart = {name: other[name] - mine for name, mine in even.items()}
        yield Rival(face=face, near=near, apart=MappingProxyType(apart))
