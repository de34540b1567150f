"""What is asked of the allowance, how wet the timber is, and the parts that the answer is made of."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from baulk.models.allowance.bend import Bend
from baulk.models.field import MoistureField
from baulk.models.reason import Reason
from baulk.models.section import Face
from baulk.models.timber import CORNERS

PLANING_MM: Final = 2.0  # each face, machine or hand; common practice, no source
KERF_MM: Final = 3.0  # a bandsaw and its wander; common practice, no source
TRIM_MM: Final = 75.0  # of each end, for its checks; common practice, no source
_TURNED: Final = {Face.A: Face.B, Face.B: Face.A, Face.C: Face.D, Face.D: Face.C}
_TURNED_CORNERS: Final = {"ab": "ab", "bc": "da", "cd": "cd", "da": "bc"}
INTERVAL_SDS: Final = 3.29  # standard deviations between the 5 and the 95 % quantile of a normal


def finished_length_mm(timber_mm: float, trim_mm: float = TRIM_MM) -> float:
    """Return the length of the piece that comes out of a timber, cut off at both ends. [mm]."""
    return max(timber_mm - 2 * trim_mm, timber_mm / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ask:
    """A finished piece, how sure its size must be, and what the saw and the plane take.

    Parameters
    ----------
    width_mm, depth_mm : float
        Finished section. [mm]
    bow, crook : Bend
        What straightening takes off the depth and off the width.
    confidence : float
        Share of the pieces that hold the size, 0.5 to below 1. [-]
    tolerance_mm : float
        How much under the finished size a dimension may come out. [mm]
    kerf_mm, planing_mm, check_mm, wane_mm : float
        Saw cut for each dimension, planing of each face, depth of the checks below each face that must be
        gone, wane along a face at each corner. [mm]
    twist : float
        Angle by which one end is turned against the other, where it was measured. [rad]
    checks_mm : mapping of Face to float
        Depth of the checks below single faces, where they were measured face by face. [mm]
    corners_mm : mapping of str to (float, float)
        Wane that was measured corner by corner, as "ab": across the width and down the depth. [mm]
    """

    width_mm: float
    depth_mm: float
    bow: Bend
    crook: Bend
    confidence: float = 0.9
    tolerance_mm: float = 0.0
    kerf_mm: float = KERF_MM
    planing_mm: float = PLANING_MM
    check_mm: float = 0.0
    wane_mm: float = 0.0
    twist: float = 0.0
    checks_mm: Mapping[Face, float] = field(default_factory=dict)
    corners_mm: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    def turned(self) -> Ask:
        """Return the same piece laid on its side: what was its width is its depth."""
        return replace(
            self,
            width_mm=self.depth_mm,
            depth_mm=self.width_mm,
            bow=self.crook,
            crook=self.bow,
            checks_mm={_TURNED[face]: mm for face, mm in self.checks_mm.items()},
            corners_mm={_TURNED_CORNERS[at]: legs[::-1] for at, legs in self.corners_mm.items()},
        )

    @property
    def wanes_mm(self) -> tuple[tuple[str, float, float], ...]:
        """Each corner that is off, how far across the width and how far down the depth, [mm]."""
        each = {corner: (self.wane_mm, self.wane_mm) for corner in CORNERS if self.wane_mm}
        return tuple((corner, *legs) for corner, legs in (each | dict(self.corners_mm)).items())

    @property
    def faces_mm(self) -> tuple[float, float]:
        """What planing and checks take off the width and off the depth, two faces each, [mm].

        A check that planing takes off costs no more.
        """
        off = {face: max(self.planing_mm, self.check_mm, self.checks_mm.get(face, 0.0)) for face in Face}
        return off[Face.B] + off[Face.D], off[Face.A] + off[Face.C]

    @property
    def untwisting_mm(self) -> tuple[float, float]:
        """What a straight piece costs out of a twisted timber, on its width and on its depth, [mm].

        The straight section must lie in that of each end, turned by half of the twist one way and the other:
        geometry.
        """
        half = abs(math.sin(self.twist / 2))
        return self.depth_mm * half, self.width_mm * half

    @property
    def deepest_check_mm(self) -> float:
        """Depth of the deepest check that must be gone, [mm]."""
        return max(self.check_mm, *self.checks_mm.values(), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Wet:
    """How wet the timber is: evenly, or as its own evaluation says.

    Parameters
    ----------
    mean_pct : float
        Mean moisture content. [%]
    field : MoistureField, optional
        One run over the section. [%]
    sd_pct : float
        Standard deviation of the mean: how well it is known. [%]
    """

    mean_pct: float
    field: MoistureField | None = None
    sd_pct: float = 0.0


def of_members(field: MoistureField) -> Wet:
    """Sum an ensemble up in the way an evaluation stores it, so that both give the same size.

    Parameters
    ----------
    field : MoistureField
        Every member's moisture. [%]

    Returns
    -------
    Wet
        Median of each cell, median of the means, and their standard deviation by the 90 % interval, each to
        thousandths.
    """
    low, middle, high = np.round(np.quantile(field.mean_pct, (0.05, 0.5, 0.95)), 3).tolist()
    median = MoistureField(
        posix_s=field.posix_s,
        section=field.section,
        x_edges_mm=np.round(field.x_edges_mm, 3),
        y_edges_mm=np.round(field.y_edges_mm, 3),
        mc_pct=np.round(np.median(field.mc_pct, axis=0), 3),
    )
    return Wet(mean_pct=middle, field=median, sd_pct=(high - low) / INTERVAL_SDS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One part of the allowance.

    Parameters
    ----------
    name : str
        What it is for.
    width_mm, depth_mm : float
        On the width and on the depth, both faces together. [mm]
    why : Reason
        Where the number comes from.
    mark : str
        "computed", "measured", "memory" or "common practice".
    """

    name: str
    width_mm: float
    depth_mm: float
    why: Reason
    mark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """The size that a finished piece needs, before any rounding.

    Parameters
    ----------
    terms : tuple of Term
        The parts, adding up to the size less the finished one. [mm]
    width_mm, depth_mm : float
        Finished size and all the parts. [mm]
    """

    terms: tuple[Term, ...]
    width_mm: float
    depth_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and depth, [mm]."""
        return self.width_mm, self.depth_mm
