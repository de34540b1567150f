"""Whether a timber taken down oversize today is ready sooner, and to which size.

The roughed size leaves what the piece still loses and how far it still moves: on each dimension the
shrinkage, the lean, the bow of both faces and a planing cut each side, at the 95 % quantile of the ensemble.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from baulk.models.air import AirSeries
from baulk.models.calibrate.calibration import Calibration
from baulk.models.constants import Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.distortion.movement import Movement, Shape
from baulk.models.drying import solver
from baulk.models.forecast import Forecast, forecast
from baulk.models.section import Finished, Section
from baulk.models.species import Species
from baulk.models.timber import Timber

PLANING_MM: Final = 2.0  # each face, machine or hand; common practice, no source
# roughing out must gain at least so much to be worth the saw; common practice, no source
SOONER_DAYS: Final = 28
LEAST_OFF_MM: Final = 10.0  # less than this off a dimension is not worth the saw; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoughOut:
    """The oversize piece, its own drying, and the chance that it still holds the finished size.

    Parameters
    ----------
    piece : Finished
        The roughed piece in the axes of the green section. [mm]
    inner : Finished
        The finished piece in the axes of the roughed one. [mm]
    probability : float
        Chance that the finished size can still be planed out of it after all its movement.
    forecast : Forecast
        Moisture of the roughed piece from today. [%]
    """

    piece: Finished
    inner: Finished
    probability: float
    forecast: Forecast


def needed_mm(moved: Movement) -> tuple[Floats, Floats]:
    """Oversize that a piece uses up across its width and its depth.

    Parameters
    ----------
    moved : Movement
        Its movement from today to service. [mm]

    Returns
    -------
    tuple of ndarray
        Across the width and across the depth: shrinkage, shape, two planing cuts. [mm]
    """
    shared = moved.shape_mm + 2 * PLANING_MM
    across, up = moved.shrinks_mm
    return across + shared, up + shared


def rough_out(  # noqa: PLR0913 - the timber, its ensemble, the air and the target
    timber: Timber,
    species: Species,
    calibration: Calibration,
    air_ahead: AirSeries | Sequence[AirSeries],
    *,
    law: DiffusionLaw,
    service_mc_pct: Floats,
    horizon_days: int = 730,
    step_mm: float = 5.0,
    spread: float = 1.0,
    threads: int | None = None,
) -> RoughOut | None:
    """Size the oversize piece and dry it from today.

    Parameters
    ----------
    timber : Timber
        The timber.
    species : Species
        Its species.
    calibration : Calibration
        The ensemble now. [%]
    air_ahead : AirSeries or sequence of AirSeries
        Air expected from now on, or several possible futures of it.
    law : DiffusionLaw
        Diffusion law of the species.
    service_mc_pct : ndarray, shape (m,)
        Moisture content in service of every member. [%]
    horizon_days : int
        How far ahead. [d]
    step_mm : float
        Sizes are rounded up to a multiple of this. [mm]
    spread : float
        As `baulk.models.forecast.forecast` takes it. [-]
    threads : int, optional
        As `baulk.models.drying.solver.dry` takes it.

    Returns
    -------
    RoughOut or None
        None when the timber is not large enough for the saw to take off anything worth it.

    References
    ----------
    Trade custom of milling oversize, letting it settle, sawing again (common practice); the sum is ours.
    """
    wanted = timber.finished
    moved = _movement(timber, species, calibration, wanted, service_mc_pct)
    grow = 1.1  # the roughed piece is larger than the finished one, and moves as much more
    size = [
        float(np.ceil((want + grow * np.quantile(need, 0.95)) / step_mm) * step_mm)
        for want, need in zip((wanted.width_mm, wanted.depth_mm), needed_mm(moved), strict=True)
    ]
    piece = _placed(timber.section, wanted, (size[0], size[1]))
    off = max(timber.section.width_mm - piece.width_mm, timber.section.depth_mm - piece.depth_mm)
    if off < LEAST_OFF_MM:
        return None
    need_x, need_y = needed_mm(_movement(timber, species, calibration, piece, service_mc_pct))
    room_x, room_y = piece.width_mm - wanted.width_mm, piece.depth_mm - wanted.depth_mm
    return RoughOut(
        piece=piece,
        inner=Finished(
            width_mm=wanted.width_mm,
            depth_mm=wanted.depth_mm,
            centre_x_mm=wanted.centre_x_mm - piece.centre_x_mm,
            centre_y_mm=wanted.centre_y_mm - piece.centre_y_mm,
        ),
        probability=float(np.mean((need_x <= room_x) & (need_y <= room_y))),
        forecast=forecast(
            timber,
            species,
            calibration,
            air_ahead,
            law=law,
            horizon_days=horizon_days,
            piece=piece,
            spread=spread,
            threads=threads,
        ),
    )


def _movement(
    timber: Timber, species: Species, calibration: Calibration, piece: Finished, service_mc_pct: Floats
) -> Movement:
    field = solver.cut(calibration.field_now, piece)
    shape = Shape(
        piece.inside(timber.section), species, field.x_edges_mm, field.y_edges_mm, calibration.members
    )
    return shape.movement(field.mc_pct, service_mc_pct)


def _placed(green: Section, wanted: Finished, size: tuple[float, float]) -> Finished:
    """Lay the roughed piece about the finished one, shifted inward where it would leave the green section."""
    fits = [min(size[0], green.width_mm), min(size[1], green.depth_mm)]
    slack = [(green.width_mm - fits[0]) / 2, (green.depth_mm - fits[1]) / 2]
    return Finished(
        width_mm=fits[0],
        depth_mm=fits[1],
        centre_x_mm=float(np.clip(wanted.centre_x_mm, -slack[0], slack[0])),
        centre_y_mm=float(np.clip(wanted.centre_y_mm, -slack[1], slack[1])),
    )
