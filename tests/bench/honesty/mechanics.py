"""How a squared piece's outline changes from what is in it when it is squared to an even service moisture.

Plane orthotropic elasticity about the pith on quadratic triangles (scikit-fem); the free shrinkage of wood is
straight from none at the piece's own saturation to the table's total, times the piece's own factor, at 0 %.
Measured as the program states its movement: each face between its two corners, mean and middle width and
depth, how far it leans over its larger side, and the bow of the face that bows most.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.sparse.linalg import splu
from skfem import (
    Basis,
    BilinearForm,
    ElementTriP0,
    ElementTriP2,
    ElementVector,
    MeshTri,
    asm,
)

from honesty import grid

CELLS = 24  # even cells of the piece, two triangles each


def strain(u):
    return np.stack([u.grad[0, 0], u.grad[1, 1], u.grad[0, 1] + u.grad[1, 0]])


@lru_cache(maxsize=64)
def influence(finished_mm, pith_mm, radial_pct, tangential_pct, elastic):
    """What each cell's whole shrinkage alone does to each measure: a dict of (CELLS, CELLS). [mm]"""
    half = finished_mm / 2
    ticks = np.linspace(-half, half, CELLS + 1)
    mesh = MeshTri.init_tensor(ticks, ticks)
    basis = Basis(mesh, ElementVector(ElementTriP2()), intorder=4)
    flat = basis.with_element(ElementTriP0())
    e_r, e_t, g_rt, nu_rt = elastic
    nu_tr = nu_rt * e_t / e_r
    own = np.zeros((3, 3))
    own[0, 0], own[1, 1], own[2, 2] = e_r, e_t, g_rt * (1 - nu_rt * nu_tr)
    own[0, 1] = own[1, 0] = nu_tr * e_r
    own /= e_t * (1 - nu_rt * nu_tr)
    free = -np.array([radial_pct, tangential_pct, 0.0]) / 100
    at = np.asarray(basis.global_coordinates()) - np.array(pith_mm)[:, None, None]
    angle = np.arctan2(at[1], at[0])
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array(
        [
            [c * c, s * s, c * s],
            [s * s, c * c, -c * s],
            [-2 * c * s, 2 * c * s, c * c - s * s],
        ]
    )
    stiff = np.einsum("ai...,ab,bj...->ij...", turn, own, turn)
    push = np.einsum("ai...,a->i...", turn, own @ free)

    @BilinearForm
    def elastic_form(u, v, w):
        return np.einsum("i...,ij...,j...->...", strain(v), stiff, strain(u))

    @BilinearForm
    def shrink_form(share, v, w):
        return np.einsum("i...,i...->...", push, strain(v)) * share

    k = asm(elastic_form, basis).tocsc()
    load = asm(shrink_form, flat, basis).tocsr()
    held = np.concatenate([_unknowns(basis, -half, -half), _unknowns(basis, half, -half)[1:]])
    loose = np.setdiff1d(np.arange(basis.N), held)
    solved = splu(k[loose][:, loose])
    middle = mesh.p[:, mesh.t].mean(axis=1)
    cell = np.clip(((middle + half) / finished_mm * CELLS).astype(int), 0, CELLS - 1)
    found = {}
    for name, row in _rows(basis, half).items():
        by_element = load[loose].T @ solved.solve(row[loose], trans="T")
        table = np.zeros((CELLS, CELLS))
        np.add.at(table, (cell[1], cell[0]), by_element[flat.element_dofs[0]])
        found[name] = table
    return found


def _unknowns(basis, x, y):
    at = basis.doflocs
    return np.flatnonzero(np.hypot(at[0] - x, at[1] - y) < 1e-6)


def _rows(basis, half):
    """Weights on the displacements for each measure."""
    at, n = basis.doflocs, basis.N

    def one(x, y, axis):
        row = np.zeros(n)
        row[_unknowns(basis, x, y)[axis]] = 1.0
        return row

    def mean(axis, side):
        on = np.flatnonzero(np.abs(at[axis] - side) < 1e-6)
        row, along = np.zeros(n), np.unique(np.round(at[1 - axis, on], 6))
        weight = np.zeros(along.size)  # Simpson's, which quadratic edges ask for
        np.add.at(weight, np.arange(0, along.size - 2, 2), 1.0)
        np.add.at(weight, np.arange(1, along.size - 1, 2), 4.0)
        np.add.at(weight, np.arange(2, along.size, 2), 1.0)
        for place, each in zip(along, weight / weight.sum(), strict=True):
            row += each * (one(side, place, 0) if axis == 0 else one(place, side, 1))
        return row

    corner = {(i, j): [one(i * half, j * half, axis) for axis in (0, 1)] for i in (-1, 1) for j in (-1, 1)}
    rows = {
        "face a": corner[1, 1][0] - corner[-1, 1][0],
        "face c": corner[1, -1][0] - corner[-1, -1][0],
        "face b": corner[1, 1][1] - corner[1, -1][1],
        "face d": corner[-1, 1][1] - corner[-1, -1][1],
        "width": mean(0, half) - mean(0, -half),
        "depth": mean(1, half) - mean(1, -half),
        "middle width": one(half, 0, 0) - one(-half, 0, 0),
        "middle depth": one(0, half, 1) - one(0, -half, 1),
    }
    # change of the corner's angle: how much the mean of the two upright sides leans plus the two level ones
    upright = (corner[1, 1][0] + corner[-1, 1][0] - corner[1, -1][0] - corner[-1, -1][0]) / (4 * half)
    level = (corner[1, 1][1] + corner[1, -1][1] - corner[-1, 1][1] - corner[-1, -1][1]) / (4 * half)
    rows["lean"] = (upright + level) * 2 * half
    for name, axis, sign in (("a", 1, 1), ("b", 0, 1), ("c", 1, -1), ("d", 0, -1)):
        ends = [(i, sign) if axis == 1 else (sign, i) for i in (-1, 1)]
        between = one(0, sign * half, 1) if axis == 1 else one(sign * half, 0, 0)
        rows[f"bow {name}"] = sign * (sum(corner[e][axis] for e in ends) / 2 - between)
    return rows


def change_mm(piece, shares):
    """Change of each measure by shares of the whole shrinkage, (..., CELLS, CELLS) more than before."""
    kind = piece.kind
    table = influence(
        152.0, piece.pith_mm,
        round(kind.radial_pct * piece.shrinkage_factor, 9),
        round(kind.tangential_pct * piece.shrinkage_factor, 9),
        kind.elastic,
    )  # fmt: skip
    return {name: np.einsum("...ji,ji->...", shares, each) for name, each in table.items()}


def coarse(field_pct):
    """Means over this module's cells of a finished piece on any other even grid."""
    return grid.sawn(field_pct, 152.0, 152.0, 152.0, CELLS)


def done(piece, moist_pct):
    """Share of the whole shrinkage that wood at a moisture content has done."""
    return np.clip(1 - np.asarray(moist_pct, dtype=float) / piece.fsp_pct, 0, 1)


def largest_mm(change):
    """What a tolerance is held against: largest change in size, worst corner off the square, or bow."""
    # of a square piece, over its side: the lean and the trapezoids that faces of unlike width make
    trapezoids = np.abs(change["face a"] - change["face c"]) + np.abs(change["face b"] - change["face d"])
    corner = np.abs(change["lean"]) + trapezoids / 2
    return np.max([corner, *(np.abs(each) for each in change.values())], axis=0)


def in_service(piece, field_pct, service_pct=None):
    """Largest movement, size, lean and bow of the piece squared out of a field, once in service. [mm]"""
    sawn = grid.sawn(field_pct, piece.width_mm, piece.depth_mm, 152.0, CELLS)
    then = piece.service_pct if service_pct is None else service_pct
    change = change_mm(piece, done(piece, then) - done(piece, sawn))
    size = [each for name, each in change.items() if not name.startswith(("lean", "bow"))]
    return {
        "largest": float(largest_mm(change)),
        "size": float(np.max(np.abs(size))),
        "lean": float(change["lean"]),
        "bow": float(max((change[f"bow {f}"] for f in "abcd"), key=abs)),
    }
