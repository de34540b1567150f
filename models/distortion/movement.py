"""How a squared piece moves: the outline of a section whose moisture differs from place to place.

Plane orthotropic elasticity in cylindrical axes about the pith. The free shrinkage strain of a cell is the
linear law of the Wood Handbook (FPL-GTR-282, chapter 4: none above the onset, the tabulated total at 0 %),
radial and tangential; elastic ratios are those of its chapter 5. The problem is linear in the shrinkage
share of the cells, so that the stiffness is factored once and one adjoint solve for each measure of the
outline gives the influence of every cell; the movement of a whole ensemble is then one matrix product.

Not in it: creep and mechano-sorption (they relieve stress and so make the real piece follow its free
shrinkage more closely), checks that open (a boxed heart stays whole here; its check is given apart), and the
curvature of a piece along its length.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from baulk.models.constants import Floats
from baulk.models.distortion.elasticity import SHEAR, Body, measures
from baulk.models.drying.members import Members
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.section import Face, Section
from baulk.models.species import Species

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
    out_of_square_mm : ndarray
        How far it leans over its larger side, above 0 when the corner between faces a and b closes. [mm]
    out_of_square_deg : ndarray
        The same as an angle: how far the corner between faces a and b closes from 90 degrees. [deg]
    cup_mm : ndarray
        Bow of the face that bows most, above 0 when hollow. [mm]
    check_mm : ndarray
        Total opening, in service, of the checks at the face nearest to a boxed pith; 0 free of heart. [mm]
    """

    face_mm: Mapping[Face, Floats]
    width_mm: Floats
    depth_mm: Floats
    middle_width_mm: Floats
    middle_depth_mm: Floats
    out_of_square_mm: Floats
    out_of_square_deg: Floats
    cup_mm: Floats
    check_mm: Floats

    @property
    def size_mm(self) -> Floats:
        """Largest change of a face, or of the width or depth at the middle or on the mean, [mm]."""
        middles = [self.middle_width_mm, self.middle_depth_mm]
        parts = [*self.face_mm.values(), self.width_mm, self.depth_mm, *middles]
        return np.asarray(np.max(np.abs(parts), axis=0))

    @property
    def largest_mm(self) -> Floats:
        """Largest of the changes in size, the lean and the bow: what a tolerance is held against, [mm]."""
        return np.asarray(np.max(np.abs([self.size_mm, self.out_of_square_mm, self.cup_mm]), axis=0))


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
        self.influence = _influence(section, species, x_edges_mm, y_edges_mm)
        self._names = tuple(self.influence)
        self._rows = np.stack([self.influence[name] for name in self._names], axis=1)
        self._sides_mm = np.array([_side_mm(section, name) for name in self._names])
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
        did = share.reshape(*share.shape[:-2], -1) @ self._rows
        return np.asarray(did if self._factor is None else did * self._factor[:, None])

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
        then = share[..., None] * self._rows.sum(axis=0)
        if self._factor is not None:
            then = then * self._factor[:, None]
        return self._movement((then - did_mm) * self._green_over_now(did_mm), self._checks_mm(share))

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
            Change of the outline; its checks are those of the section's mean shrinkage. [mm]
        """
        mean = np.sum(self.share(later_mc_pct) * self._area, axis=(-2, -1)) / np.sum(self._area)
        change = (self.did(later_mc_pct) - did_mm) * self._green_over_now(did_mm)
        return self._movement(change, self._checks_mm(mean))

    def _green_over_now(self, did_mm: Floats) -> Floats:
        """Give green length over present length, by measure: shrinkage is a share of the green length.

        The section is the piece as it measures now, while `did` took it for the green one. A bow goes by the
        mean of width and depth; the lean is an angle, which has no size.
        """
        sides = self._sides_mm > 0
        ratio = np.ones_like(did_mm)
        ratio[..., sides] = 1 / (1 + did_mm[..., sides] / self._sides_mm[sides])
        both = [self._names.index(name) for name in ("width", "depth")]
        bows = [i for i, name in enumerate(self._names) if name.startswith("bow")]
        ratio[..., bows] = ratio[..., both].mean(axis=-1, keepdims=True)
        return ratio

    def _checks_mm(self, share: Floats) -> Floats:
        opened = check_mm(self.section, self.species, (1 - share) * self.species.shrinkage_onset_pct)
        return opened if self._factor is None else opened * self._factor

    def _movement(self, change_mm: Floats, opened_mm: Floats) -> Movement:
        moved = {name: change_mm[..., i] for i, name in enumerate(self._names)}
        bows = np.stack([moved[f"bow {face}"] for face in Face])
        most = np.argmax(np.abs(bows), axis=0)
        cup = np.take_along_axis(bows, most[None], axis=0)[0]
        lean = moved[SHEAR] * max(self.section.width_mm, self.section.depth_mm)
        return Movement(
            face_mm={face: np.asarray(moved[f"face {face}"]) for face in Face},
            width_mm=np.asarray(moved["width"]),
            depth_mm=np.asarray(moved["depth"]),
            middle_width_mm=np.asarray(moved["middle width"]),
            middle_depth_mm=np.asarray(moved["middle depth"]),
            out_of_square_mm=np.asarray(lean),
            out_of_square_deg=np.asarray(np.rad2deg(np.arctan(moved[SHEAR]))),
            cup_mm=np.asarray(cup),
            check_mm=np.broadcast_to(opened_mm, cup.shape),
        )

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


def _side_mm(section: Section, measure: str) -> float:
    """Length that a measure of the outline is a change of; 0 for a bow or the lean."""
    if measure.startswith("bow") or measure == SHEAR:
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


def check_mm(section: Section, species: Species, mc_pct: ArrayLike) -> Floats:
    """Total opening of the checks at the face nearest to a boxed pith, the wood being free of stress.

    Parameters
    ----------
    section : Section
        The piece and its pith. [mm]
    species : Species
        Radial and tangential shrinkage.
    mc_pct : array_like
        Moisture content, even over the section. [%]

    Returns
    -------
    ndarray
        2 pi r (sT - sR), r being the distance from the pith to the nearest face; 0 free of heart. [mm]

    References
    ----------
    Geometry of a ring that shrinks more along its length than along its radius: exact, no source needed.
    """
    share = np.clip(1 - np.asarray(mc_pct, dtype=float) / species.shrinkage_onset_pct, 0.0, 1.0)
    if not section.boxed_heart:
        return np.zeros_like(share)
    nearest = min(
        section.width_mm / 2 - abs(section.pith_x_mm), section.depth_mm / 2 - abs(section.pith_y_mm)
    )
    differs = (species.shrinkage_tangential_pct - species.shrinkage_radial_pct) / 100
    return np.asarray(2 * np.pi * nearest * differs * share)


def _influence(section: Section, species: Species, x_edges: Floats, y_edges: Floats) -> Mapping[str, Floats]:
    """Movement of each measure when one cell alone does its whole shrinkage, cells in (ny, nx) order."""
    x_bytes, y_bytes = (np.asarray(each, np.float64).tobytes() for each in (x_edges, y_edges))
    return _remembered(section, species, x_bytes, y_bytes)


@lru_cache(maxsize=256)  # 40 kB each; one verdict asks for the same piece up to three times
def _remembered(section: Section, species: Species, x_bytes: bytes, y_bytes: bytes) -> Mapping[str, Floats]:
    x_edges, y_edges = np.frombuffer(x_bytes), np.frombuffer(y_bytes)
    body = Body(section, species, x_edges, y_edges)
    influence = {name: body.influence(row) for name, row in measures(body.places, section).items()}
    if section.boxed_heart:
        area = np.outer(np.diff(y_edges), np.diff(x_edges)).ravel()
        for face in Face:
            influence[f"bow {face}"] = _checked_bow_mm(section, species, face) * area / area.sum()
    for each in influence.values():
        each.setflags(write=False)
    return MappingProxyType(influence)


def _checked_bow_mm(section: Section, species: Species, face: Face) -> float:
    """Hollow of a boxed-heart face once a check has freed it, at the whole shrinkage.

    A point at angle phi from the face's normal keeps its radius but for sR and loses the share sT - sR of
    its angle, so that the corner stands out by r (sT - sR) phi tan(phi) over the middle, to first order.
    """
    half = {
        Face.A: (section.depth_mm / 2 - section.pith_y_mm, section.width_mm / 2, section.pith_x_mm),
        Face.B: (section.width_mm / 2 - section.pith_x_mm, section.depth_mm / 2, section.pith_y_mm),
        Face.C: (section.depth_mm / 2 + section.pith_y_mm, section.width_mm / 2, section.pith_x_mm),
        Face.D: (section.width_mm / 2 + section.pith_x_mm, section.depth_mm / 2, section.pith_y_mm),
    }
    away, side, offset = half[face]
    differs = (species.shrinkage_tangential_pct - species.shrinkage_radial_pct) / 100

    def out(along: float) -> float:
        return float(np.arctan(along / away) * along * differs)

    return (out(side - offset) + out(side + offset)) / 2 - out(offset)
