"""What the drying model gets wrong, as a term of its own, so that a long record does not make it too sure.

Inside the record each member carries a departure of its own from the model's field: none at the start and
none at the end, where the wood has come to its air, largest half-way down. Its size in the mean and its shape
from face to core are fitted with the rest. Ahead, the departure that no reading has seen yet grows with the
square root of time and shrinks with the water that is left.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import scipy

from baulk.models import sapwood
from baulk.models.calibrate.inputs import FitInputs
from baulk.models.calibrate.parameters import (
    AHEAD,
    AHEAD_CORE,
    DRIED,
    EMC,
    HEARTWOOD,
    MISFIT,
    MISFIT_CORE,
    START,
    members,
)
from baulk.models.constants import YEAR_S, Floats
from baulk.models.drying import solver
from baulk.models.drying.grid import section_edges_mm
from baulk.models.field import MoistureField
from baulk.models.section import Finished, Section
from baulk.models.species import Species

# of the water above the air's EMC, after a year without a reading; set on the bench tests/bench/honesty
AHEAD_SD: Final = 0.08
AHEAD_CORE_SD: Final = 0.08
# Wood as dry as its air departs by its equilibrium, not by how long ago it was read: the growth ends at about
# the longest forecast (two years), of which the bench tries one
AHEAD_MOST_YEARS: Final = 2.0
# the least that this is a share of: near its EMC too the wood's own equilibrium stays uncertain
AHEAD_LEAST_PCT: Final = 8.0
LEAST_PCT: Final = 1.0


def with_misfit(
    fields: Sequence[MoistureField], theta: Floats, given: FitInputs
) -> tuple[MoistureField, ...]:
    """Add each member's departure from the model to its fields.

    Parameters
    ----------
    fields : sequence of MoistureField
        As the drying model gives them. [%]
    theta : ndarray, shape (22, m)
        The ensemble.
    given : FitInputs
        For the mean EMC of the air since the start, before the members' own offset [%], and the wood.

    Returns
    -------
    tuple of MoistureField
        ``M + 4 u (1 - u) (a + b phi)``: u the share of the water above the EMC that is left at the place, of
        what heartwood or sapwood had there when green; phi a form that is 1.25 in the middle, -1 at the faces
        and 0 on the mean. [%]
    """
    from baulk.models.calibrate import departures  # noqa: PLC0415 - loads the compiler, as drying has

    emc = given.emc_pct + theta[EMC]
    laid: dict[int, tuple[Floats, Floats]] = {}
    found = []
    for each in fields:
        key = id(each.section)
        if key not in laid:
            green = _green(theta, given, each.section, each.x_edges_mm, each.y_edges_mm)
            to_lose = np.maximum(green - emc[:, None, None], 1.0)
            core = theta[MISFIT_CORE][:, None, None] * _form(each)
            size = 4 * (theta[MISFIT][:, None, None] + core) / to_lose**2
            laid[key] = _flat(emc[:, None, None] + to_lose), _flat(size)
        wettest, size = laid[key]
        mc = np.empty(each.mc_pct.shape)
        departures.in_record(_flat(each.mc_pct), wettest, emc, size, LEAST_PCT, _flat(mc))
        found.append(replace(each, mc_pct=mc))
    return tuple(found)


def ahead(
    fields: Iterable[MoistureField], theta: Floats, emc_pct: float | Floats, spread: float = 1.0
) -> tuple[MoistureField, ...]:
    """Let the members part from each other as the time without a reading grows.

    Parameters
    ----------
    fields : iterable of MoistureField
        Forecast of every member, the first of them now; no longer read once the next is asked for. [%]
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
        With ``max(M - EMC, 8) (exp(sqrt(years) (a + b phi)) - 1)`` added to ``M``, from two years on as after
        two. [%]
    """
    from baulk.models.calibrate import departures  # noqa: PLC0415 - loads the compiler, as drying has

    emc, found = emc_pct + theta[EMC], list[MoistureField]()
    for each in fields:
        if not found:
            core = theta[AHEAD_CORE][:, None, None] * _form(each)
            rate = _flat(AHEAD_SD * theta[AHEAD][:, None, None] + AHEAD_CORE_SD * core)
            grown, now_s = np.empty_like(rate), each.posix_s
        years = min(max(each.posix_s - now_s, 0.0) / YEAR_S, AHEAD_MOST_YEARS)
        np.exp(np.multiply(np.sqrt(years), rate, out=grown), out=grown)
        mc = np.empty(each.mc_pct.shape)
        least = LEAST_PCT if spread == 1.0 else -np.inf  # of what is spread further, afterwards
        departures.ahead(_flat(each.mc_pct), emc, grown, AHEAD_LEAST_PCT, least, _flat(mc))
        if spread != 1.0:
            usual = _middle(mc)
            mc = np.maximum(usual + spread * (mc - usual), np.minimum(each.mc_pct, LEAST_PCT))
        found.append(replace(each, mc_pct=mc))
    return tuple(found)


def _flat(values: Floats) -> Floats:
    """Return what each member has in its cells as one row, (m, ny, nx) to (m, n); the same memory."""
    return values.reshape(values.shape[0], -1)


def _middle(values: Floats) -> Floats:
    """Return the median of the members; `np.median` takes five times as long over so few."""
    ordered, count = np.sort(values, axis=0), values.shape[0]
    return np.asarray((ordered[(count - 1) // 2] + ordered[count // 2]) / 2)


def _form(field: MoistureField) -> Floats:
    """Return the form from face to core, shape (ny, nx), with the mean 0 over the section."""
    x, y = ((edges[1:] + edges[:-1]) / 2 for edges in (field.x_edges_mm, field.y_edges_mm))
    form = np.outer(1 - (2 * y / field.section.depth_mm) ** 2, 1 - (2 * x / field.section.width_mm) ** 2)
    mean = np.sum(form * field.area_mm2) / np.sum(field.area_mm2)
    return np.asarray(form / mean - 1)


CELLS: Final = 18


def run(
    theta: Floats,
    given: FitInputs,
    at_s: Sequence[float],
    *,
    start: MoistureField | None = None,
    near_faces: bool = False,
) -> tuple[MoistureField, ...]:
    """Dry every member through the timber's history.

    Parameters
    ----------
    theta : ndarray, shape (22, m)
        As from `parameters.prior`.
    given : FitInputs
        The timber's history, air and law.
    at_s : sequence of float
        Moments wanted, in any order, none before the start. [s]
    start : MoistureField, optional
        Where to go on from; without it each member's own start at the beginning of the history. [%]
    near_faces : bool
        Whether values near the faces are to be read, as `solver.dry` takes it.

    Returns
    -------
    tuple of MoistureField
        One a moment, in the order asked; at the moment of planing the section before it. From the beginning
        of the history each member's own departure from the model is in them. [%]
    """
    wanted = np.asarray(at_s, dtype=np.float64)
    found: dict[float, MoistureField] = {}
    field, past = start, given.past
    for each in past.stretches:
        begin = each.begin_s if start is None else max(each.begin_s, start.posix_s)
        if begin >= each.end_s and each is not past.stretches[-1]:
            continue
        if field is not None and field.section != each.section:
            field = solver.cut(
                field, Finished(width_mm=each.section.width_mm, depth_mm=each.section.depth_mm)
            )
        # a moment of planing belongs to the stretch that it ends
        moments = np.unique(wanted[(wanted >= begin) & (wanted <= each.end_s)])
        moments = np.unique(np.append(moments[[float(one) not in found for one in moments]], each.end_s))
        fields = solver.dry(
            each.section,
            _start(theta, given, each.section, begin) if field is None else field,
            given.air,
            given.law,
            start_posix_s=begin,
            at_posix_s=moments,
            members=members(theta, silent=each.silent),
            faces=past.faces,
            threads=given.threads,
            near_faces=near_faces,
        )
        found |= {
            float(one): got for one, got in zip(moments, fields, strict=True) if float(one) not in found
        }
        field = fields[-1]
    asked = [float(one) for one in wanted]
    if start is None:  # readings of one moment have one field
        once = tuple(dict.fromkeys(asked))
        of_moments = tuple(found[one] for one in once)
        found = dict(zip(once, with_misfit(of_moments, theta, given), strict=True))
    return tuple(found[one] for one in asked)


def _start(theta: Floats, given: FitInputs, section: Section, at_s: float) -> MoistureField:
    measured = given.timber.green_mc_pct is not None
    return arrival(
        theta, section, given.species, (CELLS, CELLS), emc_pct=given.emc_pct, most_pct=given.law.most_pct,
        at_s=at_s, measured=measured,
    )  # fmt: skip


def arrival(  # noqa: PLR0913 - a section, its wood and the air that it had dried in
    theta: Floats, section: Section, species: Species, cells: tuple[int, int], *, emc_pct: float,
    most_pct: float, at_s: float, measured: bool = False,
) -> MoistureField:  # fmt: skip
    """Lay out each member's moisture at arrival: heart within a ring of sapwood, dried in from the faces.

    Parameters
    ----------
    theta : ndarray, shape (22, m)
        The ensemble.
    section : Section
        As sawn, with its pith. [mm]
    species : Species
        For how wet heartwood and sapwood are when green.
    cells : (int, int)
        Number of cells along x and along y.
    emc_pct : float
        Mean EMC of its air, before the members' own offset. [%]
    most_pct : float
        The most that the wood can hold. [%]
    at_s : float
        Moment of the arrival, POSIX seconds. [s]
    measured : bool
        Whether the members' start is the mean of the whole section, not of its heartwood.

    Returns
    -------
    MoistureField
        Every member. [%]
    """
    x, y = section_edges_mm(section, cells)
    form, depth_mm = _wetter(theta, species, section, x, y), np.maximum(theta[DRIED], 0.0)
    kept = _still_wet(x, depth_mm)[:, None, :] * _still_wet(y, depth_mm)[:, :, None]
    emc = (emc_pct + theta[EMC])[:, None, None]
    heart = theta[START][:, None, None]
    if measured:
        area = np.outer(np.diff(y), np.diff(x)) / (section.width_mm * section.depth_mm)
        lost, left = (np.sum(part * area, axis=(1, 2))[:, None, None] for part in (1 - kept, form * kept))
        heart = (heart - emc * lost) / left
    mc = emc + (heart * form - emc) * kept
    mc = np.clip(mc, 1.0, most_pct)
    return MoistureField(posix_s=at_s, section=section, x_edges_mm=x, y_edges_mm=y, mc_pct=mc)


def _wetter(theta: Floats, species: Species, section: Section, x_edges: Floats, y_edges: Floats) -> Floats:
    """Return green moisture of each cell over that of heartwood, shape (m, ny, nx)."""
    of_sapwood = sapwood.shares(section, x_edges, y_edges, np.maximum(theta[HEARTWOOD], 0.0))
    found: Floats = sapwood.green_pct(species, of_sapwood) / species.green_heartwood_mc_pct
    return found


def _green(theta: Floats, given: FitInputs, section: Section, x_edges: Floats, y_edges: Floats) -> Floats:
    """Return how wet each cell was when green, shape (m, ny, nx)."""
    found: Floats = theta[START][:, None, None] * _wetter(theta, given.species, section, x_edges, y_edges)
    if given.timber.green_mc_pct is not None:  # the row is the mean of heartwood and sapwood
        area = np.outer(np.diff(y_edges), np.diff(x_edges))
        mean = np.sum(found * area, axis=(1, 2)) / area.sum()
        found *= (theta[START] / mean)[:, None, None]
    return found


def _still_wet(edges_mm: Floats, depth_mm: Floats) -> Floats:
    """Share of its water that each layer has kept, dried in from both faces to a depth, shape (m, n).

    The error function of a half-space (Crank 1975, eq. 2.14), ``depth = 2 sqrt(D t)``.
    """
    middle = (edges_mm[1:] + edges_mm[:-1]) / 2
    depth = np.maximum(depth_mm, 1e-3)[:, None]
    return np.asarray(
        scipy.special.erf((middle - edges_mm[0]) / depth) * scipy.special.erf((edges_mm[-1] - middle) / depth)
    )
