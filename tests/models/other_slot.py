"""A section with a slot on a fine uniform grid, solved as one sparse system: shares nothing with the program.

Volumes of a millimetre, backward Euler, one coefficient for all of the wood, so that each step is the same
linear system: wood, walls and the air of the slot together. The slot lies on a line of the grid, from the top
face down; its air passes vapour along it and takes it from both walls through their surface resistance.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.linalg import splu


def dry(
    *, width_mm, depth_mm, slot_mm, deep_mm, d_m2_s, surface_m_s, air_m2_s, start_pct, emc_pct, days, at_days,
    step_days=0.5, cell_mm=1.0,
):  # fmt: skip
    """Moisture at some days, shape (times, ny, nx), the top row first. [%]

    `slot_mm` is the slot's distance from the left face and `air_m2_s` the conductance of its air along it,
    for a length of one metre (diffusivity of EMC times the width of the slot).
    """
    nx, ny = round(width_mm / cell_mm), round(depth_mm / cell_mm)
    size, at, long = cell_mm / 1000, round(slot_mm / cell_mm), round(deep_mm / cell_mm)
    wood = np.arange(nx * ny).reshape(ny, nx)
    air = nx * ny + np.arange(long)
    rows, cols, values, source = [], [], [], np.zeros(nx * ny + long)

    def join(one, other, conductance):
        one, other = np.ravel(one), np.ravel(other)
        g = np.broadcast_to(conductance, one.shape)
        rows.extend([*one, *other, *one, *other])
        cols.extend([*one, *other, *other, *one])
        values.extend([*g, *g, *-g, *-g])

    def to_room(one, conductance):
        for each in np.ravel(one):
            rows.append(each), cols.append(each), values.append(conductance)
            source[each] += conductance * emc_pct

    join(wood[:-1], wood[1:], d_m2_s)
    apart = np.ones((ny, nx - 1), bool)
    apart[:long, at - 1] = False
    join(wood[:, :-1][apart], wood[:, 1:][apart], d_m2_s)
    outer = size / (1 / surface_m_s + size / 2 / d_m2_s)
    for face in (wood[0], wood[-1], wood[:, 0], wood[:, -1]):
        to_room(face, outer)
    for wall in (at - 1, at):
        join(wood[:long, wall], air, outer)
    join(air[:-1], air[1:], air_m2_s / size)
    to_room(air[:1], air_m2_s / (size / 2))
    count = nx * ny + long
    flow = coo_matrix((values, (rows, cols)), shape=(count, count)).tocsc()
    held = np.concatenate([np.full(nx * ny, size * size), np.zeros(long)])  # the air holds nothing
    step = step_days * 86_400.0
    solve = splu(
        (coo_matrix((held, (range(count), range(count))), shape=(count, count)) + flow * step).tocsc()
    )
    m, found = np.concatenate([np.full(nx * ny, start_pct), np.full(long, emc_pct)]), {}
    for turn in range(1, round(days / step_days) + 1):
        m = solve.solve(held * m + step * source)
        found[turn * step_days] = m[: nx * ny].reshape(ny, nx).copy()
    return np.array([found[day] for day in at_days])
