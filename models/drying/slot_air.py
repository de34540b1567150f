"""The compiled part of a relief kerf: what its walls give off to its air in a step."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numba import njit

from baulk.models.constants import Floats
from baulk.models.drying.slot import Slot

TURNS: Final = 3  # of walls and air against each other; a fourth changes the mean by less than 0.001 points


@njit(cache=True, error_model="numpy")
def _mean_d(a: float, b: float, slope: float, fsp: float, free: float) -> float:
    """Return the mean of D/d_ref over the moisture between two places (Kirchhoff)."""
    low, high = min(a, b), max(a, b)
    below = min(high, fsp) - min(low, fsp)
    above = max(high, fsp) - max(low, fsp)
    if high - low < 1e-6:
        return free if high > fsp else math.exp(slope * (high - 20.0))
    middle = math.exp(slope * (0.5 * (min(high, fsp) + min(low, fsp)) - 20.0))
    z = 0.5 * slope * below
    bound = middle * (math.sinh(z) / z if z > 1e-6 else 1.0)
    return (bound * below + free * above) / (high - low)


@njit(cache=True, nogil=True, error_model="numpy")
def exchange(  # noqa: C901, PLR0912, PLR0913, PLR0917 - compiled: flat arrays
    u: Floats, d: int, slot: Slot, dt: float, now: tuple[float, float, float], out: Floats
) -> None:
    """Let the walls of a slot give off for one step; add what leaves to `out`, lane by member.

    `u` stands (ny, nx, m) where `d` is 0, else (nx, ny, m); `now` as in `kernel._lay`.
    """
    count, members = slot.rows.size, u.shape[2]
    if count == 0:
        return
    e, diag, right, lead = np.empty(count), np.empty(count), np.empty(count), np.empty(count + 1)
    part, drive = np.empty((count, 2)), np.empty((count, 2))
    outer = slot.side == d  # whether the rows of the slot are the first axis
    for k in range(members):
        warm = now[0] * math.exp(slot.wood[4, k] * math.log(now[0]))
        air = max(now[1] + slot.wood[0, k], 0.0)
        resist = slot.wood[1, k] * math.exp(slot.wood[5, k] * now[2])
        slope, fsp = slot.wood[2, k], slot.wood[3, k]
        for j in range(count):
            lead[j] = slot.lead[j] * warm * dt
            e[j] = air
        lead[count] = 0.0
        for _ in range(TURNS):
            for j in range(count):
                r = slot.rows[j]
                diag[j], right[j] = lead[j] + lead[j + 1], 0.0
                for s in range(2):
                    c = slot.at - 1 + s
                    v = u[r, c, k] if outer else u[c, r, k]
                    half = slot.half[s]
                    held = 2.0 * half * slot.span[j] / slot.deep[j]  # of the cell, for each m of the wall
                    inner = warm * slot.d_ref[j, k] * _mean_d(v, e[j], slope, fsp, slot.free[j, k])
                    g = dt / (resist + half / inner)
                    most = dt / resist * max(fsp - e[j], 0.0)
                    if v > fsp and g * (v - e[j]) > most:
                        drive[j, s] = fsp
                        part[j, s] = min(dt / resist, held * (v - e[j]) / max(fsp - e[j], 1e-9))
                    else:
                        drive[j, s] = v
                        part[j, s] = g / (1.0 + g / held)
                    diag[j] += part[j, s] * slot.deep[j]
                    right[j] += part[j, s] * slot.deep[j] * drive[j, s]
            right[0] += lead[0] * air
            for j in range(1, count):
                w = lead[j] / diag[j - 1]
                diag[j] -= w * lead[j]
                right[j] += w * right[j - 1]
            e[count - 1] = right[count - 1] / diag[count - 1]
            for j in range(count - 2, -1, -1):
                e[j] = (right[j] + lead[j + 1] * e[j + 1]) / diag[j]
        for j in range(count):
            r = slot.rows[j]
            for s in range(2):
                c = slot.at - 1 + s
                lost = part[j, s] * (drive[j, s] - e[j])
                share = lost * slot.deep[j] / (2.0 * slot.half[s] * slot.span[j])
                if outer:
                    u[r, c, k] -= share
                else:
                    u[c, r, k] -= share
                out[k] += lost * slot.deep[j]
