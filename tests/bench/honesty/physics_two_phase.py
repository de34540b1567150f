"""Truth b: free water by capillaries, bound water by its vapour pressure, and wood that takes days to give it up.

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
CAPILLARY = {"hardwood": 0.9, "softwood": 1.5}  # over the level, wood full of water; our own guess


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
        [wood.fsp_pct, wood.mobile, wood.slow_days * DAY_S, wood.free_days * DAY_S, wood.full_pct]
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
def _march(start, size, sx, sy, edge, free, law, vapour, conduct, most, warm, air, surface, out):
    ny, nx = start.shape
    dx, dy = size
    fsp, mobile, slow_s, free_s, full = law
    m, s = np.minimum(start, fsp), np.minimum(start, fsp)
    f = np.maximum(start - fsp, 0.0)
    h, k = np.empty((ny, nx)), np.empty((ny, nx))
    gm, gf = np.empty((ny, nx)), np.empty((ny, nx))
    out[0] = start
    for step in range(warm.size):
        w = warm[step]
        fastest = max(most, free.max() * 1.6)
        many = int(STEP_S * w * fastest * 2.0 * (1 / dx**2 + 1 / dy**2)) + 1
        dt = STEP_S / many
        for _ in range(many):
            for j in range(ny):
                for i in range(nx):
                    h[j, i] = _look(vapour, m[j, i], fsp)
                    k[j, i] = _look(conduct, m[j, i], fsp)
            gm[:] = 0.0
            gf[:] = 0.0
            for j in range(ny):
                for i in range(nx - 1):
                    flux = w * sx[j, i] * (k[j, i] + k[j, i + 1]) / 2 * (h[j, i] - h[j, i + 1]) / dx
                    gm[j, i] -= flux / dx
                    gm[j, i + 1] += flux / dx
                    left = min((f[j, i] + f[j, i + 1]) / 2 / full, 1.0)
                    flux = w * sx[j, i] * min(free[j, i], free[j, i + 1]) * left * left * (f[j, i] - f[j, i + 1]) / dx
                    gf[j, i] -= flux / dx
                    gf[j, i + 1] += flux / dx
            for j in range(ny - 1):
                for i in range(nx):
                    flux = w * sy[j, i] * (k[j, i] + k[j + 1, i]) / 2 * (h[j, i] - h[j + 1, i]) / dy
                    gm[j, i] -= flux / dy
                    gm[j + 1, i] += flux / dy
                    left = min((f[j, i] + f[j + 1, i]) / 2 / full, 1.0)
                    flux = w * sy[j, i] * min(free[j, i], free[j + 1, i]) * left * left * (f[j, i] - f[j + 1, i]) / dy
                    gf[j, i] -= flux / dy
                    gf[j + 1, i] += flux / dy
            for i in range(nx):
                for top in range(2):
                    j, face = (ny - 1, 0) if top else (0, 2)
                    if surface[step, face] > 0:
                        g = 1 / (1 / surface[step, face] + dy / 2 / (w * edge[face, i] * k[j, i]))
                        gm[j, i] -= g * (h[j, i] - air[step]) / dy
            for j in range(ny):
                for right in range(2):
                    i, face = (nx - 1, 1) if right else (0, 3)
                    if surface[step, face] > 0:
                        g = 1 / (1 / surface[step, face] + dx / 2 / (w * edge[face, j] * k[j, i]))
                        gm[j, i] -= g * (h[j, i] - air[step]) / dx
            for j in range(ny):
                for i in range(nx):
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
        if (step + 1) % 8 == 0:
            for j in range(ny):
                for i in range(nx):
                    out[(step + 1) // 8, j, i] = mobile * m[j, i] + (1 - mobile) * s[j, i] + f[j, i]
