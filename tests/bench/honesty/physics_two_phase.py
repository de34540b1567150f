"""Truth b: free water by capillaries, bound by its vapour pressure, and wood that takes days to yield.

Three waters in every cell: free (f), bound and in step with the vapour between the walls (m), and bound but
slow (s), which follows m with a time constant of days. Only f and m move: f along its own gradient by a
conductance that falls with the square of what is left, m along the gradient of relative vapour pressure. Free
water refills m and s while there is any. Forward Euler on even cells.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from honesty.climates import DAY_S, GAB, STEP_S
from honesty.grid import edge_shares, shares

REFERENCE_M2_S = 8.6e-11  # m2/s, level of northern red oak; see physics_bound
CAPILLARY = {
    "hardwood": 0.9,
    "softwood": 1.5,
}  # over the level, wood full of water; our own guess


@dataclass(frozen=True, kw_only=True)
class Wood:
    """One timber."""

    fsp_pct: float
    rise_per_pct: float  # of the conductivity for vapour pressure, over moisture
    mobile: float  # share of the bound water that is in step with the vapour
    slow_days: float
    free_days: float
    capillary: float
    sapwood: float
    full_pct: float  # free water at which the capillaries conduct fully
    activation_j_mol: float
    ratio: float


def draw(rng, kind):
    """Draw one timber's law."""
    usual = CAPILLARY["softwood" if kind.softwood else "hardwood"]
    return Wood(
        fsp_pct=kind.fsp_pct,
        rise_per_pct=float(rng.uniform(0.05, 0.13)),
        mobile=float(rng.uniform(0.4, 0.75)),
        slow_days=float(rng.uniform(2, 9)),
        free_days=float(rng.uniform(0.3, 1.5)),
        capillary=usual * float(np.exp(rng.normal(0, 0.5))),
        sapwood=float(rng.uniform(4, 12)) if kind.softwood else 1.3,
        full_pct=float(rng.uniform(35, 60)),
        activation_j_mol=float(rng.uniform(32e3, 46e3)),
        ratio=float(rng.uniform(1.1, 1.7)),
    )


def isotherm(fsp_pct):
    """Relative vapour pressure at even steps of bound water, 0 to saturation, 20 degC."""
    h = np.linspace(0, 1, 2001)
    m, c, k = GAB[0] + GAB[1] * 20, GAB[2] * np.exp(GAB[3] * 20), GAB[4] + GAB[5] * 20
    bound = m * c * k * h / ((1 - k * h) * (1 - k * h + c * k * h))
    return np.interp(np.linspace(0, fsp_pct, 601), bound * fsp_pct / bound[-1], h)


def bound_pct(pressure, fsp_pct):
    """Bound water at a relative vapour pressure; what `isotherm` tells, the other way round."""
    return np.interp(pressure, isotherm(fsp_pct), np.linspace(0, fsp_pct, 601))


def dry(wood, level, place, drive):
    """Fields of all water at the end of every day, (days, ny, nx)."""
    sx, sy = shares(place.width_mm, place.depth_mm, place.pith_mm, wood.ratio)
    edge = edge_shares(place.width_mm, place.depth_mm, place.pith_mm, wood.ratio)
    vapour = isotherm(wood.fsp_pct)
    moist = np.linspace(0, wood.fsp_pct, vapour.size)
    conduct = np.exp(wood.rise_per_pct * (moist - 20))
    slope = np.gradient(vapour, moist)
    conduct /= np.mean((conduct * slope)[moist > 10])  # the mean diffusivity, 10 % to saturation, is one
    warm = REFERENCE_M2_S * level * drive.warm(wood.activation_j_mol)
    air = np.interp(np.minimum(drive.emc_pct, wood.fsp_pct * 0.995), moist, vapour)
    cells = place.start_pct.shape[0]
    size = (place.width_mm / 1e3 / cells, place.depth_mm / 1e3 / cells)
    free = np.where(place.sapwood, wood.sapwood, 1.0) * wood.capillary
    out = np.empty((drive.days + 1, cells, cells), np.float32)
    law = np.array(
        [
            wood.fsp_pct,
            wood.mobile,
            wood.slow_days * DAY_S,
            wood.free_days * DAY_S,
            wood.full_pct,
        ]
    )
    most = float(np.max(conduct * slope)) * 1.6 / wood.mobile
    per_pressure = 20.0  # points of moisture a unit of relative pressure: conductances are against moisture
    _march(
        place.start_pct, size, sx, sy, edge, free, law, vapour, conduct, most, warm, air,
        drive.surface_m_s * per_pressure, out,
    )  # fmt: skip
    return out


@numba.njit(cache=True)
def _look(table, moist, fsp):
    at = min(max(moist / fsp, 0.0), 1.0) * (table.size - 1)
    i = min(int(at), table.size - 2)
    return table[i] + (at - i) * (table[i + 1] - table[i])


@numba.njit(cache=True)
def _flow(one, other, h, k, f, share, free, full, step_m):
    """Of bound and of free water from one cell to another, but for the coefficient's level."""
    bound = share * (k[one] + k[other]) / 2 * (h[one] - h[other]) / step_m
    left = min((f[one] + f[other]) / 2 / full, 1.0)
    return bound, share * min(free[one], free[other]) * left * left * (f[one] - f[other]) / step_m


@numba.njit(cache=True)
def _inside(h, k, f, sx, sy, free, full, size, gm, gf):
    """What the flows between cells bring to each, but for the coefficient's level."""
    ny, nx = h.shape
    dx, dy = size
    gm[:], gf[:] = 0.0, 0.0
    for j in range(ny):
        for i in range(nx - 1):
            bound, loose = _flow((j, i), (j, i + 1), h, k, f, sx[j, i], free, full, dx)
            gm[j, i] -= bound / dx
            gm[j, i + 1] += bound / dx
            gf[j, i] -= loose / dx
            gf[j, i + 1] += loose / dx
    for j in range(ny - 1):
        for i in range(nx):
            bound, loose = _flow((j, i), (j + 1, i), h, k, f, sy[j, i], free, full, dy)
            gm[j, i] -= bound / dy
            gm[j + 1, i] += bound / dy
            gf[j, i] -= loose / dy
            gf[j + 1, i] += loose / dy


@numba.njit(cache=True)
def _through_faces(h, k, edge, size, level, surface, air, gm):
    ny, nx = h.shape
    for face in range(4):
        upright = face % 2 == 1
        wide = size[0] if upright else size[1]
        far = face < 2  # a and b lie at the high end of their axis
        if surface[face] <= 0:
            continue
        for at in range(ny if upright else nx):
            j = at if upright else (ny - 1 if far else 0)
            i = (nx - 1 if far else 0) if upright else at
            g = 1 / (1 / surface[face] + wide / 2 / (level * edge[face, at] * k[j, i]))
            gm[j, i] -= g * (h[j, i] - air) / wide


@numba.njit(cache=True)
def _exchange(m, s, f, gm, gf, law, dt):
    """Add the flows, let the slow water follow, and let free water refill what is not saturated."""
    fsp, mobile, slow_s, free_s, _ = law
    for j in range(m.shape[0]):
        for i in range(m.shape[1]):
            slow = (m[j, i] - s[j, i]) * (1 - np.exp(-dt / slow_s))
            wanted = mobile * (fsp - m[j, i]) + (1 - mobile) * (fsp - s[j, i])
            given = min(f[j, i], max(wanted, 0.0) * (1 - np.exp(-dt / free_s)))
            share = given / wanted if wanted > 1e-12 else 0.0
            f[j, i] += dt * gf[j, i] - given
            m[j, i] += (dt * gm[j, i] - (1 - mobile) * slow) / mobile + share * (fsp - m[j, i])
            s[j, i] += slow + share * (fsp - s[j, i])
            if m[j, i] > fsp:
                f[j, i] += mobile * (m[j, i] - fsp)
                m[j, i] = fsp


@numba.njit(cache=True)
def _march(start, size, sx, sy, edge, free, law, vapour, conduct, most, warm, air, surface, out):
    fsp, mobile, full = law[0], law[1], law[4]
    m, s = np.minimum(start, fsp), np.minimum(start, fsp)
    f = np.maximum(start - fsp, 0.0)
    h, k, gm, gf = (
        np.empty(m.shape),
        np.empty(m.shape),
        np.empty(m.shape),
        np.empty(m.shape),
    )
    fastest = max(most, free.max() * 1.6) * 2.0 * (1 / size[0] ** 2 + 1 / size[1] ** 2)
    out[0] = start
    for step in range(warm.size):
        many = int(STEP_S * warm[step] * fastest) + 1
        for _ in range(many):
            for j in range(m.shape[0]):
                for i in range(m.shape[1]):
                    h[j, i] = _look(vapour, m[j, i], fsp)
                    k[j, i] = _look(conduct, m[j, i], fsp)
            _inside(h, k, f, sx, sy, free, full, size, gm, gf)
            gm *= warm[step]
            gf *= warm[step]
            _through_faces(h, k, edge, size, warm[step], surface[step], air[step], gm)
            _exchange(m, s, f, gm, gf, law, STEP_S / many)
        if (step + 1) % 8 == 0:
            out[(step + 1) // 8] = mobile * m + (1 - mobile) * s + f
