"""What is asked of a sawing plan, and its answer: plain values with nothing to work out."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

from baulk.models.allowance import bend
from baulk.models.allowance.bend import Seen
from baulk.models.allowance.parts import KERF_MM, PLANING_MM, TRIM_MM, Ask, Term
from baulk.models.errors import OutOfRange
from baulk.models.plan.buying.parts import LONGEST_MM, THICKEST_MM
from baulk.models.reason import Reason
from baulk.models.sapwood import LIFT_ALONE_KG
from baulk.models.section import Face, Finished, Section
from baulk.models.shrinkage import PIECES_VARY
from baulk.models.species import Species
from baulk.models.units import System
from baulk.models.use_class import UseClass

Placement = Literal["boxed", "free", "offset"]

# steps in which a mill gives sizes, across and along the grain; common practice, no source
MILL_STEPS_MM: Final[Mapping[System, tuple[float, float]]] = {"inch": (6.35, 304.8), "metric": (5.0, 100.0)}
CLEAR_OF_HEART_MM: Final = 25.0  # pith beyond the face of a piece free of heart; common practice, no source
OPEN_CHECK_MM: Final = 0.5  # a check that is worth naming; our own judgement, no source


class NoLog(OutOfRange):
    """A green size that no log gives.

    Parameters
    ----------
    width_mm, depth_mm, length_mm : float
        The green size. [mm]
    """

    def __init__(self, width_mm: float, depth_mm: float, length_mm: float) -> None:
        super().__init__(
            "the green size",
            f"would be {width_mm:.0f} x {depth_mm:.0f} mm and {length_mm / 1000:.1f} m long, more than any "
            "log gives; build it up from smaller pieces",
        )
        self.size_mm = (width_mm, depth_mm, length_mm)


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
        Share of pieces that hold the finished size, 0.5 to below 1. [-]
    tolerance_mm : float
        How much under the finished size a dimension may come out. [mm]
    bow_mm, crook_mm : float, optional
        Mid-ordinate over the length along the depth and along the width, as the shop measures it on its
        own timbers; None takes what is usual for its wood and length. [mm]
    curve_mm : float
        Curve of a part that is sawn out of straight wood, on top of a usual bow. [mm]
    seen : tuple of Seen
        Curves that were measured on timbers of the shop, which narrow the usual ones.
    kerf_mm, planing_mm, check_mm, wane_mm, trim_mm : float
        Saw cut for each dimension, planing of each face, depth of checks that must be gone from each face,
        wane along a face at each corner, cut off each end. [mm]
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
    curve_mm: float = 0.0
    seen: tuple[Seen, ...] = ()
    kerf_mm: float = KERF_MM
    planing_mm: float = PLANING_MM
    check_mm: float = 0.0
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
        for name in ("tolerance_mm", "kerf_mm", "planing_mm", "check_mm", "wane_mm", "bow_mm", "crook_mm"):
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

    def ask(self, wood: Species) -> Ask:
        """Return what the allowance of this piece is asked for, in a wood."""
        usual = bend.usual(wood, self.length_mm, self.seen)
        curved = bend.usual(wood, self.length_mm, self.seen, more_mm=self.curve_mm)
        return Ask(
            width_mm=self.width_mm,
            depth_mm=self.depth_mm,
            bow=curved if self.bow_mm is None else bend.known(self.bow_mm),
            crook=usual if self.crook_mm is None else bend.known(self.crook_mm),
            confidence=self.confidence,
            tolerance_mm=self.tolerance_mm,
            kerf_mm=self.kerf_mm,
            planing_mm=self.planing_mm,
            check_mm=self.check_mm,
            wane_mm=self.wane_mm,
        )


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
    squared_change_mm : float
        Change of its size then, below 0 when it shrinks. [mm]
    mass_kg, heavy_kg : float
        Weight as sawn, and that of a heavy tree, for the lift. [kg]
    board_feet, volume_m3 : float
        Of the green size. [board foot, m3]
    assumptions, would_change, cautions : tuple of Reason
        What it takes for granted, what other choices would give, and what can hurt.
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
    squared_change_mm: float
    tolerated_mm: float
    mass_kg: float
    heavy_kg: float
    board_feet: float
    volume_m3: float
    assumptions: tuple[Reason, ...] = ()
    would_change: tuple[Reason, ...] = ()
    cautions: tuple[Reason, ...] = ()

    def lines(self) -> tuple[Reason, ...]:
        """Return the plan's answer: what to saw, what it gives, how much wood it is."""
        order, green = self.order, self.green
        return (
            Reason(
                code="sawing.order",
                values={
                    "width_mm": green.width_mm,
                    "depth_mm": green.depth_mm,
                    "length_mm": self.green_length_mm,
                    "species": self.species,
                    "heart": order.placement,
                    "needed_width_mm": self.needed_width_mm,
                    "needed_depth_mm": self.needed_depth_mm,
                },
            ),
            Reason(
                code="sawing.gives",
                values={
                    "width_mm": order.width_mm,
                    "depth_mm": order.depth_mm,
                    "length_mm": order.length_mm,
                    "confidence": order.confidence,
                },
            ),
            Reason(
                code="sawing.amount",
                values={"volume_m3": self.volume_m3, "mass_kg": self.mass_kg, "heavy_kg": self.heavy_kg},
            ),
        )


def assumptions(plan: SizePlan, use: UseClass) -> tuple[Reason, ...]:
    """Return what a size plan takes for granted."""
    order = plan.order
    found = [
        Reason(
            code="sawing.moisture",
            values={
                "start_pct": plan.start_pct,
                "squared_pct": plan.squared_pct,
                "use": use.title,
                "service_low_pct": use.service_low_pct,
                "service_high_pct": use.service_high_pct,
            },
        ),
        Reason(code="sawing.pieces_vary", values={"sd_share": PIECES_VARY, "confidence": order.confidence}),
        Reason(code="sawing.no_creep"),
    ]
    if order.bow_mm is None or order.crook_mm is None:
        usual = next(each for each in plan.terms if each.why.code.startswith("sawing.term.usual_"))
        found.append(Reason(code="sawing.usual_bow", values=dict(usual.why.values)))
    if order.placement == "free" and order.pith_mm is None:
        found.append(Reason(code="sawing.pith_beyond", values={"beyond_mm": CLEAR_OF_HEART_MM}))
    return tuple(found)


def would_change(
    plan: SizePlan, use: UseClass, need: Callable[[Order, UseClass], tuple[float, float]]
) -> tuple[Reason, ...]:
    """Return what other choices would need, each worked out anew by `need`, in millimetres."""
    order = plan.order

    def other(code: str, changed: Order, service: UseClass = use, **more: str | float) -> Reason:
        width, depth = need(changed, service)
        return Reason(code=code, values={"width_mm": width, "depth_mm": depth, **more})

    heart: Placement = "free" if order.placement != "free" else "boxed"
    driest = replace(use, service_high_pct=use.service_low_pct + 1e-9)
    found = [
        other("sawing.other_heart", replace(order, placement=heart, pith_mm=None), heart=heart),
        other("sawing.driest_service", order, driest, mc_pct=use.service_low_pct),
    ]
    if order.confidence > 0.5:
        found.append(other("sawing.half_of_the_pieces", replace(order, confidence=0.5)))
    if order.bow_mm != 0 or order.crook_mm != 0:
        found.append(other("sawing.straight", replace(order, bow_mm=0.0, crook_mm=0.0)))
    if use.may_stay_wet or plan.squared_green_mm <= plan.tolerated_mm:
        found.append(
            Reason(
                code="sawing.saw_to_size_now" if use.may_stay_wet else "sawing.squared_green",
                values={
                    "moves_mm": plan.squared_green_mm,
                    "change_mm": plan.squared_change_mm,
                    "tolerated_mm": plan.tolerated_mm,
                },
            )
        )
    return tuple(found)


def cautions(plan: SizePlan) -> tuple[Reason, ...]:
    """Return what can hurt: the weight, the check of a boxed heart, and that strength is not looked at."""
    found = []
    if plan.heavy_kg > LIFT_ALONE_KG:
        found.append(
            Reason(code="caution.heavy", values={"mass_kg": plan.mass_kg, "heavy_kg": plan.heavy_kg})
        )
    if plan.green.boxed_heart and plan.check_mm > OPEN_CHECK_MM:
        found.append(Reason(code="caution.boxed_heart", values={"check_mm": plan.check_mm}))
    return (*found, Reason(code="caution.strength"))
