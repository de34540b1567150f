"""Jobs of the pages that take the drying model, for a worker process (`baulk.ingest.worker_process`)."""

from __future__ import annotations

import importlib
from collections.abc import Sequence
from datetime import datetime
from typing import Final

import numpy as np

from baulk.ingest import shop as shops
from baulk.ingest.config import Config
from baulk.ingest.evaluation import compute
from baulk.ingest.evaluation.document import Document, Failed
from baulk.ingest.evaluation.fingerprint import model_version
from baulk.ingest.evaluation.inputs import Inputs
from baulk.ingest.planning import humidity, kept_air, timber_choices
from baulk.ingest.planning.kept_air import Kept
from baulk.ingest.worker_process import JobContext
from baulk.models import diffusion, species
from baulk.models.air import AirSeries
from baulk.models.constants import HOUR_S
from baulk.models.drying import solver
from baulk.models.plan.buying import buy
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.buying.purchase import BuyPlan, InYard, Wish
from baulk.models.plan.choices.choice import Choices
from baulk.models.plan.humidity.air_plan import AirPlan
from baulk.models.section import Section
from baulk.models.woods import Woods

DRIED: Final = "white oak"  # any wood of our own table
LATE: Final = (
    "psychrolib",
    "scipy.interpolate",
    "scipy.linalg",
    "scipy.optimize",
    "scipy.sparse.linalg",
    "skfem",
)


def ready(_line: JobContext) -> None:
    """Load what an answer takes and packages bring late, so that who asks next does not wait for it.

    A small piece is dried for an hour: compiled code is read from where it is kept when it first runs.
    """
    for name in LATE:
        importlib.import_module(name)
    model_version()
    air = AirSeries(posix_s=np.zeros(1), temp_c=np.full(1, 15.0), rh_pct=np.full(1, 65.0))
    wood = diffusion.law_for(species.get(DRIED))
    piece = Section(width_mm=50.0, depth_mm=50.0)
    solver.dry(piece, 40.0, air, wood, start_posix_s=0.0, at_posix_s=HOUR_S, cells=(8, 8))


def evaluated(_line: JobContext, inputs: Inputs) -> Document | Failed:
    """Work one timber out, as `compute.work_out` does.

    Parameters
    ----------
    inputs : Inputs
        Everything that is known, or supposed.

    Raises
    ------
    BaulkError
        If there can be no answer, with the reason.
    """
    return compute.work_out(inputs).document


def compared(job: JobContext, gathered: timber_choices.Gathered) -> Choices:
    """Work out what could be done with a timber; tell what is worked out next.

    Parameters
    ----------
    line : JobContext
        Told each `What`.
    gathered : timber_choices.Gathered
        What is known of it.
    """
    return gathered.work_out(job.tell)


def air_plan(_line: JobContext, config: Config, woods: Woods, place: str, now_utc: datetime) -> Kept:
    """Plan the air of a room and keep it, or why there can be none.

    Parameters
    ----------
    config, woods : Config and Woods
        Of the open shop; it is opened a second time, for timbers without a fit at hand are fitted.
    place : str
        The room.
    now_utc : datetime
        Now, with a time zone.
    """
    with shops.opened_by(config, woods) as shop:
        return kept_air.make(shop, place, now_utc)


def air_tried(
    _line: JobContext, config: Config, woods: Woods, asked: humidity.Asked, now_utc: datetime
) -> AirPlan:
    """Plan the air of a room as it is asked, and keep nothing.

    Parameters
    ----------
    config, woods : Config and Woods
        As for `air_plan`.
    asked : humidity.Asked
        What is wanted.
    now_utc : datetime
        Now, with a time zone.

    Raises
    ------
    BaulkError
        As from `humidity.plan`.
    """
    with shops.opened_by(config, woods) as shop:
        return humidity.plan(shop, asked, now_utc)


def bought(  # noqa: PLR0913, PLR0917 - as `buy.buy` has them
    _line: JobContext,
    parts: Sequence[Part],
    yard: Sequence[InYard],
    wish: Wish,
    now_utc: datetime,
    air: Sequence[AirSeries],
    woods: Woods,
) -> BuyPlan:
    """Assign parts to timbers, and plan what is to be bought for the rest, as `buy.buy` does.

    Parameters
    ----------
    parts, yard, wish, now_utc, air, woods
        As there.

    Raises
    ------
    BaulkError
        As from there.
    """
    return buy.buy(parts, yard, wish, now_utc=now_utc, air=air, woods=woods)
