"""What is measured on a piece's outline, as weights on the displacements of its nodes."""

from __future__ import annotations

from typing import Any

import numpy as np
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementQuad0, ElementQuad2, ElementVector, MeshQuad, asm

from baulk.models.constants import Floats
from baulk.models.section import Face, Section
from baulk.models.species import Species

SHEAR = "shear"


def dofs_at(places: Floats, x_mm: float, y_mm: float) -> tuple[int, int]:
    """Give the unknowns (x and y displacement) of the node nearest to a place.

    Parameters
    ----------
    places : ndarray, shape (2, n)
        Where each unknown belongs. [mm]
    x_mm, y_mm : float
        The place. [mm]

    Returns
    -------
    (int, int)
        Numbers of the two unknowns.
    """
    away = np.hypot(places[0] - x_mm, places[1] - y_mm)
    first, second = np.sort(np.flatnonzero(away <= away.min() + 1e-9))[:2]
    return int(first), int(second)


def measures(places: Floats, section: Section) -> dict[str, Floats]:
    """Rows that turn displacements into face widths, bows and shear; none sees a rigid motion.

    Parameters
    ----------
    places : ndarray, shape (2, n)
        Where each unknown belongs. [mm]
    section : Section
        The piece. [mm]

    Returns
    -------
    dict
        By name ("face a", "bow a", "width", "middle width", "shear") the weight of every unknown; the
        shear is an angle, the rest lengths. [-]
    """
    w, d = section.width_mm / 2, section.depth_mm / 2
    corner = {(i, j): dofs_at(places, i * w, j * d) for i in (-1, 1) for j in (-1, 1)}  # x sign, y sign
    rows: dict[str, Floats] = {}
    shear = np.zeros(places.shape[1])
    for face, axis, sign in ((Face.A, 0, 1), (Face.B, 1, 1), (Face.C, 0, -1), (Face.D, 1, -1)):
        first, last = (
            (corner[-1, sign], corner[1, sign]) if axis == 0 else (corner[sign, -1], corner[sign, 1])
        )
        width = np.zeros(places.shape[1])
        width[last[axis]], width[first[axis]] = 1.0, -1.0
        rows[f"face {face}"] = width
        across = 1 - axis
        length = 2 * (w if axis == 0 else d)
        shear[last[across]] += 0.5 / length
        shear[first[across]] -= 0.5 / length
        rows[f"bow {face}"] = _bow(places, (axis, sign), (first, last), (w, d))
    rows[SHEAR] = shear
    rows["width"] = _mean_over(places, 0, w) - _mean_over(places, 0, -w)
    rows["depth"] = _mean_over(places, 1, d) - _mean_over(places, 1, -d)
    rows["middle width"] = _middle(places, 0, w) - _middle(places, 0, -w)
    rows["middle depth"] = _middle(places, 1, d) - _middle(places, 1, -d)
    return rows


def _mean_over(places: Floats, axis: int, at_mm: float) -> Floats:
    """Mean displacement along an axis over the face at a place of it; Simpson, exact for the element."""
    on_face = np.flatnonzero(np.abs(places[axis] - at_mm) < 1e-6)
    along = np.unique(np.round(places[1 - axis, on_face], 6))
    weight = np.zeros(along.size)
    length = along[2::2] - along[:-2:2]
    weight[:-2:2] += length / 6
    weight[1::2] += length * 4 / 6
    weight[2::2] += length / 6
    row = np.zeros(places.shape[1])
    for place, share in zip(along, weight / weight.sum(), strict=True):
        at = (at_mm, place) if axis == 0 else (place, at_mm)
        row[dofs_at(places, *at)[axis]] += share
    return row


def _bow(
    places: Floats,
    side: tuple[int, int],
    ends: tuple[tuple[int, int], tuple[int, int]],
    half: tuple[float, float],
) -> Floats:
    """Mean of the corners minus the middle of the face along its outward normal: above 0 when hollow."""
    axis, sign = side
    across = 1 - axis
    row = -sign * _middle(places, across, sign * half[across])
    for end in ends:
        row[end[across]] += 0.5 * sign
    return row


def _middle(places: Floats, axis: int, at_mm: float) -> Floats:
    """Displacement along an axis at the middle of the face that lies at a place of it."""
    on_face = np.flatnonzero(np.abs(places[axis] - at_mm) < 1e-6)
    row = np.zeros(places.shape[1])
    along = np.unique(np.round(places[1 - axis, on_face], 6))
    right = int(np.clip(np.searchsorted(along, 0.0), 1, along.size - 1))
    share = float(np.clip((0.0 - along[right - 1]) / (along[right] - along[right - 1]), 0.0, 1.0))
    for place, weight in ((along[right - 1], 1 - share), (along[right], share)):
        at = (at_mm, place) if axis == 0 else (place, at_mm)
        row[dofs_at(places, *at)[axis]] += weight
    return row


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
