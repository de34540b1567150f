"""A slab dried by a solver that shares nothing with the program: thin volumes, LSODA, its own formulas.

Volumes of 0.08 mm at the face and of 0.8 mm from 8 mm on, the flux between two of them from the integral of D
(Kirchhoff), the air in hours. Values at a depth are read off a straight line between the means of volumes;
that of the face itself is the one at which what leaves to the air is what comes from the first middle.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.integrate import solve_ivp

THINNEST_MM, THICKEST_MM, GROWS = 0.08, 0.8, 1.1
HOUR_S = 3600.0
GAS_J_MOL_K = 8.314462618


def slab_pct(thickness_mm, law, hourly_c, hourly_emc_pct, conductance_m_s, start_pct, days, depths_mm):
    """Moisture at depths under both faces of a slab, (days, depths); both faces see the same air.

    Of `law` only its numbers are read: D at 20 degC and 20 % [m2/s], slope of ln D [1/%], saturation [%], the
    step above it and the activation energy [J/mol].
    """
    wide = [THINNEST_MM]  # half of it, closed in the middle
    while sum(wide) < thickness_mm / 2:
        wide.append(min(GROWS * wide[-1], THICKEST_MM))
    h = np.array(wide) * thickness_mm / 2 / sum(wide) / 1000
    apart, count = (h[1:] + h[:-1]) / 2, h.size
    slope, fsp, step = law.slope_per_pct, law.fsp_pct, law.raised_above_fsp
    top = np.exp(slope * (fsp - 20)) / slope
    free = step * np.exp(slope * (fsp - 20))
    warm = np.exp(-law.activation_j_mol / GAS_J_MOL_K * (1 / (hourly_c + 273.15) - 1 / 293.15))
    d_s = law.d_ref_m2_s * warm

    def potential(m):
        return np.where(m < fsp, np.exp(slope * (np.minimum(m, fsp) - 20)) / slope, top + free * (m - fsp))

    def face(m, pull, emc):
        """Where what leaves to the air is what comes from the first middle: Newton's method."""
        comes = top + free * (m - fsp) if m >= fsp else math.exp(slope * (m - 20)) / slope
        skin = max(m, emc)
        for _ in range(30):
            wet = skin >= fsp
            grows = free if wet else math.exp(slope * (skin - 20))
            has = top + free * (skin - fsp) if wet else grows / slope
            change = (conductance_m_s * (skin - emc) - pull * (comes - has)) / (
                conductance_m_s + pull * grows
            )
            skin -= change
            if abs(change) < 1e-9:
                break
        return skin

    def rate(_t, m, d, emc):
        flow = np.empty(count + 1)
        p = potential(m)
        flow[1:-1] = d * (p[:-1] - p[1:]) / apart  # towards the middle
        flow[-1] = 0.0
        flow[0] = -conductance_m_s * (face(float(m[0]), d / (h[0] / 2), emc) - emc)
        return (flow[:-1] - flow[1:]) / h

    m, found = np.full(count, float(start_pct)), []
    places = np.concatenate([[0.0], (np.cumsum(h) - h / 2) * 1000])
    for hour in range(int(max(days) * 24) + 1):
        if hour % 24 == 0 and hour // 24 in days:
            before = max(hour - 1, 0)
            skin = face(float(m[0]), d_s[before] / (h[0] / 2), hourly_emc_pct[before])
            found.append(np.interp(depths_mm, places, np.concatenate([[skin], m])))
        solved = solve_ivp(
            rate, (0.0, HOUR_S), m, method="LSODA", args=(d_s[hour], hourly_emc_pct[hour]),
            lband=1, uband=1, rtol=1e-6, atol=1e-5, t_eval=[HOUR_S],
        )  # fmt: skip
        m = solved.y[:, -1]
    return np.array(found)
