"""What is cut out of many fields in the compiled core is what `grid.moved` cuts out of each, to the last bit.

What `grid.moved` is worth is tested in test_drying.py; a fault in the weights, which both take from there,
could not be found here.
"""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models.drying import crop, grid, solver
from baulk.models.field import MoistureField
from baulk.models.section import Finished, Section


def uneven(rng, *shape):
    """Moisture with fronts and peaks, so that slopes are limited to both sides and left out at peaks."""
    return rng.uniform(8, 90, size=shape)


@pytest.mark.parametrize("seed", range(12))
def test_a_piece_cut_in_the_compiled_core_is_that_of_numpy(seed):
    rng = np.random.default_rng(seed)
    x, y = (grid.graded_edges_mm(size, int(rng.integers(8, 24))) for size in rng.uniform(100, 300, size=2))
    x, y = x - rng.uniform(-8, 8), y - rng.uniform(-8, 8)
    x_new, y_new = (grid.cropped_mm(edges, rng.uniform(0.5, 0.85) * np.ptp(edges)) for edges in (x, y))
    mc = uneven(rng, 5, y.size - 1, x.size - 1)
    found = crop.moved(mc, x, y, x_new, y_new)
    np.testing.assert_array_equal(found, grid.moved(mc, x, y, x_new, y_new))
    # and the outermost kept cell is no plain copy
    assert not np.array_equal(
        found[:, 0, 0], mc[:, np.searchsorted(y, y_new[0]) - 1, np.searchsorted(x, x_new[0]) - 1]
    )


def test_a_sliver_of_a_cell_is_put_to_the_next_one_by_numpy():
    rng = np.random.default_rng(0)
    edges = np.array([-60.0, -40.0, -39.9995, 0.0, 30.0, 60.0])
    new = grid.cropped_mm(edges, 80.0)
    assert np.count_nonzero(grid.shares_moved(edges.tobytes(), new.tobytes())[0], axis=0).max() == 2
    mc = uneven(rng, 3, 5, 5)
    np.testing.assert_array_equal(
        crop.moved(mc, edges, edges, new, new), grid.moved(mc, edges, edges, new, new)
    )


def test_each_moment_is_cut_as_by_itself():
    rng, section = np.random.default_rng(4), Section(width_mm=200, depth_mm=160)
    x, y = grid.section_edges_mm(section, (18, 18))
    fields = [
        MoistureField(posix_s=at, section=section, x_edges_mm=x, y_edges_mm=y, mc_pct=uneven(rng, 4, 18, 18))
        for at in (0.0, 60.0)
    ]
    finished = Finished(width_mm=150, depth_mm=120, centre_x_mm=5.0)
    for one, each in zip(solver.cut_each(fields, finished), fields, strict=True):
        other = solver.cut(each, finished)
        assert one.posix_s == other.posix_s
        assert one.section == other.section
        np.testing.assert_array_equal(one.mc_pct, other.mc_pct)
        np.testing.assert_array_equal(one.x_edges_mm, other.x_edges_mm)
