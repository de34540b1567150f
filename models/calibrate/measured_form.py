"""What was measured of a timber beside what was foreseen, and what was measured of its form alone."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from baulk.models import openings
from baulk.models.calibrate import parameters
from baulk.models.calibrate.inputs import FitInputs
from baulk.models.constants import DAY_S, Floats
from baulk.models.distortion.movement import Movement, Shape
from baulk.models.field import MoistureField
from baulk.models.section import weakest_face
from baulk.models.timber import EventKind

# errors, one standard deviation; common practice, no source
RULE_SD_MM: Final = 0.5  # a steel rule, read to a thirty-second of an inch
# the size that was entered against the one at the place of the measuring: the saw wanders
SAWN_SD_MM: Final = 1.0
UNLIKE_SDS: Final = 2.5  # from which a size is told as not foreseen; our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeSeen:
    """One measured size beside what was foreseen of it before it was measured.

    Parameters
    ----------
    posix_s : float
        When. [s]
    what, face : str
        "width", "depth", "cup", "out of square" or "check", and the letter of the face that a size lies along
        or that a check opens; empty mid-face.
    measured_mm : float
        By rule, square or gauge. [mm]
    low_mm, foreseen_mm, high_mm : float
        5, 50 and 95 % quantile of the members, with the shrinkage that their species spreads over. [mm]
    off_sds : float
        Measured less foreseen, in standard deviations of both together. [-]
    from_end_mm : float or None
        How far from an end it was measured, if that was told. [mm]
    reach_mm : float or None
        How far the end had dried the timber by then, where that is farther than the place of the size: what
        was foreseen is of the section far from the ends, so the two are not held against each other. [mm]
    """

    posix_s: float
    what: str
    face: str
    measured_mm: float
    low_mm: float
    foreseen_mm: float
    high_mm: float
    off_sds: float
    from_end_mm: float | None = None
    reach_mm: float | None = None

    @property
    def unlike(self) -> bool:
        """Whether it is not as foreseen."""
        return self.reach_mm is None and abs(self.off_sds) > UNLIKE_SDS


@dataclass(frozen=True, slots=True, kw_only=True)
class Form:
    """A cup, a lean or the opening of the heart's check, as it was measured.

    Parameters
    ----------
    posix_s, mm : float
        When, and how much. [s, mm]
    what : str
        "cup", "out of square" or "check".
    face : str
        Of a check.
    """

    posix_s: float
    what: str
    mm: float
    face: str = ""

    def of(self, moved: Movement) -> Floats:
        """Return what each member foresaw of it. [mm]."""
        if self.what == "check":
            return moved.check_mm
        return np.abs(moved.cup_mm) if self.what == "cup" else moved.out_of_square_mm


def forms_of(given: FitInputs, begin_s: float) -> list[Form]:
    """Gather what was measured of the form since a moment.

    Parameters
    ----------
    given : FitInputs
        The timber and what happened to it.
    begin_s : float
        Since when the timber has its present section. [s]

    Returns
    -------
    list of Form
        Cups and leans, then the widths of the check that opens its heart.
    """
    section = given.past.section
    found = [
        (each.at_utc.timestamp(), what, float(each.detail[name]), "")
        for each in given.past.kind(EventKind.MEASURED)
        for name, what in (("cup_mm", "cup"), ("out_of_square_mm", "out of square"))
        if name in each.detail
    ]
    found += [
        (day.at_utc.timestamp(), "check", day.width_mm, each.face.value)
        for each in openings.seen(given.past.events)
        if each.face is weakest_face(section)[0] and openings.opens_heart(each, section)
        for day in each.days
        if day.width_mm is not None
    ]
    return [
        Form(posix_s=min(max(at_s, begin_s), given.now_s), what=what, mm=mm, face=face)
        for at_s, what, mm, face in found
        if at_s >= begin_s - DAY_S
    ]


class Bodies:
    """The section as a body that moves, with the kerf that each field has, on its cells.

    Parameters
    ----------
    given : FitInputs
        The timber and what happened to it.
    theta : ndarray, shape (22, m)
        The ensemble.
    """

    def __init__(self, given: FitInputs, theta: Floats) -> None:
        self._given, self._members = given, parameters.members(theta)
        self._known: dict[tuple[object, int, int], Shape] = {}

    def of(self, field: MoistureField) -> Shape:
        """Return the body of a field."""
        key = (field.section.kerf, field.x_edges_mm.size, field.y_edges_mm.size)
        if key not in self._known:
            section = replace(self._given.past.section, kerf=field.section.kerf)
            self._known[key] = Shape(
                section, self._given.species, field.x_edges_mm, field.y_edges_mm, self._members
            )
        return self._known[key]


def forms_beside(
    bodies: Bodies, begun: Floats, forms: Sequence[Form], run: Sequence[MoistureField]
) -> tuple[SizeSeen, ...]:
    """Hold what was measured of the form beside what was foreseen; it tells nothing of the factor.

    Parameters
    ----------
    bodies : Bodies
        The section as a body.
    begun : ndarray, shape (m, measures)
        From `Shape.did` when the section was sawn. [mm]
    forms : sequence of Form
        From `forms_of`.
    run : sequence of MoistureField
        A field for each. [%]

    Returns
    -------
    tuple of SizeSeen
        One for each.
    """
    found = []
    for form, field in zip(forms, run, strict=False):
        members = form.of(bodies.of(field).movement_between(begun, field.mc_pct))
        low, middle, high = (float(one) for one in np.quantile(members, (0.05, 0.5, 0.95)))
        sd = np.sqrt(np.var(members) + RULE_SD_MM**2 + SAWN_SD_MM**2)
        found.append(
            SizeSeen(
                posix_s=form.posix_s, what=form.what, face=form.face, measured_mm=form.mm, low_mm=low,
                foreseen_mm=middle, high_mm=high, off_sds=float((form.mm - middle) / sd),
            )
        )  # fmt: skip
    return tuple(found)
