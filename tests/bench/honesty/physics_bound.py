"""Truth a: all water diffuses, by a coefficient that follows an S or a power of moisture; equilibrium lags.

Cell-centred volumes, forward Euler with as many short steps as stability asks, harmonic coefficients at the
faces between cells. The surface comes to equilibrium with wood that is wetter while the air dries than while
it moistens (a play between two isotherms).
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from honesty.climates import STEP_S, STEPS_A_DAY
from honesty.grid import edge_shares, shares

# m2/s, level of northern red oak; calibrated so that 7 x 9 in ties take the published time (test_truth)
REFERENCE_M2_S = 4.3e-11
TABLE = 8  # entries a point of moisture
MOST_PCT = 260


@dataclass(frozen=True, kw_only=True)
class Wood:
    """One timber: where and how steeply the coefficient rises, and how it conducts its free water."""

    power: float | None  # of moisture; None for an S
    middle_pct: float
    width_pct: float
    least: float
    fsp_pct: float
    sapwood: float  # coefficient above saturation over that at saturation, in sapwood
    activation_j_mol: float
    ratio: float  # radial over tangential
    play: float  # half the distance of the isotherms, as a share


def draw(rng, kind):
    """Draw one timber's law."""
    return Wood(
        power=float(rng.uniform(0.5, 2.2)) if rng.random() < 0.5 else None,
        middle_pct=float(rng.uniform(17, 25)),
        width_pct=float(rng.uniform(3, 7)),
        least=float(rng.uniform(0.04, 0.2)),
        fsp_pct=kind.fsp_pct,
        sapwood=float(rng.uniform(2, 5)) if kind.softwood else 1.0,
        activation_j_mol=float(rng.uniform(30e3, 45e3)),
        ratio=float(rng.uniform(1.1, 1.8)),
        play=float(rng.uniform(0.03, 0.09)),
    )


def shape(wood, mc_pct):
    """Coefficient over its level; its mean over 13 to 50 % is one."""

    def raw(m):
        m = np.clip(m, 1, wood.fsp_pct)
        if wood.power is not None:
            return (m / 20) ** wood.power
        return wood.least + (1 - wood.least) / (1 + np.exp(-(m - wood.middle_pct) / wood.width_pct))

    return raw(mc_pct) / np.mean(raw(np.linspace(13, 50, 371)))


def lagging(emc_pct, play):
    """Equilibrium of wood that follows the air only outside of the play between two isotherms."""
    out, state = np.empty_like(emc_pct), emc_pct[0]
    for i, each in enumerate(emc_pct):
        state = max(each * (1 - play), min(each * (1 + play), state))
        out[i] = state
    return out


def dry(wood, level, place, drive):
    """Fields at the end of every day, (days, ny, nx); `place` is the timber, `drive` what acts on it."""
    moist = np.arange(MOST_PCT * TABLE) / TABLE
    heart = REFERENCE_M2_S * level * shape(wood, moist)
    sap = np.where(moist > wood.fsp_pct, heart * wood.sapwood, heart)
    sx, sy = shares(place.width_mm, place.depth_mm, place.pith_mm, wood.ratio)
    warm = drive.warm(wood.activation_j_mol)
    daily = drive.emc_pct.reshape(-1, STEPS_A_DAY).mean(axis=1)
    target = np.repeat(lagging(daily, wood.play), STEPS_A_DAY)
    cells = place.start_pct.shape[0]
    size = (place.width_mm / 1e3 / cells, place.depth_mm / 1e3 / cells)
    out = np.empty((drive.days + 1, cells, cells), np.float32)
    edge = edge_shares(place.width_mm, place.depth_mm, place.pith_mm, wood.ratio)
    _march(
        place.start_pct.copy(),
        size,
        sx,
        sy,
        edge,
        place.sapwood,
        heart,
        sap,
        warm,
        target,
        drive.surface_m_s,
        out,
    )
    return out


@numba.njit(cache=True)
def _look(table, moist):
    at = moist * 8.0
    i = int(at)
    return table[i] + (at - i) * (table[i + 1] - table[i])


@numba.njit(cache=True)
def _coefficient(mc, sapwood, heart, sap, warm, d):
    for j in range(mc.shape[0]):
        for i in range(mc.shape[1]):
            d[j, i] = _look(sap if sapwood[j, i] else heart, mc[j, i]) * warm


@numba.njit(cache=True)
def _inside(mc, d, sx, sy, size, gain):
    """What the flows between cells bring to each."""
    ny, nx = mc.shape
    dx, dy = size
    gain[:] = 0.0
    for j in range(ny):
        for i in range(nx - 1):
            a, b = d[j, i], d[j, i + 1]
            flux = sx[j, i] * 2 * a * b / (a + b) * (mc[j, i] - mc[j, i + 1]) / dx
            gain[j, i] -= flux / dx
            gain[j, i + 1] += flux / dx
    for j in range(ny - 1):
        for i in range(nx):
            a, b = d[j, i], d[j + 1, i]
            flux = sy[j, i] * 2 * a * b / (a + b) * (mc[j, i] - mc[j + 1, i]) / dy
            gain[j, i] -= flux / dy
            gain[j + 1, i] += flux / dy


@numba.njit(cache=True)
def _through_faces(mc, d, edge, size, surface, target, gain):
    ny, nx = mc.shape
    for face in range(4):
        upright = face % 2 == 1
        h = size[0] if upright else size[1]
        far = face < 2  # a and b lie at the high end of their axis
        if surface[face] <= 0:
            continue
        for at in range(ny if upright else nx):
            j = at if upright else (ny - 1 if far else 0)
            i = (nx - 1 if far else 0) if upright else at
            g = 1 / (1 / surface[face] + h / 2 / (edge[face, at] * d[j, i]))
            gain[j, i] -= g * (mc[j, i] - target) / h


@numba.njit(cache=True)
def _march(mc, size, sx, sy, edge, sapwood, heart, sap, warm, target, surface, out):
    d, gain = np.empty(mc.shape), np.empty(mc.shape)
    out[0] = mc
    for step in range(warm.size):
        _coefficient(mc, sapwood, heart, sap, warm[step], d)
        many = int(STEP_S * d.max() * 2.0 * 1.9 * (1 / size[0] ** 2 + 1 / size[1] ** 2)) + 1
        for part in range(many):
            if part > 0 and part % 4 == 0:
                _coefficient(mc, sapwood, heart, sap, warm[step], d)
            _inside(mc, d, sx, sy, size, gain)
            _through_faces(mc, d, edge, size, surface[step], target[step], gain)
            mc += STEP_S / many * gain
        if (step + 1) % 8 == 0:
            out[(step + 1) // 8] = mc
