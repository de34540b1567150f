from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from other_slab import slab_pct

from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import solver
from baulk.models.drying.grid import graded_edges_mm
from baulk.models.drying.solver import CONDUCTANCE_M_S, FaceCover, Members
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField, parts_over
from baulk.models.section import Face, Section
from baulk.models.sorption import emc_pct

SECTION = Section(width_mm=200, depth_mm=100)


def field(values):
    ny, nx = values.shape[-2:]
    return MoistureField(
        posix_s=0.0,
        section=SECTION,
        x_edges_mm=np.linspace(-100, 100, nx + 1),
        y_edges_mm=np.linspace(-50, 50, ny + 1),
        mc_pct=values,
    )


def test_a_uniform_field_is_the_same_everywhere():
    flat = field(np.full((10, 20), 37.0))
    for value in (flat.mean_pct, flat.shell_pct, flat.core_pct, flat.at(3, 4), flat.pin_pct(20)):
        assert float(value) == pytest.approx(37.0)


def test_a_linear_field_is_read_exactly_between_the_cells():
    x = (np.arange(20) + 0.5) * 10 - 100
    y = (np.arange(10) + 0.5) * 10 - 50
    slope = field(30 + 0.1 * x[None, :] + 0.2 * y[:, None])
    assert float(slope.at(12.5, -7.5)) == pytest.approx(30 + 1.25 - 1.5)
    assert float(slope.pin_pct(20, Face.A)) == pytest.approx(30 + 0.2 * 30)
    assert float(slope.pin_pct(20, Face.B)) == pytest.approx(30 + 0.1 * 80)
    assert float(slope.pin_pct(20, Face.C)) == pytest.approx(30 - 0.2 * 30)
    assert float(slope.pin_pct(20, Face.D)) == pytest.approx(30 - 0.1 * 80)
    assert float(slope.pin_pct(20)) == pytest.approx(30)


def test_the_parts_of_many_fields_are_those_of_each():
    # the properties sum in another order; both take the same weights from `integral_weights`
    rng = np.random.default_rng(8)
    wet, cut = field(rng.uniform(10, 90, size=(6, 10, 20))), field(rng.uniform(10, 90, size=(6, 7, 9)))
    mean, shell, core = parts_over([wet, cut, wet])
    assert mean.shape == (3, 6)
    for n, each in enumerate((wet, cut, wet)):
        np.testing.assert_allclose(mean[n], each.mean_pct, rtol=1e-12)
        np.testing.assert_allclose(shell[n], each.shell_pct, rtol=1e-12)
        np.testing.assert_allclose(core[n], each.core_pct, rtol=1e-12)
    assert parts_over([field(wet.mc_pct[0])]).shape == (3, 1)


def test_edges_that_are_whole_numbers_are_lengths_too():
    whole = replace(field(np.array([[10.0, 40.0]])), x_edges_mm=np.array([-100, 20, 100]))
    assert float(whole.mean_pct) == pytest.approx((120 * 10 + 80 * 40) / 200)


def test_opposite_faces_are_read_from_one_line_as_each_by_itself():
    rng = np.random.default_rng(9)
    wet, depths = field(rng.uniform(10, 90, size=(6, 10, 20))), np.array([12.0, 30.0])
    by_face = [wet.pins_pct(depths, face) for face in Face]
    np.testing.assert_array_equal(wet.pins_pct(depths), np.mean(by_face, axis=0))
    assert np.ptp(by_face, axis=0).min() > 0


def test_shell_and_core_are_cut_at_a_fifth_and_a_third_of_the_half_thickness():
    # 1 mm cells: wet inside 10 mm (a fifth of the half-thickness of 50 mm), dry outside
    x, y = np.arange(200) - 99.5, np.arange(100) - 49.5
    inside = (np.abs(y)[:, None] < 40) & (np.abs(x)[None, :] < 90)
    two = field(np.where(inside, 60.0, 20.0))
    assert float(two.shell_pct) == pytest.approx(20.0)
    assert float(two.core_pct) == pytest.approx(60.0)
    assert float(two.mean_pct) == pytest.approx((60 * 180 * 80 + 20 * (200 * 100 - 180 * 80)) / (200 * 100))


def test_an_ensemble_keeps_its_members_apart():
    many = field(np.stack([np.full((10, 20), 20.0), np.full((10, 20), 40.0)]))
    assert many.mean_pct == pytest.approx([20, 40])
    assert many.pin_pct(30, Face.A) == pytest.approx([20, 40])


def test_a_parabola_is_read_exactly_from_its_cell_means_up_to_the_faces():
    x = graded_edges_mm(200, 9)

    def upto(at):  # of 70 - 0.004 x^2
        return 70 * at - 0.004 * at**3 / 3

    means = np.diff(upto(x)) / np.diff(x)
    bent = MoistureField(
        posix_s=0.0, section=SECTION, x_edges_mm=x, y_edges_mm=np.linspace(-50, 50, 5),
        mc_pct=np.tile(means, (2, 4, 1)) * np.array([1.0, 0.5])[:, None, None],
    )  # fmt: skip
    depths = np.array([0.0, 3.0, 20.0, 61.0, 100.0])
    expected = 70 - 0.004 * (100 - depths) ** 2
    for face in (Face.B, Face.D):
        assert bent.pins_pct(depths, face) == pytest.approx(np.stack([expected, 0.5 * expected], axis=1))
        assert bent.pin_pct(3.0, face) == pytest.approx([expected[1], 0.5 * expected[1]])
    assert bent.at(80.0, 12.0) == pytest.approx([expected[2], 0.5 * expected[2]])


def test_the_lines_through_the_middle_are_those_of_a_sloping_field():
    x = (np.arange(20) + 0.5) * 10 - 100
    y = (np.arange(10) + 0.5) * 10 - 50
    slope = field(30 + 0.1 * x[None, :] + 0.2 * y[:, None])
    assert slope.along_x_pct(np.array([-100.0, 0.0, 55.0])) == pytest.approx([20.0, 30.0, 35.5])
    assert slope.along_y_pct(np.array([-50.0, 12.0])) == pytest.approx([20.0, 32.4])


OAK = DiffusionLaw(d_ref_m2_s=1.7e-11)
SOFTWOOD = DiffusionLaw(
    d_ref_m2_s=9e-11, slope_per_pct=0.07, radial_over_tangential=0.94, raised_above_fsp=3.0
)
FINE = {"cells": (72, 72), "error_pct": 0.005, "step_s": 10_800.0, "near_faces": False}
UNEVEN = {Face.A: FaceCover.COATED, Face.C: FaceCover.ON_BEARERS}
DEPTHS = np.array([0.0, 1.0, 2.0, 4.0, 6.0, 8.0, 12.0, 15.0, 20.0, 30.0, 45.0, 60.0, 75.0])


def six_hourly():
    hours = np.arange(0, 24 * 380, 6.0)
    year, day = np.cos((hours / 24 - 14) / 365.25 * 2 * np.pi), np.cos((hours - 15) / 24 * 2 * np.pi)
    return AirSeries(
        posix_s=hours * 3600,
        temp_c=11 - 10 * year + 4 * day,
        rh_pct=75 + 6 * year - 12 * day - 8 * np.sin(hours / 24 / 5 * 2 * np.pi),
    )


@pytest.mark.parametrize(
    ("law", "start", "faces"),
    [(OAK, 80.0, None), (OAK, 64.0, UNEVEN), (SOFTWOOD, 120.0, None), (SOFTWOOD, 40.0, UNEVEN)],
)
@pytest.mark.parametrize("still", [True, False])
def test_points_are_those_of_a_grid_four_times_finer(law, start, faces, still):
    weather = air([0.0], [15.0], [65.0]) if still else six_hourly()
    days = np.array([7, 14, 30, 60, 120, 200, 365])
    square = Section(width_mm=150, depth_mm=150)
    usual, fine = (
        solver.dry(
            square, start, weather, law, start_posix_s=0.0, at_posix_s=days * 86_400.0, faces=faces, **how
        )
        for how in ({}, FINE)
    )
    off = np.array(
        [
            [coarse.pins_pct(DEPTHS, face) - good.pins_pct(DEPTHS, face) for face in Face]
            for coarse, good in zip(usual, fine, strict=True)
        ]
    )
    off = np.abs(off[..., DEPTHS >= 2])  # nearer to the face the cells of the fine one are too thick
    assert off.max() < 0.3
    assert np.mean(off < 0.15) > 0.94


@pytest.mark.parametrize(("law", "start"), [(OAK, 80.0), (SOFTWOOD, 120.0)])
def test_points_are_those_of_a_solver_that_shares_nothing(law, start):
    law = replace(law, radial_over_tangential=1.0)
    weather, days = six_hourly(), [7, 14, 30]
    hours = np.arange(24 * 31)
    at = np.searchsorted(weather.posix_s, hours * 3600.0, side="right") - 1
    other = slab_pct(
        150, law, weather.temp_c[at], emc_pct(weather.temp_c, weather.rh_pct)[at],
        CONDUCTANCE_M_S[FaceCover.EXPOSED], start, days, DEPTHS,
    )  # fmt: skip
    wide = Section(width_mm=1e6, depth_mm=150)
    fields = solver.dry(
        wide, start, weather, law, start_posix_s=0.0, at_posix_s=np.array(days) * 86_400.0, cells=(4, 18),
        faces={Face.B: FaceCover.COATED, Face.D: FaceCover.COATED},
    )  # fmt: skip
    off = np.abs([field.pins_pct(DEPTHS, Face.A) for field in fields] - other)
    assert off[:, DEPTHS >= 1].max() < 0.2
    assert off[:, 0].max() < 0.5


def test_without_layers_near_the_faces_only_what_lies_near_them_differs():
    days, square = np.array([9.3, 60.0]), Section(width_mm=150, depth_mm=150)
    members = Members(
        d_factor=np.array([0.6, 1.5]), surface_factor=np.ones(2), start_mc_pct=np.array([70.0, 60.0]),
        emc_offset_pct=np.zeros(2),
    )  # fmt: skip
    run = {"start_posix_s": 0.0, "at_posix_s": days * 86_400.0, "members": members}
    alone = solver.dry(square, None, six_hourly(), OAK, near_faces=False, **run)
    for one, other in zip(solver.dry(square, None, six_hourly(), OAK, **run), alone, strict=True):
        assert np.array_equal(one.mc_pct, other.mc_pct)
        near = one.near_faces
        assert near is not None
        assert other.near_faces is None
        below = np.array([0.0, 2.0, near.deepest_mm, 40.0])
        off = one.pins_pct(below, Face.B) - other.pins_pct(below, Face.B)
        assert np.all(np.abs(off[:2]) > 0.02)
        assert np.all(off[2:] == 0)
        assert one.at(75.0 - 2.0, 0.0) == pytest.approx(one.pin_pct(2.0, Face.B), abs=1e-3)
        assert one.along_x_pct(np.array([73.0, -73.0]))[:, 0] == pytest.approx(one.pin_pct(2.0, Face.B))
        assert one.some(slice(1, 2)).pin_pct(2.0, Face.B) == pytest.approx(one.pin_pct(2.0, Face.B)[1:])


def test_layers_near_the_faces_follow_a_coat_and_a_field_to_go_on_from():
    square, begin = Section(width_mm=150, depth_mm=150), 20 * 86_400.0
    faces = [(0.0, {}), (30 * 86_400.0, {Face.A: FaceCover.COATED})]
    how = {"faces": faces, "at_posix_s": np.array([31.0, 60.0]) * 86_400.0}
    whole = solver.dry(square, 70.0, six_hourly(), OAK, start_posix_s=0.0, **how)
    (then,) = solver.dry(square, 70.0, six_hourly(), OAK, start_posix_s=0.0, at_posix_s=begin)
    later = solver.dry(square, then, six_hourly(), OAK, start_posix_s=begin, **how)
    depths = np.array([0.0, 2.0, 6.0])
    for one, other in zip(whole, later, strict=True):
        for face in (Face.A, Face.B):
            assert other.pins_pct(depths, face) == pytest.approx(one.pins_pct(depths, face), abs=0.3)
        assert one.pin_pct(0.0, Face.A) > one.pin_pct(0.0, Face.B) + 2


def air(times, temp, rh):
    return AirSeries(posix_s=np.array(times), temp_c=np.array(temp), rh_pct=np.array(rh))


def test_air_that_is_none_is_refused_in_words():
    with pytest.raises(OutOfRange, match="not a single reading"):
        air([], [], [])
    with pytest.raises(OutOfRange, match="must increase"):
        air([1.0, 1.0], [20.0, 20.0], [50.0, 50.0])
    with pytest.raises(OutOfRange, match="0 to 100"):
        air([1.0], [20.0], [101.0])
    with pytest.raises(OutOfRange, match="as many"):
        air([1.0, 2.0], [20.0], [50.0])
