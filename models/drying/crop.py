"""Moving cell means onto the cells of a piece sawn out, compiled: `grid.moved` for many fields.

It gives what `grid.moved` gives to the last bit. That one stands beside it for who cuts a field or two and
has no other use for the compiler.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.drying import grid

# of each new cell: the old one in which it lies, and its share, its share of the slope there, and how far the
# middles of the cells before and after are away
_Cells = tuple[NDArray[np.int64], Floats]


def moved(mc_pct: Floats, x_old: Floats, y_old: Floats, x_new: Floats, y_new: Floats) -> Floats:
    """Cell means on other cells inside the old ones, as `grid.moved`.

    Parameters
    ----------
    mc_pct : ndarray, shape (..., ny, nx)
        Cell means. [%]
    x_old, y_old, x_new, y_new : ndarray
        Edges of its cells and of those wanted. [mm]

    Returns
    -------
    ndarray, shape (..., ny_new, nx_new)
        Cell means. [%]
    """
    x, y = (_within(*(each.tobytes() for each in pair)) for pair in ((x_old, x_new), (y_old, y_new)))
    if x is None or y is None:
        return grid.moved(mc_pct, x_old, y_old, x_new, y_new)
    found = np.empty((*mc_pct.shape[:-2], y[0].size, x[0].size))
    _crop(
        np.ascontiguousarray(mc_pct).reshape(-1, *mc_pct.shape[-2:]),
        *x,
        *y,
        found.reshape(-1, *found.shape[-2:]),
    )
    return found


@lru_cache(maxsize=64)
def _within(old_edges: bytes, new_edges: bytes) -> _Cells | None:
    """Lay out the new cells along one direction; None where one of them lies in several old cells."""
    of_means, parted, of_slopes = grid.shares_moved(old_edges, new_edges)
    if np.any(np.count_nonzero(of_means, axis=0) != 1):
        return None
    old, new = np.frombuffer(old_edges), np.arange(of_means.shape[1])
    middles, cell = (old[1:] + old[:-1]) / 2, np.argmax(of_means != 0.0, axis=0)
    laid = np.ones((4, new.size))
    laid[0] = of_means[cell, new]
    laid[1] = 0.0
    for row, within in enumerate(parted.tolist()):
        mine = cell == within
        laid[1, mine] = of_slopes[row, mine]
        laid[2, mine], laid[3, mine] = (
            middles[within] - middles[within - 1],
            middles[within + 1] - middles[within],
        )
    return cell.astype(np.int64), laid


@njit(inline="always")
def _mean(before: float, here: float, after: float, laid: Floats, new: int) -> float:
    """Return the mean of a new cell from that of the old one in which it lies and the minmod slope there."""
    left, right = (here - before) / laid[2, new], (after - here) / laid[3, new]
    slope = max(min(left, right), 0.0) + min(max(left, right), 0.0)
    found: float = here * laid[0, new] + slope * laid[1, new]
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def _crop(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    mc: Floats, x: NDArray[np.int64], x_laid: Floats, y: NDArray[np.int64], y_laid: Floats, to: Floats
) -> None:
    members, rows, _ = mc.shape
    line = np.empty((rows, x.size))
    for k in range(members):
        for j in range(rows):
            for i in range(x.size):
                at = x[i]
                if x_laid[1, i] == 0.0:
                    line[j, i] = mc[k, j, at] * x_laid[0, i]
                else:
                    line[j, i] = _mean(mc[k, j, at - 1], mc[k, j, at], mc[k, j, at + 1], x_laid, i)
        for j in range(y.size):
            at = y[j]
            if y_laid[1, j] == 0.0:
                for i in range(x.size):
                    to[k, j, i] = line[at, i] * y_laid[0, j]
            else:
                for i in range(x.size):
                    to[k, j, i] = _mean(line[at - 1, i], line[at, i], line[at + 1, i], y_laid, j)
