"""How much room a joint wants when it is made, for swelling, and what opens in its driest season."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from baulk.models.constants import DAY_S
from baulk.models.errors import OutOfRange
from baulk.models.reason import Reason, Value
from baulk.models.section import Finished, Section
from baulk.models.shrinkage import PIECES_VARY, dimension_change_mm
from baulk.models.species import Species

_NINE_IN_TEN: Final = 1.645  # standard deviations either way
WEEKS: Final = (1, 2, 4, 8)  # in the water that are told of
_TERMS: Final = 40  # of the series


class Joint(StrEnum):
    """How a piece meets what is beside it."""

    SEAM = "seam"  # edge to edge, as planks: for each seam the width of one piece moves
    GROOVE = "groove"  # a panel or tongue held at its middle: half of its width moves into either groove
    HOUSED = "housed"  # fitted between two things that do not move: its whole width moves


_MOVES: Final = {Joint.SEAM: 1.0, Joint.GROOVE: 0.5, Joint.HOUSED: 1.0}


class Rings(StrEnum):
    """How growth rings lie in the width that moves."""

    FLAT = "flat"  # along it: it moves as wood does tangentially
    QUARTER = "quarter"  # across it: radially
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class Making:
    """A joint on the day that it is made.

    Parameters
    ----------
    wood : Species
        What the piece is of.
    width_mm : float
        Its size across the joint today, above 0. [mm]
    now_pct : (float, float, float)
        Its mean moisture content today: 5, 50 and 95 % quantile. [%]
    low_pct, high_pct : float
        Moisture content in the driest and in the dampest season of its use; in the water, fibre
        saturation. [%]
    total_pct : (float, float)
        Shrinkage across the joint from green to oven-dry: its mean and, beside what pieces differ by, its
        standard deviation. [%]
    joint : Joint
        How it meets its neighbour.

    Raises
    ------
    OutOfRange
        If the width is not above 0, or moisture contents are below 0 or not in order.
    """

    wood: Species
    width_mm: float
    now_pct: tuple[float, float, float]
    low_pct: float
    high_pct: float
    total_pct: tuple[float, float]
    joint: Joint = Joint.SEAM

    def __post_init__(self) -> None:
        if not 0 < self.width_mm < math.inf:
            raise OutOfRange("the width across the joint", f"must be above 0 mm, not {self.width_mm:g}")
        low, middle, high = self.now_pct
        if not 0 <= low <= middle <= high < math.inf:
            raise OutOfRange("the moisture content today", "is at least 0 %, with its range about it")
        if not 0 <= self.low_pct < self.high_pct:
            raise OutOfRange(
                "the moisture content in use",
                f"goes from the driest to the dampest season, not {self.low_pct:g} to {self.high_pct:g} %",
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """What one joint wants and does.

    Parameters
    ----------
    leave_mm : (float, float, float)
        Room to leave today so that it just closes in the dampest season: low end, middle and high end of the
        90 % interval, none below 0. [mm]
    open_mm : (float, float, float)
        How far it is open in the driest season, with the room of the middle left. [mm]
    swells : bool
        Whether the piece swells at all after today; else it is wetter than it will ever be.
    """

    leave_mm: tuple[float, float, float]
    open_mm: tuple[float, float, float]
    swells: bool


def total_by_rings(wood: Species, rings: Rings) -> tuple[float, float]:
    """Return the shrinkage across a width by how its rings lie, with its standard deviation.

    Parameters
    ----------
    wood : Species
        Its radial and tangential shrinkage. [%]
    rings : Rings
        Unknown: anything from radial to tangential is as likely.

    Returns
    -------
    (float, float)
        Mean and standard deviation of the total shrinkage. [%]
    """
    radial, tangential = wood.shrinkage_radial_pct, wood.shrinkage_tangential_pct
    if rings is Rings.FLAT:
        return tangential, 0.0
    if rings is Rings.QUARTER:
        return radial, 0.0
    return (radial + tangential) / 2, abs(tangential - radial) / math.sqrt(12)


def total_in(section: Section, finished: Finished, wood: Species, *, across_depth: bool) -> float:
    """Compute the shrinkage of a finished piece across its width or depth, from where the pith lies.

    Parameters
    ----------
    section, finished : Section and Finished
        Where pith and piece lie in the timber. [mm]
    wood : Species
        Its radial and tangential shrinkage. [%]
    across_depth : bool
        Of the depth, else of the width.

    Returns
    -------
    float
        R cos2 + T sin2 of the angle between that side and the radius, meant over the piece. [%]

    References
    ----------
    The rotation of strains for small shrinkage; straight-line law of the Wood Handbook, FPL-GTR-282, eq. 4-9.
    """
    steps = (np.arange(16) + 0.5) / 16 - 0.5
    x = finished.centre_x_mm - section.pith_x_mm + steps * finished.width_mm
    y = finished.centre_y_mm - section.pith_y_mm + steps * finished.depth_mm
    x_mm, y_mm = np.meshgrid(x, y)
    along = y_mm if across_depth else x_mm
    share = along**2 / np.maximum(x_mm**2 + y_mm**2, 1e-9)
    radial, tangential = wood.shrinkage_radial_pct, wood.shrinkage_tangential_pct
    return float(np.mean(radial * share + tangential * (1 - share)))


def gap(making: Making) -> Gap:
    """Compute the room that a joint wants on the day that it is made, and what opens later.

    Parameters
    ----------
    making : Making
        The joint. [mm, %]

    Returns
    -------
    Gap
        Room and opening with their 90 % intervals: from the moisture today, what single pieces of a wood
        differ by, and how the rings lie. [mm]

    References
    ----------
    Wood Handbook, FPL-GTR-282 (2021), chapter 13, eq. 13-3 (straight line between green and oven-dry); that
    pieces differ by 15 % of the shrinkage: chapter 4, from memory. Which share of a width moves into a joint:
    common practice, no source.
    """
    swell, swell_sd = _moves(making, making.high_pct)
    to_low, low_sd = _moves(making, making.low_pct)
    return Gap(
        leave_mm=_three(swell, swell_sd),
        open_mm=_three(max(swell, 0.0) - to_low, low_sd),
        swells=swell > 0,
    )


def taken_up(thickness_mm: float, weeks: float, d_m2_s: float) -> float:
    """Compute which share of its swelling a plank with one face in the water has done, by diffusion alone.

    Parameters
    ----------
    thickness_mm : float
        Above 0; its inner face is taken for tight. [mm]
    weeks : float
        In the water, at least 0.
    d_m2_s : float
        Transverse diffusivity of the wood. [m2/s]

    Returns
    -------
    float
        0 to 1. Water in open seams and at end grain is quicker, so that it is the least.

    Raises
    ------
    OutOfRange
        If the thickness is not above 0 or the time is below 0.

    References
    ----------
    Crank, J., The mathematics of diffusion (1975), p. 48: the plane sheet, half of which is the plank.
    """
    if thickness_mm <= 0 or weeks < 0:
        raise OutOfRange("a plank in the water", "needs a thickness above 0 and a time from 0 on")
    fourier = d_m2_s * weeks * 7 * DAY_S / (thickness_mm / 1000) ** 2
    odd = 2 * np.arange(_TERMS) + 1
    left = 8 / math.pi**2 * np.sum(np.exp(-((odd * math.pi / 2) ** 2) * fourier) / odd**2)
    return float(np.clip(1 - left, 0.0, 1.0))


def reasons(making: Making, found: Gap, *, afloat_mm: float | None = None) -> tuple[Reason, ...]:
    """Say what to leave, what opens, how it swells in the water, and what to mind.

    Parameters
    ----------
    making : Making
        The joint.
    found : Gap
        What `gap` computed of it. [mm]
    afloat_mm : float, optional
        Thickness of a piece that goes into the water; without one it stays above it. [mm]

    Returns
    -------
    tuple of Reason
        Codes of `baulk.models.text.gap`.
    """
    at: dict[str, Value] = {"joint": making.joint.value, "now_pct": making.now_pct[1]}
    code = "gap.leave" if found.swells else "gap.tight"
    told = [
        Reason(code=code, values={**at, "high_pct": making.high_pct, "leave_mm": found.leave_mm}),
        Reason(code="gap.open", values={"low_pct": making.low_pct, "open_mm": found.open_mm}),
    ]
    if afloat_mm is not None:
        shares = [taken_up(afloat_mm, each, making.wood.d_ref_m2_s) for each in WEEKS]
        values: dict[str, Value] = {"weeks": WEEKS, "shares": tuple(round(each, 3) for each in shares)}
        told.append(Reason(code="gap.afloat", values=values))
    told.append(Reason(code="gap.mind", values={"afloat": afloat_mm is not None}))
    return tuple(told)


def _moves(making: Making, to_pct: float) -> tuple[float, float]:
    """Return how what moves into the joint changes from today, and its standard deviation. [mm]."""

    def change(start_pct: float, total_pct: float) -> float:
        sized = making.width_mm * _MOVES[making.joint]
        onset = making.wood.shrinkage_onset_pct
        return float(dimension_change_mm(sized, start_pct, to_pct, total_pct, onset))

    total, rings_sd = making.total_pct
    low, middle, high = making.now_pct
    moved = change(middle, total)
    by_total = abs(moved) * math.hypot(PIECES_VARY, rings_sd / total)
    by_now = abs(change(high, total) - change(low, total)) / (2 * _NINE_IN_TEN)
    return moved, math.hypot(by_total, by_now)


def _three(middle: float, sd: float) -> tuple[float, float, float]:
    low, high = middle - _NINE_IN_TEN * sd, middle + _NINE_IN_TEN * sd
    return max(low, 0.0), max(middle, 0.0), max(high, 0.0)
