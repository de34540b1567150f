"""A section slit from a face inward, by elements of its own: how its outline moves, what a slit frees.

Plane orthotropic elasticity about the pith on quadratic triangles (scikit-fem), as in `mechanics`, but on
lines that follow the slits, whose lips are parted, and solved for a field at a time. Nothing presses on the
lips: of a piece that swells after it was planed they may run into each other, which is not held against it.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementTriP0, ElementTriP2, ElementVector, MeshTri, asm

from honesty.mechanics import strain

NEAR_MM = 0.4  # a slit so near to a line of the grid lies on it
FACES = {"a": (1, 1), "b": (0, 1), "c": (1, -1), "d": (0, -1)}  # the axis across each, and its side


@dataclass(frozen=True, kw_only=True)
class Slit:
    """A plane slit at right angles to a face, toward the pith."""

    face: str
    depth_mm: float


def to_pith_mm(width_mm, depth_mm, pith_mm, face):
    """How far the pith lies below a face."""
    axis, side = FACES[face]
    return (width_mm, depth_mm)[axis] / 2 - side * pith_mm[axis]


def joined(edges, *places):
    """Lines with one more at each place, or the line that is as good as there."""
    lines = list(edges)
    for place in places:
        i = int(np.argmin(np.abs(np.array(lines) - place)))
        if abs(lines[i] - place) < NEAR_MM and 0 < i < len(lines) - 1:
            lines[i] = place
        elif lines[0] + NEAR_MM < place < lines[-1] - NEAR_MM:
            lines = sorted([*lines, place])
    return np.array(lines)


class Body:
    """A section of `cells` even cells a side; `elastic` as in `timbers.Kind`, shrinkage in %."""

    def __init__(self, size_mm, pith_mm, elastic, shrinkage_pct, slits=(), cells=24):
        self.size, self.pith, self.cells = np.array(size_mm, float), np.array(pith_mm, float), cells
        lines = [np.linspace(-each / 2, each / 2, cells + 1) for each in self.size]
        tips = []
        for slit in slits:
            axis, side = FACES[slit.face]
            tips.append(side * (self.size[axis] / 2 - slit.depth_mm))
            lines[1 - axis] = joined(lines[1 - axis], self.pith[1 - axis])
            lines[axis] = joined(lines[axis], tips[-1])
        mesh = MeshTri.init_tensor(*lines)
        for slit, tip in zip(slits, tips, strict=True):
            mesh = self._parted(mesh, slit, tip)
        self.mesh, self.basis = mesh, Basis(mesh, ElementVector(ElementTriP2()), intorder=4)
        self._assembled(elastic, np.array([*shrinkage_pct, 0.0]) / 100)

    def _parted(self, mesh, slit, tip):
        """Give every corner of the slit but its tip a twin, for the triangles on its far side."""
        axis, side = FACES[slit.face]
        on = np.abs(mesh.p[1 - axis] - self.pith[1 - axis]) < 1e-9
        torn = np.flatnonzero(on & (side * (mesh.p[axis] - tip) > 1e-9))
        twin = np.arange(mesh.nvertices)
        twin[torn] = mesh.nvertices + np.arange(torn.size)
        t = mesh.t.copy()
        far = mesh.p[1 - axis, t].mean(axis=0) > self.pith[1 - axis]
        t[:, far] = twin[t[:, far]]
        return MeshTri(np.hstack([mesh.p, mesh.p[:, torn]]), t)

    def _assembled(self, elastic, shrinks):
        e_r, e_t, g_rt, nu_rt = elastic
        nu_tr = nu_rt * e_t / e_r
        own = np.zeros((3, 3))
        own[0, 0], own[1, 1], own[2, 2] = e_r, e_t, g_rt * (1 - nu_rt * nu_tr)
        own[0, 1] = own[1, 0] = nu_tr * e_r
        own /= e_t * (1 - nu_rt * nu_tr)
        at = np.asarray(self.basis.global_coordinates()) - self.pith[:, None, None]
        angle = np.arctan2(at[1], at[0])
        c, s = np.cos(angle), np.sin(angle)
        turn = np.array(
            [[c * c, s * s, c * s], [s * s, c * c, -c * s], [-2 * c * s, 2 * c * s, c * c - s * s]]
        )
        stiff = np.einsum("ai...,ab,bj...->ij...", turn, own, turn)
        pull = np.einsum("ai...,a->i...", turn, own @ -shrinks)

        @BilinearForm
        def within(u, v, w):
            return np.einsum("i...,ij...,j...->...", strain(v), stiff, strain(u))

        @BilinearForm
        def of_shrinking(share, v, w):
            return np.einsum("i...,i...->...", pull, strain(v)) * share

        flat = self.basis.with_element(ElementTriP0())
        self._load = asm(of_shrinking, flat, self.basis).tocsr()
        middle = self.mesh.p[:, self.mesh.t].mean(axis=1)
        place = ((middle + self.size[:, None] / 2) / self.size[:, None] * self.cells).astype(int)
        self._cell = np.empty(flat.N, int)
        self._cell[flat.element_dofs[0]] = np.ravel_multi_index(
            np.clip(place[::-1], 0, self.cells - 1), (self.cells, self.cells)
        )
        held = [*self._unknowns(-1, -1)[0], self._unknowns(1, -1)[0][1]]
        self._loose = np.setdiff1d(np.arange(self.basis.N), held)
        self._solved = splu(asm(within, self.basis).tocsc()[self._loose][:, self._loose])

    def moved(self, shares):
        """Displacements when every cell does its share of the whole shrinkage, shares (cells, cells)."""
        u = np.zeros(self.basis.N)
        u[self._loose] = self._solved.solve((self._load @ np.ravel(shares)[self._cell])[self._loose])
        return u

    def freed(self, shares):
        """Twice the elastic energy that the free body is short of the held one: load times movement."""
        return float((self._load @ np.ravel(shares)[self._cell]) @ self.moved(shares))

    def _unknowns(self, x, y):
        """Unknowns of the corners of the mesh at a place, told in halves of the section; lips have two."""
        near = np.hypot(self.mesh.p[0] - x * self.size[0] / 2, self.mesh.p[1] - y * self.size[1] / 2) < 1e-7
        return self.basis.nodal_dofs[:, near].T

    def _shift(self, u, x, y):
        return np.mean([u[each] for each in self._unknowns(x, y)], axis=0)

    def outline(self, u):
        """By face: places along it, and displacements, (n,) and (n, 2), the lips of a slit both. [mm]"""
        found = {}
        for face, (axis, side) in FACES.items():
            on = np.flatnonzero(np.abs(self.mesh.p[axis] - side * self.size[axis] / 2) < 1e-7)
            on = on[np.argsort(self.mesh.p[1 - axis, on], kind="stable")]
            found[face] = self.mesh.p[1 - axis, on], u[self.basis.nodal_dofs[:, on].T]
        return found

    def measures(self, u):
        """Changes as a person measures them: sizes, the lean and the bows. [mm]"""
        ends = {face: [self._shift(u, *each) for each in _corners(face)] for face in FACES}
        found = {f"face {face}": (b - a)[1 - FACES[face][0]] for face, (a, b) in ends.items()}
        edge = self.outline(u)
        out = {}
        for face, (axis, side) in FACES.items():
            at, shift = edge[face]
            out[face] = side * shift[:, axis]
            part = at / self.size[1 - axis] + 0.5
            a, b = (side * each[axis] for each in ends[face])
            over = a + part * (b - a) - out[face]
            asked = (
                over if np.any(np.diff(at) < 1e-9) else over[_nearest(at)]
            )  # beside a slit the worst place
            found[f"bow {face}"] = float(asked[np.argmax(np.abs(asked))])
        for name, one, other in (("width", "b", "d"), ("depth", "a", "c")):
            found[name] = sum(_mean(edge[face][0], out[face]) for face in (one, other))
            middle = [float(np.mean(out[face][_nearest(edge[face][0])])) for face in (one, other)]
            found[f"middle {name}"] = sum(middle)
        w, d = self.size
        ab, ad, cb, cd = (self._shift(u, *each) for each in ((1, 1), (-1, 1), (1, -1), (-1, -1)))
        upright = (ab[0] + ad[0] - cb[0] - cd[0]) / (2 * d)
        level = (ab[1] + cb[1] - ad[1] - cd[1]) / (2 * w)
        found["lean"] = (upright + level) * max(w, d)
        return found


def _corners(face):
    axis, side = FACES[face]
    return [(each, side) if axis == 1 else (side, each) for each in (-1, 1)]


def _mean(at, values):
    """Mean along a face, straight between the corners of the mesh."""
    return float(np.sum(np.diff(at) * [(a + b) / 2 for a, b in pairwise(values)]) / (at[-1] - at[0]))


def _nearest(at):
    return np.flatnonzero(np.abs(at) < np.abs(at).min() + 1e-9)
