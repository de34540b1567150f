"""What a face lies on, stands in or is coated with, over time, and how readily it gives moisture off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum
from itertools import pairwise
from typing import Final, TypeAlias

from baulk.models.errors import OutOfRange
from baulk.models.section import Face


class FaceCover(StrEnum):
    """What lies on a face."""

    EXPOSED = "exposed"
    COATED = "coated"
    WRAPPED = "wrapped"
    ON_BEARERS = "on bearers"


# Surface conductance against moisture content, m/s. EXPOSED: 3.2e-8 exp(4 u) at u = 0.2 (Toratti 1992, from
# memory); COATED: a wax or paint coat, a fiftieth of it; ON_BEARERS: a third, for a face a hand's breadth
# above the floor with a bearer every half metre; WRAPPED: a seventieth, for film keeps back more than a coat
# does and leaks at laps and ends. The last three are guesses after common practice, no source.
CONDUCTANCE_M_S: Final[Mapping[FaceCover, float]] = {
    FaceCover.EXPOSED: 7e-8,
    FaceCover.COATED: 1.4e-9,
    FaceCover.WRAPPED: 1e-9,
    FaceCover.ON_BEARERS: 2.3e-8,
}

Covers: TypeAlias = Mapping[Face, FaceCover]
Schedule: TypeAlias = Sequence[tuple[float, Covers]]


def spans(
    faces: Covers | Schedule | None, start_s: float, end_s: float
) -> tuple[tuple[float, float, Covers], ...]:
    """Stretches of time in which no face changes.

    Parameters
    ----------
    faces : mapping or sequence of (float, mapping) or None
        Cover of each face for the whole time, or moments (POSIX seconds) with the covers that change then:
        coated later, set down on bearers, turned. A face keeps its cover until it is named again, and is
        exposed until it is named first.
    start_s, end_s : float
        Begin and end of the time wanted, POSIX seconds. [s]

    Returns
    -------
    tuple of (float, float, mapping)
        Begin, end and cover of all four faces, from start to end without a gap; at least one.

    Raises
    ------
    OutOfRange
        If the moments do not increase, or a face or a cover is none.
    """
    entries: Schedule = [(start_s, faces or {})] if faces is None or isinstance(faces, Mapping) else faces
    if any(not later[0] > earlier[0] for earlier, later in pairwise(entries)):
        raise OutOfRange("the moments at which faces change", "must increase; sort them")
    covers = dict.fromkeys(Face, FaceCover.EXPOSED)
    found: list[tuple[float, float, Covers]] = []
    begin = start_s
    for moment, change in entries:
        if begin < moment < end_s:
            found.append((begin, moment, dict(covers)))
            begin = moment
        if moment < end_s or moment <= start_s:
            covers |= {Face(face): FaceCover(cover) for face, cover in change.items()}
    found.append((begin, end_s, covers))
    return tuple(found)
