"""Values at places, and integrals up to them, from the means of cells."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

Array = NDArray[np.float64]


def point_weights(edges_mm: Array, at_mm: ArrayLike) -> Array:
    """Weights on the means of a row of cells for the value at some places.

    Parameters
    ----------
    edges_mm : ndarray, shape (n + 1,)
        Cell edges, increasing, n at least 2. [mm]
    at_mm : array_like, shape (...,)
        Places; beyond the cells the nearest edge is taken. [mm]

    Returns
    -------
    ndarray, shape (..., n)
        Weights of each place, whose sum is 1. [-]

    Notes
    -----
    The integral of the values is known at every edge; the value is the slope of the cubic spline through it,
    so that the mean over each cell is what it was. Exact for a parabola. A step between two cells makes it
    swing by a seventh of the step in the cell beside them, and by a quarter of that in each further one.

    References
    ----------
    de Boor, C., 2001. A Practical Guide to Splines, rev. ed., Springer (cubic spline, not-a-knot ends;
    histograms by the derivative of the spline through their sum), from memory.
    """
    return _cached(edges_mm, at_mm, 1)


def integral_weights(edges_mm: Array, at_mm: ArrayLike) -> Array:
    """Weights on the means of a row of cells for the integral from the first edge to some places.

    Parameters
    ----------
    edges_mm : ndarray, shape (n + 1,)
        Cell edges, increasing, n at least 2. [mm]
    at_mm : array_like, shape (...,)
        Places; beyond the cells the nearest edge is taken. [mm]

    Returns
    -------
    ndarray, shape (..., n)
        Weights of each place. [mm]
    """
    return _cached(edges_mm, at_mm, 0)


def _cached(edges_mm: Array, at_mm: ArrayLike, derivative: int) -> Array:
    at = np.asarray(at_mm, dtype=np.float64)
    edges = np.ascontiguousarray(edges_mm, dtype=np.float64)
    return _weights(edges.tobytes(), at.tobytes(), derivative).reshape(*at.shape, edges.size - 1)


@lru_cache(maxsize=1024)  # a fit reads the same few pins from the same cells again and again
def _weights(edges: bytes, at: bytes, derivative: int) -> Array:
    places = np.frombuffer(edges)
    found = np.asarray(_spline(edges)(np.clip(np.frombuffer(at), places[0], places[-1]), derivative))
    found.flags.writeable = False
    return found


@lru_cache(maxsize=64)
def _spline(edges: bytes) -> CubicSpline:
    places = np.frombuffer(edges)
    upto = np.tri(places.size, places.size - 1, -1) * np.diff(places)
    return CubicSpline(places, upto)
