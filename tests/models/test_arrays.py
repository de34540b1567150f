"""Arrays answer as their numbers do, in every pure function of wood and weight."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import gravimetric, sample_board, shrinkage, strength

FUNCTIONS = {
    "free_pct": lambda mc: shrinkage.free_pct(mc, 9.5, 30),
    "dimension_change_mm": lambda mc: shrinkage.dimension_change_mm(150, 25, mc, 9.5, 30),
    "change_by_total_mm": lambda mc: shrinkage.change_by_total_mm(150, 25, mc, 9.5, 30),
    "coefficient_per_pct": lambda mc: shrinkage.coefficient_per_pct(mc / 4 + 1, 30),
    "wet_kg": lambda mc: gravimetric.wet_kg(10, mc),
    "mc_pct": lambda mc: gravimetric.mc_pct(10 + mc, 10),
    "mc_from_weight_pct": lambda mc: gravimetric.mc_from_weight_pct(10, 10.5, mc + 10),
    "density_kg_m3": lambda mc: gravimetric.density_kg_m3(600, mc),
    "dry_basis_pct": gravimetric.dry_basis_pct,
    "wet_basis_pct": gravimetric.wet_basis_pct,
    "max_mc_pct": lambda mc: gravimetric.max_mc_pct(300 + 10 * mc),
    "oven_dry_kg": lambda mc: sample_board.oven_dry_kg(mc + 1, (60, 64)),
    "sample_board.mc_pct": lambda mc: sample_board.mc_pct(mc + 10, 9),
    "mc_from_weight": lambda mc: (
        sample_board.mc_from_weight(10, 10.5, mc + 10, start_mc_sd_pct=3).sd_pct + 0 * mc
    ),
    "strength.at_mc": lambda mc: strength.at_mc(9, 5, mc + 4),
}


@pytest.mark.parametrize("name", FUNCTIONS)
@given(mc=st.lists(st.floats(min_value=0, max_value=30), min_size=1, max_size=5))
def test_an_array_gives_what_its_members_give_and_a_gap_stays_a_gap(name, mc):
    function = FUNCTIONS[name]
    found = function(np.array([*mc, np.nan]))
    assert found.shape == (len(mc) + 1,)
    # numpy's vectorised powers may differ from its scalar ones in the last digit
    assert found[:-1] == pytest.approx(
        [float(function(np.float64(each))) for each in mc], rel=1e-12, abs=1e-12
    )
    assert np.isnan(found[-1])
