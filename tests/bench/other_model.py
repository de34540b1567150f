"""A second drying model, for truths that the program's own model cannot know.

Nothing of `baulk.models.drying` is in it: twice as many cells, plain backward Euler one direction after the
other every three hours, a coefficient that grows with moisture along an S instead of an exponential,
all of it drawn anew for every timber.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

STEP_S = 3 * 3600.0
CELLS = 32
GAS_J_MOL_K = 8.314462618


@dataclass(frozen=True, kw_only=True)
class Wood:
    """One timber's own drying: S-shaped D over moisture, its ratio, faces and start."""

    d_m2_s: float  # mean over 8 to 30 %, at 20 degC, of both directions
    middle_pct: float
    width_pct: float
    least_share: float
    fsp_pct: float
    raised: float
    activation_j_mol: float
    ratio: float
    conductance_m_s: float
    start_pct: float


def edges_mm(size_mm):
    """Cells that are three times finer at the faces than in the middle."""
    t = np.linspace(-1, 1, CELLS + 1)
    return size_mm / 2 * (t * 1.5 - t**3 * 0.5)


def dry(section, wood, step_temp_c, step_emc_pct, keep):
    """Moisture (times, ny, nx) after the steps `keep`, from the mean air of every step."""
    x, y = edges_mm(section.width_mm), edges_mm(section.depth_mm)
    xm, ym = (x[1:] + x[:-1]) / 2, (y[1:] + y[:-1]) / 2
    tangential = 2 / (1 + wood.ratio)

    def share(along, across):
        a, b = along[:, None] ** 2, across[None, :] ** 2
        return tangential * (wood.ratio * a + b + 1e-9) / (a + b + 1e-9)

    across_x = share(x - section.pith_x_mm, ym - section.pith_y_mm)
    across_y = share(y - section.pith_y_mm, xm - section.pith_x_mm)
    every = np.linspace(8, 30, 111)
    norm = wood.d_m2_s / np.mean([_rise(m, wood.middle_pct, wood.width_pct, wood.least_share) for m in every])
    warm = np.exp(-wood.activation_j_mol / GAS_J_MOL_K * (1 / (step_temp_c + 273.15) - 1 / 293.15))
    law = np.array(
        [
            norm,
            wood.middle_pct,
            wood.width_pct,
            wood.least_share,
            wood.fsp_pct,
            wood.raised,
            wood.conductance_m_s,
        ]
    )
    mc = np.full((CELLS, CELLS), wood.start_pct)
    out = np.empty((len(keep), CELLS, CELLS))
    _march(mc, np.diff(x) / 1e3, np.diff(y) / 1e3, across_x, across_y, warm, step_emc_pct, law, keep, out)
    return out


@numba.njit(cache=True)
def _rise(m, middle, width, least):
    return least + (1 - least) / (1 + np.exp(-(m - middle) / width))


@numba.njit(cache=True)
def _d(m, warm, law):
    found = law[0] * warm * _rise(min(m, law[4]), law[1], law[2], law[3])
    return found * law[5] if m > law[4] else found


@numba.njit(cache=True)
def _line(u, width, share, warm, emc, law, dt, d, diag, low, right):
    n = u.size
    for i in range(n):
        d[i] = _d(u[i], warm, law)
        diag[i] = width[i] / dt
        right[i] = width[i] / dt * u[i]
    low[0] = 0.0
    for i in range(1, n):
        g = share[i] / (0.5 * width[i - 1] / d[i - 1] + 0.5 * width[i] / d[i])
        low[i] = -g
        diag[i] += g
        diag[i - 1] += g
    for i, end in ((0, 0), (n - 1, n)):
        g = 1 / (1 / law[6] + 0.5 * width[i] / (share[end] * d[i]))
        diag[i] += g
        right[i] += g * emc
    for i in range(1, n):
        f = low[i] / diag[i - 1]
        diag[i] -= f * low[i]
        right[i] -= f * right[i - 1]
    u[n - 1] = right[n - 1] / diag[n - 1]
    for i in range(n - 2, -1, -1):
        u[i] = (right[i] - low[i + 1] * u[i + 1]) / diag[i]


@numba.njit(cache=True)
def _march(mc, dx, dy, across_x, across_y, warm, emc, law, keep, out):
    n = max(dx.size, dy.size)
    d, diag, low, right = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    at = 0
    for step in range(warm.size + 1):
        while at < keep.size and keep[at] == step:
            out[at] = mc
            at += 1
        if step == warm.size:
            return
        for half in range(2):
            if (step + half) % 2 == 0:
                for j in range(dy.size):
                    _line(
                        mc[j],
                        dx,
                        across_x[:, j],
                        warm[step],
                        emc[step],
                        law,
                        3 * 3600.0,
                        d[: dx.size],
                        diag[: dx.size],
                        low[: dx.size],
                        right[: dx.size],
                    )
            else:
                for i in range(dx.size):
                    _line(
                        mc[:, i],
                        dy,
                        across_y[:, i],
                        warm[step],
                        emc[step],
                        law,
                        3 * 3600.0,
                        d[: dy.size],
                        diag[: dy.size],
                        low[: dy.size],
                        right[: dy.size],
                    )
