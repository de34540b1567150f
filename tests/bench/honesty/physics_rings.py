"""Truth e, of the second kept-out set: growth rings that differ, a flux askew to its own gradient.

The coefficient is a tensor about the pith, cross terms and all; it differs from ring to ring, follows a Hill
curve of moisture below saturation and above it falls to what plugged vessels let through and rises again with
the square of how full they are. Two memories, of days and of weeks, stand between air and surface. Volumes
with gradients along the faces taken from the six cells beside them, forward Euler. Nobody has looked at what
the program does with it but to report the figures.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from honesty.climates import DAY_S, STEP_S
from honesty.grid import centres_mm

REFERENCE_M2_S = 4.5e-11  # m2/s, level of northern red oak; see physics_bound


@dataclass(frozen=True, kw_only=True)
class Wood:
    """One timber."""

    fsp_pct: float
    power: float  # of the Hill curve
    half_pct: float  # moisture at which it stands half-way
    plugged: float  # coefficient just above saturation over that just below
    sapwood: float  # the same in sapwood
    full_pct: float
    ring_sd: float  # of ln D between rings
    waves: tuple[float, float, float]  # phases of the rings
    activation_j_mol: float
    ratio: float
    slow_share: float
    slow_days: float


def draw(rng, kind):
    """Draw one timber's law."""
    return Wood(
        fsp_pct=float(kind.fsp_pct),  # compiled for real numbers, once
        power=float(rng.uniform(1.5, 3.5)),
        half_pct=float(rng.uniform(15, 24)),
        plugged=float(np.exp(rng.normal(-0.7, 0.5))),
        sapwood=float(rng.uniform(1.5, 4)) if kind.softwood else 1.0,
        full_pct=float(rng.uniform(90, 140)),
        ring_sd=float(rng.uniform(0.15, 0.45)),
        waves=tuple(rng.uniform(0, 2 * np.pi, 3).tolist()),
        activation_j_mol=float(rng.uniform(32e3, 50e3)),
        ratio=float(rng.uniform(1.0, 1.9)),
        slow_share=float(rng.uniform(0.1, 0.35)),
        slow_days=float(rng.uniform(15, 45)),
    )


def rings(wood, away_mm):
    """Factor on the coefficient at a distance from the pith, 1 on the geometric mean."""
    lengths = (9.0, 23.0, 61.0)  # mm
    found = sum(np.sin(2 * np.pi * away_mm / one + at) for one, at in zip(lengths, wood.waves, strict=True))
    return np.exp(wood.ring_sd * found * (2 / 3) ** 0.5)


def remembered(emc_pct, share, days):
    """Equilibrium of the surface: most of it within days, a share with a memory of weeks."""
    quick, slow = (np.exp(-STEP_S / DAY_S / each) for each in (1.0, days))
    a = b = emc_pct[:240].mean()
    out = np.empty_like(emc_pct)
    for i, each in enumerate(emc_pct):
        a, b = quick * a + (1 - quick) * each, slow * b + (1 - slow) * each
        out[i] = (1 - share) * a + share * b
    return out


def dry(wood, level, place, drive):
    """Fields at the end of every day, (days, ny, nx)."""
    cells = place.start_pct.shape[0]
    x = centres_mm(place.width_mm, cells)[None] - place.pith_mm[0]
    y = centres_mm(place.depth_mm, cells)[:, None] - place.pith_mm[1]
    away = np.hypot(x, y)
    c, s = x / np.maximum(away, 1e-6), y / np.maximum(away, 1e-6)
    factor = rings(wood, away)
    tensor = np.stack([wood.ratio * c * c + s * s, c * c + wood.ratio * s * s, (wood.ratio - 1) * c * s])
    free = np.where(place.sapwood, wood.sapwood, wood.plugged)
    law = (wood.fsp_pct, wood.power, wood.half_pct, wood.full_pct)
    warm = REFERENCE_M2_S * level * drive.warm(wood.activation_j_mol)
    target = remembered(drive.emc_pct, wood.slow_share, wood.slow_days)
    size = (place.width_mm / 1e3 / cells, place.depth_mm / 1e3 / cells)
    out = np.empty((drive.days + 1, cells, cells), np.float32)
    _march(place.start_pct.copy(), size, tensor, factor, free, law, warm, target, drive.surface_m_s, out)
    return out


@numba.njit(cache=True)
def _hill(moist, law):
    high = (max(moist, 1.0) / law[2]) ** law[1]
    return 2 * high / (1 + high)


@numba.njit(cache=True)
def _coefficient(mc, factor, free, law, d):
    top, most = _hill(law[0], law), 0.0
    for j in range(mc.shape[0]):
        for i in range(mc.shape[1]):
            if mc[j, i] <= law[0]:
                d[j, i] = factor[j, i] * _hill(mc[j, i], law)
            else:
                full = min((mc[j, i] - law[0]) / (law[3] - law[0]), 1.0)
                into = min((mc[j, i] - law[0]) / 4, 1.0)  # the step is spread over four points
                then = free[j, i] + max(1.2 - free[j, i], 0.0) * full**2
                d[j, i] = factor[j, i] * top * (1 + into * (then - 1))
            most = max(most, d[j, i])
    return most


@numba.njit(cache=True)
def _along(mc, j, i, down):
    """Rise along the face between a cell and its neighbour over one side of a cell, times two."""
    ny, nx = mc.shape
    if down:  # the face to cell (j + 1, i); gradient along x
        a, b = max(i - 1, 0), min(i + 1, nx - 1)
        return (mc[j, b] + mc[j + 1, b] - mc[j, a] - mc[j + 1, a]) / (b - a)
    a, b = max(j - 1, 0), min(j + 1, ny - 1)
    return (mc[b, i] + mc[b, i + 1] - mc[a, i] - mc[a, i + 1]) / (b - a)


@numba.njit(cache=True)
def _inside(mc, d, tensor, size, gain):
    ny, nx = mc.shape
    dx, dy = size
    gain[:] = 0.0
    for j in range(ny):
        for i in range(nx - 1):
            k = 2 * d[j, i] * d[j, i + 1] / (d[j, i] + d[j, i + 1])
            own = (tensor[0, j, i] + tensor[0, j, i + 1]) / 2 * (mc[j, i] - mc[j, i + 1]) / dx
            cross = -(tensor[2, j, i] + tensor[2, j, i + 1]) / 2 * _along(mc, j, i, 0) / 2 / dy
            gain[j, i] -= k * (own + cross) / dx
            gain[j, i + 1] += k * (own + cross) / dx
    for j in range(ny - 1):
        for i in range(nx):
            k = 2 * d[j, i] * d[j + 1, i] / (d[j, i] + d[j + 1, i])
            own = (tensor[1, j, i] + tensor[1, j + 1, i]) / 2 * (mc[j, i] - mc[j + 1, i]) / dy
            cross = -(tensor[2, j, i] + tensor[2, j + 1, i]) / 2 * _along(mc, j, i, 1) / 2 / dx
            gain[j, i] -= k * (own + cross) / dy
            gain[j + 1, i] += k * (own + cross) / dy


@numba.njit(cache=True)
def _through_faces(mc, d, warm, tensor, size, surface, target, gain):
    ny, nx = mc.shape
    for face in range(4):
        upright = face % 2 == 1
        h = size[0] if upright else size[1]
        if surface[face] <= 0:
            continue
        for at in range(ny if upright else nx):
            j = at if upright else (ny - 1 if face < 2 else 0)
            i = (nx - 1 if face < 2 else 0) if upright else at
            k = warm * d[j, i] * tensor[0 if upright else 1, j, i]
            gain[j, i] -= (mc[j, i] - target) / (1 / surface[face] + h / 2 / k) / h


@numba.njit(cache=True)
def _march(mc, size, tensor, factor, free, law, warm, target, surface, out):
    d, gain = np.empty(mc.shape), np.empty(mc.shape)
    out[0] = mc
    for step in range(warm.size):
        most = _coefficient(mc, factor, free, law, d)
        many = int(STEP_S * warm[step] * most * 2.0 * 2.6 * (1 / size[0] ** 2 + 1 / size[1] ** 2)) + 1
        for part in range(many):
            if part > 0 and part % 2 == 0:
                _coefficient(mc, factor, free, law, d)
            _inside(mc, d, tensor, size, gain)
            gain *= warm[step]
            _through_faces(mc, d, warm[step], tensor, size, surface[step], target[step], gain)
            mc += STEP_S / many * gain
        if (step + 1) % 8 == 0:
            out[(step + 1) // 8] = mc
