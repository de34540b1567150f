"""What the drying model gets wrong, as a term of its own, so that a long record does not make it too sure.

Inside the record each member carries a departure of its own from the model's field: none at the start and
none at the end, where the wood has come to its air, largest half-way down. Its size in the mean and its shape
from face to core are fitted with the rest. Ahead, the departure that no reading has seen yet grows with the
square root of time and shrinks with the water that is left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.field import MoistureField
from baulk.models.fit_parameters import AHEAD, AHEAD_CORE, EMC, MISFIT, MISFIT_CORE, START

Floats = NDArray[np.float64]

YEAR_S: Final = 365.25 * 86_400.0
# of the water above the air's EMC, after a year without a reading; set on the bench tests/bench/honesty
AHEAD_SD: Final = 0.08
AHEAD_CORE_SD: Final = 0.08
# the least that this is a share of: near its EMC too the wood's own equilibrium stays uncertain
AHEAD_LEAST_PCT: Final = 8.0
LEAST_PCT: Final = 1.0


def with_misfit(fields: Sequence[MoistureField], theta: Floats, emc_pct: float) -> tuple[MoistureField, ...]:
    """Add each member's departure from the model to its fields.

    Parameters
    ----------
    fields : sequence of MoistureField
        As the drying model gives them. [%]
    theta : ndarray, shape (22, m)
        The ensemble.
    emc_pct : float
        Mean EMC of the air since the start, before the members' own offset. [%]

    Returns
    -------
    tuple of MoistureField
        ``M + 4 u (1 - u) (a + b phi)``: u the share of the water above the EMC that is left at the place,
        phi a form that is 1.25 in the middle, -1 at the faces and 0 on the mean. [%]
    """
    emc = (emc_pct + theta[EMC])[:, None, None]
    to_lose = np.maximum(theta[START][:, None, None] - emc, 1.0)
    sizes: dict[int, Floats] = {}
    found = []
    for each in fields:
        key = id(each.section)
        if key not in sizes:
            core = theta[MISFIT_CORE][:, None, None] * _form(each)
            sizes[key] = 4 * (theta[MISFIT][:, None, None] + core)
        left = each.mc_pct - emc
        left /= to_lose
        np.clip(left, 0.0, 1.0, out=left)
        added = 1 - left
        added *= left
        added *= sizes[key]
        added += each.mc_pct
        found.append(replace(each, mc_pct=np.maximum(added, LEAST_PCT, out=added)))
    return tuple(found)


def ahead(
    fields: Sequence[MoistureField], theta: Floats, emc_pct: float | Floats, spread: float = 1.0
) -> tuple[MoistureField, ...]:
    """Let the members part from each other as the time without a reading grows.

    Parameters
    ----------
    fields : sequence of MoistureField
        Forecast of every member, the first of them now. [%]
    theta : ndarray, shape (22, m)
        The ensemble.
    emc_pct : float or ndarray, shape (m,)
        Mean EMC of the air ahead, each member's own where their futures differ. [%]
    spread : float
        Factor on the departure of every member from the median of all, above 0: what the shop's earlier
        forecasts have taught. [-]

    Returns
    -------
    tuple of MoistureField
        With ``max(M - EMC, 8) (exp(sqrt(years) (a + b phi)) - 1)`` added to ``M``. [%]
    """
    emc = (emc_pct + theta[EMC])[:, None, None]
    core = theta[AHEAD_CORE][:, None, None] * _form(fields[0])
    rate = AHEAD_SD * theta[AHEAD][:, None, None] + AHEAD_CORE_SD * core
    found = []
    for each in fields:
        years = max(each.posix_s - fields[0].posix_s, 0.0) / YEAR_S
        above = np.maximum(each.mc_pct - emc, AHEAD_LEAST_PCT)
        mc = each.mc_pct + above * np.expm1(np.sqrt(years) * rate)
        if spread != 1.0:
            usual = np.median(mc, axis=0)
            mc = usual + spread * (mc - usual)
        found.append(replace(each, mc_pct=np.maximum(mc, np.minimum(each.mc_pct, LEAST_PCT))))
    return tuple(found)


def _form(field: MoistureField) -> Floats:
    """Return the form from face to core, shape (ny, nx), with the mean 0 over the section."""
    x, y = ((edges[1:] + edges[:-1]) / 2 for edges in (field.x_edges_mm, field.y_edges_mm))
    form = np.outer(1 - (2 * y / field.section.depth_mm) ** 2, 1 - (2 * x / field.section.width_mm) ** 2)
    mean = np.sum(form * field.area_mm2) / np.sum(field.area_mm2)
    return np.asarray(form / mean - 1)
