"""What the fit varies from member to member, and the drying of its members through a timber's history."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models import drying
from baulk.models.air import AirSeries
from baulk.models.diffusion import DiffusionLaw
from baulk.models.field import MoistureField
from baulk.models.fit_history import History
from baulk.models.section import Finished
from baulk.models.species import Species
from baulk.models.timber import Timber

Floats = NDArray[np.float64]

LN_D_SD: Final = float(
    np.log(2)
)  # a factor of two each way: heavy timbers, reference drying-checks C09 to C31
LN_SURFACE_SD: Final = 0.5  # common practice, no source
EMC_OFFSET_SD_PCT: Final = 1.0  # extractives and local air; common practice, no source
GAP_OFFSET_SD_PCT: Final = 1.5  # usual air against that of one place and year; our own judgement, no source
LN_RATIO_SD: Final = 0.2  # ratios between 1 and 1.8 in hardwoods; our own judgement, no source
METER_BIAS_SD_PCT: Final = 1.5  # within -2 to +2 % of oven-dry: FPInnovations report 16773 (2015), abstract
SCALE_DRIFT_SD_PCT: Final = 0.3  # of the weight in a year; our own judgement, no source
START_SD_MEASURED_PCT: Final = 4.0  # one oven-dry section against a whole timber; common practice, no source
START_SD_SHARE: Final = 0.15  # of the species' table value; common practice, no source

# rows of theta: what differs from member to member
D, SURFACE, START, BIAS, EMC, RATIO, GAP, DRIFT = range(8)
_LOW: Final = np.array([-3.5, -2.5, 8.0, -8.0, -4.0, -1.0, -5.0, -2.0])[:, None]
_HIGH: Final = np.array([3.5, 2.5, 250.0, 8.0, 4.0, 1.0, 5.0, 2.0])[:, None]


def prior(timber: Timber, species: Species, members: int, rng: np.random.Generator) -> Floats:
    """Draw the ensemble before any reading.

    Parameters
    ----------
    timber, species : Timber and Species
        For the start, measured or from the table.
    members : int
        How many.
    rng : Generator
        Source of the draws.

    Returns
    -------
    ndarray, shape (8, members)
        ln D factor, ln surface factor, start MC [%], meter bias [%], EMC offset [%], ln ratio factor, EMC
        offset where the air was not measured [%], drift of the scale [% of the weight in a year].
    """
    start, start_sd = start_of(timber, species)
    middle = np.array([0.0, 0.0, start, 0.0, 0.0, 0.0, 0.0, 0.0])
    spread = [LN_D_SD, LN_SURFACE_SD, start_sd, METER_BIAS_SD_PCT, EMC_OFFSET_SD_PCT]
    spread += [LN_RATIO_SD, GAP_OFFSET_SD_PCT, SCALE_DRIFT_SD_PCT]
    draws = rng.standard_normal((middle.size, members))
    draws -= draws.mean(axis=1, keepdims=True)
    draws /= draws.std(axis=1, keepdims=True)
    return bounded(middle[:, None] + np.array(spread)[:, None] * draws)


def start_of(timber: Timber, species: Species) -> tuple[float, float]:
    """Moisture content at arrival and its doubt before any reading, both in %."""
    if timber.green_mc_pct is not None:
        return timber.green_mc_pct, START_SD_MEASURED_PCT
    return species.green_heartwood_mc_pct, START_SD_SHARE * species.green_heartwood_mc_pct


def bounded(theta: Floats) -> Floats:
    """Hold every member inside what can be."""
    return np.clip(theta, _LOW, _HIGH)


def members(theta: Floats, *, silent: bool = False) -> drying.Members:
    """Return the ensemble as the drying model takes it, in measured or in unmeasured air."""
    return drying.Members(
        d_factor=np.exp(theta[D]),
        surface_factor=np.exp(theta[SURFACE]),
        start_mc_pct=theta[START].copy(),
        emc_offset_pct=theta[EMC] + theta[GAP] if silent else theta[EMC].copy(),
        ratio_factor=np.exp(theta[RATIO]),
    )


def run(  # noqa: PLR0913 - all that a run needs
    theta: Floats,
    past: History,
    air: AirSeries,
    law: DiffusionLaw,
    at_s: Sequence[float],
    *,
    start: MoistureField | None = None,
) -> tuple[MoistureField, ...]:
    """Dry every member through the timber's history.

    Parameters
    ----------
    theta : ndarray, shape (8, m)
        As from `prior`.
    past : History
        Sections, faces and silent air.
    air : AirSeries
        The air.
    law : DiffusionLaw
        Diffusion of the species.
    at_s : sequence of float
        Moments wanted, in any order, none before the start. [s]
    start : MoistureField, optional
        Where to go on from; without it each member's own start at the beginning of the history. [%]

    Returns
    -------
    tuple of MoistureField
        One a moment, in the order asked; at the moment of planing the section before it. [%]
    """
    wanted = np.asarray(at_s, dtype=np.float64)
    found: dict[float, MoistureField] = {}
    field = start
    for each in past.stretches:
        begin = each.begin_s if start is None else max(each.begin_s, start.posix_s)
        if begin >= each.end_s and each is not past.stretches[-1]:
            continue
        if field is not None and field.section != each.section:
            field = drying.cut(
                field, Finished(width_mm=each.section.width_mm, depth_mm=each.section.depth_mm)
            )
        # a moment of planing belongs to the stretch that it ends
        moments = np.unique(wanted[(wanted >= begin) & (wanted <= each.end_s)])
        moments = np.unique(np.append(moments[[float(one) not in found for one in moments]], each.end_s))
        fields = drying.dry(
            each.section,
            theta[START] if field is None else field,
            air,
            law,
            start_posix_s=begin,
            at_posix_s=moments,
            members=members(theta, silent=each.silent),
            faces=past.faces,
        )
        found |= {
            float(one): got for one, got in zip(moments, fields, strict=True) if float(one) not in found
        }
        field = fields[-1]
    return tuple(found[float(one)] for one in wanted)
