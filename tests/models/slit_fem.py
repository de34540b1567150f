"""A squared timber slit from its pith to a face, by finite elements that share nothing with the program.

Quadratic triangles in plane strain, for the middle of a long timber can't change its length from place to
place across it. (The program has biquadratic quadrilaterals in plane stress; E_L is so much larger than E_R
and E_T that both must give the same shape.) The free strain is -share sR along the radius and -share sT along
the ring, share being a function of the place; nothing presses on the lips of the slit, and displacements are
small.

References
----------
White oak, shrinkage from green to oven dry: Wood Handbook, FPL-GTR-190 (2010), Table 4-3, p. 4-6, as in
tests/reference/shrinkage.csv. Elastic ratios at 12 %: Wood Handbook, Tables 5-1 and 5-2 (read in a public
copy, not in the print). G_RT is not printed for oak: ER ET / (ER (1 + nuTR) + ET (1 + nuRT)), which gives
mahogany its printed ratio.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.sparse.linalg import splu
from skfem import Basis, BilinearForm, ElementTriP2, ElementVector, LinearForm, MeshTri, asm

FREE = np.array([-0.056, -0.105, 0.0])  # radial, tangential, shear
E_L, E_R, E_T = 1.0, 0.163, 0.072
NU_LR, NU_LT, NU_RT = 0.369, 0.428, 0.618
FACES = {"a": (1, 1), "b": (0, 1), "c": (1, -1), "d": (0, -1)}  # the axis across each, and its side


def hooke():
    """Stiffness over radial, tangential and shear strain with the length held."""
    nu_tr = NU_RT * E_T / E_R
    soft = np.array(
        [
            [1 / E_R, -NU_RT / E_R, -NU_LR / E_L],
            [-NU_RT / E_R, 1 / E_T, -NU_LT / E_L],
            [-NU_LR / E_L, -NU_LT / E_L, 1 / E_L],
        ]
    )
    held = soft[:2, :2] - np.outer(soft[:2, 2], soft[:2, 2]) / soft[2, 2]
    stiff = np.zeros((3, 3))
    stiff[:2, :2] = np.linalg.inv(held)
    stiff[2, 2] = E_R * E_T / (E_R * (1 + nu_tr) + E_T * (1 + NU_RT))
    return stiff


def lines(half, places, n):
    """Grid lines over one side, one at every place inside it, closer at the ends and beside the places."""
    stops = [-half, *sorted({p for p in places if -half < p < half}), half]
    found = [half]
    for low, high in pairwise(stops):
        count = max(4, round(n * (high - low) / (2 * half)))
        found += list(low + (high - low) * (1 - np.cos(np.pi * np.arange(count) / count)) / 2)
    return np.unique(found)


class Timber:
    """A section, its pith, and the face to which it is slit; None leaves it whole."""

    def __init__(self, size_mm, pith_mm, face, n=26):
        self.half, self.pith, self.face = np.array(size_mm) / 2, np.array(pith_mm), face
        x, y = (lines(half, (0.0, p), n) for half, p in zip(self.half, pith_mm, strict=True))
        mesh = MeshTri.init_tensor(x, y)
        self.mesh = mesh if face is None else self._slit(mesh)
        self.basis = Basis(self.mesh, ElementVector(ElementTriP2()), intorder=5)
        self._assemble()

    def _slit(self, mesh):
        """Give every node of the slit but its tip a twin behind all others, for the triangles beyond it."""
        across, sign = FACES[self.face]
        along = 1 - across
        on = np.abs(mesh.p[along] - self.pith[along]) < 1e-9
        torn = np.flatnonzero(on & (sign * (mesh.p[across] - self.pith[across]) > 1e-9))
        twin = np.arange(mesh.nvertices)
        twin[torn] = mesh.nvertices + np.arange(torn.size)
        t = mesh.t.copy()
        far = mesh.p[along, t].mean(axis=0) > self.pith[along]
        t[:, far] = twin[t[:, far]]
        return MeshTri(np.hstack([mesh.p, mesh.p[:, torn]]), t)

    def _assemble(self):
        self._at = np.asarray(self.basis.global_coordinates())
        angle = np.arctan2(self._at[1] - self.pith[1], self._at[0] - self.pith[0])
        c, s = np.cos(angle), np.sin(angle)
        ring = np.array(
            [[c * c, s * s, c * s], [s * s, c * c, -c * s], [-2 * c * s, 2 * c * s, c * c - s * s]]
        )
        stiff = np.einsum("ki...,kl,lj...->ij...", ring, hooke(), ring)
        self._pull = np.einsum("ki...,k->i...", ring, hooke() @ FREE)

        @BilinearForm
        def elastic(u, v, _w):
            return np.einsum("i...,ij...,j...->...", strain(v), stiff, strain(u))

        k = asm(elastic, self.basis).tocsc()
        held = [*self._unknowns(-1, -1)[0], self._unknowns(1, -1)[0][1]]
        self._loose = np.setdiff1d(np.arange(self.basis.N), held)
        self._solved = splu(k[self._loose][:, self._loose])

    def shrink(self, share):
        """Let every place do its share of the whole shrinkage, and return the timber."""
        pull = self._pull * share(*self._at)

        @LinearForm
        def free(v, _w):
            return np.einsum("i...,i...->...", strain(v), pull)

        self.u = np.zeros(self.basis.N)
        self.u[self._loose] = self._solved.solve(asm(free, self.basis)[self._loose])
        return self

    def _unknowns(self, x, y):
        """Unknowns of the nodes at a place, told in halves of the section; of two lips the near one first."""
        near = np.hypot(self.mesh.p[0] - x * self.half[0], self.mesh.p[1] - y * self.half[1]) < 1e-9
        return self.basis.nodal_dofs[:, near].T

    def _moved(self, x, y):
        return np.mean([self.u[each] for each in self._unknowns(x, y)], axis=0)

    def _ends(self, face):
        across, sign = FACES[face]
        return [self._moved(*((k, sign) if across == 1 else (sign, k))) for k in (-1, 1)]

    def face_mm(self, face):
        """Change of a face between its corners."""
        low, high = self._ends(face)
        return (high - low)[1 - FACES[face][0]]

    def out_mm(self, face, at_mm=0.0):
        """How far a place of a face stands out over the line between its corners; of two lips the mean."""
        across, sign = FACES[face]
        low, high = (each[across] for each in self._ends(face))
        part = at_mm / self.half[1 - across]
        place = self._moved(*((part, sign) if across == 1 else (sign, part)))
        return sign * (place[across] - (low + high) / 2 - part * (high - low) / 2)

    def gap_mm(self):
        """Opening of the slit at its face, 0 without one."""
        if self.face is None:
            return 0.0
        across, sign = FACES[self.face]
        part = self.pith[1 - across] / self.half[1 - across]
        near, far = (
            self.u[each] for each in self._unknowns(*((part, sign) if across == 1 else (sign, part)))
        )
        return (far - near)[1 - across]

    def corners_rad(self):
        """By how much the corners ab, bc, cd, da close from 90 degrees."""
        turned = {}
        for face, (across, _) in FACES.items():
            low, high = self._ends(face)
            slope = (high - low)[across] / (2 * self.half[1 - across])
            turned[face] = slope if across == 1 else -slope
        return {p + q: turned[p] - turned[q] for p, q in ("ab", "bc", "cd", "da")}


def strain(u):
    """Strain along x, along y, and engineering shear."""
    return np.stack([u.grad[0, 0], u.grad[1, 1], u.grad[0, 1] + u.grad[1, 0]])
