"""Plane orthotropic elasticity of a wooden section in cylindrical axes about its pith.

Plane stress across the grain, biquadratic elements, one a moisture cell. Each cell's free shrinkage loads it;
the stiffness is factored once for all loads.

References: Wood Handbook, FPL-GTR-282, chapters 4 (shrinkage) and 5 (elastic ratios).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementQuad0, ElementQuad2, ElementVector, MeshQuad, asm

from baulk.models.outline_measures import dofs_at
from baulk.models.section import Section
from baulk.models.species import Species

Floats = NDArray[np.float64]


class Body:
    """A section that shrinks cell by cell, free of any load.

    Parameters
    ----------
    section : Section
        The piece, with its pith. [mm]
    species : Species
        Shrinkage and elastic constants.
    x_edges_mm, y_edges_mm : ndarray
        Edges of the cells. [mm]
    """

    def __init__(self, section: Section, species: Species, x_edges_mm: Floats, y_edges_mm: Floats) -> None:
        mesh = MeshQuad.init_tensor(x_edges_mm, y_edges_mm)
        self._basis = Basis(mesh, ElementVector(ElementQuad2()), intorder=4)
        cells = self._basis.with_element(ElementQuad0())
        self.places: Floats = self._basis.doflocs
        self._pith = np.array([section.pith_x_mm, section.pith_y_mm])[:, None, None]
        self._stiffness = _stiffness(species)
        self._free = np.array(
            [-species.shrinkage_radial_pct / 100, -species.shrinkage_tangential_pct / 100, 0.0]
        )
        # turned to x and y once a point: the forms are asked 324 times, once a pair of shapes
        turn = _turn(_axes(np.asarray(self._basis.global_coordinates()) - self._pith))
        stiff = np.einsum("ai...,ab,bj...->ij...", turn, self._stiffness, turn)
        shrink = np.einsum("ai...,a->i...", turn, self._stiffness @ self._free)

        @BilinearForm  # type: ignore[untyped-decorator]
        def elastic(u: Any, v: Any, w: Any) -> Any:  # noqa: ANN401, ARG001 - scikit-fem's own field type
            (a, b, c), (d, e, f) = _plain_strain(v), _plain_strain(u)
            return (
                a * (stiff[0, 0] * d + stiff[0, 1] * e + stiff[0, 2] * f)
                + b * (stiff[1, 0] * d + stiff[1, 1] * e + stiff[1, 2] * f)
                + c * (stiff[2, 0] * d + stiff[2, 1] * e + stiff[2, 2] * f)
            )

        @BilinearForm  # type: ignore[untyped-decorator]
        def free(share: Any, v: Any, w: Any) -> Any:  # noqa: ANN401, ARG001 - scikit-fem's own field type
            a, b, c = _plain_strain(v)
            return (shrink[0] * a + shrink[1] * b + shrink[2] * c) * share

        k = asm(elastic, self._basis).tocsc()
        load = asm(free, cells, self._basis)
        centre = mesh.p[:, mesh.t].mean(axis=1)
        self._order = np.lexsort((centre[0], centre[1]))  # y outer, x inner, as the moisture field has it
        load = load[:, cells.element_dofs[0][self._order]]
        low_left = dofs_at(self.places, -section.width_mm / 2, -section.depth_mm / 2)
        low_right = dofs_at(self.places, section.width_mm / 2, -section.depth_mm / 2)
        # three pins hold the rigid modes and, the loads being in balance, carry nothing
        self._loose = np.setdiff1d(np.arange(self._basis.N), [*low_left, low_right[1]])
        self._factored = splu(k[self._loose][:, self._loose])
        self._load = load.tocsr()[self._loose]

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
        return np.asarray(self._load.T @ self._factored.solve(row[self._loose], trans="T"))

    def stress(self, share: Floats) -> tuple[Floats, Floats, Floats]:
        """Stress when every cell has done a share of its shrinkage, wood being elastic only.

        Parameters
        ----------
        share : ndarray, shape (ny, nx)
            0 green to 1 oven dry.

        Returns
        -------
        places : ndarray, shape (2, ny * nx, points)
            Integration points of the cells, in (ny, nx) order. [mm]
        area : ndarray, shape (ny * nx, points)
            Area that each stands for. [mm2]
        stress : ndarray, shape (3, ny * nx, points)
            Along x, along y, and shear; over the tangential modulus. [-]
        """
        moved = np.zeros(self._basis.N)
        moved[self._loose] = self._factored.solve(self._load @ share.ravel())
        at = np.asarray(self._basis.global_coordinates())
        c, s = _axes(at - self._pith)
        by_element = np.empty(share.size)
        by_element[self._order] = share.ravel()
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
