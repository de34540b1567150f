"""Whether a timber taken down oversize today is ready sooner, and to which size.

The roughed size is that of `baulk.models.allowance.engine`, as of every plan; the chance that it holds is
counted over the ensemble, each member with its own shrinkage, bow and crook.

What is decided is the same in every system of units: the piece that is dried is rounded up to one step for
all, and its chance is that of the size needed, before any rounding. Only the size told is on the steps of the
reader's saw, for whether roughing out gains four weeks can hang on a few millimetres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from baulk.models.air import AirSeries
from baulk.models.allowance import chance, engine
from baulk.models.allowance.parts import Ask, Term, of_members
from baulk.models.calibrate.calibration import Calibration
from baulk.models.constants import Floats
from baulk.models.diffusion import DiffusionLaw
from baulk.models.distortion.movement import Shape
from baulk.models.drying import solver
from baulk.models.forecast import Forecast, forecast
from baulk.models.section import Finished
from baulk.models.species import Species
from baulk.models.timber import Timber
from baulk.models.use_class import UseClass
from baulk.models.verdict.comes_out import asked, recorded

# roughing out must gain at least so much to be worth the saw; common practice, no source
SOONER_DAYS: Final = 28
SURE: Final = 0.9  # of the size, where nobody says; as the verdict and the size plan
DRIED_STEP_MM: Final = 5.0  # the piece that is dried, whatever steps its size is told in; our own choice
LEAST_OFF_MM: Final = 10.0  # less than this off a dimension is not worth the saw; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoughOut:
    """The oversize piece, its own drying, and the chance that it still holds the finished size.

    Parameters
    ----------
    piece : Finished
        The roughed piece that is dried, in the axes of the green section: rounded up to `DRIED_STEP_MM`, so
        less than a step from the size told. [mm]
    size_mm : (float, float)
        Width and depth to saw: what is needed, rounded up to the reader's step. [mm]
    inner : Finished
        The finished piece in the axes of the roughed one. [mm]
    terms : tuple of Term
        The allowance, part by part. [mm]
    probability : float
        Chance that the finished size can still be planed out of it after all its movement: of what is needed
        before rounding, so that no size told holds less often. [-]
    fits : ndarray of bool, shape (m,)
        Whether it can, for every member.
    forecast : Forecast
        Moisture of the roughed piece from today. [%]
    """

    piece: Finished
    size_mm: tuple[float, float]
    inner: Finished
    terms: tuple[Term, ...]
    probability: float
    fits: NDArray[np.bool_]
    forecast: Forecast


def rough_out(  # noqa: PLR0913 - the timber, its ensemble, the air and the target
    timber: Timber,
    species: Species,
    calibration: Calibration,
    air_ahead: AirSeries | Sequence[AirSeries],
    *,
    law: DiffusionLaw,
    use: UseClass,
    service_mc_pct: Floats,
    ask: Ask | None = None,
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
    use : UseClass
        Where it will live.
    service_mc_pct : ndarray, shape (m,)
        Moisture content in service of every member. [%]
    ask : Ask, optional
        How sure the size must be, bow and crook; those usual for its wood if left out. [mm]
    horizon_days : int
        How far ahead. [d]
    step_mm : float
        The size told is rounded up to a multiple of this; nothing is decided by it. [mm]
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
    ask = ask or asked(timber, species, recorded(timber, ()), wanted=SURE)
    # checks and wane lie at the timber's own faces: a larger piece out of it would only hold more of them
    ask = replace(ask, check_mm=0.0, wane_mm=0.0, checks_mm={}, corners_mm={})
    place = engine.inside(timber.section, (wanted.centre_x_mm, wanted.centre_y_mm))
    need = engine.needed(ask, species, use, of_members(calibration.field_now), place)
    centre = (wanted.centre_x_mm, wanted.centre_y_mm)
    bare, piece, told = (
        engine.placed(timber.section, each, centre)
        for each in (need.size_mm, engine.sawn_mm(need, DRIED_STEP_MM), engine.sawn_mm(need, step_mm))
    )
    off = max(timber.section.width_mm - piece.width_mm, timber.section.depth_mm - piece.depth_mm)
    if off < LEAST_OFF_MM:
        return None
    field = solver.cut(calibration.field_now, piece)
    shape = Shape(
        piece.inside(timber.section), species, field.x_edges_mm, field.y_edges_mm, calibration.members
    )
    # the saw takes its cut and its wander from what is sawn; what moves is the piece dried, hardly larger
    sawn = (bare.width_mm - ask.kerf_mm, bare.depth_mm - ask.kerf_mm)
    holds = chance.comes_out(ask, sawn, shape.movement(field.mc_pct, service_mc_pct))
    return RoughOut(
        piece=piece,
        size_mm=(told.width_mm, told.depth_mm),
        inner=Finished(
            width_mm=wanted.width_mm,
            depth_mm=wanted.depth_mm,
            centre_x_mm=wanted.centre_x_mm - piece.centre_x_mm,
            centre_y_mm=wanted.centre_y_mm - piece.centre_y_mm,
        ),
        terms=need.terms,
        probability=holds.probability,
        fits=holds.fits,
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
