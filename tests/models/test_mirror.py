"""Halves that are alike are dried once: the answer is the whole section's, and they are found rightly.

Both sides come from the same kernel, so a fault of the kernel itself could not be found here; the exact
solutions in tests/reference/test_drying_reference.py hold that one.
"""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import kernel, mirror, solver
from baulk.models.drying.solver import FaceCover, Members
from baulk.models.field import MoistureField
from baulk.models.section import Face, Kerf, Section

DAY = 86_400.0
LAW = DiffusionLaw(d_ref_m2_s=4e-11, sapwood_raised=3.0)
COATED = {Face.B: FaceCover.COATED, Face.D: FaceCover.COATED}


def shed():
    hours = np.arange(24 * 120)
    return AirSeries(
        posix_s=hours * 3600.0,
        temp_c=12 - 10 * np.cos(hours / 8766 * 2 * np.pi) + 4 * np.sin(hours / 24 * 2 * np.pi),
        rh_pct=70 - 15 * np.sin(hours / 24 * 2 * np.pi),
    )


def members():
    rng = np.random.default_rng(5)
    return Members(
        d_factor=np.exp(0.4 * rng.normal(size=5)), surface_factor=np.exp(0.3 * rng.normal(size=5)),
        start_mc_pct=rng.uniform(50, 95, size=5), emc_offset_pct=rng.normal(size=5),
        heartwood_mm=rng.uniform(60, 110, size=5), surface_season=rng.uniform(0, 0.3, size=5),
    )  # fmt: skip


def dried(section, faces, start=None):
    return solver.dry_with_balance(
        section, start, shed(), LAW, start_posix_s=0.0, at_posix_s=np.array([5.0, 60, 120]) * DAY,
        members=members(), faces=faces, threads=1, step_s=DAY / 2, error_pct=np.inf,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("section", "faces"),
    [
        (Section(width_mm=150, depth_mm=120), COATED),
        (Section(width_mm=150, depth_mm=120, pith_y_mm=-30.0), {Face.C: FaceCover.ON_BEARERS}),
        (Section(width_mm=150, depth_mm=120, pith_x_mm=25.0), {Face.B: FaceCover.COATED}),
    ],
    ids=["a quarter", "left and right", "top and bottom"],
)
def test_a_half_dried_for_both_gives_what_the_whole_section_gives(section, faces, monkeypatch):
    halved, halved_off = dried(section, faces)
    monkeypatch.setattr(
        solver.Mirror, "of", staticmethod(lambda *_args: mirror.Mirror(x=False, y=False)), raising=True
    )
    whole, whole_off = dried(section, faces)
    np.testing.assert_allclose(halved_off, whole_off, atol=1e-4)
    for one, other in zip(halved, whole, strict=True):
        assert np.ptp(other.mc_pct) > 5
        np.testing.assert_allclose(one.mc_pct, other.mc_pct, atol=1e-4)
        for face in Face:
            # the layers under a face make more of a rounding: a start that differs by 1e-8 of itself moves
            # such a value of the whole section by up to 8e-4 (by hand)
            np.testing.assert_allclose(one.pin_pct(3.0, face), other.pin_pct(3.0, face), atol=2e-3)


def found(section=None, start=None, covers=None, cells=(6, 6)):
    section = section or Section(width_mm=150, depth_mm=120)
    x, y = solver.section_edges_mm(section, cells)
    start = np.full((2, y.size - 1, x.size - 1), 60.0) if start is None else start
    exposed = dict.fromkeys(Face, FaceCover.EXPOSED)
    return mirror.Mirror.of(section, x, y, start, [exposed, exposed | (covers or {})])


def test_only_what_is_alike_is_taken_for_alike():
    assert found() == mirror.Mirror(x=True, y=True)
    assert found(cells=(7, 6)) == mirror.Mirror(x=False, y=True)  # a cell lies in the middle
    assert found(Section(width_mm=150, depth_mm=120, pith_x_mm=1.0)) == mirror.Mirror(x=False, y=True)
    assert found(covers={Face.C: FaceCover.ON_BEARERS}) == mirror.Mirror(x=True, y=False)  # later, on bearers
    assert found(covers={Face.B: FaceCover.COATED}) == mirror.Mirror(x=False, y=True)
    kerf = Kerf(face=Face.A, depth_mm=40.0)
    assert found(Section(width_mm=150, depth_mm=120, kerf=kerf)) == mirror.Mirror(x=False, y=False)
    start = np.full((2, 6, 6), 60.0)
    start[1, 0] += 1e-3
    assert found(start=start) == mirror.Mirror(x=True, y=False)  # one member is wetter below
    start[1, 0] = 60.0 + 1e-9
    assert found(start=start) == mirror.Mirror(x=True, y=True)  # by rounding


def test_a_start_that_is_alike_stays_alike_and_another_does_not():
    section = Section(width_mm=150, depth_mm=120)
    x, y = solver.section_edges_mm(section, (18, 18))
    wetter = np.where(x[1:] > 0, 70.0, 60.0) * np.ones((18, 1))
    start = MoistureField(posix_s=0.0, section=section, x_edges_mm=x, y_edges_mm=y, mc_pct=wetter)
    last = dried(section, None, start)[0][-1].mc_pct
    assert np.array_equal(last, last[:, ::-1])
    assert np.all(last[..., -4] > last[..., 3] + 0.1)


@pytest.mark.parametrize(("twice_y", "twice_x"), [(False, False), (True, False), (False, True), (True, True)])
def test_what_was_solved_is_laid_out_on_both_sides(twice_y, twice_x):
    rng = np.random.default_rng(3)
    fields = rng.uniform(8, 90, size=(4, 3, 5, 6))
    rows, at, chunk = np.array([0, 2, 3]), np.array([4, 1, 0]), np.array([7, 2, 5, 0, 1, 6])
    to = np.full((5, 8, 6 if twice_y else 3, 10 if twice_x else 5), -1.0)
    kernel.hand_over(fields, rows, chunk, at, to)
    expected = np.full_like(to, -1.0)
    for row, place in zip(rows, at, strict=True):
        for lane, member in enumerate(chunk):
            one = fields[row, :, :, lane]
            one = np.vstack([one[::-1], one]) if twice_y else one
            expected[place, member] = np.hstack([one[:, ::-1], one]) if twice_x else one
    np.testing.assert_array_equal(to, expected)
