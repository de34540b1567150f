"""A section that shrinks cell by cell: its stiffness, its loads and its displacements."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.distortion.elements import Elements
from baulk.models.distortion.measures import CROWN, crown, dofs_at, openings
from baulk.models.distortion.opening import AXIS, grid
from baulk.models.distortion.stiffness import Stiffness
from baulk.models.section import Face, Section, weakest_face
from baulk.models.species import Species


class Body:
    """A section that shrinks cell by cell, free of any load; a boxed heart is open from the pith to a face.

    Parameters
    ----------
    section : Section
        The piece, with its pith and its relief kerf. [mm]
    species : Species
        Shrinkage and elastic constants.
    x_edges_mm, y_edges_mm : ndarray
        Edges of the cells. [mm]
    """

    def __init__(self, section: Section, species: Species, x_edges_mm: Floats, y_edges_mm: Floats) -> None:
        laid = grid(section, x_edges_mm, y_edges_mm)
        self.slit, self.edges_mm = laid.slit, laid.edges_mm
        self._section = section
        self.face = weakest_face(section)[0] if self.slit is None else self.slit.face
        self._elements = Elements(laid.mesh)
        self.places: Floats = self._elements.places
        self._order = np.lexsort(self._elements.middle)  # y outer, x inner, as the moisture field has it
        self._cell = np.empty_like(laid.cell)
        self._cell[self._order] = laid.cell
        self._cells = (x_edges_mm.size - 1) * (y_edges_mm.size - 1)
        self._pith = np.array([section.pith_x_mm, section.pith_y_mm])[:, None, None]
        self._free = np.array(
            [-species.shrinkage_radial_pct / 100, -species.shrinkage_tangential_pct / 100, 0.0]
        )
        self._stiff = _stiffness(species)
        turn = _turn(self._axes())
        turned = np.tensordot(self._stiff, turn, axes=1)
        of_each = self._elements.stiffness(np.einsum("ai...,aj...->ij...", turn, turned))
        self._load = self._elements.forces(np.einsum("a,ai...->i...", self._free, turned))
        low_left, low_right = (
            [
                int(each[0])
                for each in dofs_at(self.places, side * section.width_mm / 2, -section.depth_mm / 2)
            ]
            for side in (-1, 1)
        )
        self._stiffness = Stiffness(of_each, self._elements.unknowns, [*low_left, low_right[1]])
        self._even = self._turned_free(self.face)
        self._at_pith = np.outer(
            _beside(y_edges_mm, section.pith_y_mm), _beside(x_edges_mm, section.pith_x_mm)
        ).ravel()

    def _axes(self) -> tuple[Floats, Floats]:
        """Cosine and sine of the radial direction at the points of the elements."""
        from_pith = self._elements.at - self._pith
        radius = np.maximum(np.hypot(from_pith[0], from_pith[1]), 1e-9)
        return from_pith[0] / radius, from_pith[1] / radius

    def opening_rows(self) -> tuple[Floats, Floats] | None:
        """Return rows of the opening of its slit, at the face and on the mean, or None; see `openings`."""
        return None if self.slit is None else openings(self.places, self._section, self.slit, self._beyond())

    def _beyond(self) -> NDArray[np.bool_]:
        """Tell the unknowns of elements beyond the slit that no element on its near side shares."""
        assert self.slit is not None  # noqa: S101 - asked of an open body only
        along = 1 - AXIS[self.slit.face][0]
        beyond = self._elements.middle[along] > self.slit.at_mm
        far = np.zeros(self.places.shape[1], dtype=bool)
        far[self._elements.unknowns[beyond]] = True
        far[self._elements.unknowns[~beyond]] = False
        return far

    def even(self, rows: Mapping[str, Floats], face: Face) -> dict[str, float]:
        """Measures of an even whole shrinkage, were the check to open a face.

        Parameters
        ----------
        rows : mapping
            The measures of this body; its crown is read at the other face's check. [-]
        face : Face
            The face, into which the check goes straight from the pith.

        Returns
        -------
        dict
            By name as the rows. [mm, or rad of an angle]
        """
        moved = self._even if face is self.face else self._turned_free(face)
        found = {name: float(row @ moved) for name, row in rows.items()}
        if face is not self.face:
            at_mm = (self._section.pith_x_mm, self._section.pith_y_mm)[1 - AXIS[face][0]]
            found[CROWN] = float(crown(self.places, self._section, face, at_mm) @ moved)
        return found

    def _turned_free(self, face: Face) -> Floats:
        """Displacements of even whole shrinkage, which leaves a body that is no closed ring without stress.

        Parameters
        ----------
        face : Face
            Where it is open, or which lies next to a pith outside.

        Returns
        -------
        ndarray
            Displacement of every unknown. [mm]

        References
        ----------
        Geometry, to first order: a point comes in by sR of its radius and turns about the pith by sT - sR of
        its angle, counted from the ray opposite to the slit.
        """
        across, sign = AXIS[face]
        mine = self.slit is not None and self.slit.face is face
        pith = [self._section.pith_x_mm, self._section.pith_y_mm]
        if self.slit is not None and mine:
            pith[1 - across] = self.slit.at_mm
        out, aside = sign * (self.places[across] - pith[across]), self.places[1 - across] - pith[1 - across]
        angle = np.arctan2(np.abs(aside), -out)  # 0 opposite to the slit, pi on both of its lips
        positive = (aside > 0) | self._beyond() if mine else aside >= 0
        angle = np.where(positive, angle, -angle)
        radial, turn = self._free[0], self._free[1] - self._free[0]
        moved = np.empty(self.places.shape[1])  # x at the even numbers, y at the odd ones
        moved[across::2] = (sign * (radial * out + turn * angle * aside))[across::2]
        moved[1 - across :: 2] = (radial * aside - turn * angle * out)[1 - across :: 2]
        return moved

    def moved_by(self, rows: Floats) -> Floats:
        """Displacements under forces that are the weights of a row, for each of several rows.

        Parameters
        ----------
        rows : ndarray, shape (rows, n)
            Weight of every unknown; must see no rigid motion.

        Returns
        -------
        ndarray, shape (rows, n)
            Displacement of every unknown, for a tangential modulus of 1. [-]
        """
        return self._stiffness.moved_by(rows)

    def influence(self, rows: Floats, moved: Floats) -> Floats:
        """Weigh what each cell's whole shrinkage, alone, does to measures of the displacements.

        Parameters
        ----------
        rows : ndarray, shape (rows, n)
            Weight of every unknown, of each measure.
        moved : ndarray, shape (rows, n)
            What `moved_by` gives for them: the stiffness is symmetric, so that displacements under the
            weights tell what any load does to the measure.

        Returns
        -------
        ndarray, shape (rows, ny * nx)
            The measures by cell, cells in (ny, nx) order. [mm, or rad of an angle]
        """
        by_element = np.einsum("reu,eu->re", moved[:, self._elements.unknowns], self._load)
        found = np.stack([np.bincount(self._cell, each, self._cells) for each in by_element])
        # of even shrinkage the answer is exact; what elements next to the pith miss of it is theirs
        missed = rows @ self._even - found.sum(axis=1)
        return np.asarray(found + self._at_pith * missed[:, None])

    def stress(self, share: Floats) -> tuple[Floats, Floats, Floats]:
        """Stress when every cell has done a share of its shrinkage, wood being elastic only.

        Parameters
        ----------
        share : ndarray, shape (ny, nx)
            0 green to 1 oven dry.

        Returns
        -------
        places : ndarray, shape (2, elements, points)
            Integration points of the elements, in (y, x) order; more than one a cell at the slit. [mm]
        area : ndarray, shape (elements, points)
            Area that each stands for. [mm2]
        stress : ndarray, shape (3, elements, points)
            Along x, along y, and shear; over the tangential modulus. [-]
        """
        by_element = share.ravel()[self._cell]
        load = np.zeros((1, self.places.shape[1]))
        np.add.at(load[0], self._elements.unknowns, self._load * by_element[:, None])
        c, s = self._axes()
        strain = self._elements.strain(self._stiffness.moved_by(load)[0])
        strain = np.einsum("ij...,j...->i...", _turn((c, s)), strain)
        own = np.tensordot(self._stiff, strain - np.multiply.outer(self._free, by_element)[..., None], axes=1)
        turned = np.stack(
            [
                c * c * own[0] + s * s * own[1] - 2 * c * s * own[2],
                s * s * own[0] + c * c * own[1] + 2 * c * s * own[2],
                c * s * (own[0] - own[1]) + (c * c - s * s) * own[2],
            ]
        )
        at, area = self._elements.at, self._elements.area
        return at[:, self._order], area[self._order], turned[:, self._order]


def _beside(edges_mm: Floats, place_mm: float) -> Floats:
    """Share of each cell in the value at a place, by a straight line between the middles of cells."""
    middles = (edges_mm[1:] + edges_mm[:-1]) / 2
    number = np.arange(middles.size)
    return np.asarray(np.maximum(1 - np.abs(number - np.interp(place_mm, middles, number)), 0.0))


def _stiffness(species: Species) -> Floats:
    """Plane-stress stiffness over radial, tangential and shear strain, scaled by the tangential modulus."""
    e_r, e_t, g_rt, nu_rt = species.elastic
    nu_tr = nu_rt * e_t / e_r
    held = 1 - nu_rt * nu_tr
    return (
        np.array(
            [[e_r / held, nu_tr * e_r / held, 0.0], [nu_tr * e_r / held, e_t / held, 0.0], [0.0, 0.0, g_rt]]
        )
        / e_t
    )


def _turn(axes: tuple[Floats, Floats]) -> Floats:
    """Give what turns strains along x, y and their shear into radial, tangential and shear ones."""
    c, s = axes
    return np.stack(
        [
            np.stack([c * c, s * s, c * s]),
            np.stack([s * s, c * c, -c * s]),
            np.stack([-2 * c * s, 2 * c * s, c * c - s * s]),
        ]
    )
