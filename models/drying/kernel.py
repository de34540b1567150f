"""The compiled part of the drying model: implicit sweeps with all lines and members side by side.

Finite volumes: the unknowns are cell means, the fluxes are taken from the values at the cell centres. A sweep
is backward Euler along one direction; a step goes once in one sweep each way and once in two halves of the
same order of sweeps. Their difference is the step's error: it chooses the next step, and taken off it makes
the answer second order (Richardson). Every sweep is unconditionally stable, keeps every value between the
driest and the wettest it came from, and gives off exactly what the cells lose; so does what is taken from
them, and where taking off the difference would leave that range the halves alone are taken.

A sweep eliminates along the first axis of a contiguous array; every line across it, of every member, is a
lane of the innermost loop, so that the elimination runs as SIMD both for one run and for an ensemble.
Between two sweeps the array is turned.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

Array = NDArray[np.float64]
Pair = tuple[Array, Array]
FAST = {"contract", "arcp", "nsz"}
ACROSS, OFFSET, LOW, HIGH, SLOPE, FSP, FREE, EXTRA, SEASON = range(9)  # rows of Axis.lanes
YEAR_RAD_S = 2 * np.pi / (365.25 * 86_400.0)


class Axis(NamedTuple):
    """One direction of the section, for one chunk of members; lanes = lines across x members.

    Parameters
    ----------
    width : ndarray, shape (n,)
        Cell widths. [m]
    grain : ndarray, shape (n + 1, lanes)
        D at 20 degC and 20 % at each cell face, over the distance between cell centres inside. [m/s], at
        both ends [m2/s]
    blend : ndarray, shape (n + 1, 3)
        Shares of the steps in potential before, across and after a cell face in the slope at it. [-]
    centre : ndarray, shape (n, 2)
        Shares of the steps in moisture before and after a cell in its centre value less its mean. [-]
    lanes : ndarray, shape (9, lanes)
        Of each lane: width of its line [m], what is added to the EMC [%], surface resistance at both ends
        [s/m], slope of ln D [1/%], fibre saturation [%], D/d_ref above it [-], power on the temperature
        factor less 1 [-], amplitude of ln surface conductance over the year [-]. One array, because each
        array that is handed on costs time, as much together as a tenth of the sweep.
    """

    width: Array
    grain: Array
    blend: Array
    centre: Array
    lanes: Array


Axes = tuple[Axis, Axis]


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
    fibre saturation has the constant value `free`. Within 0.2 % for places 24 points apart at a slope of 0.2.
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
def _skin(m: float, emc: float, path: float, resist: float) -> float:
    """Return the moisture of the face itself, between the air's EMC and the outermost cell."""
    return emc + (m - emc) * resist / (resist + path)


@njit(inline="always")
def _per(flux: float, step: float, usual: float, least: float, most: float) -> float:
    """Return a flux over the step that drives it, held to some shares of the usual quotient.

    Held positive, so that it can be a conductance and the sweep stays stable; usual where there is no step.
    """
    found = usual + (flux - usual * step) * step / (step * step + 1e-12)
    return min(max(found, least * usual), most * usual)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _lay(axis: Axis, now: tuple[float, float, float], air: Array, wide: Array) -> None:
    """Lay out over the lanes what holds for one step: EMC, then factor on D and resistance of both ends."""
    warm, emc, cold = now
    ln_warm = np.log(warm)
    own = axis.lanes
    for k in range(air.size):
        air[k] = max(emc + own[OFFSET, k], 0.0)
    for k in range(air.size):
        wide[0, k] = warm * _exp(own[EXTRA, k] * ln_warm)
    for k in range(air.size):
        wide[1, k] = own[LOW, k] * _exp(own[SEASON, k] * cold)
    for k in range(air.size):
        wide[2, k] = own[HIGH, k] * _exp(own[SEASON, k] * cold)


@njit(inline="always")
def _end(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    u: Array, i: int, inner: int, axis: Axis, air: Array, wide: Array, resist: Array, mid: Array, skin: Array,
    edge: int,
) -> None:  # fmt: skip
    """Fill in the outermost centre at one end, and the value of the face itself.

    The face's value depends on D beneath it: first on D up to where a straight line would end, then on D up
    to the first value.
    """
    own, grain, width = axis.lanes, axis.grain, axis.width
    onward, half = -width[i] / (width[i] + width[inner]), 0.5 * width[i]
    beside, within = axis.centre[i, min(edge, 1)], axis.centre[i, 1 - min(edge, 1)]
    for k in range(u.shape[1]):
        first = max(u[i, k] + onward * (u[inner, k] - u[i, k]), 0.0)
        d = wide[0, k] * grain[edge, k]
        d *= _between(u[i, k], first, own[SLOPE, k], own[FSP, k], own[FREE, k])
        skin[edge, k] = _skin(u[i, k], air[k], half / d, resist[k])
    for k in range(u.shape[1]):
        mid[i, k] = u[i, k] + beside * (skin[edge, k] - u[i, k]) + within * (u[inner, k] - u[i, k])
    for k in range(u.shape[1]):
        d = wide[0, k] * grain[edge, k]
        d *= _between(mid[i, k], skin[edge, k], own[SLOPE, k], own[FSP, k], own[FREE, k])
        skin[edge, k] = _skin(mid[i, k], air[k], half / d, resist[k])


@njit(inline="always")
def _points(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    u: Array, axis: Axis, air: Array, wide: Array, mid: Array, skin: Array
) -> None:
    """Fill in the moisture at the cell centres, from the means beside them, and of both faces.

    By parabolas with the means of three cells, at the ends of two and the value of the face itself.
    """
    n, lanes = u.shape
    _end(u, 0, 1, axis, air, wide, wide[1], mid, skin, 0)
    _end(u, n - 1, n - 2, axis, air, wide, wide[2], mid, skin, n)
    for i in range(1, n - 1):
        before, after = axis.centre[i, 0], axis.centre[i, 1]
        for k in range(lanes):
            mid[i, k] = u[i, k] + before * (u[i - 1, k] - u[i, k]) + after * (u[i + 1, k] - u[i, k])


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _conduct(  # noqa: C901, PLR0913, PLR0917 - compiled: flat arrays
    u: Array, axis: Axis, dt: float, air: Array, wide: Array, face: Array, rise: Array, mid: Array
) -> None:
    """Fill in the conductance of every face between cells and to the air, times the step, in m.

    The flux is that of a cubic through the potential (Kirchhoff) at two cell centres on either side, of a
    parabola at the surface; as a factor on the two-point flux between the means of the step's start.
    """
    n, lanes = u.shape
    own, grain, blend = axis.lanes, axis.grain, axis.blend
    warm, low, high = wide[0], wide[1], wide[2]
    first, last = 0.5 * axis.width[0], 0.5 * axis.width[n - 1]
    _points(u, axis, air, wide, mid, rise)
    for k in range(lanes):
        face[0, k] = _between(mid[0, k], rise[0, k], own[SLOPE, k], own[FSP, k], own[FREE, k])
    for i in range(n - 1):
        for k in range(lanes):
            face[i + 1, k] = _between(mid[i, k], mid[i + 1, k], own[SLOPE, k], own[FSP, k], own[FREE, k])
    for k in range(lanes):
        face[n, k] = _between(mid[n - 1, k], rise[n, k], own[SLOPE, k], own[FSP, k], own[FREE, k])
    for k in range(lanes):
        rise[0, k] = face[0, k] * (mid[0, k] - rise[0, k])
    for i in range(n - 1):
        for k in range(lanes):
            rise[i + 1, k] = face[i + 1, k] * (mid[i + 1, k] - mid[i, k])
    for k in range(lanes):
        rise[n, k] = face[n, k] * (rise[n, k] - mid[n - 1, k])
    share, after = blend[0, 1], blend[0, 2]
    for k in range(lanes):
        bent = _per(share * rise[0, k] + after * rise[1, k], rise[0, k], 1.0, 0.5, 2.5)
        ease = dt * _per(mid[0, k] - air[k], u[0, k] - air[k], 1.0, 0.5, 2.0)
        face[0, k] = ease / (low[k] + first / (warm[k] * grain[0, k] * face[0, k] * bent))
    for i in range(1, n):
        before, share, after = blend[i, 0], blend[i, 1], blend[i, 2]
        for k in range(lanes):
            flux = before * rise[i - 1, k] + share * rise[i, k] + after * rise[i + 1, k]
            between = _per(flux, u[i, k] - u[i - 1, k], face[i, k], 0.25, 4.0)
            face[i, k] = dt * warm[k] * grain[i, k] * between
    before, share = blend[n, 0], blend[n, 1]
    for k in range(lanes):
        bent = _per(before * rise[n - 1, k] + share * rise[n, k], rise[n, k], 1.0, 0.5, 2.5)
        ease = dt * _per(mid[n - 1, k] - air[k], u[n - 1, k] - air[k], 1.0, 0.5, 2.0)
        face[n, k] = ease / (high[k] + last / (warm[k] * grain[n, k] * face[n, k] * bent))


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
    u: Array, axis: Axis, dt: float, now: tuple[float, float, float], out: Array, work: Array
) -> None:
    """Solve every lane implicitly along the first axis of `u`; add what leaves to `out`.

    `now` holds the step's temperature factor, EMC of the air [%] and cosine of the season, 1 in midwinter.
    Here and in the functions above each pass over the lanes writes one array and reads few others: with
    more the compiler does not prove them apart and leaves SIMD (three times slower, measured).
    """
    n, lanes = u.shape
    face, right = work[0], work[2]
    _lay(axis, now, right[n], work[4])
    _conduct(u, axis, dt, right[n], work[4], face, work[3], work[1])
    _eliminate(u, axis.width, face, work[1], right)
    for k in range(lanes):
        air = right[n, k]
        out[k] += axis.lanes[ACROSS, k] * (face[0, k] * (u[0, k] - air) + face[n, k] * (u[n - 1, k] - air))


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


@njit(cache=True, nogil=True, error_model="numpy")
def _upto(air: Array, t: float, at: int, column: int) -> float:
    """Return the integral of a column of `air` from its first moment to t; row `at` holds at t."""
    upto: float = air[at, column + 2] + air[at, column] * (t - air[at, 0])
    return upto


@njit(cache=True, nogil=True, error_model="numpy")
def _row(air: Array, t: float, at: int) -> int:
    while at + 1 < air.shape[0] and air[at + 1, 0] <= t:
        at += 1
    return at


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _apart(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    whole: Array, halves: Array, width: Array, across: Array, lane: Array, members: int
) -> float:
    """Return the largest of the members' mean absolute differences, times the area."""
    n, lanes = whole.shape
    lane[:] = 0.0
    for i in range(n):
        w = width[i]
        for k in range(lanes):
            lane[k] += w * abs(whole[i, k] - halves[i, k])
    worst = 0.0
    for member in range(members):
        total = 0.0
        for k in range(member, lanes, members):
            total += across[k] * lane[k]
        worst = max(worst, total)
    return worst


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _better(whole: Array, halves: Array, least: float, most: float) -> bool:
    """Put the extrapolation of both into `whole` if all of it lies in the range; else leave the halves."""
    flat, flat_2 = whole.reshape(whole.size), halves.reshape(whole.size)
    for k in range(flat.size):
        flat[k] = 2.0 * flat_2[k] - flat[k]
    low = high = flat[0]
    for k in range(flat.size):
        low = min(low, flat[k])
        high = max(high, flat[k])
    if low < least - 1e-9 or high > most + 1e-9:
        flat[:] = flat_2
        return False
    return True


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _try(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    state: Pair, d: int, t: float, h: float, air: Array, row: int, axes: Axes,
    midwinter_s: float, off: Pair, work: Pair,
) -> float:  # fmt: skip
    """Take one step whole and in halves; return how far apart they end.

    From `state[d][0]`, which stays, to the other one's [1] whole and [2] in halves. `off[..][0]` and [1]
    receive what leaves on the way of each. One place that sweeps, because each would be compiled anew.
    """
    here, there = state[d], state[1 - d]
    n, n_2, m = here[0].shape
    off[0][:] = 0.0
    off[1][:] = 0.0
    for part in range(3):
        begin = t + 0.5 * h if part == 2 else t
        end = t + 0.5 * h if part == 1 else t + h
        if part == 2:
            _turn(there[2], here[1])
        else:
            here[1] = here[0]
        row = _row(air, begin, row)
        end_row = _row(air, end, row)
        warm = (_upto(air, end, end_row, 1) - _upto(air, begin, row, 1)) / (end - begin)
        emc = (_upto(air, end, end_row, 2) - _upto(air, begin, row, 2)) / (end - begin)
        cold = np.cos(YEAR_RAD_S * (0.5 * (begin + end) - midwinter_s))
        way = min(part, 1)
        for second in range(2):
            side = 1 - d if second else d
            if second:
                _turn(here[1], there[1 + way])
            lanes = there[1 + way].reshape(n_2, n * m) if second else here[1].reshape(n, n_2 * m)
            _sweep(lanes, axes[side], end - begin, (warm, emc, cold), off[side][way], work[side])
    whole, halves = there[1].reshape(n_2, n * m), there[2].reshape(n_2, n * m)
    return _apart(whole, halves, axes[1 - d].width, axes[1 - d].lanes[ACROSS], work[1 - d][0, 0], m)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _keep(begin: Array, end: Array, share: float, upright: bool, field: Array) -> None:  # noqa: FBT001
    """Write what lies at a share of the way; begin stands (ny, nx, m) and end (nx, ny, m), or the reverse."""
    ny, nx, m = field.shape
    for j in range(ny):
        for i in range(nx):
            for k in range(m):
                a = begin[j, i, k] if upright else begin[i, j, k]
                b = end[i, j, k] if upright else end[j, i, k]
                field[j, i, k] = a + share * (b - a)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def march(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    start: Array, fields: Array, given_off: Array, span: Array, at_s: Array, air: Array, control: Array,
    x: Axis, y: Axis,
) -> int:  # fmt: skip
    """March a chunk of members through a span of time.

    Parameters
    ----------
    start : ndarray, shape (ny, nx, m)
        Moisture content at the start; receives that at the end. [%]
    fields : ndarray, shape (times, ny, nx, m)
        Receives the moisture content at the wanted moments, on a straight line within a step. [%]
    given_off : ndarray, shape (times + 1, m)
        Receives the moisture given off up to each of them and up to the end, per metre of length. [% m2]
    span : ndarray, shape (2,)
        First and last moment. [s]
    at_s : ndarray, shape (times,)
        Wanted moments within it, not decreasing. [s]
    air : ndarray, shape (rows, 5)
        Moment from which a row holds [s], temperature factor on D [-], EMC [%], and the integrals of both
        from the first moment.
    control : ndarray, shape (6,)
        Error of a step in the mean absolute difference [%], first and longest step [s], driest and wettest
        moisture that can be [%], a midwinter [s].
    x, y : Axis
        The two directions; lanes along x are (ny, m), along y (nx, m).

    Returns
    -------
    int
        Number of steps taken.
    """
    ny, nx, m = start.shape
    area = x.width.sum() * y.width.sum()
    longest, least, most = control[2], control[3], control[4]
    state = (np.empty((3, ny, nx, m)), np.empty((3, nx, ny, m)))
    axes = (y, x)  # the side that the moisture stands on is swept along first
    work = (np.empty((5, ny + 1, nx * m)), np.empty((5, nx + 1, ny * m)))
    off = (np.empty((2, nx * m)), np.empty((2, ny * m)))
    gone, total = np.empty((3, m)), np.zeros(m)
    t, h, row, saved, taken = span[0], min(control[1], longest), 0, 0, 0
    state[0][0] = start
    while saved < at_s.size and at_s[saved] <= t:
        fields[saved] = start
        given_off[saved] = 0.0
        saved += 1
    while t < span[1]:
        left = span[1] - t
        step = left if left <= h * 1.001 else min(h, 0.5 * left)
        row = _row(air, t, row)
        d = taken % 2
        away = _try(state, d, t, step, air, row, axes, control[5], off, work)
        change = 0.9 * (control[0] * area / (away + 1e-300)) ** 0.5
        if not change > 0.2:  # also of no number
            change = 0.2
        h = min(step * min(change, 2.5), longest)
        if change < 0.9 and step > 60.0:
            continue
        here, there = state[d], state[1 - d]
        good = _better(there[1], there[2], least, most)
        gone[:] = 0.0
        for way in range(2):
            for side in range(2):
                _sum_lines(off[side][way], m, gone[way])
        gone[2] = 2.0 * gone[1] - gone[0] if good else gone[1]
        while saved < at_s.size and at_s[saved] <= t + step:
            share = (at_s[saved] - t) / step
            _keep(here[0], there[1], share, d == 0, fields[saved])
            given_off[saved] = total + share * gone[2]
            saved += 1
        total += gone[2]
        taken += 1
        t = span[1] if step == left else t + step
        there[0] = there[1]
    given_off[at_s.size] = total
    if taken % 2 == 0:
        start[:] = state[0][0]
    else:
        _turn(state[1][0], start)
    return taken
