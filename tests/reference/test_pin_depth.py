"""The depth of a pin against the series for slab and square bar (Crank 1975 sec. 4.3; Newman 1931)."""

from __future__ import annotations

import numpy as np
import pytest

from baulk.models.meter import pin_depth

ROOTS = np.pi / 2 * np.arange(1, 400, 2)


def slab(u, fourier):
    """Departure from the surface at the share u of the thickness; uniform at first, Fo by the half."""
    terms = np.sin(2 * ROOTS * u) * np.exp(-(ROOTS**2) * fourier) / ROOTS
    return float(2 * np.sum(terms))


def slab_mean(fourier):
    return float(2 * np.sum(np.exp(-(ROOTS**2) * fourier) / ROOTS**2))


def depth_of_mean(fourier, directions):
    """Where a pin in the middle of a face reads the mean, by halving."""
    wanted = slab_mean(fourier) ** directions
    low, high = 0.0, 0.5
    for _ in range(50):
        middle = (low + high) / 2
        here = slab(middle, fourier) * slab(0.5, fourier) ** (directions - 1)
        low, high = (middle, high) if here < wanted else (low, middle)
    return low


def test_the_depths_of_the_table_are_those_of_the_docstring():
    shares = [
        pin_depth.mean_depth_share(faces, profile) for faces in (2, 4) for profile in ("sine", "parabola")
    ]
    assert shares == pytest.approx([0.2197, 0.2113, 0.1328, 0.1273], abs=5e-5)


@pytest.mark.parametrize("fourier", [0.3, 0.5, 1.0])
def test_once_the_core_dries_the_series_reads_the_mean_where_the_sine_does(fourier):
    assert depth_of_mean(fourier, 1) == pytest.approx(pin_depth.mean_depth_share(2), abs=0.004)
    assert depth_of_mean(fourier, 2) == pytest.approx(pin_depth.mean_depth_share(4), abs=0.004)


def test_the_parabola_is_the_steady_bar_with_even_drying():
    # a slab that loses water evenly at every depth: d2M/dx2 constant, so a parabola; mean 2/3 of the height
    u = (np.arange(1000) + 0.5) / 1000
    assert np.mean(4 * u * (1 - u)) == pytest.approx(2 / 3, abs=1e-5)
    across = 4 * u[:, None] * (1 - u[:, None]) * 4 * u[None, :] * (1 - u[None, :])
    at = pin_depth.mean_depth_share(4, "parabola")
    assert 4 * at * (1 - at) == pytest.approx(np.mean(across), abs=1e-5)


def test_the_boards_rule_on_a_square_timber_is_the_known_slip():
    # a fifth to a quarter of the thickness is right for a board; a timber is then read far too wet
    assert 0.2 < pin_depth.mean_depth_share(2) < 0.25
    assert 0.127 < pin_depth.mean_depth_share(4, "parabola") < pin_depth.mean_depth_share(4) < 0.133
    for fourier in (0.3, 0.6):
        for share in (0.2, 0.25):
            assert slab(share, fourier) * slab(0.5, fourier) > 1.4 * slab_mean(fourier) ** 2
