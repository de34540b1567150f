"""A small part of the coverage study on every run, so that honesty cannot rot unseen.

The truth comes from another model (tests/bench/coverage_study.py, other_model.py); the whole study of 200
timbers is `tests/run --bench -k coverage`.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))
import coverage_study as study
import other_model

from baulk.models import drying, sorption
from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.field import MoistureField
from baulk.models.section import Section

TIMBERS = 20


def test_with_one_coefficient_for_all_both_models_are_the_same():
    # what remains of the difference is then cells, steps and solver; all the rest is what the study varies
    section, days, air_pct = Section(width_mm=150, depth_mm=120, pith_x_mm=-60, pith_y_mm=30), 240, 12.0
    d_m2_s, ratio, start = 1.5e-10, 1.4, 28.0
    steps = int(days * 86_400 / other_model.STEP_S)
    own = other_model.Wood(
        d_m2_s=d_m2_s, middle_pct=20, width_pct=5, least_share=1.0, fsp_pct=30, raised=1.0,
        activation_j_mol=0.0, ratio=ratio, conductance_m_s=drying.CONDUCTANCE_M_S[drying.FaceCover.EXPOSED],
        start_pct=start,
    )  # fmt: skip
    keep = np.array([steps // 8, steps // 2, steps])
    found = other_model.dry(section, own, np.full(steps, 20.0), np.full(steps, air_pct), keep)
    air = AirSeries(
        posix_s=np.zeros(1), temp_c=np.full(1, 20.0), rh_pct=np.full(1, float(sorption.rh_pct(20, air_pct)))
    )
    law = DiffusionLaw(d_ref_m2_s=d_m2_s, slope_per_pct=0.0, radial_over_tangential=ratio)
    ours = drying.dry(section, start, air, law, start_posix_s=0.0, at_posix_s=keep * other_model.STEP_S)
    for mc, field in zip(found, ours, strict=True):
        other = MoistureField(
            posix_s=field.posix_s,
            section=section,
            x_edges_mm=other_model.edges_mm(150),
            y_edges_mm=other_model.edges_mm(120),
            mc_pct=mc,
        )
        for part in study.PARTS:
            assert getattr(other, f"{part}_pct") == pytest.approx(getattr(field, f"{part}_pct"), abs=0.1)


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_the_forecasts_of_a_few_timbers_keep_their_word():
    found = study.run(range(TIMBERS), members=32)
    ours, ruler = study.score(found), study.ruler_score(found)
    # an interval that truly covers 85 % falls below this once in 200 times, one that covers 60 % mostly does
    least = stats.binom.ppf(0.005, TIMBERS, 0.85) / TIMBERS
    assert ours.covered >= least
    # and an honest one is not bought by width: half of the timbers lie within the inner half, give or take
    low, high = stats.binom.ppf((0.0025, 0.9975), TIMBERS, 0.5) / TIMBERS
    assert low <= ours.half <= high
    assert 1.5 * ours.error < ruler.error
    assert ours.winkler < ruler.winkler
