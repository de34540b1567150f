"""A section, its wood and its members laid out for the compiled part of the drying model."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from baulk.models import drying_kernel as kernel
from baulk.models.diffusion import DiffusionLaw
from baulk.models.regrid import slope_shares
from baulk.models.section import Section

Array = NDArray[np.float64]


def axis(  # noqa: PLR0913, PLR0917 - laid out for the compiled part
    width: Array, across: Array, factor: Array, d_m2_s: Array, offset: Array, resist: tuple[Array, Array]
) -> kernel.Axis:
    """Lay out one direction of the section for a chunk of members; `factor` as from `grain`."""
    gap = np.concatenate([[1.0], (width[1:] + width[:-1]) / 2, [1.0]])
    lines, members = across.size, d_m2_s.size
    return kernel.Axis(
        width=width,
        grain=np.ascontiguousarray((factor / gap[:, None, None] * d_m2_s).reshape(gap.size, -1)),
        across=np.repeat(across, members),
        offset=np.tile(offset, lines),
        low=np.tile(resist[0], lines),
        high=np.tile(resist[1], lines),
        blend=slope_shares(width),
    )


_most: list[int | None] = [None]


def use_cores(most: int | None) -> None:
    """Let one run take no more than some cores, where several processes share the machine.

    Parameters
    ----------
    most : int or None
        At least 1; None for all that there are. The answers are the same to the bit.
    """
    _most[0] = most


def share_out(work: Callable[[slice], None], chunks: list[slice]) -> None:
    """Run the chunks on every core; the compiled code holds no interpreter lock."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    workers = min(len(chunks), cores, _most[0] or cores)
    if workers < 2:
        for chunk in chunks:
            work(chunk)
        return
    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(work, chunks))


def grain(
    section: Section, law: DiffusionLaw, x_edges: Array, y_edges: Array, ratio_factor: Array | None = None
) -> tuple[Array, Array]:
    """Factor on the mean D at each cell face, along x (nx + 1, ny, 1 or m) and y (ny + 1, nx, 1 or m)."""
    ratio = law.radial_over_tangential * (np.ones(1) if ratio_factor is None else ratio_factor)
    tangential = 2 / (1 + ratio)
    radial = tangential * ratio
    x_mid, y_mid = (x_edges[1:] + x_edges[:-1]) / 2, (y_edges[1:] + y_edges[:-1]) / 2

    def along(forward: Array, sideways: Array) -> Array:
        a, b = forward[:, None, None] ** 2, sideways[None, :, None] ** 2
        share = (a + 1e-9) / (a + b + 2e-9)
        return np.asarray(radial * share + tangential * (1 - share))

    return (
        along(x_edges - section.pith_x_mm, y_mid - section.pith_y_mm),
        along(y_edges - section.pith_y_mm, x_mid - section.pith_x_mm),
    )
