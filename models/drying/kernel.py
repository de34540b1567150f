"""The compiled part of the drying model: implicit sweeps with all lines and members side by side.

Finite volumes: the unknowns are cell means, the fluxes are taken from the values at the cell centres. A sweep
is backward Euler along one direction; a step goes once in one sweep each way and once in two halves of the
same order of sweeps. Their difference is the step's error: it chooses the next step, and taken off it makes
the answer second order (Richardson). Every sweep is unconditionally stable, keeps every value between the
driest and the wettest it came from, and gives off exactly what the cells lose; so does what is taken from
them, and of a member that would leave that range by it the halves alone are taken.

What a step conducts is worked out twice, at its start and after its first half, for both directions at once:
the whole and the first half share the first. That costs two thirds of working it out for every sweep, and the
answer stays second order, for the sweeps of both ways leave the same out.

A sweep eliminates along the first axis of a contiguous array; every line across it, of every member, is a
lane of the innermost loop, so that the elimination runs as SIMD both for one run and for an ensemble.
Between two sweeps the array is turned.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.drying.axes import (
    ACROSS,
    EXTRA,
    FSP,
    HIGH,
    LOW,
    OFFSET,
    SEASON,
    SLOPE,
    YEAR_RAD_S,
    Axes,
    Axis,
    Light,
)
from baulk.models.drying.slot import Slot
from baulk.models.drying.slot_air import exchange

Pair = tuple[Floats, Floats]
FAST = {"contract", "arcp", "nsz"}
SAFELY = 0.8  # share of the step that the bound would allow
MOST_LONGER = 2.5  # one step than the one before it
# Fresh wood has a front of tens of points within a few mm, of which the mean over the section sees little:
# its bound begins at a share of the usual one and grows to all of it
FRESH_SHARE, SETTLED_S = 0.3, 20 * 86_400.0
# numbers in single precision, since one in double makes all that it meets double
single = np.float32
ZERO, ONE, TWO, FOUR, TWENTY, TINY = (single(each) for each in (0, 1, 2, 4, 20, 1e-12))
HALF, FOURTH, SIXTH, SIXTEENTH = (single(1 / each) for each in (2, 4, 6, 16))
F_20TH, F_24TH, F_42ND, F_120TH, F_720TH = (single(1 / each) for each in (20, 24, 42, 120, 720))
MOST_BENT = single(2.5)


@njit(inline="always")
def _exp(x: np.float32) -> np.float32:
    """Return exp(x) for abs(x) < 5 within 2e-6 relative, in a form that runs as SIMD (no library call)."""
    t = x * SIXTEENTH
    p = ONE + t * (ONE + t * (HALF + t * (SIXTH + t * (F_24TH + t * (F_120TH + t * F_720TH)))))
    p *= p
    p *= p
    p *= p
    return p * p


@njit(inline="always")
def _between(
    m1: np.float32, m2: np.float32, slope: np.float32, fsp: np.float32, free: np.float32
) -> np.float32:
    """Return the mean of D/d_ref over the moisture between two places, so that the steady flux is exact.

    Kirchhoff: the mean of exp(slope M) between a1 and a2 is its middle value times sinh(z)/z; the part above
    fibre saturation has the constant value `free`. Within 0.2 % for places 24 points apart at a slope of 0.2.
    """
    a1 = min(m1, fsp)
    a2 = min(m2, fsp)
    z = HALF * slope * (a2 - a1)
    zz = z * z
    bound = _exp(slope * (HALF * (a1 + a2) - TWENTY)) * (
        ONE + zz * SIXTH * (ONE + zz * F_20TH * (ONE + zz * F_42ND))
    )
    share = abs(a2 - a1) / (abs(m2 - m1) + TINY) if max(m1, m2) > fsp else ONE
    return free + (bound - free) * share


@njit(inline="always")
def _skin(m: np.float32, emc: np.float32, half: np.float32, d: np.float32, resist: np.float32) -> np.float32:
    """Return the moisture of the face itself, between the air's EMC and the outermost cell."""
    inside = resist * d
    return emc + (m - emc) * inside / (inside + half)


@njit(inline="always")
def _per(
    flux: np.float32, step: np.float32, usual: np.float32, least: np.float32, most: np.float32
) -> np.float32:
    """Return a flux over the step that drives it, held to some shares of the usual quotient.

    Held positive, so that it can be a conductance and the sweep stays stable; usual where there is no step.
    """
    found = usual + (flux - usual * step) * step / (step * step + TINY)
    return min(max(found, least * usual), most * usual)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _lay(axis: Axis, now: tuple[float, float, float], wide: Light) -> None:
    """Lay out over the lanes what holds for one step: factor on D, resistances, EMC.

    `now` holds the step's temperature factor, EMC of the air [%] and cosine of the season, 1 in midwinter.
    """
    warm, emc, cold = single(now[0]), single(now[1]), single(now[2])
    ln_warm = single(np.log(now[0]))
    own = axis.lanes
    lanes = own.shape[1]
    for k in range(lanes):
        wide[3, k] = max(emc + own[OFFSET, k], ZERO)
    for k in range(lanes):
        wide[0, k] = warm * _exp(own[EXTRA, k] * ln_warm)
    for k in range(lanes):
        wide[1, k] = own[LOW, k] * _exp(own[SEASON, k] * cold)
    for k in range(lanes):
        wide[2, k] = own[HIGH, k] * _exp(own[SEASON, k] * cold)


@njit(inline="always")
def _end(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    u: Light, i: int, inner: int, axis: Axis, wide: Light, resist: Light, mid: Light, skin: Light, edge: int
) -> None:
    """Fill in the outermost centre at one end, and the value of the face itself.

    The face's value depends on D beneath it: first on D up to where a straight line would end, then on D up
    to the first value.
    """
    own, grain, width, free = axis.lanes, axis.grain, axis.width, axis.free
    row = min(edge, free.shape[0] - 1)
    onward, half = single(-width[i] / (width[i] + width[inner])), single(0.5 * width[i])
    beside, within = axis.centre[i, min(edge, 1)], axis.centre[i, 1 - min(edge, 1)]
    for k in range(u.shape[1]):
        first = max(u[i, k] + onward * (u[inner, k] - u[i, k]), ZERO)
        d = wide[0, k] * grain[edge, k]
        d *= _between(u[i, k], first, own[SLOPE, k], own[FSP, k], free[row, k])
        skin[edge, k] = _skin(u[i, k], wide[3, k], half, d, resist[k])
    for k in range(u.shape[1]):
        mid[i, k] = u[i, k] + beside * (skin[edge, k] - u[i, k]) + within * (u[inner, k] - u[i, k])
    for k in range(u.shape[1]):
        d = wide[0, k] * grain[edge, k]
        d *= _between(mid[i, k], skin[edge, k], own[SLOPE, k], own[FSP, k], free[row, k])
        skin[edge, k] = _skin(mid[i, k], wide[3, k], half, d, resist[k])


@njit(inline="always")
def _points(u: Light, axis: Axis, wide: Light, mid: Light, skin: Light) -> None:
    """Fill in the moisture at the cell centres, from the means beside them, and of both faces.

    By parabolas with the means of three cells, at the ends of two and the value of the face itself.
    """
    n, lanes = axis.width.size, u.shape[1]
    _end(u, 0, 1, axis, wide, wide[1], mid, skin, 0)
    _end(u, n - 1, n - 2, axis, wide, wide[2], mid, skin, n)
    for i in range(1, n - 1):
        before, after = axis.centre[i, 0], axis.centre[i, 1]
        for k in range(lanes):
            mid[i, k] = u[i, k] + before * (u[i - 1, k] - u[i, k]) + after * (u[i + 1, k] - u[i, k])


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _conduct(  # noqa: C901, PLR0912 - passes over lanes
    u: Floats, axis: Axis, face: Floats, light: Light
) -> None:
    """Fill in the conductance of every face between cells, and of both ends but for `_ease`, in m/s.

    The flux is that of a cubic through the potential (Kirchhoff) at two cell centres on either side, of a
    parabola at the surface; as a factor on the two-point flux between the means of the step's start. In
    single precision, which is half the time: what a conductance is off by 1e-6, water is not lost by.
    """
    n, lanes = u.shape
    mean, mid, rise, usual, wide = light[0], light[1], light[2], light[3], light[4]
    own, grain, blend, free = axis.lanes, axis.grain, axis.blend, axis.free
    last_row = free.shape[0] - 1
    warm, low, high = wide[0], wide[1], wide[2]
    first, last = single(0.5 * axis.width[0]), single(0.5 * axis.width[n - 1])
    for i in range(n):
        for k in range(lanes):
            mean[i, k] = u[i, k]
    _points(mean, axis, wide, mid, rise)
    for k in range(lanes):
        usual[0, k] = _between(mid[0, k], rise[0, k], own[SLOPE, k], own[FSP, k], free[0, k])
    for i in range(n - 1):
        row = min(i + 1, last_row)
        for k in range(lanes):
            usual[i + 1, k] = _between(mid[i, k], mid[i + 1, k], own[SLOPE, k], own[FSP, k], free[row, k])
    for k in range(lanes):
        usual[n, k] = _between(mid[n - 1, k], rise[n, k], own[SLOPE, k], own[FSP, k], free[last_row, k])
    for k in range(lanes):
        rise[0, k] = usual[0, k] * (mid[0, k] - rise[0, k])
    for i in range(n - 1):
        for k in range(lanes):
            rise[i + 1, k] = usual[i + 1, k] * (mid[i + 1, k] - mid[i, k])
    for k in range(lanes):
        rise[n, k] = usual[n, k] * (rise[n, k] - mid[n - 1, k])
    share, after = blend[0, 1], blend[0, 2]
    for k in range(lanes):
        bent = _per(share * rise[0, k] + after * rise[1, k], rise[0, k], ONE, HALF, MOST_BENT)
        usual[0, k] = ONE / (low[k] + first / (warm[k] * grain[0, k] * usual[0, k] * bent))
    for i in range(1, n):
        before, share, after = blend[i, 0], blend[i, 1], blend[i, 2]
        for k in range(lanes):
            flux = before * rise[i - 1, k] + share * rise[i, k] + after * rise[i + 1, k]
            between = _per(flux, mean[i, k] - mean[i - 1, k], usual[i, k], FOURTH, FOUR)
            face[i, k] = warm[k] * grain[i, k] * between
    before, share = blend[n, 0], blend[n, 1]
    for k in range(lanes):
        bent = _per(before * rise[n - 1, k] + share * rise[n, k], rise[n, k], ONE, HALF, MOST_BENT)
        usual[n, k] = ONE / (high[k] + last / (warm[k] * grain[n, k] * usual[n, k] * bent))


@njit(inline="always")
def _ease(emc: Floats, face: Floats, light: Light) -> None:
    """Fill in the conductance of both ends to the air, as `_conduct` left it, for the EMC of a sweep.

    What is given off goes by the value at the centre of the outermost cell, the rows by its mean.
    """
    mean, mid, usual, n = light[0], light[1], light[3], face.shape[0] - 1
    for k in range(emc.size):
        air = single(emc[k])
        face[0, k] = usual[0, k] * _per(mid[0, k] - air, mean[0, k] - air, ONE, HALF, TWO)
    for k in range(emc.size):
        air = single(emc[k])
        face[n, k] = usual[n, k] * _per(mid[n - 1, k] - air, mean[n - 1, k] - air, ONE, HALF, TWO)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _eliminate(  # noqa: C901, PLR0913, PLR0917 - compiled: flat arrays
    u: Floats, width: Floats, dt: float, face: Floats, inv: Floats, right: Floats, last: Floats
) -> None:
    """Solve the rows for the given faces; the last row of `right` brings the EMC of the air.

    `last` holds what the row before gave: where a row is read from the array that is being written, or rows
    are written from the last to the first, the compiler does not prove them apart and leaves SIMD (four times
    slower, measured).
    """
    n, lanes = u.shape
    w = width[0] / dt
    for k in range(lanes):
        inv[0, k] = 1.0 / (w + face[1, k] + face[0, k])
    for k in range(lanes):
        right[0, k] = (w * u[0, k] + face[0, k] * right[n, k]) * inv[0, k]
    for i in range(1, n):
        w = width[i] / dt
        for k in range(lanes):
            last[0, k] = inv[i - 1, k]
        for k in range(lanes):
            last[1, k] = right[i - 1, k]
        for k in range(lanes):
            g = face[i, k]
            inv[i, k] = 1.0 / (w + face[i + 1, k] + g * (1.0 - g * last[0, k]))
        for k in range(lanes):
            right[i, k] = (w * u[i, k] + face[i, k] * last[1, k]) * inv[i, k]
    for k in range(lanes):
        last[1, k] = right[n, k]
    for i in range(n - 1, -1, -1):
        for k in range(lanes):
            last[0, k] = right[i, k] + face[i + 1, k] * inv[i, k] * last[1, k]
        for k in range(lanes):
            last[1, k] = last[0, k]
        for k in range(lanes):
            u[i, k] = last[0, k]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _sweep(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    u: Floats, axis: Axis, dt: float, emc: float, out: Floats, work: Floats, light: Light
) -> None:
    """Solve every lane implicitly along the first axis of `u`; add what leaves to `out`.

    `work`, shape (4, n + 1, lanes), and `light`, (5, at least 4, lanes) and as high as `work`, are as
    `_conduct` left them; `emc` is that of the air [%].
    Here and in the functions above each pass over the lanes writes one array and reads few others: with
    more the compiler does not prove them apart and leaves SIMD (three times slower, measured).
    """
    n, lanes = u.shape
    face, right = work[0], work[2]
    outside = single(emc)
    for k in range(lanes):
        right[n, k] = max(outside + axis.lanes[OFFSET, k], ZERO)
    _ease(right[n], face, light)
    _eliminate(u, axis.width, dt, face, work[1], right, work[3])
    for k in range(lanes):
        air = right[n, k]
        lost = face[0, k] * (u[0, k] - air) + face[n, k] * (u[n - 1, k] - air)
        out[k] += dt * axis.lanes[ACROSS, k] * lost


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _turn(u: Floats, v: Floats) -> None:
    for j in range(u.shape[0]):
        for i in range(u.shape[1]):
            for k in range(u.shape[2]):
                v[i, j, k] = u[j, i, k]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _sum_lines(out: Floats, members: int, total: Floats) -> None:
    for first in range(0, out.size, members):
        for k in range(members):
            total[k] += out[first + k]


@njit(cache=True, nogil=True, error_model="numpy")
def _weather(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    air: Floats, slope: float, mean: float, begin: float, end: float, row: int
) -> tuple[float, float, float, float]:
    """Return what the air is to a step: its mean factor on D, and EMC for the whole and for either half.

    Means over warm time (the integral of the factor on D) of the potential of the EMC. Those of the halves
    are weighted with what is left of the step and with what is gone, not cut at the middle: extrapolated they
    then have the first moment of the weather, as the mean has that of order nought. Row `row` holds at begin.
    """
    last = _row(air, end, row)
    first_s, last_s = begin - air[row, 0], end - air[last, 0]
    since = air[row, 3] + air[row, 1] * first_s
    upto = air[last, 3] + air[last, 1] * last_s
    warm = upto - since
    whole = air[last, 6] + air[last, 5] * (upto - air[last, 3])
    whole -= air[row, 6] + air[row, 5] * (since - air[row, 3])
    late = air[last, 7] + 0.5 * air[last, 5] * (upto * upto - air[last, 3] * air[last, 3])
    late -= air[row, 7] + 0.5 * air[row, 5] * (since * since - air[row, 3] * air[row, 3])
    late = 2.0 * (late - since * whole) / (warm * warm)
    whole /= warm
    early = 2.0 * whole - late
    return (
        warm / (end - begin),
        TWENTY + np.log(slope * (mean + whole)) / slope,
        TWENTY + np.log(slope * (mean + early)) / slope,
        TWENTY + np.log(slope * (mean + late)) / slope,
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _row(air: Floats, t: float, at: int) -> int:
    while at + 1 < air.shape[0] and air[at + 1, 0] <= t:
        at += 1
    return at


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _apart(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    whole: Floats, halves: Floats, along: Floats, across: Floats, lane: Floats, members: int
) -> float:
    """Return the largest of the members' absolute differences, summed over what counts of the section.

    `along` is as much of each cell's width as counts, `across` of each line's.
    """
    n, lanes = whole.shape
    lane[:] = 0.0
    for i in range(n):
        w = along[i]
        for k in range(lanes):
            lane[k] += w * abs(whole[i, k] - halves[i, k])
    w = across[0]
    for k in range(members):
        lane[k] *= w
    for line in range(1, lanes // members):
        w, first = across[line], line * members
        for k in range(members):
            lane[k] += w * lane[first + k]
    worst = 0.0
    for k in range(members):
        worst = max(worst, lane[k])
    return worst


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _toward(half: Floats, whole: Floats, halves: Floats) -> None:
    """Take its error off what stands after half a step."""
    for i in range(half.shape[0]):
        for k in range(half.shape[1]):
            half[i, k] += 0.5 * (halves[i, k] - whole[i, k])


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _better(  # noqa: C901, PLR0913, PLR0917 - compiled: flat arrays
    whole: Floats, halves: Floats, least: Floats, most: Floats, lane: Floats, good: Floats
) -> None:
    """Put the extrapolation of both into `whole` for every member of which all lies in its range.

    For the others the halves; `good` tells, 1 or 0.
    """
    n, lanes = whole.shape
    m = good.size
    low, high = lane[0], lane[1]
    low[:] = np.inf
    high[:] = -np.inf
    for i in range(n):
        for k in range(lanes):
            whole[i, k] = 2.0 * halves[i, k] - whole[i, k]
        for k in range(lanes):
            low[k] = min(low[k], whole[i, k])
        for k in range(lanes):
            high[k] = max(high[k], whole[i, k])
    good[:] = 1.0
    for first in range(0, lanes, m):
        for k in range(m):
            if low[first + k] < least[k] - 1e-9 or high[first + k] > most[k] + 1e-9:
                good[k] = 0.0
    if good.min() < 1.0:
        for i in range(n):
            for first in range(0, lanes, m):
                for k in range(m):
                    if good[k] == 0.0:
                        whole[i, first + k] = halves[i, first + k]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _try(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    state: Pair, d: int, t: float, h: float, air: Floats, row: int, axes: Axes,
    season: tuple[float, float, float], off: Pair, work: Pair, light: tuple[Light, Light], count: Pair,
    half: Floats, half_off: Floats, slot: Slot,
) -> float:  # fmt: skip
    """Take one step whole and in halves; return how far apart they end.

    From `state[d][0]`, which stays, to the other one's [1] whole and [2] in halves. `off[..][0]` and [1]
    receive what leaves on the way of each; `half` and `half_off` what stands and has left after the first
    half. `work` and `light` keep what is conducted from the whole to the first half. One place each that
    conducts and that sweeps, because each would be compiled anew.
    """
    here, there = state[d], state[1 - d]
    n, n_2, m = here[0].shape
    off[0][:] = 0.0
    off[1][:] = 0.0
    warm, whole_emc, early_emc, late_emc = _weather(air, season[1], season[2], t, t + h, row)
    cold = np.cos(YEAR_RAD_S * (t + 0.5 * h - season[0]))
    for part in range(3):
        size = h if part == 0 else 0.5 * h
        if part == 2:
            half[:] = there[2].reshape(half.size)
            half_off[:] = 0.0
            for side in range(2):
                _sum_lines(off[side][1], m, half_off)
            _turn(there[2], here[1])
        else:
            here[1] = here[0]
        if part == 0:
            _turn(here[0], there[2])
        if part != 1:
            for side in range(2):
                if part == 0:
                    _lay(axes[side], (warm, whole_emc, cold), light[side][4])
                lanes = here[1].reshape(n, n_2 * m) if side == d else there[2].reshape(n_2, n * m)
                _conduct(lanes, axes[side], work[side][0], light[side])
        emc = whole_emc if part == 0 else early_emc if part == 1 else late_emc
        way = min(part, 1)
        exchange(here[1], d, slot, size, (warm, emc, cold), off[0][way])
        for second in range(2):
            side = 1 - d if second else d
            if second:
                _turn(here[1], there[1 + way])
            lanes = there[1 + way].reshape(n_2, n * m) if second else here[1].reshape(n, n_2 * m)
            _sweep(lanes, axes[side], size, emc, off[side][way], work[side], light[side])
    whole, halves = there[1].reshape(n_2, n * m), there[2].reshape(n_2, n * m)
    return _apart(whole, halves, count[1 - d], count[d], work[1 - d][0, 0], m)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def _keep(  # noqa: PLR0913, PLR0917 - compiled: flat arrays
    begin: Floats, half: Floats, end: Floats, share: float, upright: bool, field: Floats,  # noqa: FBT001
    least: Floats, most: Floats,
) -> bool:  # fmt: skip
    """Write what lies at a share of the way.

    `begin` stands (ny, nx, m), `half` and `end` (nx, ny, m), or the reverse. On a parabola through all three
    if all of it lies in each member's range, else on a straight line; return whether on the parabola.
    """
    ny, nx, m = field.shape
    for straight in range(2):
        of_half, of_end = 4.0 * share * (1.0 - share), share * (2.0 * share - 1.0)
        if straight:
            of_half, of_end = 0.0, share
        beyond = 0.0
        for j in range(ny):
            for i in range(nx):
                for k in range(m):
                    a = begin[j, i, k] if upright else begin[i, j, k]
                    b = half[i, j, k] if upright else half[j, i, k]
                    c = end[i, j, k] if upright else end[j, i, k]
                    found = a + of_half * (b - a) + of_end * (c - a)
                    beyond = max(beyond, least[k] - found, found - most[k])
                    field[j, i, k] = found
        if straight or beyond <= 1e-9:
            return straight == 0
    return False


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def march(  # noqa: PLR0913, PLR0915, PLR0917 - compiled: flat arrays
    start: Floats, fields: Floats, given_off: Floats, span: Floats, at_s: Floats, air: Floats,
    control: Floats, least: Floats, most: Floats, x: Axis, y: Axis, count: Pair, slot: Slot,
) -> int:  # fmt: skip
    """March a chunk of members through a span of time.

    Parameters
    ----------
    start : ndarray, shape (ny, nx, m)
        Moisture content at the start; receives that at the end. [%]
    fields : ndarray, shape (times, ny, nx, m)
        Receives the moisture content at the wanted moments, on a parabola within a step. [%]
    given_off : ndarray, shape (times + 1, m)
        Receives the moisture given off up to each of them and up to the end, per metre of length. [% m2]
    span : ndarray, shape (2,)
        First and last moment. [s]
    at_s : ndarray, shape (times,)
        Wanted moments within it, not decreasing. [s]
    air : ndarray, shape (rows, 5)
        Moment from which a row holds [s], temperature factor on D [-], EMC [%], and the integrals of both
        from the first moment.
    control : ndarray, shape (4,)
        Error of a step in the mean absolute difference [%], first and longest step [s], a midwinter [s].
    least, most : ndarray, shape (m,)
        Driest and wettest that a member can become. [%]
    x, y : Axis
        The two directions; lanes along x are (ny, m), along y (nx, m).
    count : (ndarray, ndarray)
        As much of each cell's width as counts in that difference, along y and along x. [m]
    slot : Slot
        The relief kerf.

    Returns
    -------
    int
        Number of steps taken.
    """
    ny, nx, m = start.shape
    area = x.width.sum() * y.width.sum()
    longest, season = control[2], (control[3], control[4], control[5])
    state = (np.empty((3, ny, nx, m)), np.empty((3, nx, ny, m)))
    axes = (y, x)  # the side that the moisture stands on is swept along first
    work = (np.empty((4, ny + 1, nx * m)), np.empty((4, nx + 1, ny * m)))
    light = (
        np.empty((5, max(ny + 1, 4), nx * m), np.float32), np.empty((5, max(nx + 1, 4), ny * m), np.float32),
    )  # fmt: skip
    off = (np.empty((2, nx * m)), np.empty((2, ny * m)))
    half, half_off, good, most_by = np.empty(ny * nx * m), np.empty(m), np.empty(m), MOST_LONGER
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
        away = _try(state, d, t, step, air, row, axes, season, off, work, light, count, half, half_off, slot)
        bound = control[0] * area * min(max(t / SETTLED_S, FRESH_SHARE), 1.0)
        change = SAFELY * (bound / (away + 1e-300)) ** 0.5
        if not change > 0.2:  # also of no number
            change = 0.2
        h = min(step * min(change, most_by), longest)
        if change < SAFELY and step > 60.0:
            most_by = 1.0
            continue
        here, there = state[d], state[1 - d]
        gone[:] = 0.0
        for way in range(2):
            for side in range(2):
                _sum_lines(off[side][way], m, gone[way])
        # a first half errs by half of what whole and halves are apart
        between = half.reshape(there[1].shape)
        wide = there[1].reshape(there[1].shape[0], -1)
        _toward(half.reshape(wide.shape), wide, there[2].reshape(wide.shape))
        half_off += 0.5 * (gone[1] - gone[0])
        _better(wide, there[2].reshape(wide.shape), least, most, work[1 - d][0], good)
        gone[2] = gone[1] + good * (gone[1] - gone[0])
        while saved < at_s.size and at_s[saved] <= t + step:
            share = (at_s[saved] - t) / step
            if _keep(here[0], between, there[1], share, d == 0, fields[saved], least, most):
                on_way = 4.0 * share * (1.0 - share) * half_off + share * (2.0 * share - 1.0) * gone[2]
            else:
                on_way = share * gone[2]
            given_off[saved] = total + on_way
            saved += 1
        total += gone[2]
        taken += 1
        most_by = MOST_LONGER
        t = span[1] if step == left else t + step
        there[0] = there[1]
    given_off[at_s.size] = total
    if taken % 2 == 0:
        start[:] = state[0][0]
    else:
        _turn(state[1][0], start)
    return taken


@njit(cache=True, nogil=True, error_model="numpy")
def hand_over(
    fields: Floats, rows: NDArray[np.int64], chunk: NDArray[np.int64], at: NDArray[np.int64], to: Floats
) -> None:
    """Write what a chunk of members was at some moments where each member has a field of its own.

    Parameters
    ----------
    fields : ndarray, shape (times, ny, nx, m)
        From `march`. [%]
    rows : ndarray, shape (k,)
        The moments in it.
    chunk : ndarray, shape (m,)
        The members.
    at : ndarray, shape (k,)
        The moments in `to`.
    to : ndarray, shape (all times, all members, ny or 2 ny, nx or 2 nx)
        Receives them; where it has twice as many cells, the half that was solved and before it the same
        turned round. [%]
    """
    _, ny, nx, m = fields.shape
    low_y, low_x = to.shape[2] - ny, to.shape[3] - nx
    for s in range(rows.size):
        lanes = fields[rows[s]]
        for k in range(m):
            own = to[at[s], chunk[k]]
            for j in range(ny):
                for i in range(nx):
                    own[low_y + j, low_x + i] = lanes[j, i, k]
                for i in range(low_x):
                    own[low_y + j, low_x - 1 - i] = own[low_y + j, low_x + i]
            for j in range(low_y):
                for i in range(low_x + nx):
                    own[low_y - 1 - j, i] = own[low_y + j, i]


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def layers(  # noqa: C901, PLR0912, PLR0913, PLR0917 - compiled: flat arrays
    state: Floats, found: Floats, at_s: Floats, span: Floats, air: Floats, control: Floats, axis: Axis,
    inner_s: Floats, inner: Floats, sideways: Floats, deep: Floats,
) -> None:  # fmt: skip
    """March the layers under some faces, whose deep end follows what the section has there.

    Parameters
    ----------
    state : ndarray, shape (n, lanes)
        Moisture content at the start, the outermost cell first; receives that at the end. [%]
    found : ndarray, shape (times, n, lanes)
        Receives it at the wanted moments. [%]
    at_s : ndarray, shape (times,)
        Wanted moments within the span, not decreasing. [s]
    span : ndarray, shape (2,)
        First and last moment. [s]
    air : ndarray, shape (rows, 8)
        As in `march`.
    control : ndarray, shape (6,)
        Shortest and longest step [s], the share of the time to the next wanted moment that a step takes [-],
        a midwinter [s], and two numbers of the air as in `march`.
    axis : Axis
        Its last cell so wide that it stays as it is set.
    inner_s : ndarray, shape (k,)
        Moments at which the deep end is known, increasing. [s]
    inner : ndarray, shape (k, lanes)
        Its moisture content. [%]
    sideways : ndarray, shape (k, lanes)
        What flows to it from both sides at a factor on D of 1. [%/s]
    deep : ndarray, shape (n,)
        Share of that at each cell. [-]
    """
    n, lanes = state.shape
    work, light = np.empty((4, n + 1, lanes)), np.empty((5, max(n + 1, 4), lanes), np.float32)
    whole, halves, off = np.empty((n, lanes)), np.empty((n, lanes)), np.empty(lanes)
    t, row, saved, k = span[0], 0, 0, 0
    while saved < at_s.size and at_s[saved] <= t:
        found[saved] = state
        saved += 1
    while t < span[1]:
        until = (at_s[saved] if saved < at_s.size else span[1]) - t
        step = min(max(control[2] * until, control[0]), control[1], 600.0 + control[2] * t)
        step = until if until < 1.5 * step else step
        row = _row(air, t, row)
        warm, whole_emc, early_emc, late_emc = _weather(air, control[4], control[5], t, t + step, row)
        for part in range(3):
            end = t + 0.5 * step if part == 1 else t + step
            size = step if part == 0 else 0.5 * step
            emc = whole_emc if part == 0 else early_emc if part == 1 else late_emc
            if part == 2:
                u = halves
            else:
                u = whole if part == 0 else halves
                u[:] = state
            while k + 2 < inner_s.size and inner_s[k + 1] < end:
                k += 1
            while k > 0 and inner_s[k] > end:
                k -= 1
            share = (end - inner_s[k]) / (inner_s[k + 1] - inner_s[k])
            for i in range(n):
                fed = deep[i] * warm * size
                for j in range(lanes):
                    u[i, j] += fed * (sideways[k, j] + share * (sideways[k + 1, j] - sideways[k, j]))
            for j in range(lanes):
                u[n - 1, j] = inner[k, j] + share * (inner[k + 1, j] - inner[k, j])
            cold = np.cos(YEAR_RAD_S * (end - 0.5 * size - control[3]))
            _lay(axis, (warm, emc, cold), light[4])
            _conduct(u, axis, work[0], light)
            _sweep(u, axis, size, emc, off, work, light)
        for i in range(n):
            for j in range(lanes):
                better = 2.0 * halves[i, j] - whole[i, j]
                state[i, j] = better if better > 0.0 else halves[i, j]
        t = at_s[saved] if saved < at_s.size and step == until else t + step
        if saved >= at_s.size and step == until:
            t = span[1]
        while saved < at_s.size and at_s[saved] <= t:
            found[saved] = state
            saved += 1


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def middle_lines(
    fields: Floats, across_y: Floats, across_x: Floats, along_x: Floats, along_y: Floats
) -> None:
    """Add up what stands across the two lines through the middle of a section.

    Parameters
    ----------
    fields : ndarray, shape (t, ny, nx, m)
        Moisture content. [%]
    across_y, across_x : ndarray, shape (q, ny) and (q, nx)
        Weights across the line along x and across that along y.
    along_x, along_y : ndarray, shape (q, m, t, nx) and (q, m, t, ny)
        Receive the sums, added to what they hold.
    """
    count, ny, nx, m = fields.shape
    for q in range(across_y.shape[0]):
        for s in range(count):
            for j in range(ny):
                for i in range(nx):
                    for k in range(m):
                        along_x[q, k, s, i] += across_y[q, j] * fields[s, j, i, k]
                        along_y[q, k, s, j] += across_x[q, i] * fields[s, j, i, k]
