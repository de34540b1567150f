"""What is laid out once for many runs gives each of them what its own would.

Both are laid out by the same code: nothing here would show a grain or a surface that is laid out wrong.
tests/models/test_drying_other_solver.py holds the solver against another.
"""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest

from baulk.models.air_scenarios import held
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import solver
from baulk.models.drying.laid_out import laid_out
from baulk.models.drying.members import Members
from baulk.models.face_cover import FaceCover
from baulk.models.section import Face, Kerf, Section

DAY_S = 86_400.0
CELLS = (8, 8)


def ensemble(start_pct=50.0):
    """Nineteen members, so that there are two chunks."""
    spread = np.linspace(-1, 1, 19)
    return Members(
        d_factor=np.exp(0.3 * spread),
        surface_factor=np.exp(0.2 * spread[::-1]),
        start_mc_pct=np.full(19, start_pct),
        emc_offset_pct=0.3 * spread,
        ratio_factor=np.exp(0.1 * spread),
        heartwood_mm=60 + 10 * spread,
    )


def run(members, section, law, covers, *, day=30.0):
    return solver.dry(
        section, None, held(15.0, 60.0, since_s=0.0), law, start_posix_s=0.0, at_posix_s=[day * DAY_S],
        members=members, faces=covers, cells=CELLS, near_faces=False,
    )[0].mc_pct  # fmt: skip


LAW = DiffusionLaw(d_ref_m2_s=2e-10, sapwood_raised=3.0)
SECTION = Section(width_mm=150, depth_mm=120)
COVERS = {Face.A: FaceCover.COATED, Face.C: FaceCover.COATED}
SECTIONS = (
    SECTION,
    Section(width_mm=150, depth_mm=120, pith_x_mm=20),
    Section(width_mm=120, depth_mm=120),
    Section(width_mm=150, depth_mm=120, kerf=Kerf(face=Face.A, depth_mm=50)),
)
LAWS = (LAW, dataclasses.replace(LAW, slope_per_pct=0.07), dataclasses.replace(LAW, sapwood_raised=1.0))
FACES = (COVERS, {}, {Face.A: FaceCover.COATED}, [(0.0, COVERS), (9 * DAY_S, {Face.B: FaceCover.WRAPPED})])


def test_members_that_were_laid_out_before_dry_as_if_they_had_not_been():
    one = ensemble()
    asked = [
        *itertools.product(SECTIONS[:2], LAWS[:2], FACES),
        *((each, LAW, COVERS) for each in SECTIONS[2:]),
    ]
    for section, law, covers in asked:
        laid_out.cache_clear()
        alone = run(ensemble(), section, law, covers)
        first = run(one, section, law, covers)
        before = laid_out.cache_info().hits
        np.testing.assert_array_equal(first, alone)
        np.testing.assert_array_equal(run(one, section, law, covers), alone)
        assert laid_out.cache_info().hits == before + 1
        for other in (c for c in FACES if c is not covers):  # the same cells under other covers between
            run(one, section, law, other)
        np.testing.assert_array_equal(run(one, section, law, covers), alone)


@pytest.mark.parametrize("what", ["members", "section", "law", "covers"])
def test_whatever_a_run_hangs_on_lays_it_out_anew(what):
    one = ensemble()
    usual = run(one, SECTION, LAW, COVERS)
    others = {
        "members": [(dataclasses.replace(one, d_factor=1.1 * one.d_factor), SECTION, LAW, COVERS)],
        "section": [(one, each, LAW, COVERS) for each in SECTIONS[1:]],
        "law": [(one, SECTION, each, COVERS) for each in LAWS[1:]],
        "covers": [(one, SECTION, LAW, each) for each in FACES[1:]],
    }[what]
    for given in others:
        other = run(*given)
        assert not np.array_equal(other.mean(axis=(-2, -1)), usual.mean(axis=(-2, -1)))
        np.testing.assert_array_equal(run(one, SECTION, LAW, COVERS), usual)


def test_no_more_is_kept_than_a_build_in_four_possible_years_needs():
    for _ in range(9):
        run(ensemble(), SECTION, LAW, COVERS, day=1.0)
    assert laid_out.cache_info().currsize == laid_out.cache_info().maxsize == 4
