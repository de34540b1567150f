"""The compiled part of the drying model: alternating implicit sweeps with all lines and members side by side.

Cell-centred finite volumes. A step is one implicit sweep along x and one along y (Lie splitting, backward
Euler), the order changing from step to step: unconditionally stable, every value stays between the driest
and the wettest it came from, and what leaves through the faces is exactly what the cells lose.

A sweep eliminates along the first axis of a contiguous array; every line across it, of every member, is a
lane of the innermost loop, so that the elimination runs as SIMD both for one run and for an ensemble.
Between the two sweeps of a step the array is turned.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
FAST = {"contract", "arcp", "nsz"}


class Axis(NamedTuple):
    """One direction of the section, for one chunk of members; lanes = lines across x members.

    Parameters
    ----------
    width : ndarray, shape (n,)
        Cell widths. [m]
    grain : ndarray, shape (n + 1, lanes)
        D at 20 degC and 20 % at each cell face, over the distance between cell centres inside. [m/s], at
        both ends [m2/s]
    across : ndarray, shape (lanes,)
        Width of each line. [m]
    offset : ndarray, shape (lanes,)
        Added to the EMC. [%]
    low, high : ndarray, shape (lanes,)
        Surface resistance at both ends. [s/m]
    """

    width: Array
    grain: Array
    across: Array
    offset: Array
    low: Array
    high: Array


@njit(inline="always")
def _exp(x: float) -> float:
    """Return exp(x) for abs(x) < 5 within 1e-6 relative, in a form that runs as SIMD (no library call)."""
    t = x * 0.0625
    p = 1.0 + t * (1.0 + t * (0.5 + t * (1 / 6 + t * (1 / 24 + t * (1 / 120 + t * (1 / 720))))))
    p *= p
    p *= p
    p *= p
    return p * p


@njit(inline="always")
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


@njit(inline="always")
def _surface(  # noqa: PLR0913, PLR0917 - compiled: flat numbers
    m: float, emc: float, half_m: float, d_m2_s: float, resist: float, slope: float, fsp: float, free: float
) -> float:
    """Return the conductance between the air and the centre of the outermost cell, in m/s."""
    path = half_m / (d_m2_s * _between(m, emc, slope, fsp, free))
    skin = emc + (m - emc) * resist / (resist + path)
    path = half_m / (d_m2_s * _between(m, skin, slope, fsp, free))
    return 1.0 / (resist + path)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _sweep(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    u: Array, axis: Axis, dt: float, warm: float, emc: float, law: Array, out: Array, up: Array, right: Array
) -> None:
    """Solve every lane implicitly along the first axis of `u`; add what leaves to `out`."""
    n, lanes = u.shape
    slope, fsp, free = law[0], law[1], law[2]
    width, grain, low, high = axis.width, axis.grain, axis.low, axis.high
    g = up[n]  # conductance of the face behind the current row
    first = right[n]
    w = 0.5 * width[0]
    for k in range(lanes):
        air = max(emc + axis.offset[k], 0.0)
        g[k] = dt * _surface(u[0, k], air, w, warm * grain[0, k], low[k], slope, fsp, free)
        first[k] = g[k]
        up[0, k] = 0.0
        right[0, k] = air
    for i in range(n - 1):
        w = width[i]
        c = dt * warm
        for k in range(lanes):
            here = u[i, k]
            g_next = c * grain[i + 1, k] * _between(here, u[i + 1, k], slope, fsp, free)
            inv = 1.0 / (w + g_next + g[k] * (1.0 - up[i, k]))
            right[i + 1, k] = (w * here + g[k] * right[i, k]) * inv
            up[i + 1, k] = g_next * inv
            g[k] = g_next
    w = width[n - 1]
    for k in range(lanes):
        air = max(emc + axis.offset[k], 0.0)
        here = u[n - 1, k]
        last = dt * _surface(here, air, 0.5 * w, warm * grain[n, k], high[k], slope, fsp, free)
        now = (w * here + g[k] * right[n - 1, k] + last * air) / (w + last + g[k] * (1.0 - up[n - 1, k]))
        u[n - 1, k] = now
        out[k] += axis.across[k] * last * (now - air)
    for i in range(n - 2, -1, -1):
        for k in range(lanes):
            u[i, k] = right[i + 1, k] + up[i + 1, k] * u[i + 1, k]
    for k in range(lanes):
        out[k] += axis.across[k] * first[k] * (u[0, k] - right[0, k])


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _turn(u: Array, v: Array) -> None:
    for j in range(u.shape[0]):
        for i in range(u.shape[1]):
            for k in range(u.shape[2]):
                v[i, j, k] = u[j, i, k]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _sum_lines(out: Array, members: int, total: Array) -> None:
    for lane in range(out.size):
        total[lane % members] += out[lane]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def march(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    u: Array,
    fields: Array,
    given_off: Array,
    steps: Array,
    save: NDArray[np.int64],
    x: Axis,
    y: Axis,
    law: Array,
) -> None:
    """March a chunk of members through all steps.

    Parameters
    ----------
    u : ndarray, shape (ny, nx, m)
        Moisture content at the start, used up. [%]
    fields : ndarray, shape (times, ny, nx, m)
        Receives the moisture content at the saved steps. [%]
    given_off : ndarray, shape (times, m)
        Receives the moisture given off up to the saved steps, per metre of length. [% m2]
    steps : ndarray, shape (steps, 3)
        Length of each step [s], temperature factor on D [-], EMC [%].
    save : ndarray, shape (times,)
        Number of steps done before each saved moment, not decreasing.
    x, y : Axis
        The two directions; lanes along x are (ny, m), along y (nx, m).
    law : ndarray, shape (3,)
        Slope of ln D [1/%], fibre saturation [%], D/d_ref above it [-].
    """
    ny, nx, m = u.shape
    v = np.empty((nx, ny, m))
    rows, lanes = max(nx, ny) + 1, max(nx, ny) * m
    up = np.empty(rows * lanes)
    right = np.empty(rows * lanes)
    off_x = np.zeros(ny * m)
    off_y = np.zeros(nx * m)
    along_y = u.reshape(ny, nx * m)
    along_x = v.reshape(nx, ny * m)
    up_x = up[: (nx + 1) * ny * m].reshape(nx + 1, ny * m)
    up_y = up[: (ny + 1) * nx * m].reshape(ny + 1, nx * m)
    right_x = right[: (nx + 1) * ny * m].reshape(nx + 1, ny * m)
    right_y = right[: (ny + 1) * nx * m].reshape(ny + 1, nx * m)
    saved = 0
    while saved < save.size and save[saved] == 0:
        fields[saved] = u
        given_off[saved] = 0.0
        saved += 1
    upright = True  # the moisture stands in u; else in v
    for s in range(steps.shape[0]):
        dt, warm, emc = steps[s, 0], steps[s, 1], steps[s, 2]
        if upright:
            _sweep(along_y, y, dt, warm, emc, law, off_y, up_y, right_y)
            _turn(u, v)
            _sweep(along_x, x, dt, warm, emc, law, off_x, up_x, right_x)
        else:
            _sweep(along_x, x, dt, warm, emc, law, off_x, up_x, right_x)
            _turn(v, u)
            _sweep(along_y, y, dt, warm, emc, law, off_y, up_y, right_y)
        upright = not upright
        while saved < save.size and save[saved] == s + 1:
            if upright:
                fields[saved] = u
            else:
                _turn(v, fields[saved])
            given_off[saved] = 0.0
            _sum_lines(off_x, m, given_off[saved])
            _sum_lines(off_y, m, given_off[saved])
            saved += 1
