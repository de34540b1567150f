"""How a squared piece moves: the outline of a section whose moisture differs from place to place.

Plane orthotropic elasticity in cylindrical axes about the pith. The free shrinkage strain of a cell is the
linear law of the Wood Handbook (FPL-GTR-282, chapter 4: none above the onset, the tabulated total at 0 %),
radial and tangential; elastic ratios are those of its chapter 5. The problem is linear in the shrinkage
share of the cells, so that the stiffness is factored once and one adjoint solve for each measure of the
outline gives the influence of every cell; the movement of a whole ensemble is then one matrix product.

A boxed heart is a body that is open from the pith to one face (`opening`): along its relief kerf, or where
the least wood is to break. Sizes, lean, bows, crown and gap are all read off that one body. Where the lips
would run into each other (a field that presses them, never even shrinkage) one even pressure holds them shut
on the mean. Nearer to a face the slit is shorter, and at the face the body is that of a piece free of heart.

Not in it: creep and mechano-sorption (they relieve stress and so make the real piece follow its free
shrinkage more closely), the time before the check has run to the pith, several checks that share the opening,
and the curvature of a piece along its length.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from baulk.models.constants import Floats
from baulk.models.distortion.influence import Rival, Solved, solve
from baulk.models.distortion.measures import CROWN, GAP, GAP_MEAN, SHEAR
from baulk.models.drying.members import Members
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.section import Face, Section
from baulk.models.species import Species

OPPOSITE: Final = {Face.A: Face.C, Face.B: Face.D, Face.C: Face.A, Face.D: Face.B}
LITTLE: Final = 1.001  # times as much is no worse
LEAST_ONSET_PCT = 15.0  # of a member's onset of shrinkage, whatever its saturation; our own judgement


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Movement:
    """Change of a piece that is square now, until it is evenly at its service moisture content.

    Every array has shape () or (members,).

    Parameters
    ----------
    face_mm : mapping of Face to ndarray
        Change of each face's width between its two corners, below 0 when it shrinks. Corners dry first, so
        they have less to come than the wood between. [mm]
    width_mm, depth_mm : ndarray
        Change of the mean width (along x) and the mean depth (along y). [mm]
    middle_width_mm, middle_depth_mm : ndarray
        The same between the middles of faces b and d, and of a and c. [mm]
    bow_mm : mapping of Face to ndarray
        How far the middle of each face lies under the line between its corners, above 0 when hollow. [mm]
    diamond_mm : ndarray
        Lean over the larger side that opposite faces share, above 0 when the corner between faces a and b
        closes. [mm]
    out_of_square_mm : ndarray
        How far the worst corner is off the square over the larger side: the diamond and the trapezoid that
        faces of unlike width make, 0 or more. [mm]
    out_of_square_deg : ndarray
        The same as an angle. [deg]
    crown_mm : ndarray
        How far a face stands out over the line between its corners where it lies next to the pith: on a
        boxed heart at the check. [mm]
    cup_mm : ndarray
        The bow, or the crown at the check, that is largest; above 0 when hollow. [mm]
    check_mm : ndarray
        Opening, in service, of the check at the face; 0 free of heart. [mm]
    check_face : Face or None
        Where the check opens.
    rivals : tuple of (float, Movement)
        How it would move were the check to open another face that is about as weak, and how nearly as weak
        that is, 0 to 1. What is worse by one of them counts by that share, so that nothing jumps where the
        check changes its face.
    """

    face_mm: Mapping[Face, Floats]
    width_mm: Floats
    depth_mm: Floats
    middle_width_mm: Floats
    middle_depth_mm: Floats
    bow_mm: Mapping[Face, Floats]
    diamond_mm: Floats
    out_of_square_mm: Floats
    out_of_square_deg: Floats
    crown_mm: Floats
    cup_mm: Floats
    check_mm: Floats
    check_face: Face | None = None
    rivals: tuple[tuple[float, Movement], ...] = ()

    @property
    def size_mm(self) -> Floats:
        """Largest change of a face, or of the width or depth at the middle or on the mean, [mm]."""
        return np.asarray(np.max(np.abs(_sizes(self)), axis=0))

    @property
    def size_change_mm(self) -> Floats:
        """Largest change of a size with its sign: below 0 when it shrinks, above 0 when it swells, [mm].

        Of a boxed heart the three faces without the check are asked: the other one widens while the wood
        shrinks and closes while it swells, and the means and middles with it.
        """
        sizes = np.asarray(_sound(self))
        most = np.argmax(np.abs(sizes), axis=0)
        return np.asarray(np.take_along_axis(sizes, most[None], axis=0)[0])

    @property
    def check_face_mm(self) -> Floats:
        """Change of the width of the face with the check between its corners, 0 without a check, [mm]."""
        return np.zeros_like(self.check_mm) if self.check_face is None else self.face_mm[self.check_face]

    @property
    def shrinkage_mm(self) -> Floats:
        """Largest shrinkage of the sizes of `size_change_mm`, 0 where none shrinks: opens a joint, [mm]."""
        return self._or_worse(lambda moved: np.maximum(-np.min(_sound(moved), axis=0), 0.0))

    @property
    def swelling_mm(self) -> Floats:
        """Largest swelling of the same, 0 where none swells: what makes a joint tight, [mm]."""
        return self._or_worse(lambda moved: np.maximum(np.max(_sound(moved), axis=0), 0.0))

    @property
    def largest_mm(self) -> Floats:
        """Largest of the changes in size, the lean and the bow: what a tolerance is held against, [mm]."""
        return self._or_worse(
            lambda moved: np.max(np.abs([moved.size_mm, moved.out_of_square_mm, moved.cup_mm]), axis=0)
        )

    @property
    def side_lean_mm(self) -> Floats:
        """How far each of the faces beside the check leans from its far end, or 0 without a check, [mm]."""
        if self.check_face is None:
            return np.zeros_like(self.check_mm)
        return np.asarray((self.face_mm[self.check_face] - self.face_mm[OPPOSITE[self.check_face]]) / 2)

    @property
    def shrinks_mm(self) -> tuple[Floats, Floats]:
        """What width and depth shrink: the face that shrinks most, or the mean, 0 or more, [mm]."""
        return (
            self._or_worse(lambda moved: _shrinks(moved, Face.A, Face.C, moved.width_mm)),
            self._or_worse(lambda moved: _shrinks(moved, Face.B, Face.D, moved.depth_mm)),
        )

    @property
    def shape_mm(self) -> Floats:
        """What the shape costs besides, on the side where it costs more: diamond and hollows, [mm].

        A side may be planed where its corners and its middle allow it. So a hollow costs its depth, unless
        the trapezoid is wider there; a crown costs nothing, for the corners beside it lie lower. The diamond
        counts whole, for a piece may be squared to either of two faces.
        """
        return self._or_worse(_shape)

    def _or_worse(self, of: Callable[[Movement], Floats]) -> Floats:
        own = np.asarray(of(self))
        return np.asarray(
            np.max([own, *(own + share * (of(other) - own) for share, other in self.rivals)], axis=0)
        )


def _sizes(moved: Movement) -> list[Floats]:
    """Return the change of every face, and of width and depth at the middle and on the mean."""
    middles = [moved.middle_width_mm, moved.middle_depth_mm]
    return [*moved.face_mm.values(), moved.width_mm, moved.depth_mm, *middles]


def _sound(moved: Movement) -> list[Floats]:
    """Return the same, of a boxed heart only of the faces without the check."""
    if moved.check_face is None:
        return _sizes(moved)
    return [mm for face, mm in moved.face_mm.items() if face is not moved.check_face]


def _shrinks(moved: Movement, one: Face, other: Face, mean_mm: Floats) -> Floats:
    least = np.min([moved.face_mm[one], moved.face_mm[other], mean_mm], axis=0)
    return np.asarray(np.maximum(0.0, -least))


def _shape(moved: Movement) -> Floats:
    a, b, c, d = (moved.face_mm[face] for face in Face)
    across, up = (
        _side_mm(*ends, moved.bow_mm[one]) + _side_mm(*ends, moved.bow_mm[other])
        for ends, one, other in (((a, c), Face.B, Face.D), ((b, d), Face.A, Face.C))
    )
    over = (
        across - _shrinks(moved, Face.A, Face.C, moved.width_mm),
        up - _shrinks(moved, Face.B, Face.D, moved.depth_mm),
    )
    return np.asarray(np.abs(moved.diamond_mm) + np.maximum(np.max(over, axis=0), 0.0))


def _side_mm(one_mm: Floats, other_mm: Floats, bow_mm: Floats) -> Floats:
    """How far a side comes in: at the ends of the two faces beside it, or at its own middle."""
    return np.asarray(-np.min([one_mm / 2, other_mm / 2, (one_mm + other_mm) / 4 - bow_mm], axis=0))


class Shape:
    """Influence of every cell's shrinkage on the outline of one section.

    Parameters
    ----------
    section : Section
        The piece as it measures at the moment it moves from, with its pith. [mm]
    species : Species
        Shrinkage and elastic constants.
    x_edges_mm, y_edges_mm : ndarray
        Edges of the moisture field's cells; each cell is one biquadratic element. [mm]
    members : Members, optional
        Whose shrinkage and fibre saturation differ from the species'; without it every member has those of
        the species.

    Notes
    -----
    Plane stress across the grain; only the ratios of the elastic constants matter, since no load acts.

    References
    ----------
    Ross, R. J. (ed.) 2021, Wood Handbook, FPL-GTR-282, chapters 4 (shrinkage) and 5 (elastic ratios).
    """

    def __init__(
        self,
        section: Section,
        species: Species,
        x_edges_mm: Floats,
        y_edges_mm: Floats,
        members: Members | None = None,
    ) -> None:
        self.section = section
        self.species = species
        self._factor, self._onset_pct = _of_each(species, members)
        solved = solve(section, species, x_edges_mm, y_edges_mm)
        self.influence, self._shut = solved.influence, solved.shut
        self._rivals = _rivals(section, solved)
        self.check_face = solved.check_face
        self._names = tuple(self.influence)
        self._rows = np.stack([self.influence[name] for name in self._names], axis=1)
        sides_mm = np.array([_length_mm(section, name) for name in self._names])
        self._over_mm = np.where(sides_mm > 0, sides_mm, np.inf)  # what has no length is a share of none
        self._bows = [i for i, name in enumerate(self._names) if sides_mm[i] == 0 and name != SHEAR]
        self._area = np.outer(np.diff(y_edges_mm), np.diff(x_edges_mm))

    def share(self, mc_pct: ArrayLike) -> Floats:
        """Share of the whole shrinkage that wood at this moisture content has done.

        Parameters
        ----------
        mc_pct : array_like, shape (), (members,) or (..., members, ny, nx)
            Moisture content. [% of oven-dry mass]

        Returns
        -------
        ndarray
            0 at and above the onset of shrinkage, 1 oven dry; for a single number, one value a member.
        """
        mc = np.asarray(mc_pct, dtype=float)
        return np.asarray(np.clip(1 - mc / _beside(self._onset_pct, mc), 0.0, 1.0))

    def movement(self, mc_pct: Floats, service_mc_pct: ArrayLike) -> Movement:
        """Movement from a field now to an even service moisture content.

        Parameters
        ----------
        mc_pct : ndarray, shape (..., ny, nx)
            Moisture content of the cells now. [%]
        service_mc_pct : array_like, shape () or (members,)
            Moisture content in service, even over the section. [%]

        Returns
        -------
        Movement
            Change of the outline. [mm]
        """
        return self.movement_from(self.did(mc_pct), service_mc_pct)

    def did(self, mc_pct: Floats) -> Floats:
        """Work out what each measure of the outline has done since it was green.

        Parameters
        ----------
        mc_pct : ndarray, shape (..., ny, nx)
            Moisture content of the cells. [%]

        Returns
        -------
        ndarray, shape (..., measures)
            In an order of this shape's own, for `movement_from` and `movement_between`. [mm]
        """
        share = self.share(mc_pct)
        return self._scaled(share.reshape(*share.shape[:-2], -1) @ self._rows)

    def measured_mm(self, did_mm: Floats, name: str) -> Floats:
        """Take one measure out of what `did` worked out.

        Parameters
        ----------
        did_mm : ndarray, shape (..., measures)
            From `did`. [mm]
        name : str
            As in `measures`: "face a", "middle width", "depth" and the like.

        Returns
        -------
        ndarray
            Its change since the piece was green. [mm]
        """
        return np.asarray(did_mm[..., self._names.index(name)])

    def movement_from(self, did_mm: Floats, service_mc_pct: ArrayLike) -> Movement:
        """Movement from a state that `did` worked out to an even service moisture content.

        Parameters
        ----------
        did_mm : ndarray, shape (..., measures)
            From `did`. [mm]
        service_mc_pct : array_like, shape () or (members,)
            Moisture content in service, even over the section. [%]

        Returns
        -------
        Movement
            Change of the outline. [mm]
        """
        share = self.share(service_mc_pct)
        then = self._scaled(share[..., None] * self._rows.sum(axis=0))
        return self._movement((then - did_mm) * self._green_over_now(did_mm), then)

    def movement_between(self, did_mm: Floats, later_mc_pct: Floats) -> Movement:
        """Movement from a state that `did` worked out to a later field.

        Parameters
        ----------
        did_mm : ndarray, shape (..., measures)
            From `did`. [mm]
        later_mc_pct : ndarray, shape (..., ny, nx)
            Moisture content of the same cells later. [%]

        Returns
        -------
        Movement
            Change of the outline; its check as open as at the later moment.
        """
        then = self.did(later_mc_pct)
        return self._movement((then - did_mm) * self._green_over_now(did_mm), then)

    def _green_over_now(self, did_mm: Floats) -> Floats:
        """Give green length over present length, by measure: shrinkage is a share of the green length.

        The section is the piece as it measures now, while `did` took it for the green one. A bow, the crown
        and the gap go by the mean of width and depth; the lean is an angle, which has no size.
        """
        ratio = did_mm / self._over_mm
        ratio += 1
        np.divide(1, ratio, out=ratio)
        width, depth = (ratio[..., self._names.index(name)] for name in ("width", "depth"))
        mean = (width + depth) / 2
        for bow in self._bows:
            ratio[..., bow] = mean
        return np.asarray(ratio)

    def _scaled(self, open_mm: Floats) -> Floats:
        """Measures of every member: its own shrinkage, and lips that don't run into each other."""
        if self._factor is not None:
            open_mm = open_mm * self._factor[:, None]
        if self._shut is None:
            return np.asarray(open_mm)
        overlap = np.minimum(open_mm[..., self._names.index(GAP_MEAN)], 0.0)
        return np.asarray(open_mm - overlap[..., None] * self._shut)

    def _movement(self, change_mm: Floats, then_mm: Floats) -> Movement:
        moved = {name: np.asarray(change_mm[..., i]) for i, name in enumerate(self._names)}
        open_mm = then_mm[..., self._names.index(GAP)] if GAP in moved else np.zeros_like(moved[SHEAR])
        share = moved[GAP_MEAN] / self.influence[GAP_MEAN].sum() if self._rivals else np.zeros(())
        rivals = tuple(
            (each.near, _moved(_with(moved, each.apart, share), self.section, open_mm, each.face))
            for each in self._rivals
        )
        return replace(_moved(moved, self.section, open_mm, self.check_face), rivals=rivals)

    def done(self, mc_pct: Floats, service_mc_pct: ArrayLike) -> Floats:
        """Share of the shrinkage on the way to service that the mean of the section has already done.

        Parameters
        ----------
        mc_pct : ndarray, shape (..., ny, nx)
            Moisture content of the cells now. [%]
        service_mc_pct : array_like, shape () or (members,)
            Moisture content in service. [%]

        Returns
        -------
        ndarray
            1 when nothing is left; 1 also where service brings no shrinkage.
        """
        now = np.sum(self.share(mc_pct) * self._area, axis=(-2, -1)) / np.sum(self._area)
        then = self.share(service_mc_pct)
        return np.asarray(np.where(then > 1e-9, now / np.maximum(then, 1e-9), 1.0))


def _length_mm(section: Section, measure: str) -> float:
    """Length that a measure of the outline is a change of; 0 for a bow, the crown, the gap and the lean."""
    if not measure.startswith("face ") and not measure.endswith(("width", "depth")):
        return 0.0
    across = measure.endswith("width") or measure in {f"face {Face.A}", f"face {Face.C}"}
    return section.width_mm if across else section.depth_mm


def _of_each(species: Species, members: Members | None) -> tuple[Floats | None, float | Floats]:
    """Factor on the shrinkage and onset of shrinkage [%], of every member or of the species."""
    onset = species.shrinkage_onset_pct
    if members is None:
        return None, onset
    factor = np.ones(members.size) if members.shrinkage_factor is None else members.shrinkage_factor
    shift = 0.0 if members.fsp_pct is None else members.fsp_pct - species.fsp_pct
    return factor, np.broadcast_to(np.maximum(onset + shift, LEAST_ONSET_PCT), factor.shape)


def _beside(onset_pct: float | Floats, mc_pct: Floats) -> float | Floats:
    """Return the onsets in a form that goes with moisture of shape (), (m,) or (..., m, ny, nx)."""
    return onset_pct if isinstance(onset_pct, float | int) or mc_pct.ndim < 3 else onset_pct[:, None, None]


def outline(
    section: Section, field: MoistureField, species: Species, *, service_mc_pct: ArrayLike
) -> Movement:
    """Movement of a piece squared at the field's moment, until it is evenly at its service moisture content.

    Parameters
    ----------
    section : Section
        The squared piece; must be the section that the field covers. [mm]
    field : MoistureField
        Moisture now, one run or an ensemble. [%]
    species : Species
        Shrinkage and elastic constants.
    service_mc_pct : array_like, shape () or (members,)
        Moisture content in service. [%]

    Returns
    -------
    Movement
        Change of the outline, the piece being square now. [mm]

    Raises
    ------
    OutOfRange
        If the field does not cover the section.

    References
    ----------
    Ross, R. J. (ed.) 2021, Wood Handbook, FPL-GTR-282, chapters 4 and 5.
    """
    width, depth = np.ptp(field.x_edges_mm), np.ptp(field.y_edges_mm)
    if abs(width - section.width_mm) > 0.01 or abs(depth - section.depth_mm) > 0.01:
        raise OutOfRange(
            "the moisture field",
            f"covers {width:.0f} x {depth:.0f} mm, not the section's {section.width_mm:.0f} x "
            f"{section.depth_mm:.0f} mm; cut it to the piece first",
        )
    return Shape(section, species, field.x_edges_mm, field.y_edges_mm).movement(field.mc_pct, service_mc_pct)


def _moved(
    moved: Mapping[str, Floats], section: Section, open_mm: Floats, check_face: Face | None
) -> Movement:
    """Put the changes of all measures into one movement."""
    width_mm, depth_mm = section.width_mm, section.depth_mm
    larger_mm = max(width_mm, depth_mm)
    bows = np.stack([*(moved[f"bow {face}"] for face in Face), -moved[CROWN]])
    most = np.argmax(np.abs(bows), axis=0)
    face = {each: moved[f"face {each}"] for each in Face}
    off = (
        np.abs(moved[SHEAR])
        + np.abs(face[Face.A] - face[Face.C]) / (2 * depth_mm)
        + np.abs(face[Face.B] - face[Face.D]) / (2 * width_mm)
    )
    return Movement(
        face_mm=face,
        width_mm=moved["width"],
        depth_mm=moved["depth"],
        middle_width_mm=moved["middle width"],
        middle_depth_mm=moved["middle depth"],
        bow_mm={each: moved[f"bow {each}"] for each in Face},
        diamond_mm=np.asarray(moved[SHEAR] * larger_mm),
        out_of_square_mm=np.asarray(off * larger_mm),
        out_of_square_deg=np.asarray(np.rad2deg(np.arctan(off))),
        crown_mm=moved[CROWN],
        cup_mm=np.asarray(np.take_along_axis(bows, most[None], axis=0)[0]),
        check_mm=np.broadcast_to(np.maximum(open_mm, 0.0), off.shape),
        check_face=check_face,
    )


def _with(moved: Mapping[str, Floats], apart: Mapping[str, float], share: Floats) -> dict[str, Floats]:
    """Measures that differ by a share of what even shrinkage makes apart."""
    return {name: moved[name] + share * more for name, more in apart.items()}


@lru_cache(maxsize=256)  # as many as `influence.solve` keeps; a plan of the air asks for one some fifty times
def _rivals(section: Section, solved: Solved) -> tuple[Rival, ...]:
    """Other faces that the check may as well open, as far as they cost more."""
    return tuple(each for each in solved.rivals if _worse(section, solved.even, each.apart))


def _worse(section: Section, even: Mapping[str, float], apart: Mapping[str, float]) -> bool:
    """Whether even shrinkage would move it further with the check at another face, or use up more of it."""
    own = {name: np.asarray(each) for name, each in even.items()}
    costs = []
    for measured in (_with(own, apart, np.ones(())), own):
        moved = _moved(measured, section, np.zeros(()), None)
        costs.append([moved.largest_mm, moved.shape_mm, *moved.shrinks_mm])
    return any(float(more) > LITTLE * float(less) for more, less in zip(*costs, strict=True))
