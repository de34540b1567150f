"""A square grid of even cells: means of regions, pieces sawn out of it, and points read off a spline."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.interpolate import RectBivariateSpline

CELLS = 44


def centres_mm(size_mm, cells=CELLS):
    """Middles of even cells, the origin in the middle."""
    return (np.arange(cells) + 0.5) / cells * size_mm - size_mm / 2


def covered(size_mm, low_mm, high_mm, cells=CELLS):
    """Share of each cell that lies between two places."""
    edges = np.linspace(-size_mm / 2, size_mm / 2, cells + 1)
    step = size_mm / cells
    return np.clip((np.minimum(edges[1:], high_mm) - np.maximum(edges[:-1], low_mm)) / step, 0, 1)


def inner_pct(fields, width_mm, depth_mm, share):
    """Mean of what lies deeper than a share of the half-thickness; fields (..., ny, nx)."""
    inset = share * min(width_mm, depth_mm) / 2
    ny, nx = fields.shape[-2:]
    x = covered(width_mm, inset - width_mm / 2, width_mm / 2 - inset, nx)
    y = covered(depth_mm, inset - depth_mm / 2, depth_mm / 2 - inset, ny)
    return np.einsum("...ji,j,i->...", fields, y, x) / (x.sum() * y.sum())


def parts_pct(fields, width_mm, depth_mm):
    """Mean, shell (outer fifth of the half-thickness) and core (deeper than a third of it)."""
    mean = fields.mean(axis=(-2, -1))
    inset = 0.2 * min(width_mm, depth_mm)
    inside = (width_mm - inset) * (depth_mm - inset) / (width_mm * depth_mm)
    shell = (mean - inside * inner_pct(fields, width_mm, depth_mm, 0.2)) / (1 - inside)
    return {
        "mean": mean,
        "shell": shell,
        "core": inner_pct(fields, width_mm, depth_mm, 1 / 3),
    }


def surface(field, width_mm, depth_mm):
    """A smooth surface through the cells' middles."""
    ny, nx = field.shape
    return RectBivariateSpline(centres_mm(depth_mm, ny), centres_mm(width_mm, nx), field, kx=2, ky=2, s=0)


def pin_pct(field, width_mm, depth_mm, face, tip_mm, bare_mm, aside_mm=0.0):
    """Moisture a pin meets over the bare length that ends at its tip, `aside_mm` off the face's middle."""
    away = np.linspace(max(tip_mm - bare_mm, 0.5), tip_mm, 7 if bare_mm > 0 else 1)
    side = np.full(away.size, aside_mm)
    x, y = {
        "a": (side, depth_mm / 2 - away),
        "b": (width_mm / 2 - away, side),
        "c": (side, away - depth_mm / 2),
        "d": (away - width_mm / 2, side),
    }[face]
    return float(surface(field, width_mm, depth_mm).ev(y, x).mean())


def sawn(field, width_mm, depth_mm, finished_mm, cells):
    """Means over the even cells of a square piece sawn out of the middle."""
    edges = np.linspace(-finished_mm / 2, finished_mm / 2, cells + 1)
    ny, nx = field.shape
    x = np.stack([covered(width_mm, a, b, nx) for a, b in pairwise(edges)])
    y = np.stack([covered(depth_mm, a, b, ny) for a, b in pairwise(edges)])
    return (y @ field @ x.T) / np.outer(y.sum(axis=1), x.sum(axis=1))


def shares(width_mm, depth_mm, pith_mm, ratio, cells=CELLS):
    """Coefficient across every inner face over the tangential one: (ny, nx - 1) and (ny - 1, nx)."""

    def share(along, across):
        return (ratio * along**2 + across**2 + 1e-6) / (along**2 + across**2 + 1e-6)

    x, y = centres_mm(width_mm, cells), centres_mm(depth_mm, cells)
    between_x, between_y = (x[1:] + x[:-1]) / 2, (y[1:] + y[:-1]) / 2
    sx = share(between_x[None] - pith_mm[0], y[:, None] - pith_mm[1])
    sy = share(between_y[:, None] - pith_mm[1], x[None] - pith_mm[0])
    return sx, sy


def edge_shares(width_mm, depth_mm, pith_mm, ratio, cells=CELLS):
    """The same at the four faces a, b, c, d, (4, cells)."""

    def share(along, across):
        return (ratio * along**2 + across**2 + 1e-6) / (along**2 + across**2 + 1e-6)

    x, y = (
        centres_mm(width_mm, cells) - pith_mm[0],
        centres_mm(depth_mm, cells) - pith_mm[1],
    )
    top, right = depth_mm / 2 - pith_mm[1], width_mm / 2 - pith_mm[0]
    low, left = -depth_mm / 2 - pith_mm[1], -width_mm / 2 - pith_mm[0]
    return np.stack([share(top, x), share(right, y), share(low, x), share(left, y)])
