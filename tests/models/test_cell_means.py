from __future__ import annotations

import numpy as np
import pytest

from baulk.models.cell_means import integral_weights, point_weights
from baulk.models.drying.grid import graded_edges_mm


def test_weights_keep_the_mean_of_every_cell_and_two_cells_are_enough():
    for cells in (2, 3, 16):
        edges = graded_edges_mm(150, cells)
        inside = np.linspace(edges[0], edges[1], 2001)
        mean = np.trapezoid(point_weights(edges, inside), inside, axis=0) / (edges[1] - edges[0])
        assert mean == pytest.approx(np.eye(cells)[0], abs=1e-5)
        assert integral_weights(edges, edges[-1]) == pytest.approx(np.diff(edges))
        assert point_weights(edges, 999.0) == pytest.approx(point_weights(edges, edges[-1]))
