"""Size and weight against worked examples of others; the source stands beside each."""

from __future__ import annotations

import numpy as np
import pytest
from geotech_references.wood_handbook import moisture_relations
from hypothesis import given
from hypothesis import strategies as st

from baulk.models import gravimetric, sample_board, shrinkage, species
from baulk.models.errors import OutOfRange

below = st.floats(min_value=0, max_value=30)


def test_the_flooring_trades_example_of_eq_13_2_is_met():
    # mesquite 5 in wide, 6 to 9 %, C = 0.00129: 0.019 in (flooring trade note citing Wood Handbook 1987)
    assert shrinkage.change_by_coefficient_mm(5, 6, 9, 0.00129) == pytest.approx(0.019, abs=5e-4)


@given(size=st.floats(1, 1000), a=below, b=below, total=st.floats(min_value=0.5, max_value=20))
def test_eq_13_3_is_the_straight_law_written_another_way(size, a, b, total):
    law = shrinkage.dimension_change_mm(size, a, b, total, 30)
    assert shrinkage.change_by_total_mm(size, a, b, total, 30) == pytest.approx(law, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("name", species.names())
def test_eq_13_2_and_13_3_agree_between_6_and_14_percent(name):
    # the first takes the coefficient at 10 % for all sizes: apart by at most a fiftieth of the change
    wood = species.get(name)
    for total in (wood.shrinkage_radial_pct, wood.shrinkage_tangential_pct):
        by_coefficient = shrinkage.change_by_coefficient_mm(
            100, 6, 14, shrinkage.coefficient_per_pct(total, wood.shrinkage_onset_pct)
        )
        by_total = shrinkage.change_by_total_mm(100, 6, 14, total, wood.shrinkage_onset_pct)
        assert by_coefficient == pytest.approx(by_total, rel=0.02)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: shrinkage.change_by_coefficient_mm(5, 30, 9, 0.001), "must lie between 6 and 14 %"),
        (lambda: shrinkage.change_by_total_mm(5, 40, 9, 5, 30), "between 0 % and the onset of shrinkage"),
        (lambda: shrinkage.change_by_total_mm(5, 20, 9, 0, 30), "must be above 0 %"),
    ],
)
def test_the_two_equations_keep_to_their_ranges(call, says):
    with pytest.raises(OutOfRange, match=says):
        call()


def test_the_handbooks_density_example_is_met():
    # Wood Handbook, FPL-GTR-282 (2021) p. 4-12: white ash, Gb 0.55 at 12 %: printed 678 kg/m3 from a G
    # rounded to 0.605; the equation itself gives 675
    assert gravimetric.density_kg_m3(550, 12) == pytest.approx(678, rel=0.005)


@pytest.mark.parametrize(
    ("gravity", "mc", "printed"),
    [
        (0.60, 12, 672),  # Wood Handbook, FPL-GTR-282 (2021) Table 4-6a, in the geotech-references test suite
        (0.40, 100, 800),  # the same
        (0.40, 12, 448),  # University of Missouri forestry page citing Wood Handbook chapter 4
    ],
)
def test_the_printed_densities_follow_from_the_gravity_at_that_moisture(gravity, mc, printed):
    # the table goes in by the gravity at x %; ours by the basic one, so the shrinkage is put at nothing
    assert gravimetric.density_kg_m3(1000 * gravity, mc, volumetric_pct=0) == pytest.approx(printed, abs=0.5)


@pytest.mark.parametrize("mc", [0, 6, 12, 20, 29])
def test_an_independent_implementation_of_density_agrees(mc):
    # PyPI geotech-references 1.4.1: eq. 4-11 to 4-14
    for volumetric in (None, 16.3):
        gx = moisture_relations.specific_gravity_from_basic(0.6, mc, volumetric)["gx"]
        theirs = moisture_relations.density_from_specific_gravity(gx, mc)["density_kg_m3"]
        ours = gravimetric.density_kg_m3(600, mc, volumetric_pct=volumetric)
        assert ours == pytest.approx(theirs, rel=1e-12)


@pytest.mark.parametrize("name", species.names())
def test_the_volume_shrinks_by_about_the_two_directions_together(name):
    # Tables 4-3 and 4-4 measured the three on different pieces: within 3 points, and 20 % of the value
    wood = species.get(name)
    together = 100 - (100 - wood.shrinkage_radial_pct) * (100 - wood.shrinkage_tangential_pct) / 100
    assert wood.shrinkage_volumetric_pct == pytest.approx(together, abs=3.0)


def test_density_grows_with_moisture_and_answers_arrays_as_numbers():
    mc = np.array([0.0, 12.0, 30.0, 60.0])
    density = gravimetric.density_kg_m3(600, mc)
    assert np.all(np.diff(density) > 0)
    assert density[3] == gravimetric.density_kg_m3(600, 60.0) == pytest.approx(960)


def test_wood_denser_than_its_own_cell_wall_is_refused():
    with pytest.raises(OutOfRange, match="must be below 1540 kg/m3, that of the cell wall itself"):
        gravimetric.density_kg_m3(1600, 12)


def test_c19_and_c20_a_sample_board():
    # E. M. Wengert, Drying oak lumber, step 3B: OD = W0 x 100 / (100 + mean of the two sections)
    dry = sample_board.oven_dry_kg(10.0, (60.0, 64.0))
    assert dry == pytest.approx(6.173, abs=0.0005)
    assert sample_board.mc_pct(8.0, dry) == pytest.approx(29.6, abs=0.05)
