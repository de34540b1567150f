"""Values at places along a row of cells, and integrals up to them, from the means of the cells."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from baulk.models.constants import Floats
from baulk.models.diffusion import REFERENCE_PCT

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline


LEAST_SLOPE: Final = 1e-4  # a coefficient that hardly grows, in place of one that does not


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Potential:
    """The integral of D over moisture, whose slope is the flux: smooth where moisture itself is not.

    Parameters
    ----------
    slope_per_pct : ndarray, shape () or (m,)
        Growth of ln D per point of moisture below fibre saturation, 0 or more. [1/%]
    fsp_pct : ndarray, shape () or (m,)
        Fibre saturation point. [%]
    free : ndarray, shape () or (m,)
        D above fibre saturation over that at 20 %. [-]

    References
    ----------
    Crank, J., 1975. The Mathematics of Diffusion, 2nd ed., Oxford, section 7.1 (Kirchhoff's transformation),
    from memory.
    """

    slope_per_pct: Floats
    fsp_pct: Floats
    free: Floats

    def some(self, which: slice | NDArray[np.intp]) -> Potential:
        """Return that of some of the members."""
        if self.fsp_pct.ndim == 0:
            return self
        return Potential(
            slope_per_pct=self.slope_per_pct[which], fsp_pct=self.fsp_pct[which], free=self.free[which]
        )

    def values(self, means_pct: Floats, edges_mm: Floats, at_mm: ArrayLike) -> Floats:
        """Compute the moisture at places along rows of cells.

        Parameters
        ----------
        means_pct : ndarray, shape (..., n)
            Means of the cells; the members, if any, along the first axis. [%]
        edges_mm : ndarray, shape (n + 1,)
            Cell edges, increasing. [mm]
        at_mm : array_like, shape (k,)
            Places; beyond the cells the nearest edge is taken. [mm]

        Returns
        -------
        ndarray, shape (..., k)
            Moisture content, 0 or more. [%]

        Notes
        -----
        A spline as in `point_weights`, through the potential. Its mean over a cell is that of the values at
        both edges, first read from a spline through the moisture, and of the one in the middle that gives
        the cell its mean moisture (Simpson's rule); further rounds bring no better values (tried).
        """
        return self.from_means(self.means(means_pct, edges_mm), edges_mm, at_mm)

    def means(self, means_pct: Floats, edges_mm: Floats) -> Floats:
        """Compute the means of the potential over the cells, from which `from_means` reads.

        Parameters
        ----------
        means_pct, edges_mm
            As in `values`. [%, mm]

        Returns
        -------
        ndarray, shape (..., n)
            The potential over D at 20 %. [%]
        """
        edge = means_pct @ point_weights(edges_mm, edges_mm).T
        np.maximum(edge, 0.5 * means_pct.min(axis=-1, keepdims=True), out=edge)
        low, high = edge[..., :-1], edge[..., 1:]
        middle = (6 * means_pct - low - high) / 4
        least, most = np.minimum(low, high), np.maximum(low, high)
        np.maximum(middle, np.minimum(least, means_pct), out=middle)
        np.minimum(middle, np.maximum(most, means_pct), out=middle)
        at_edge, at_middle = self._of(edge), self._of(middle)
        return np.asarray((at_edge[..., :-1] + at_edge[..., 1:] + 4 * at_middle) / 6)

    def from_means(self, means: Floats, edges_mm: Floats, at_mm: ArrayLike) -> Floats:
        """Compute the moisture at places from what `means` gave, as `values` does.

        Parameters
        ----------
        means : ndarray, shape (..., n)
            From `means`. [%]
        edges_mm, at_mm
            As in `values`. [mm]

        Returns
        -------
        ndarray, shape (..., k)
            Moisture content, 0 or more. [%]
        """
        return self._moisture(means @ point_weights(edges_mm, at_mm).T)

    def _own(self, like: Floats) -> tuple[Floats, Floats, Floats]:
        """Return slope, saturation and free, to be laid beside an array whose first axis is the members."""
        far = (..., *[None] * (like.ndim - self.fsp_pct.ndim))
        slope = np.maximum(self.slope_per_pct, LEAST_SLOPE)
        return slope[far], self.fsp_pct[far], self.free[far]

    def _of(self, mc_pct: Floats) -> Floats:
        slope, fsp, free = self._own(mc_pct)
        bound = np.minimum(mc_pct, fsp)
        above = mc_pct - bound
        above *= free
        bound -= REFERENCE_PCT
        bound *= slope
        found = np.exp(bound, out=bound)
        found /= slope
        found += above
        return found

    def _moisture(self, found: Floats) -> Floats:
        slope, fsp, free = self._own(found)
        least, top = (np.exp(slope * (each - REFERENCE_PCT)) / slope for each in (0.0, fsp))
        bound = np.minimum(np.maximum(found, least), top)
        mc = REFERENCE_PCT + np.log(slope * bound) / slope
        mc += np.maximum(found - top, 0.0) / free
        return np.maximum(mc, 0.0)


def point_weights(edges_mm: Floats, at_mm: ArrayLike) -> Floats:
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


def integral_weights(edges_mm: Floats, at_mm: ArrayLike) -> Floats:
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


def bend_weights(edges_mm: Floats, at_mm: ArrayLike) -> Floats:
    """Weights on the means of a row of cells for the second derivative at some places, (..., n), [1/mm2]."""
    return _cached(edges_mm, at_mm, 3)


def _cached(edges_mm: Floats, at_mm: ArrayLike, derivative: int) -> Floats:
    at = np.asarray(at_mm, dtype=np.float64)
    edges = np.ascontiguousarray(edges_mm, dtype=np.float64)
    return _weights(edges.tobytes(), at.tobytes(), derivative).reshape(*at.shape, edges.size - 1)


@lru_cache(maxsize=1024)  # a fit reads the same few pins from the same cells again and again
def _weights(edges: bytes, at: bytes, derivative: int) -> Floats:
    places = np.frombuffer(edges)
    found = np.asarray(_spline(edges)(np.clip(np.frombuffer(at), places[0], places[-1]), derivative))
    found.flags.writeable = False
    return found


@lru_cache(maxsize=64)
def _spline(edges: bytes) -> CubicSpline:
    from scipy.interpolate import CubicSpline  # noqa: PLC0415 - who only stores readings reads no field

    places = np.frombuffer(edges)
    upto = np.tri(places.size, places.size - 1, -1) * np.diff(places)
    return CubicSpline(places, upto)
