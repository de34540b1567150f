"""The surface of a timber by a solver that shares nothing with the program: volumes of 0.05 mm at the face.

One dimension, from a face to the middle, closed there. Backward Euler in steps of a quarter of an hour, the
flux between two volumes by the integral of D (Kirchhoff), Newton's method on the whole system. The EMC is
Wood Handbook (FPL-GTR-282) eq. 4-5 in degC, written out here once more.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import solve_banded

FINEST_MM = 0.05
GROWS = 1.06
STEP_S = 900.0
GAS_J_MOL_K = 8.314462618


def emc_pct(temp_c, rh_pct):
    """Equilibrium moisture content, Wood Handbook eq. 4-5 in degC. [%]"""
    t, h = np.asarray(temp_c, float), np.asarray(rh_pct, float) / 100
    w = 349 + 1.29 * t + 0.0135 * t**2
    k = 0.805 + 0.000736 * t - 0.00000273 * t**2
    k1 = 6.27 - 0.00938 * t - 0.000303 * t**2
    k2 = 1.91 + 0.0407 * t - 0.000293 * t**2
    kh = k * h
    bound = kh / (1 - kh) + (k1 * kh + 2 * k1 * k2 * kh**2) / (1 + k1 * kh + k1 * k2 * kh**2)
    return 1800 / w * bound


def spring(days, *, dry_week=None):
    """Hours of an invented temperate April, driest after noon; a dry wind for a week if asked. [degC, %]"""
    hour = np.arange(24 * days + 1)
    day = hour / 24
    temp = 11 + 0.08 * day - 5 * np.cos(2 * np.pi * (day - 0.13))
    rh = 65 + 17 * np.cos(2 * np.pi * (day - 0.13)) + 5 * np.sin(2 * np.pi * day / 9)
    if dry_week is not None:
        rh = rh - np.where((day >= dry_week) & (day < dry_week + 7), 22.0, 0.0)
    return temp, rh


def surface(half_mm, law, temp_c, rh_pct, *, start_pct, conductance_m_s=7e-8, radial=None):
    """Moisture of the face and shrinkage of the whole half by the hour.

    Of `law` only its numbers are read. `radial` is the factor on D across the face, 1 unless given.

    Returns
    -------
    surface_pct : ndarray, shape (hours,)
        Moisture of the face itself. [%]
    depth_mm, mc_pct : ndarray, shape (n,), (hours, n)
        Middles of the volumes and their moisture. [mm, %]
    width_mm : ndarray, shape (n,)
    """
    width = [FINEST_MM]
    while sum(width) + width[-1] * GROWS < half_mm and width[-1] < 1.0:
        width.append(width[-1] * GROWS)
    rest = half_mm - sum(width)
    width += [rest / max(1, round(rest))] * max(1, round(rest))
    width = np.array(width) / 1000
    gap = np.concatenate([[width[0] / 2], (width[1:] + width[:-1]) / 2])
    slope, fsp = law.slope_per_pct, law.fsp_pct
    top = np.exp(slope * (fsp - 20)) / slope
    free = law.raised_above_fsp * np.exp(slope * (fsp - 20))

    def potential(m):
        wet = m >= fsp
        bound = np.exp(slope * (np.minimum(m, fsp) - 20)) / slope
        return np.where(wet, top + free * (m - fsp), bound), np.where(wet, free, slope * bound)

    hours = temp_c.size
    warm = np.exp(-law.activation_j_mol / GAS_J_MOL_K * (1 / (np.asarray(temp_c) + 273.15) - 1 / 293.15))
    d_s = law.d_ref_m2_s * warm * (1.0 if radial is None else radial)
    emc = emc_pct(temp_c, rh_pct)
    # unknowns: the face itself, then the volumes
    m = np.full(width.size + 1, float(start_pct))
    faces, inside = np.empty(hours), np.empty((hours, width.size))
    for hour in range(hours):
        faces[hour], inside[hour] = m[0], m[1:]
        pull = d_s[hour] / gap
        for _ in range(round(3600 / STEP_S)):
            old = m.copy()
            m[0] = min(m[0], 0.5 * (m[1] + emc[hour])) if m[0] > fsp else m[0]
            for _ in range(60):
                p, grows = potential(m)
                flux = pull * (p[1:] - p[:-1])  # toward the face
                out = conductance_m_s * (m[0] - emc[hour])
                miss = np.empty_like(m)
                miss[0] = out - flux[0]
                miss[1:] = width * (m[1:] - old[1:]) / STEP_S + flux - np.append(flux[1:], 0.0)
                band = np.zeros((3, m.size))
                band[1, 0] = conductance_m_s + pull[0] * grows[0]
                band[1, 1:] = width / STEP_S + pull * grows[1:]
                band[1, 1:-1] += pull[1:] * grows[1:-1]
                band[0, 1:] = -pull * grows[1:]
                band[2, :-1] = -pull * grows[:-1]
                change = np.clip(solve_banded((1, 1), band, miss), -4.0, 4.0)
                m = np.maximum(m - change, 0.5)
                if np.max(np.abs(change)) < 1e-7:
                    break
            else:
                raise AssertionError("Newton's method has not come to an end")
    width_mm = width * 1000
    return faces, np.cumsum(width_mm) - width_mm / 2, inside, width_mm


def strain_pct(onset_pct, tangential_pct, face_pct, inside_pct, width_mm):
    """What the face wants to shrink beyond what a square timber as a whole has done, four faces alike. [%]"""
    did = np.clip(1 - inside_pct / onset_pct, 0, 1) @ width_mm / width_mm.sum()
    whole = 1 - (1 - did) ** 2
    return tangential_pct * np.maximum(np.clip(1 - face_pct / onset_pct, 0, 1) - whole, 0)
