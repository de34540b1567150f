"""From which even moisture a part may be squared: the verdict's own rule, turned round."""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np

from baulk.models.distortion.movement import Shape
from baulk.models.drying import solver
from baulk.models.section import Section
from baulk.models.species import Species
from baulk.models.use_class import UseClass
from baulk.models.verdict.comes_out import shrinking_apart
from baulk.models.verdict.rule import Rule

MEMBERS: Final = 128
CELLS: Final = (4, 4)
STEP_PCT: Final = 0.25


@lru_cache(maxsize=512)  # few sizes, woods and uses meet in one plan
def ready_range_pct(
    piece: Section, wood: Species, use: UseClass, confidence: float
) -> tuple[float, float] | None:
    """Mean moisture contents between which a part stands every condition of its use.

    Parameters
    ----------
    piece : Section
        The finished section with its pith. [mm]
    wood, use
        Its wood and its use.
    confidence : float
        Share of pieces, whose shrinkage and service moisture differ, that must stand it, 0 to 1. [-]

    Returns
    -------
    (float, float) or None
        The driest and the wettest; None where at no moisture as many of them do. [%]

    Notes
    -----
    The moisture is taken as even over the section, and no time as spent in the shop before service: what
    buying knows ahead of a timber is its mean.

    References
    ----------
    `baulk.models.verdict.rule.Rule.conditions`.
    """
    edges = (
        solver.graded_edges_mm(piece.width_mm, CELLS[0]),
        solver.graded_edges_mm(piece.depth_mm, CELLS[1]),
    )
    shape = Shape(piece, wood, *edges, shrinking_apart(MEMBERS))
    rule = Rule.of(wood, use, (piece.width_mm, piece.depth_mm), MEMBERS, wanted=confidence)
    even = np.arange(STEP_PCT, wood.fsp_pct + 5 + STEP_PCT, STEP_PCT)
    mean = np.broadcast_to(even[:, None], (even.size, MEMBERS))
    field = np.broadcast_to(mean[:, :, None, None], (*mean.shape, CELLS[1], CELLS[0]))
    stood = np.logical_and.reduce(list(rule.conditions(shape, shape.did(field), mean).values()))
    good = even[stood.mean(axis=1) >= confidence - 1e-9]
    return None if good.size == 0 else (float(good[0]), float(good[-1]))


def of_part(  # noqa: PLR0913, PLR0917 - a part, its wood, its use and how sure
    width_mm: float, depth_mm: float, heart: str, wood: Species, use: UseClass, confidence: float
) -> tuple[float, float] | None:
    """Mean moisture contents between which a part may be squared wherever it lies in its timber.

    Parameters
    ----------
    width_mm, depth_mm : float
        Finished section. [mm]
    heart : {"any", "boxed", "free"}
        Whether the pith lies in it, outside, or either.
    wood, use, confidence
        As in `ready_range_pct`.

    Returns
    -------
    (float, float) or None
        The narrowest of the ranges with the pith in its middle, and far off its width, depth and corner. [%]
    """
    far = 2 * max(width_mm, depth_mm)
    piths = [(0.0, 0.0)] if heart != "free" else []
    piths += [(far, 0.0), (0.0, far), (far, far)] if heart != "boxed" else []
    low, high = 0.0, np.inf
    for x, y in piths:
        piece = Section(width_mm=width_mm, depth_mm=depth_mm, pith_x_mm=x, pith_y_mm=y)
        own = ready_range_pct(piece, wood, use, confidence)
        if own is None:
            return None
        low, high = max(low, own[0]), min(high, own[1])
    return (low, high) if low <= high else None
