"""The elements and their solver against scikit-fem's own forms, which share the mesh and nothing of the sums.

Both take quadratic quads and nine points, so that nothing here would show an element that is too coarse or a
slit in the wrong place: `test_distortion` and `test_opened_heart` hold those against other answers.
"""

from __future__ import annotations

import numpy as np
import pytest
from skfem import Basis, BilinearForm, ElementQuad2, ElementVector, LinearForm

from baulk.models import species
from baulk.models.distortion.elasticity import Body
from baulk.models.distortion.measures import measures
from baulk.models.distortion.opening import grid
from baulk.models.section import Face, Kerf, Section

OAK = species.get("white oak")
X, Y = np.array([-90.0, -70, -30, 5, 60, 90]), np.array([-60.0, -45, 0, 20, 60])
KERF = Kerf(face=Face.C, depth_mm=45)
SECTIONS = [
    Section(width_mm=180, depth_mm=120, pith_x_mm=x, pith_y_mm=y, kerf=kerf)
    for x, y, kerf in ((12, 7, None), (-31, -20, KERF), (90, 10, None), (-20, 400, None))
]


def strains(field):
    return field.grad[0, 0], field.grad[1, 1], field.grad[0, 1] + field.grad[1, 0]


def about(section, w):
    """Return cosine and sine of the direction from the pith."""
    angle = np.arctan2(w.x[1] - section.pith_y_mm, w.x[0] - section.pith_x_mm)
    return np.cos(angle), np.sin(angle)


def turned(along, across, shear, c, s):
    """Return radial, tangential and shear strain, by the tensor's own rule Q e Q'."""
    e = np.array([[along, shear / 2], [shear / 2, across]])
    q = np.array([[c, s], [-s, c]])
    e = np.einsum("ij...,jk...,lk...->il...", q, e, q)
    return e[0, 0], e[1, 1], 2 * e[0, 1]


def stresses(radial, tangential, shear):
    """Return stress over the tangential modulus: Hooke's law, plane stress, from the compliances."""
    e_r, e_t, g_rt, nu_rt = OAK.elastic
    compliance = np.array([[1 / e_r, -nu_rt / e_r], [-nu_rt / e_r, 1 / e_t]])
    r, t = np.einsum("ij,j...->i...", np.linalg.inv(compliance), np.array([radial, tangential])) / e_t
    return r, t, shear * g_rt / e_t


def laid(section):
    mesh = grid(section, X, Y).mesh
    return Basis(mesh, ElementVector(ElementQuad2()), intorder=4)


@pytest.mark.parametrize("section", SECTIONS)
def test_displacements_under_forces_satisfy_scikit_fems_own_stiffness(section):
    basis, body = laid(section), Body(section, OAK, X, Y)
    assert np.abs(basis.doflocs - body.places).max() < 1e-12 * 180

    @BilinearForm
    def stiffness(u, v, w):
        c, s = about(section, w)
        stress = stresses(*turned(*strains(u), c, s))
        return sum(a * b for a, b in zip(stress, turned(*strains(v), c, s), strict=True))

    k = stiffness.assemble(basis)
    turn = np.random.default_rng(4).normal(size=basis.N)  # forces amid elements too, but in balance
    rows = np.stack([*measures(body.places, section, body.slit).values(), k @ turn])
    moved = body.moved_by(rows)
    assert np.abs(k @ moved.T - rows.T).max() < 1e-10 * np.abs(k).max() * np.abs(moved).max()
    # what holds it carries nothing and stays where it is
    low = [np.hypot(body.places[0] - x, body.places[1] + 60) < 1e-9 for x in (-90, 90)]
    held = np.append(np.flatnonzero(low[0]), np.flatnonzero(low[1])[1])
    assert np.abs(moved[:, held]).max() < 1e-10 * np.abs(moved).max()


@pytest.mark.parametrize("section", SECTIONS)
def test_shrinkage_of_cells_does_to_a_measure_what_scikit_fems_own_load_does(section):
    basis, body = laid(section), Body(section, OAK, X, Y)
    share = np.random.default_rng(5).uniform(size=(Y.size - 1, X.size - 1))
    # the cells beside the pith also get what elements miss there
    near = [np.searchsorted(edges, at) for edges, at in ((Y, section.pith_y_mm), (X, section.pith_x_mm))]
    share[max(near[0] - 2, 0) : near[0] + 1, max(near[1] - 2, 0) : near[1] + 1] = 0
    share[[0, -1]] *= np.abs(section.pith_y_mm) < 60
    share[:, [0, -1]] *= np.abs(section.pith_x_mm) < 90

    @LinearForm
    def load(v, w):
        c, s = about(section, w)
        cell = np.searchsorted(Y, w.x[1]) - 1, np.searchsorted(X, w.x[0]) - 1
        own = OAK.shrinkage_radial_pct / 100, OAK.shrinkage_tangential_pct / 100, 0.0
        stress = stresses(*(np.full(c.shape, -each) for each in own))
        pulled = zip(stress, turned(*strains(v), c, s), strict=True)
        return share[cell] * sum(a * b for a, b in pulled)

    rows = np.stack(list(measures(body.places, section, body.slit).values()))
    moved = body.moved_by(rows)
    expected = moved @ load.assemble(basis)
    assert body.influence(rows, moved) @ share.ravel() == pytest.approx(expected, abs=1e-10)
    assert np.abs(expected).max() > 0.1  # mm
