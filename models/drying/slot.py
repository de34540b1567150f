"""A relief kerf in the drying model: two walls that give off to the air of a narrow slot.

The air of the slot is still: vapour diffuses along it to the mouth, so that deep in a narrow kerf it is
nearly as damp as the walls. It is in balance at every moment, for it holds a ten-thousandth of what the walls
do; its equilibrium moisture content is solved for, row by row, together with what the walls give off in a
step. Walls wetter than saturation give off as saturated wood does. The ends of the timber are far, and the
slot's own draught is left out: a kerf in wind dries more.

Beside a fine solution of wood and slot together (tests/models/test_slot.py: a section of 120 mm, kerfs of 3
and 12 mm) the mean is within 0.06 points and 15 mm beside the kerf within 0.25, where the kerf of 3 mm
changes the mean by about 0.17 on day 10. What is left is steps, which split the slot from the wood.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from baulk.models.constants import Floats
from baulk.models.drying.grid import position_mm
from baulk.models.section import CONDUCTANCE_M_S, Face, FaceCover, Section

# diffusion of vapour in air at 20 degC [m2/s], vapour at saturation there [kg/m3]: psychrometric tables, from
# memory; growth of relative humidity with EMC between 12 and 20 % [1/%]: our sorption of the
# Wood Handbook; basic density of a heavy hardwood [kg/m3], our own judgement. Together: diffusivity of EMC
VAPOUR_M2_S: Final = 2.5e-5
SATURATED_KG_M3: Final = 0.0173
HUMIDITY_PER_PCT: Final = 0.030
USUAL_KG_M3: Final = 550.0
EMC_M2_S: Final = VAPOUR_M2_S * SATURATED_KG_M3 * HUMIDITY_PER_PCT * 100 / USUAL_KG_M3
# of the error that a step may make: a step splits the slot from the wood; with all of it moisture 15 mm
# beside a kerf is off by twice as much; our own judgement
FINER: Final = 1 / 3
TURNS: Final = 3  # of walls and air against each other; a fourth changes the mean by less than 0.001 points


class Slot(NamedTuple):
    """A kerf laid out for the compiled part; J rows from its mouth inward, m members; J is 0 without one.

    Parameters
    ----------
    side : int
        0 where it lies along y, sawn into face a or c; 1 along x.
    at : int
        Number of the cell edge that it lies on.
    rows : ndarray, shape (J,)
        The lines of cells that it passes, from the mouth on.
    deep, span : ndarray, shape (J,)
        How far it goes along each, and how wide each is. [m]
    half : (float, float)
        Half the width of the cells on both sides. [m]
    lead : ndarray, shape (J,)
        Conductance of its air to the row before, of the first to the mouth. [m2/s]
    d_ref, free : ndarray, shape (J, m)
        D across its walls at 20 degC and 20 % [m2/s]; D above saturation over it [-].
    wood : ndarray, shape (6, m)
        Offset of the EMC [%], surface resistance of bare wood [s/m], slope of ln D [1/%], saturation [%],
        power on the temperature factor less 1 [-], amplitude of ln surface conductance over the year [-].
    """

    side: int
    at: int
    rows: NDArray[np.int64]
    deep: Floats
    span: Floats
    half: tuple[float, float]
    lead: Floats
    d_ref: Floats
    free: Floats
    wood: Floats

    def some(self, which: NDArray[np.intp]) -> Slot:
        """Return it for a part of the members."""
        return self._replace(
            d_ref=np.ascontiguousarray(self.d_ref[:, which]),
            free=np.ascontiguousarray(self.free[:, which]),
            wood=np.ascontiguousarray(self.wood[:, which]),
        )


def none(members: int) -> Slot:
    """Return what stands for a section without a kerf."""
    row, rows = np.zeros(0), np.zeros((0, members))
    return Slot(
        side=0, at=1, rows=np.zeros(0, np.int64), deep=row, span=row, half=(1.0, 1.0), lead=row, d_ref=rows,
        free=rows, wood=np.zeros((6, members)),
    )  # fmt: skip


def lay_out(  # noqa: PLR0913, PLR0917 - a section, its cells, its wood
    section: Section, x_edges: Floats, y_edges: Floats, grains: tuple[Floats, Floats],
    frees: tuple[Floats, Floats], wood: Floats, offset: Floats, surface_factor: Floats,
) -> Slot:  # fmt: skip
    """Lay a section's kerf out over its cells, for some members.

    `grains` and `frees` as from `layout.grain` and `layout.free_water`, `wood` as from `layout.laws`.
    """
    members, place = offset.size, position_mm(section)
    if place is None or section.kerf is None:
        return none(members)
    kerf = section.kerf
    side = 0 if kerf.face in {Face.A, Face.C} else 1
    across, along = (x_edges, y_edges) if side == 0 else (y_edges, x_edges)
    at = int(np.argmin(np.abs(across - place)))
    covered = _covered(along, kerf.depth_mm, from_end=kerf.face in {Face.A, Face.B})
    rows = np.flatnonzero(covered > 0)
    rows = rows[::-1] if kerf.face in {Face.A, Face.B} else rows
    deep = covered[rows] / 1000
    ends = np.concatenate([[0.0], np.cumsum(deep)])
    middles = (ends[1:] + ends[:-1]) / 2
    gaps = np.diff(np.concatenate([[0.0], middles]))
    d_ref, slope, fsp, free, extra, season = wood
    grain, raised = grains[side], frees[side]
    mine = np.broadcast_to(grain[at, rows, :], (rows.size, members))
    free_at = raised[min(at, raised.shape[0] - 1)]
    free_at = np.broadcast_to(free_at[rows] if free_at.shape[0] > 1 else free_at, (rows.size, members))
    resist = 1 / (CONDUCTANCE_M_S[FaceCover.EXPOSED] * surface_factor)
    return Slot(
        side=side,
        at=at,
        rows=rows.astype(np.int64),
        deep=deep,
        span=np.diff(along)[rows] / 1000,
        half=(float(across[at] - across[at - 1]) / 2000, float(across[at + 1] - across[at]) / 2000),
        lead=EMC_M2_S * kerf.width_mm / 1000 / gaps,
        d_ref=np.ascontiguousarray(mine * d_ref),
        free=np.ascontiguousarray(free_at * free),
        wood=np.ascontiguousarray(np.stack([offset, resist, slope, fsp, extra, season])),
    )


def parted(slot: Slot, grain: Floats, along_mm: Floats) -> Floats:
    """Return the factor on D across the slit with the wood that the saw took away, shape as `grain`.

    Parameters
    ----------
    slot : Slot
        From `lay_out`.
    grain : ndarray, shape (n + 1, lines, 1 or m)
        As from `layout.grain`, across the slit.
    along_mm : ndarray, shape (lines + 1,)
        Edges of the lines. [mm]
    """
    found = grain.copy()
    left = 1 - 1000 * slot.deep / np.diff(along_mm)[slot.rows]
    found[slot.at, slot.rows] *= np.maximum(left, 1e-4)[:, None]
    return found


def straight(slot: Slot, shares: tuple[Floats, Floats]) -> tuple[Floats, Floats]:
    """Return the shares of `slope_shares` and `centre_shares` such that none reads across the slit."""
    blend, centre = (each.copy() for each in shares)
    for edge in range(max(slot.at - 1, 1), min(slot.at + 2, blend.shape[0] - 1)):
        blend[edge] = (0.0, 1.0, 0.0)
    centre[slot.at - 1 : slot.at + 1] = 0.0
    return blend, centre


def _covered(edges_mm: Floats, depth_mm: float, *, from_end: bool) -> Floats:
    """Return how far a cut from one end of a row of cells goes into each, [mm]."""
    near = edges_mm[-1] - edges_mm[1:] if from_end else edges_mm[:-1] - edges_mm[0]
    return np.asarray(np.clip(depth_mm - near, 0.0, np.diff(edges_mm)))


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
