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
def _conduct(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    u: Array, axis: Axis, dt: float, warm: float, emc: float, law: Array, face: Array
) -> None:
    """Fill in the conductance of every face between cells and to the air, times the step, in m."""
    n, lanes = u.shape
    slope, fsp, free = law[0], law[1], law[2]
    low, high, offset, grain = axis.low, axis.high, axis.offset, axis.grain
    half = 0.5 * axis.width[0]
    for k in range(lanes):
        air = max(emc + offset[k], 0.0)
        face[0, k] = dt * _surface(u[0, k], air, half, warm * grain[0, k], low[k], slope, fsp, free)
    for i in range(n - 1):
        for k in range(lanes):
            between = _between(u[i, k], u[i + 1, k], slope, fsp, free)
            face[i + 1, k] = dt * warm * grain[i + 1, k] * between
    half = 0.5 * axis.width[n - 1]
    for k in range(lanes):
        air = max(emc + offset[k], 0.0)
        face[n, k] = dt * _surface(u[n - 1, k], air, half, warm * grain[n, k], high[k], slope, fsp, free)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _eliminate(u: Array, width: Array, face: Array, inv: Array, right: Array) -> None:
    """Solve the rows for the given faces; the last row of `right` brings the EMC of the air."""
    n, lanes = u.shape
    w = width[0]
    for k in range(lanes):
        inv[0, k] = 1.0 / (w + face[1, k] + face[0, k])
    for k in range(lanes):
        right[0, k] = (w * u[0, k] + face[0, k] * right[n, k]) * inv[0, k]
    for i in range(1, n):
        w = width[i]
        for k in range(lanes):
            g = face[i, k]
            inv[i, k] = 1.0 / (w + face[i + 1, k] + g * (1.0 - g * inv[i - 1, k]))
        for k in range(lanes):
            right[i, k] = (w * u[i, k] + face[i, k] * right[i - 1, k]) * inv[i, k]
    for k in range(lanes):
        u[n - 1, k] = right[n - 1, k] + face[n, k] * inv[n - 1, k] * right[n, k]
    for i in range(n - 2, -1, -1):
        for k in range(lanes):
            u[i, k] = right[i, k] + face[i + 1, k] * inv[i, k] * u[i + 1, k]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _sweep(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    u: Array, axis: Axis, dt: float, warm: float, emc: float, law: Array, out: Array, work: Array
) -> None:
    """Solve every lane implicitly along the first axis of `u`; add what leaves to `out`.

    Here and in the two functions above each pass over the lanes writes one array and reads few others: with
    more the compiler does not prove them apart and leaves SIMD (three times slower, measured).
    """
    n, lanes = u.shape
    face, right = work[0], work[2]
    _conduct(u, axis, dt, warm, emc, law, face)
    for k in range(lanes):
        right[n, k] = max(emc + axis.offset[k], 0.0)
    _eliminate(u, axis.width, face, work[1], right)
    for k in range(lanes):
        air = right[n, k]
        out[k] += axis.across[k] * (face[0, k] * (u[0, k] - air) + face[n, k] * (u[n - 1, k] - air))


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
    work = np.empty(3 * (max(nx, ny) + 1) ** 2 * m)
    off_x = np.zeros(ny * m)
    off_y = np.zeros(nx * m)
    along_y = u.reshape(ny, nx * m)
    along_x = v.reshape(nx, ny * m)
    work_x = work[: 3 * (nx + 1) * ny * m].reshape(3, nx + 1, ny * m)
    work_y = work[: 3 * (ny + 1) * nx * m].reshape(3, ny + 1, nx * m)
    saved = 0
    while saved < save.size and save[saved] == 0:
        fields[saved] = u
        given_off[saved] = 0.0
        saved += 1
    upright = True  # the moisture stands in u; else in v
    for s in range(steps.shape[0]):
        dt, warm, emc = steps[s, 0], steps[s, 1], steps[s, 2]
        if upright:
            _sweep(along_y, y, dt, warm, emc, law, off_y, work_y)
            _turn(u, v)
            _sweep(along_x, x, dt, warm, emc, law, off_x, work_x)
        else:
            _sweep(along_x, x, dt, warm, emc, law, off_x, work_x)
            _turn(v, u)
            _sweep(along_y, y, dt, warm, emc, law, off_y, work_y)
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
