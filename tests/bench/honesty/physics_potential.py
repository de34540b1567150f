"""Truth d, kept out while the program is tuned: water runs down a potential, on the grid's corners.

The integral of an exponential coefficient with a low slope that goes on rising far above saturation, a high
activation energy, unknowns on the corners of the cells (half and quarter volumes at faces and edges) instead
of in their middles, and a surface whose equilibrium follows the air with a time constant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from honesty.climates import DAY_S, STEP_S

REFERENCE_M2_S = 1.7e-11  # m2/s at 20 %, level of northern red oak; see physics_bound


@dataclass(frozen=True, kw_only=True)
class Wood:
    """One timber."""

    slope_per_pct: float
    last_pct: float  # above this the coefficient rises no more
    sapwood: float  # coefficient of sapwood over that of heartwood, wet or dry
    activation_j_mol: float
    ratio: float
    follow_days: float
    drier: float  # equilibrium over the isotherm: extractives take room


def draw(rng, kind):
    """Draw one timber's law."""
    return Wood(
        slope_per_pct=float(rng.uniform(0.04, 0.06)),
        last_pct=float(rng.uniform(40, 60)),
        sapwood=float(rng.uniform(1.2, 2.0)) if kind.softwood else 1.0,
        activation_j_mol=float(rng.uniform(44e3, 56e3)),
        ratio=float(rng.uniform(1.0, 2.0)),
        follow_days=float(rng.uniform(4, 20)),
        drier=float(rng.uniform(0.93, 1.03)),
    )


def following(emc_pct, days):
    """First-order lag of the surface behind the air."""
    keep, out, state = (
        np.exp(-STEP_S / DAY_S / days),
        np.empty_like(emc_pct),
        emc_pct[:240].mean(),
    )
    for i, each in enumerate(emc_pct):
        state = keep * state + (1 - keep) * each
        out[i] = state
    return out


def dry(wood, level, place, drive):
    """Fields at the end of every day, read from the corners into cells, (days, ny, nx)."""
    cells = place.start_pct.shape[0]
    x = np.linspace(-place.width_mm / 2, place.width_mm / 2, cells + 1)
    y = np.linspace(-place.depth_mm / 2, place.depth_mm / 2, cells + 1)

    def share(along, across):
        a, b = (along**2, across**2)
        return (wood.ratio * a + b + 1e-6) / (a + b + 1e-6)

    px, py = place.pith_mm
    sx = share(((x[1:] + x[:-1]) / 2)[None] - px, y[:, None] - py)
    sy = share(((y[1:] + y[:-1]) / 2)[:, None] - py, x[None] - px)
    grown = np.pad(place.start_pct, 1, mode="edge")
    start = (grown[1:, 1:] + grown[:-1, 1:] + grown[1:, :-1] + grown[:-1, :-1]) / 4
    sap = np.pad(place.sapwood.astype(float), 1, mode="edge")
    sap = (sap[1:, 1:] + sap[:-1, 1:] + sap[1:, :-1] + sap[:-1, :-1]) / 4
    factor = 1 + (wood.sapwood - 1) * sap
    warm = REFERENCE_M2_S * level * drive.warm(wood.activation_j_mol)
    target = following(drive.emc_pct * wood.drier, wood.follow_days)
    size = (place.width_mm / 1e3 / cells, place.depth_mm / 1e3 / cells)
    out = np.empty((drive.days + 1, cells, cells), np.float32)
    law = (wood.slope_per_pct, wood.last_pct)
    _march(start, size, sx, sy, factor, law, warm, target, drive.surface_m_s, out)
    return out


@numba.njit(cache=True)
def _head(moist, slope, last):
    low = min(moist, last)
    top = np.exp(slope * (last - 20))
    return np.exp(slope * (low - 20)) / slope + max(moist - last, 0.0) * top


@numba.njit(cache=True)
def _keep(mc, out):
    for j in range(out.shape[0]):
        for i in range(out.shape[1]):
            out[j, i] = (mc[j, i] + mc[j + 1, i] + mc[j, i + 1] + mc[j + 1, i + 1]) / 4


@numba.njit(cache=True)
def _inside(head, sx, sy, factor, part, size, gain):
    """What the flows between corners bring to the water of each, but for the coefficient's level."""
    ny, nx = head.shape
    dx, dy = size
    gain[:] = 0.0
    for j in range(ny):
        for i in range(nx - 1):
            k = part[0, j] * sx[j, i] * (factor[j, i] + factor[j, i + 1]) / 2
            flux = k * (head[j, i] - head[j, i + 1]) / dx**2
            gain[j, i] -= flux
            gain[j, i + 1] += flux
    for j in range(ny - 1):
        for i in range(nx):
            k = part[1, i] * sy[j, i] * (factor[j, i] + factor[j + 1, i]) / 2
            flux = k * (head[j, i] - head[j + 1, i]) / dy**2
            gain[j, i] -= flux
            gain[j + 1, i] += flux


@numba.njit(cache=True)
def _through_faces(mc, part, size, surface, target, gain):
    ny, nx = mc.shape
    dx, dy = size
    for i in range(nx):
        gain[ny - 1, i] -= part[1, i] * surface[0] * (mc[ny - 1, i] - target) / dy
        gain[0, i] -= part[1, i] * surface[2] * (mc[0, i] - target) / dy
    for j in range(ny):
        gain[j, nx - 1] -= part[0, j] * surface[1] * (mc[j, nx - 1] - target) / dx
        gain[j, 0] -= part[0, j] * surface[3] * (mc[j, 0] - target) / dx


@numba.njit(cache=True)
def _march(mc, size, sx, sy, factor, law, warm, target, surface, out):
    ny, nx = mc.shape
    slope, last = law
    head, gain = np.empty((ny, nx)), np.empty((ny, nx))
    part = np.ones((2, ny))  # of a whole cell that a corner stands for, down and across; the grid is square
    part[:, 0], part[:, -1] = 0.5, 0.5
    volume = np.outer(part[0], part[1])
    close = 1 / size[0] ** 2 + 1 / size[1] ** 2
    _keep(mc, out[0])
    for step in range(warm.size):
        steep = np.exp(slope * (min(mc.max(), last) - 20)) * factor.max() * 2.0
        quick = 2 * surface[step].max() * (1 / size[0] + 1 / size[1])
        many = int(STEP_S * (warm[step] * steep * 2.0 * close + quick)) + 1
        for _ in range(many):
            for j in range(ny):
                for i in range(nx):
                    head[j, i] = _head(mc[j, i], slope, last)
            _inside(head, sx, sy, factor, part, size, gain)
            gain *= warm[step]
            _through_faces(mc, part, size, surface[step], target[step], gain)
            mc += STEP_S / many * gain / volume
        if (step + 1) % 8 == 0:
            _keep(mc, out[(step + 1) // 8])
