"""The drying model beside another solver, under one coefficient for all: what differs is cells and steps."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from honesty import grid, physics_bound, truth
from honesty.climates import STEPS_A_DAY

from baulk.models import sapwood, sorption
from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import solver
from baulk.models.field import MoistureField
from baulk.models.section import Section


def test_with_one_coefficient_for_all_both_solvers_tell_the_same():
    section, days, air_pct = Section(width_mm=150, depth_mm=120, pith_x_mm=-60, pith_y_mm=30), 240, 12.0
    d_m2_s, ratio, start, cells = 1.5e-10, 1.4, 28.0, grid.CELLS
    wood = physics_bound.Wood(
        power=0.0, middle_pct=20, width_pct=5, least=1.0, fsp_pct=30, sapwood=1.0, activation_j_mol=0.0,
        ratio=ratio, play=0.0,
    )  # fmt: skip
    place = truth.Place(
        width_mm=150, depth_mm=120, pith_mm=(-60, 30),
        start_pct=np.full((cells, cells), start), sapwood=np.zeros((cells, cells), bool),
    )  # fmt: skip
    steps = days * STEPS_A_DAY
    exposed = solver.CONDUCTANCE_M_S[solver.FaceCover.EXPOSED]
    drive = truth.Drive(
        days=days,
        wood_c=np.full(steps, 20.0),
        emc_pct=np.full(steps, air_pct),
        surface_m_s=np.full((steps, 4), exposed),
    )
    # there the level is the tangential coefficient, here the mean of both directions
    level = d_m2_s * 2 / (1 + ratio) / physics_bound.REFERENCE_M2_S
    found = physics_bound.dry(wood, level, place, drive)
    air = AirSeries(
        posix_s=np.zeros(1), temp_c=np.full(1, 20.0), rh_pct=np.full(1, float(sorption.rh_pct(20, air_pct)))
    )
    law = DiffusionLaw(d_ref_m2_s=d_m2_s, slope_per_pct=0.0, radial_over_tangential=ratio)
    at_days = np.array([30, 120, 240])
    ours = solver.dry(section, start, air, law, start_posix_s=0.0, at_posix_s=at_days * 86_400.0)
    for day, field in zip(at_days, ours, strict=True):
        other = grid.parts_pct(found[day].astype(float), 150, 120)
        for part in ("mean", "core", "shell"):
            assert other[part] == pytest.approx(float(getattr(field, f"{part}_pct")), abs=0.15)


def test_wet_sapwood_that_conducts_its_free_water_better_dries_as_in_the_other_solver():
    # heartwood at 50 % within 95 mm of the pith, sapwood at 110 % beyond, three times the coefficient there
    # while it is above saturation; the other solver takes each cell for one or the other
    section, days, air_pct, heart_mm = Section(width_mm=150, depth_mm=120, pith_x_mm=-60), 150, 12.0, 95.0
    d_m2_s, cells = 1.5e-10, grid.CELLS
    wood = physics_bound.Wood(
        power=0.0, middle_pct=20, width_pct=5, least=1.0, fsp_pct=30, sapwood=3.0, activation_j_mol=0.0,
        ratio=1.0, play=0.0,
    )  # fmt: skip
    x, y = grid.centres_mm(150, cells), grid.centres_mm(120, cells)
    outside = np.hypot(x[None] + 60, y[:, None]) > heart_mm
    place = truth.Place(
        width_mm=150, depth_mm=120, pith_mm=(-60, 0),
        start_pct=np.where(outside, 110.0, 50.0), sapwood=outside,
    )  # fmt: skip
    steps = days * STEPS_A_DAY
    drive = truth.Drive(
        days=days, wood_c=np.full(steps, 20.0), emc_pct=np.full(steps, air_pct),
        surface_m_s=np.full((steps, 4), solver.CONDUCTANCE_M_S[solver.FaceCover.EXPOSED]),
    )  # fmt: skip
    found = physics_bound.dry(wood, d_m2_s / physics_bound.REFERENCE_M2_S, place, drive)
    air = AirSeries(
        posix_s=np.zeros(1), temp_c=np.full(1, 20.0), rh_pct=np.full(1, float(sorption.rh_pct(20, air_pct)))
    )
    law = DiffusionLaw(
        d_ref_m2_s=d_m2_s, slope_per_pct=0.0, radial_over_tangential=1.0, fsp_pct=30, sapwood_raised=3.0
    )
    x_edges, y_edges = solver.graded_edges_mm(150, 18), solver.graded_edges_mm(120, 18)
    share = sapwood.shares(section, x_edges, y_edges, heart_mm)
    start = MoistureField(
        posix_s=0.0, section=section, x_edges_mm=x_edges, y_edges_mm=y_edges, mc_pct=50 + 60 * share[None]
    )
    one = np.ones(1)
    at_days = np.array([15, 60, 150])

    def dried(**own):
        members = solver.Members(
            d_factor=one, surface_factor=one, start_mc_pct=one, emc_offset_pct=0 * one, **own
        )
        return solver.dry(
            section, start, air, law, start_posix_s=0.0, at_posix_s=at_days * 86_400.0, members=members
        )

    ours, without = dried(heartwood_mm=heart_mm * one), dried()
    assert start.mean_pct[0] == pytest.approx(place.start_pct.mean(), abs=0.4)
    for day, field, bare in zip(at_days, ours, without, strict=True):
        other = grid.parts_pct(found[day].astype(float), 150, 120)
        for part in ("mean", "core", "shell"):
            assert other[part] == pytest.approx(getattr(field, f"{part}_pct")[0], abs=0.5), (day, part)
        assert bare.mean_pct[0] > other["mean"] + 0.7  # as if all of it were heartwood
