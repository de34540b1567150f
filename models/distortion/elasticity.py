"""A section that shrinks cell by cell: its stiffness, its loads and its displacements."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
import scipy
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.distortion.measures import CROWN, crown, dofs_at, openings
from baulk.models.distortion.opening import AXIS, grid
from baulk.models.section import Face, Section, weakest_face
from baulk.models.species import Species

if TYPE_CHECKING:
    from scipy.sparse import csc_matrix
    from skfem import Basis


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
        from skfem import Basis, ElementQuad2, ElementVector  # noqa: PLC0415 - 20 MB, for who asks for a shape

        laid = grid(section, x_edges_mm, y_edges_mm)
        mesh, self.slit, self.edges_mm, self._cell = laid.mesh, laid.slit, laid.edges_mm, laid.cell
        self._section = section
        self.face = weakest_face(section)[0] if self.slit is None else self.slit.face
        self._basis = Basis(mesh, ElementVector(ElementQuad2()), intorder=4)
        self.places: Floats = self._basis.doflocs
        self._pith = np.array([section.pith_x_mm, section.pith_y_mm])[:, None, None]
        self._stiffness = _stiffness(species)
        self._free = np.array(
            [-species.shrinkage_radial_pct / 100, -species.shrinkage_tangential_pct / 100, 0.0]
        )
        turn = _turn(_axes(np.asarray(self._basis.global_coordinates()) - self._pith))
        stiff = np.einsum("ai...,ab,bj...->ij...", turn, self._stiffness, turn)
        shrink = np.einsum("ai...,a->i...", turn, self._stiffness @ self._free)
        k, load = _assembled(self._basis, stiff, shrink)
        centre = mesh.p[:, mesh.t].mean(axis=1)
        self._order = np.lexsort((centre[0], centre[1]))  # y outer, x inner, as the moisture field has it
        load = load[:, self._order] @ _into_cells(self._cell, (x_edges_mm.size - 1) * (y_edges_mm.size - 1))
        low_left, low_right = (
            [
                int(each[0])
                for each in dofs_at(self.places, side * section.width_mm / 2, -section.depth_mm / 2)
            ]
            for side in (-1, 1)
        )
        # three pins hold the rigid modes and, the loads being in balance, carry nothing
        self._loose = np.setdiff1d(np.arange(self._basis.N), [*low_left, low_right[1]])
        # symmetric and positive definite: no pivoting, half the time
        self._factored = scipy.sparse.linalg.splu(
            k[self._loose][:, self._loose],
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
        )
        self._load = load.tocsr()[self._loose]
        self._even = self._turned_free(self.face)
        self._at_pith = np.outer(
            _beside(y_edges_mm, section.pith_y_mm), _beside(x_edges_mm, section.pith_x_mm)
        ).ravel()

    def opening_rows(self) -> tuple[Floats, Floats] | None:
        """Return rows of the opening of its slit, at the face and on the mean, or None; see `openings`."""
        return None if self.slit is None else openings(self.places, self._section, self.slit, self._beyond())

    def _beyond(self) -> NDArray[np.bool_]:
        """Tell the unknowns of elements beyond the slit that no element on its near side shares."""
        assert self.slit is not None  # noqa: S101 - asked of an open body only
        along = 1 - AXIS[self.slit.face][0]
        beyond = self._basis.mesh.p[along, self._basis.mesh.t].mean(axis=0) > self.slit.at_mm
        far = np.zeros(self._basis.N, dtype=bool)
        far[self._basis.element_dofs[:, beyond]] = True
        far[self._basis.element_dofs[:, ~beyond]] = False
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

    def moved_by(self, row: Floats) -> Floats:
        """Displacements under forces that are the weights of a row.

        Parameters
        ----------
        row : ndarray
            Weight of every unknown; must see no rigid motion.

        Returns
        -------
        ndarray
            Displacement of every unknown, for a tangential modulus of 1. [-]
        """
        moved = np.zeros(self._basis.N)
        moved[self._loose] = self._factored.solve(row[self._loose])
        return moved

    def influence(self, row: Floats) -> Floats:
        """Weigh what each cell's whole shrinkage, alone, does to one measure of the displacements.

        Parameters
        ----------
        row : ndarray
            Weight of every unknown; must see no rigid motion.

        Returns
        -------
        ndarray, shape (ny * nx,)
            The measure by cell, cells in (ny, nx) order. [mm, or rad of an angle]
        """
        found = self._load.T @ self._factored.solve(row[self._loose], trans="T")
        # of even shrinkage the answer is exact; what elements next to the pith miss of it is theirs
        return np.asarray(found + self._at_pith * (row @ self._even - found.sum()))

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
        moved = np.zeros(self._basis.N)
        moved[self._loose] = self._factored.solve(self._load @ share.ravel())
        at = np.asarray(self._basis.global_coordinates())
        c, s = _axes(at - self._pith)
        by_element = np.empty(self._cell.size)
        by_element[self._order] = share.ravel()[self._cell]
        strain = _strain(self._basis.interpolate(moved), (c, s))
        own = np.einsum(
            "ij,j...->i...", self._stiffness, strain - self._free[:, None, None] * by_element[:, None]
        )
        turned = np.stack(
            [
                c * c * own[0] + s * s * own[1] - 2 * c * s * own[2],
                s * s * own[0] + c * c * own[1] + 2 * c * s * own[2],
                c * s * (own[0] - own[1]) + (c * c - s * s) * own[2],
            ]
        )
        return at[:, self._order], self._basis.dx[self._order], turned[:, self._order]


def _assembled(basis: Basis, stiff: Floats, shrink: Floats) -> tuple[csc_matrix, csc_matrix]:
    """Stiffness, and what the whole shrinkage of each element loads on every unknown.

    All pairs of shapes at once: as forms of scikit-fem they are asked one by one, 324 times, and take most of
    the time of a section.
    """
    own = np.stack([_plain_strain(each) for (each,) in basis.basis])  # shape, strain, element, point
    dofs, elements = np.asarray(basis.element_dofs), basis.dx.shape[0]
    shapes = own.transpose(2, 0, 1, 3).reshape(elements, dofs.shape[0], -1)
    forces = np.einsum("abeq,jbeq,eq->eajq", stiff, own, basis.dx, optimize=True)
    pairs = shapes @ forces.transpose(0, 1, 3, 2).reshape(elements, -1, dofs.shape[0])
    loads = np.einsum("ibeq,beq,eq->ie", own, shrink, basis.dx, optimize=True)
    rows, columns = np.broadcast_arrays(dofs.T[:, :, None], dofs.T[:, None, :])
    k = scipy.sparse.coo_matrix(
        (pairs.ravel(), (rows.ravel(), columns.ravel())), shape=(basis.N, basis.N)
    ).tocsc()
    own_column = np.broadcast_to(np.arange(elements), dofs.shape)
    load = scipy.sparse.coo_matrix(
        (loads.ravel(), (dofs.ravel(), own_column.ravel())), shape=(basis.N, elements)
    )
    return k, load.tocsc()


def _beside(edges_mm: Floats, place_mm: float) -> Floats:
    """Share of each cell in the value at a place, by a straight line between the middles of cells."""
    middles = (edges_mm[1:] + edges_mm[:-1]) / 2
    return np.array([np.interp(place_mm, middles, each) for each in np.eye(middles.size)])


def _into_cells(cell: NDArray[np.intp], cells: int) -> csc_matrix:
    """Give what adds the elements of each cell up."""
    return scipy.sparse.coo_matrix(
        (np.ones(cell.size), (np.arange(cell.size), cell)), shape=(cell.size, cells)
    ).tocsc()


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


def _axes(from_pith: Floats) -> tuple[Floats, Floats]:
    """Cosine and sine of the radial direction."""
    radius = np.maximum(np.hypot(from_pith[0], from_pith[1]), 1e-9)
    return from_pith[0] / radius, from_pith[1] / radius


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


def _plain_strain(u: Any) -> tuple[Any, Any, Any]:  # noqa: ANN401 - scikit-fem's own field type
    """Strain along x, along y, and engineering shear."""
    return u.grad[0, 0], u.grad[1, 1], u.grad[0, 1] + u.grad[1, 0]


def _strain(u: Any, axes: tuple[Floats, Floats]) -> Any:  # noqa: ANN401 - scikit-fem's own field type
    """Radial, tangential and engineering shear strain."""
    return np.einsum("ij...,j...->i...", _turn(axes), np.stack(_plain_strain(u)))
