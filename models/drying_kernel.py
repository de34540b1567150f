"""The compiled part of the drying model: alternating implicit sweeps, eight members side by side.

Cell-centred finite volumes. A step is one implicit sweep along x and one along y (Lie splitting, backward Euler), the order
changing from step to step, so that it is unconditionally stable, keeps every value between the driest and the
wettest it came from, and gives off exactly what the cells lose. Eight members lie side by side in the
innermost axis, so the elimination of a line runs as SIMD over members.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

LANES = 8

Array = NDArray[np.float64]


@njit(inline="always")  # type: ignore[untyped-decorator]
def _exp(x: float) -> float:
    """Return exp(x) for abs(x) < 5 within 1e-6 relative, in a form that runs as SIMD (no library call)."""
    t = x * 0.0625
    p = 1.0 + t * (1.0 + t * (0.5 + t * (1 / 6 + t * (1 / 24 + t * (1 / 120 + t * (1 / 720))))))
    p *= p
    p *= p
    p *= p
    return p * p


@njit(inline="always")  # type: ignore[untyped-decorator]
def _between(m1: float, m2: float, slope: float, fsp: float, free: float) -> float:
    """Return the mean of D/d_ref over the moisture between two places, so that the steady flux is exact.

    Kirchhoff: the mean of exp(slope M) between a1 and a2 is its middle value times sinh(z)/z; the part above
    fibre saturation has the constant value `free`.
    """
    a1 = min(m1, fsp)
    a2 = min(m2, fsp)
    z = 0.5 * slope * (a2 - a1)
    zz = z * z
    bound = _exp(slope * (0.5 * (a1 + a2) - 20.0)) * (
        1.0 + zz * (1 / 6) * (1.0 + zz * (1 / 20) * (1.0 + zz * (1 / 42)))
    )
    share = abs(a2 - a1) / (abs(m2 - m1) + 1e-12) if max(m1, m2) > fsp else 1.0
    return free + (bound - free) * share


@njit(inline="always")  # type: ignore[untyped-decorator]
def _surface(
    m: float, emc: float, half_m: float, d_m2_s: float, resist: float, slope: float, fsp: float, free: float
) -> float:
    """Return the conductance between the air and the centre of the outermost cell. [m/s]"""
    path = half_m / (d_m2_s * _between(m, emc, slope, fsp, free))
    skin = emc + (m - emc) * resist / (resist + path)
    path = half_m / (d_m2_s * _between(m, skin, slope, fsp, free))
    return 1.0 / (resist + path)


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz"})  # type: ignore[untyped-decorator]
def _line(
    u: Array,  # (n, LANES), replaced
    width: Array,
    gap: Array,
    grain: Array,
    dt: float,
    d: Array,
    emc: Array,
    resist_low: Array,
    resist_high: Array,
    law: Array,
    across: float,
    out: Array,
    up: Array,
    right: Array,
) -> None:
    """Solve one line of cells implicitly for eight members; add what leaves at both ends to `out`."""
    n = u.shape[0]
    slope, fsp, free = law[0], law[1], law[2]
    low = np.empty(LANES)
    g = np.empty(LANES)
    for k in range(LANES):
        low[k] = dt * _surface(
            u[0, k], emc[k], 0.5 * width[0], d[k] * grain[0], resist_low[k], slope, fsp, free
        )
        g[k] = low[k]
        up[0, k] = 0.0
        right[0, k] = emc[k]
    for i in range(n - 1):
        w = width[i]
        c = dt * grain[i + 1] / gap[i]
        for k in range(LANES):
            here = u[i, k]
            g_next = c * d[k] * _between(here, u[i + 1, k], slope, fsp, free)
            inv = 1.0 / (w + g_next + g[k] * (1.0 - up[i, k]))
            up[i + 1, k] = g_next * inv
            right[i + 1, k] = (w * here + g[k] * right[i, k]) * inv
            g[k] = g_next
    w = width[n - 1]
    for k in range(LANES):
        here = u[n - 1, k]
        high = dt * _surface(here, emc[k], 0.5 * w, d[k] * grain[n], resist_high[k], slope, fsp, free)
        inv = 1.0 / (w + high + g[k] * (1.0 - up[n - 1, k]))
        now = (w * here + g[k] * right[n - 1, k] + high * emc[k]) * inv
        u[n - 1, k] = now
        out[k] += across * high * (now - emc[k])
    for i in range(n - 2, -1, -1):
        for k in range(LANES):
            u[i, k] = right[i + 1, k] + up[i + 1, k] * u[i + 1, k]
    for k in range(LANES):
        out[k] += across * low[k] * (u[0, k] - emc[k])


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz"})  # type: ignore[untyped-decorator]
def _sweep(
    u: Array,  # (lines, n, LANES)
    width: Array,
    gap: Array,
    grain: Array,
    lines: Array,
    dt: float,
    d: Array,
    emc: Array,
    resist_low: Array,
    resist_high: Array,
    law: Array,
    out: Array,
    up: Array,
    right: Array,
) -> None:
    for j in range(u.shape[0]):
        _line(
            u[j],
            width,
            gap,
            grain[j],
            dt,
            d,
            emc,
            resist_low,
            resist_high,
            law,
            lines[j],
            out,
            up,
            right,
        )


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz"})  # type: ignore[untyped-decorator]
def _turn(u: Array, v: Array) -> None:
    for j in range(u.shape[0]):
        for i in range(u.shape[1]):
            for k in range(LANES):
                v[i, j, k] = u[j, i, k]


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "arcp", "nsz"})  # type: ignore[untyped-decorator]
def march(
    u: Array,
    fields: Array,
    given_off: Array,
    steps: Array,
    save: NDArray[np.int64],
    dx: Array,
    dy: Array,
    gap_x: Array,
    gap_y: Array,
    grain_x: Array,
    grain_y: Array,
    d_m2_s: Array,
    offset_pct: Array,
    resist: Array,
    law: Array,
) -> None:
    """March eight members through all steps.

    Parameters
    ----------
    u : ndarray, shape (ny, nx, 8)
        Moisture content at the start, replaced by that at the end. [%]
    fields : ndarray, shape (times, ny, nx, 8)
        Receives the moisture content at the saved steps. [%]
    given_off : ndarray, shape (times, 8)
        Receives the moisture given off up to the saved steps, per metre of length. [% m2]
    steps : ndarray, shape (steps, 3)
        Length of each step [s], temperature factor on D [-], EMC [%].
    save : ndarray, shape (times,)
        Number of steps done before each saved moment, not decreasing.
    dx, dy, gap_x, gap_y : ndarray
        Cell widths and distances between cell centres. [m]
    grain_x, grain_y : ndarray, shapes (ny, nx + 1) and (nx, ny + 1)
        Factor on D for the direction of the grain at each face of a cell. [-]
    d_m2_s : ndarray, shape (8,)
        D at 20 degC and 20 % of each member. [m2/s]
    offset_pct : ndarray, shape (8,)
        Added to the EMC of each member. [%]
    resist : ndarray, shape (4, 8)
        Surface resistance at low x, high x, low y, high y. [s/m]
    law : ndarray, shape (3,)
        Slope of ln D [1/%], fibre saturation [%], D/d_ref above it [-].
    """
    ny, nx = u.shape[0], u.shape[1]
    v = np.empty((nx, ny, LANES))
    up = np.empty((max(nx, ny), LANES))
    right = np.empty((max(nx, ny), LANES))
    d = np.empty(LANES)
    emc = np.empty(LANES)
    out = np.zeros(LANES)
    saved = 0
    turned = False
    while saved < save.size and save[saved] == 0:
        fields[saved] = u
        given_off[saved] = out
        saved += 1
    for s in range(steps.shape[0]):
        dt = steps[s, 0]
        for k in range(LANES):
            d[k] = d_m2_s[k] * steps[s, 1]
            emc[k] = max(steps[s, 2] + offset_pct[k], 0.0)
        for half in range(2):  # x then y, next step y then x: one turn a step
            if turned:
                _sweep(v, dy, gap_y, grain_y, dx, dt, d, emc, resist[2], resist[3], law, out, up, right)
            else:
                _sweep(u, dx, gap_x, grain_x, dy, dt, d, emc, resist[0], resist[1], law, out, up, right)
            if half == 0:
                if turned:
                    _turn(v, u)
                else:
                    _turn(u, v)
                turned = not turned
        while saved < save.size and save[saved] == s + 1:
            if turned:
                _turn(v, fields[saved])
            else:
                fields[saved] = u
            given_off[saved] = out
            saved += 1
    if turned:
        _turn(v, u)
