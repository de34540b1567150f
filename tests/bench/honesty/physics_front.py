"""Truth c: free water stands still and is eaten away by a front that recedes; below it D hardly changes.

The Stefan problem in its enthalpy form: what flows is driven by the bound water alone, min(M, saturation), so
that wood ahead of the front keeps its free water until the front is there. Cell-centred volumes, forward
Euler. The surface's equilibrium runs after the air by some days.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from honesty.climates import STEP_S, running_mean
from honesty.grid import edge_shares, shares

REFERENCE_M2_S = 1.4e-10  # m2/s, level of northern red oak; see physics_bound


@dataclass(frozen=True, kw_only=True)
class Wood:
    """One timber."""

    fsp_pct: float
    slope_per_pct: float  # of ln D below saturation
    creep: float  # free water that moves nevertheless, as a share of D
    sapwood: float  # the same in sapwood
    activation_j_mol: float
    ratio: float
    lag_days: float


def draw(rng, kind):
    """Draw one timber's law."""
    return Wood(
        fsp_pct=float(kind.fsp_pct),  # compiled for real numbers, once
        slope_per_pct=float(rng.uniform(-0.01, 0.03)),
        creep=float(rng.uniform(0.0, 0.06)),
        sapwood=float(rng.uniform(0.5, 1.5)) if kind.softwood else 0.05,
        activation_j_mol=float(rng.uniform(33e3, 50e3)),
        ratio=float(rng.uniform(1.0, 1.6)),
        lag_days=float(rng.uniform(2, 12)),
    )


def dry(wood, level, place, drive):
    """Fields at the end of every day, (days, ny, nx)."""
    sx, sy = shares(place.width_mm, place.depth_mm, place.pith_mm, wood.ratio)
    edge = edge_shares(place.width_mm, place.depth_mm, place.pith_mm, wood.ratio)
    warm = REFERENCE_M2_S * level * drive.warm(wood.activation_j_mol)
    target = running_mean(drive.emc_pct, wood.lag_days)
    cells = place.start_pct.shape[0]
    size = (place.width_mm / 1e3 / cells, place.depth_mm / 1e3 / cells)
    free = np.where(place.sapwood, wood.sapwood, wood.creep)
    out = np.empty((drive.days + 1, cells, cells), np.float32)
    law = (wood.fsp_pct, wood.slope_per_pct)
    _march(
        place.start_pct.copy(),
        size,
        sx,
        sy,
        edge,
        free,
        law,
        warm,
        target,
        drive.surface_m_s,
        out,
    )
    return out


@numba.njit(cache=True)
def _potential(moist, fsp, slope):
    """Integral of D over its level, from zero: what the flux of bound water is the gradient of."""
    bound = min(moist, fsp)
    if abs(slope) < 1e-6:
        return bound
    return (np.exp(slope * (bound - 20)) - np.exp(-20 * slope)) / slope


@numba.njit(cache=True)
def _between(mc, head, free, fsp, one, other):
    """Fall from one cell to another: of the bound water, and of what little free water moves in both."""
    share = min(free[one], free[other])
    return head[one] - head[other] + share * (max(mc[one] - fsp, 0.0) - max(mc[other] - fsp, 0.0))


@numba.njit(cache=True)
def _inside(mc, head, free, fsp, sx, sy, size, gain):
    """What the flows between cells bring to each, but for the coefficient's level."""
    ny, nx = mc.shape
    dx, dy = size
    gain[:] = 0.0
    for j in range(ny):
        for i in range(nx - 1):
            flux = sx[j, i] * _between(mc, head, free, fsp, (j, i), (j, i + 1)) / dx
            gain[j, i] -= flux / dx
            gain[j, i + 1] += flux / dx
    for j in range(ny - 1):
        for i in range(nx):
            flux = sy[j, i] * _between(mc, head, free, fsp, (j, i), (j + 1, i)) / dy
            gain[j, i] -= flux / dy
            gain[j + 1, i] += flux / dy


@numba.njit(cache=True)
def _through_faces(mc, head, edge, law, size, level, surface, target, gain):
    """The surface's own resistance is against moisture, the wood's against the potential: both in series."""
    ny, nx = mc.shape
    fsp, slope = law
    air = _potential(target, fsp, slope)
    for face in range(4):
        upright = face % 2 == 1
        h = size[0] if upright else size[1]
        far = face < 2  # a and b lie at the high end of their axis
        if surface[face] <= 0:
            continue
        for at in range(ny if upright else nx):
            j = at if upright else (ny - 1 if far else 0)
            i = (nx - 1 if far else 0) if upright else at
            steep = max(head[j, i] - air, 0.0) / max(min(mc[j, i], fsp) - target, 1e-9)
            steep = steep if steep > 1e-3 else np.exp(slope * (target - 20))
            gain[j, i] -= (head[j, i] - air) / (steep / surface[face] + h / 2 / (edge[face, at] * level)) / h


@numba.njit(cache=True)
def _march(mc, size, sx, sy, edge, free, law, warm, target, surface, out):
    fsp, slope = law
    head, gain = np.empty(mc.shape), np.empty(mc.shape)
    steepest = 1.6 * max(np.exp(slope * (fsp - 20)), np.exp(-20 * slope), free.max())
    out[0] = mc
    for step in range(warm.size):
        many = int(STEP_S * warm[step] * steepest * 2.0 * (1 / size[0] ** 2 + 1 / size[1] ** 2)) + 1
        for _ in range(many):
            for j in range(mc.shape[0]):
                for i in range(mc.shape[1]):
                    head[j, i] = _potential(mc[j, i], fsp, slope)
            _inside(mc, head, free, fsp, sx, sy, size, gain)
            gain *= warm[step]
            _through_faces(mc, head, edge, law, size, warm[step], surface[step], target[step], gain)
            mc += STEP_S / many * gain
        if (step + 1) % 8 == 0:
            out[(step + 1) // 8] = mc
