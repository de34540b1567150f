"""What a calibrated timber will do under the air ahead."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models import drying
from baulk.models.air import AirSeries
from baulk.models.calibrate import Calibration
from baulk.models.diffusion import DiffusionLaw
from baulk.models.field import MoistureField
from baulk.models.section import Finished
from baulk.models.species import Species
from baulk.models.timber import Timber

Floats = NDArray[np.float64]

QUANTILES: Final = (0.05, 0.25, 0.5, 0.75, 0.95)
DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forecast:
    """Moisture ahead, the first moment being now.

    Parameters
    ----------
    posix_s : ndarray, shape (nt,)
        Moments. [s]
    quantiles : ndarray, shape (5,)
        Shares of the ensemble that lie below each row.
    mean_pct, shell_pct, core_pct : ndarray, shape (5, nt)
        Section mean, outer fifth, and core. [% of oven-dry mass]
    fields : tuple of MoistureField
        Every member's moisture at every moment. [%]
    """

    posix_s: Floats
    quantiles: Floats
    mean_pct: Floats
    shell_pct: Floats
    core_pct: Floats
    fields: tuple[MoistureField, ...]


def forecast(  # noqa: PLR0913 - the contract's own signature
    timber: Timber,
    species: Species,  # noqa: ARG001 - the contract's own signature; a forecast needs only the law
    calibration: Calibration,
    air_ahead: AirSeries,
    *,
    law: DiffusionLaw,
    horizon_days: int = 730,
    step_days: int = 7,
    piece: Finished | None = None,
) -> Forecast:
    """Continue every member of a calibrated ensemble.

    Parameters
    ----------
    timber : Timber
        The timber.
    species : Species
        Its species.
    calibration : Calibration
        The ensemble and its moisture now. [%]
    air_ahead : AirSeries
        Air expected from now on; its last value holds to the end.
    law : DiffusionLaw
        Diffusion law of the species.
    horizon_days, step_days : int
        How far and how finely. [d]
    piece : Finished, optional
        Cut down to this piece today; without it the timber stays whole. [mm]

    Returns
    -------
    Forecast
        Moisture from now to the horizon. [%]

    References
    ----------
    The model of `baulk.models.drying`; no formula of its own.
    """
    field, section = calibration.field_now, timber.section
    if piece is not None:
        field = drying.cut(field, piece)
        section = field.section
    now_s = field.posix_s
    at_s = now_s + DAY_S * np.arange(0, horizon_days + 1, step_days, dtype=np.float64)
    fields = drying.dry(
        section, field, air_ahead, law, start_posix_s=now_s, at_posix_s=at_s, members=calibration.members
    )
    return Forecast(
        posix_s=at_s,
        quantiles=np.array(QUANTILES),
        mean_pct=_quantiles([each.mean_pct for each in fields]),
        shell_pct=_quantiles([each.shell_pct for each in fields]),
        core_pct=_quantiles([each.core_pct for each in fields]),
        fields=fields,
    )


def _quantiles(values: list[Floats]) -> Floats:
    return np.asarray(np.quantile(np.array(values), QUANTILES, axis=1))
