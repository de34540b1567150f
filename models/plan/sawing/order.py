"""What is asked of a sawing plan, and its answer: plain values with nothing to work out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from baulk.models.errors import OutOfRange
from baulk.models.plan.buying.parts import LONGEST_MM, THICKEST_MM
from baulk.models.section import Face, Finished, Section
from baulk.models.units import System
from baulk.models.verdict.rough_out import PLANING_MM

Placement = Literal["boxed", "free", "offset"]

KERF_MM: Final = 3.0  # a bandsaw and its wander; common practice, no source
TRIM_MM: Final = 75.0  # of each end, for its checks; common practice, no source
# steps in which a mill gives sizes, across and along the grain; common practice, no source
MILL_STEPS_MM: Final[Mapping[System, tuple[float, float]]] = {"inch": (6.35, 304.8), "metric": (5.0, 100.0)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """What is wanted, and how the shop works.

    Parameters
    ----------
    width_mm, depth_mm, length_mm : float
        Finished piece. [mm]
    placement : {"boxed", "free", "offset"}
        Heart at the centre, outside beyond face c, or inside and off the centre.
    pith_mm : (float, float), optional
        Pith from the centre of the piece, in place of what the placement would say. [mm]
    confidence : float
        Share of pieces that hold the finished size, 0.5 to below 1.
    tolerance_mm : float
        How much under the finished size a dimension may come out. [mm]
    bow_mm, crook_mm : float, optional
        Mid-ordinate over the length along the depth and along the width, as the shop measures it on its
        own timbers; None takes common practice. [mm]
    kerf_mm, planing_mm, wane_mm, trim_mm : float
        Saw cut for each dimension, planing of each face, wane along a face at each corner, cut off each
        end. [mm]
    step_mm, length_step_mm : float
        The mill's steps. [mm]
    start_pct : float, optional
        Moisture content when sawn; None is green. [%]
    """

    width_mm: float
    depth_mm: float
    length_mm: float
    placement: Placement = "boxed"
    pith_mm: tuple[float, float] | None = None
    confidence: float = 0.9
    tolerance_mm: float = 0.0
    bow_mm: float | None = None
    crook_mm: float | None = None
    kerf_mm: float = KERF_MM
    planing_mm: float = PLANING_MM
    wane_mm: float = 0.0
    trim_mm: float = TRIM_MM
    step_mm: float = 5.0
    length_step_mm: float = 100.0
    start_pct: float | None = None

    def __post_init__(self) -> None:
        if not (5 <= self.width_mm <= THICKEST_MM and 5 <= self.depth_mm <= THICKEST_MM):
            raise OutOfRange(
                "the finished size",
                f"lies between 5 mm and {THICKEST_MM:.0f} mm, the largest log, not {self.width_mm:.0f} x "
                f"{self.depth_mm:.0f} mm; check its unit",
            )
        if not 50 <= self.length_mm <= LONGEST_MM:
            raise OutOfRange(
                "the length",
                f"lies between 50 mm and {LONGEST_MM / 1000:.0f} m, not {self.length_mm:.0f} mm",
            )
        if self.placement not in {"boxed", "free", "offset"}:
            raise OutOfRange("the heart", f"is boxed, free or offset, not {self.placement!r}")
        if not 0.5 <= self.confidence <= 0.999:
            raise OutOfRange("the confidence", f"lies between 0.5 and 0.999, not {self.confidence:g}")
        most = min(self.width_mm, self.depth_mm)
        for name in ("tolerance_mm", "kerf_mm", "planing_mm", "wane_mm", "bow_mm", "crook_mm"):
            value = getattr(self, name)
            if value is not None and not 0 <= value <= most:
                raise OutOfRange(
                    f"the {name.removesuffix('_mm')}",
                    f"lies between 0 and the smaller side, {most:.0f} mm, not {value:g} mm",
                )
        if not 0 <= self.trim_mm <= self.length_mm:
            raise OutOfRange("the trim", f"lies between 0 and the length, not {self.trim_mm:g} mm")
        if not (0.1 <= self.step_mm <= 100 and 1 <= self.length_step_mm <= 1000):
            raise OutOfRange("the mill's steps", "lie between 0.1 and 100 mm, along the grain 1 mm and 1 m")
        if self.start_pct is not None and not 0 <= self.start_pct <= 400:
            raise OutOfRange("the moisture content", f"lies between 0 and 400 %, not {self.start_pct:g} %")


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One part of the allowance.

    Parameters
    ----------
    name : str
        What it is for.
    width_mm, depth_mm : float
        On the width and on the depth, both faces together. [mm]
    why : str
        Where the number comes from.
    mark : str
        "computed", "measured", "memory" or "common practice".
    """

    name: str
    width_mm: float
    depth_mm: float
    why: str
    mark: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FaceShrinkage:
    """What one face loses from sawing to service.

    Parameters
    ----------
    face : Face
        The face.
    mm : float
        Loss of its width between the corners. [mm]
    pct : float
        The same as a share. [%]
    tangential_share : float
        How much of it is tangential: 0 for rings square to the face, 1 for rings along it. [-]
    """

    face: Face
    mm: float
    pct: float
    tangential_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SizePlan:
    """The green size, what makes it up, and what would change it.

    Parameters
    ----------
    order : Order
        What was asked.
    species, use_class : str
        Wood and use.
    start_pct, squared_pct : float
        Moisture content when sawn, and even over the section when squared. [%]
    terms : tuple of Term
        The allowance, adding up to the needed size less the finished one. [mm]
    needed_width_mm, needed_depth_mm : float
        Before rounding. [mm]
    green : Section
        To order or to saw, rounded up, with its pith. [mm]
    green_length_mm : float
        With the ends to be cut off, rounded up. [mm]
    finished : Finished
        Where the finished piece lies in it. [mm]
    faces : tuple of FaceShrinkage
        By face, a to d.
    check_mm : float
        Opening of the check of a boxed heart at the nearest face, in service. [mm]
    squared_green_mm, tolerated_mm : float
        How far the finished piece would move if it were squared at once, and what the use tolerates. [mm]
    mass_kg, heavy_kg : float
        Weight as sawn, and that of a heavy tree, for the lift. [kg]
    board_feet, volume_m3 : float
        Of the green size. [board foot, m3]
    assumptions, would_change, cautions : tuple of str
        Sentences.
    """

    order: Order
    species: str
    use_class: str
    start_pct: float
    squared_pct: float
    terms: tuple[Term, ...]
    needed_width_mm: float
    needed_depth_mm: float
    green: Section
    green_length_mm: float
    finished: Finished
    faces: tuple[FaceShrinkage, ...]
    check_mm: float
    squared_green_mm: float
    tolerated_mm: float
    mass_kg: float
    heavy_kg: float
    board_feet: float
    volume_m3: float
    assumptions: tuple[str, ...] = ()
    would_change: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    def words(self, system: System) -> tuple[str, ...]:
        """Tell the plan in sentences, the answer first.

        Parameters
        ----------
        system : {"inch", "metric"}
            Units of the sentences.

        Returns
        -------
        tuple of str
            Lines to print or to show.
        """
        from baulk.models.plan.sawing import size_sentences  # noqa: PLC0415 - the words need this type

        return size_sentences.words(self, system)
