"""The drying model beside another solver, under one coefficient for all: what differs is cells and steps."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

from honesty import grid, physics_bound, truth
from honesty.climates import STEPS_A_DAY

from baulk.models import sorption
from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying import solver
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
