"""A timber as measured for the saw, and the ways to cut it: plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from baulk.models.allowance.bend import Bend
from baulk.models.errors import OutOfRange
from baulk.models.plan.sawing import cuts
from baulk.models.plan.sawing.bevel import Bevel
from baulk.models.plan.sawing.order import OPEN_CHECK_MM, Order
from baulk.models.plan.sawing.rects import Rect
from baulk.models.plan.sawing.sweep import Sweep
from baulk.models.reason import Reason, Values
from baulk.models.section import Finished, Section


@dataclass(frozen=True, slots=True, kw_only=True)
class Stock:
    """A timber as it is, with what must not lie in a piece.

    Parameters
    ----------
    name : str
        Its tag, or "the timber".
    section : Section
        Measured section with its pith. [mm]
    length_mm : float
        Length, above 0. [mm]
    defects : tuple of Rect
        Shakes and knots, in the section's axes. [mm]
    wane : tuple of Bevel
        Corners that are off. [mm]
    wane_everywhere : bool
        Whether some of it was noted without its corner, and is taken at each.
    checks : tuple of Rect
        Checks as measured, from their face to their tip. [mm]
    bow_mm, crook_mm : float or None
        Mid-ordinate of its own curve over its length, along the depth and along the width; None where nobody
        measured, which takes what is usual. [mm]
    """

    name: str
    section: Section
    length_mm: float
    defects: tuple[Rect, ...] = ()
    wane: tuple[Bevel, ...] = ()
    wane_everywhere: bool = False
    checks: tuple[Rect, ...] = ()
    bow_mm: float | None = None
    crook_mm: float | None = None

    def __post_init__(self) -> None:
        if not 0 < self.length_mm < float("inf"):
            raise OutOfRange(f"the length of {self.name}", f"must be above 0 mm, not {self.length_mm:g}")
        for curve in (self.bow_mm, self.crook_mm):
            if curve is not None and not abs(curve) <= self.length_mm / 2:
                raise OutOfRange(
                    f"the bow of {self.name}", f"can't be {curve:g} mm; it is at most half the length"
                )

    @property
    def blocked(self) -> tuple[Rect, ...]:
        """What no piece may hold: defects and measured checks, [mm]."""
        return (*self.defects, *self.checks)

    def planed(self, mm: float) -> Stock:
        """Return it with the wane that is left once a piece's faces are planed by so much. [mm]."""
        return replace(self, wane=tuple(left for each in self.wane if (left := each.planed(mm)) is not None))


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """One piece laid out in a timber, and how it moves if it is sawn there now.

    Parameters
    ----------
    piece : Finished
        What is sawn now, in the timber's axes. [mm]
    finished_width_mm, finished_depth_mm : float
        The finished size it is for, along the same axes. [mm]
    boxed : bool
        Whether the pith lies in it.
    off_mm : mapping of str to float
        What lies outside it on each face of the timber. [mm]
    largest_mm : float
        Largest movement on the way to service: a face, the lean or the hollow. [mm]
    width_mm, depth_mm, out_of_square_mm, cup_mm : float
        Its parts, below 0 for shrinking. [mm]
    check_mm : float
        Opening of the check of a boxed heart, in all. [mm]
    spare_mm : float
        What is left over the finished size after all that; below 0 when it is lost. [mm]
    turned : bool
        Whether the part's width lies along the timber's depth.
    """

    piece: Finished
    finished_width_mm: float
    finished_depth_mm: float
    boxed: bool
    off_mm: Mapping[str, float]
    largest_mm: float
    width_mm: float
    depth_mm: float
    out_of_square_mm: float
    cup_mm: float
    check_mm: float
    spare_mm: float
    turned: bool = False

    @property
    def rect(self) -> Rect:
        """The piece as a rectangle, [mm]."""
        piece = self.piece
        return Rect(
            x_mm=piece.centre_x_mm - piece.width_mm / 2,
            y_mm=piece.centre_y_mm - piece.depth_mm / 2,
            width_mm=piece.width_mm,
            height_mm=piece.depth_mm,
        )

    @property
    def holds(self) -> bool:
        """Whether the finished size is still in it once it has moved."""
        return self.spare_mm >= -0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One way to cut the timber.

    Parameters
    ----------
    name : Reason
        How many pieces, where the heart lies, and whether only once the timber is dry.
    heart : str
        "boxed", "free" or "any".
    pieces : tuple of Laid
        At least one.
    at_most : int
        Pieces of that size beyond which none can come out; 0 where that was not asked.
    """

    name: Reason
    heart: str
    pieces: tuple[Laid, ...]
    at_most: int = 0

    @property
    def largest_mm(self) -> float:
        """Largest movement of its pieces, [mm]."""
        return max(each.largest_mm for each in self.pieces)

    @property
    def change_mm(self) -> float:
        """Largest change of a piece's width or depth, below 0 when it shrinks, [mm]."""
        return max((side for each in self.pieces for side in (each.width_mm, each.depth_mm)), key=abs)

    @property
    def holds(self) -> bool:
        """Whether every finished size is still there once the pieces have moved."""
        return all(each.holds for each in self.pieces)

    def used_share(self, section: Section) -> float:
        """Share of the section that becomes finished wood.

        Parameters
        ----------
        section : Section
            The timber's. [mm]

        Returns
        -------
        float
            0 to 1.
        """
        area = sum(each.finished_width_mm * each.finished_depth_mm for each in self.pieces)
        return area / (section.width_mm * section.depth_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class CutPlan:
    """How to cut one timber.

    Parameters
    ----------
    stock : Stock
        The timber.
    order : Order
        What is wanted, with the timber's own moisture and curve.
    species, use_class : str
        Wood and use.
    mean_pct, service_pct : float
        Mean moisture content now, and in service. [%]
    tolerated_mm : float
        Movement after squaring that the use tolerates. [mm]
    choices : tuple of Choice
        The best first: those that hold the finished size, the most pieces, the least movement.
    refused : tuple of Reason
        Choices there is no room for.
    sweep : Sweep
        The part's curve against the timber's.
    assumptions, would_change, cautions : tuple of Reason
        What it takes for granted, how the other choices compare, and what can hurt.
    """

    stock: Stock
    order: Order
    species: str
    use_class: str
    mean_pct: float
    service_pct: float
    tolerated_mm: float
    choices: tuple[Choice, ...]
    refused: tuple[Reason, ...]
    sweep: Sweep
    assumptions: tuple[Reason, ...] = ()
    would_change: tuple[Reason, ...] = ()
    cautions: tuple[Reason, ...] = ()

    def lines(self) -> tuple[Reason, ...]:
        """Return the plan's answer: the best choice first, each with its pieces, then what has no room."""
        stock, first = self.stock, self.choices[0]
        found = [
            Reason(
                code="sawing.timber",
                values={
                    "name": stock.name,
                    "width_mm": stock.section.width_mm,
                    "depth_mm": stock.section.depth_mm,
                    "species": self.species,
                    "mean_pct": self.mean_pct,
                    "choice": first.name.values,
                },
            )
        ]
        for number, choice in enumerate(self.choices, start=1):
            found.append(Reason(code="sawing.choice_costs", values=self._costs(number, choice)))
            found += [_piece(each) for each in choice.pieces]
        found += [each.reason() for each in self.cuts()]
        if len(self.choices) > 1:
            best = {"by_value": self.by_value + 1, "by_stability": self.by_stability + 1}
            found.append(Reason(code="sawing.best_by", values=best))
        return (*found, *self.refused, self.sweep.reason())

    def cuts(self, choice: int = 0) -> tuple[cuts.Cut, ...]:
        """Return the cuts of a choice in their order."""
        return cuts.order(self.stock.section, [each.rect for each in self.choices[choice].pieces])

    @property
    def by_value(self) -> int:
        """Which choice gives the most finished wood; of those alike the one that moves least."""
        section = self.stock.section
        return max(
            range(len(self.choices)),
            key=lambda n: (
                self.choices[n].holds,
                round(self.choices[n].used_share(section), 6),
                -self.choices[n].largest_mm,
            ),
        )

    @property
    def by_stability(self) -> int:
        """Which choice moves least."""
        return min(
            range(len(self.choices)), key=lambda n: (not self.choices[n].holds, self.choices[n].largest_mm)
        )

    def _costs(self, number: int, choice: Choice) -> Values:
        return {
            "number": number,
            "choice": choice.name.values,
            "moves_mm": choice.largest_mm,
            "change_mm": choice.change_mm,
            "used_share": choice.used_share(self.stock.section),
            "check_mm": max(each.check_mm for each in choice.pieces),
            "holds": choice.holds,
        }


def _piece(laid: Laid) -> Reason:
    piece = laid.piece
    return Reason(
        code="sawing.piece",
        values={
            "width_mm": piece.width_mm,
            "depth_mm": piece.depth_mm,
            "off_a_mm": laid.off_mm["a"],
            "off_d_mm": laid.off_mm["d"],
            "finished_width_mm": laid.finished_width_mm,
            "finished_depth_mm": laid.finished_depth_mm,
            "out_of_square_mm": abs(laid.out_of_square_mm),
            "cup_mm": abs(laid.cup_mm),
            "spare_mm": laid.spare_mm,
        },
    )


def assumptions(plan: CutPlan, bow: Bend, *, measured: bool) -> tuple[Reason, ...]:
    """Return what a cutting plan takes for granted; `measured` where its moisture was evaluated."""
    code = "sawing.moisture_evaluated" if measured else "sawing.moisture_even"
    sure = plan.order.confidence
    usual = {"bend_mm": bow.quantile_mm(sure), "confidence": sure, "timbers": bow.timbers}
    return (
        Reason(code=code, values={"mean_pct": plan.mean_pct, "service_pct": plan.service_pct}),
        *((Reason(code="sawing.size_recorded"),) if measured else ()),
        *(() if bow.measured else (Reason(code="sawing.usual_bow", values=usual),)),
        *((Reason(code="sawing.wane_is_a_bevel"),) if plan.stock.wane else ()),
        *((Reason(code="sawing.wane_everywhere"),) if plan.stock.wane_everywhere else ()),
        *(
            (Reason(code="sawing.checks_seen", values={"count": len(plan.stock.checks)}),)
            if plan.stock.checks
            else ()
        ),
        *_how_many(plan),
        Reason(code="sawing.defects_run_through"),
        Reason(code="sawing.through_cuts"),
        Reason(code="sawing.growth_stress"),
    )


def _how_many(plan: CutPlan) -> tuple[Reason, ...]:
    """Return whether more pieces could come out than were found."""
    several = [each for each in plan.choices if each.at_most]
    if not several:
        return ()
    best = max(several, key=lambda each: len(each.pieces))
    values = {"count": len(best.pieces), "at_most": best.at_most}
    proved = best.at_most <= len(best.pieces)
    return (Reason(code="sawing.most_proved" if proved else "sawing.most_not_proved", values=values),)


def would_change(plan: CutPlan) -> tuple[Reason, ...]:
    """Return how the other choices compare with the first, and what drying first would give."""
    first = plan.choices[0]
    found = [
        Reason(
            code="sawing.choice_moves",
            values={
                "choice": other.name.values,
                "more_mm": other.largest_mm - first.largest_mm,
                "holds": other.holds,
            },
        )
        for other in plan.choices[1:]
    ]
    if not first.holds:
        found.append(Reason(code="sawing.dry_it_whole"))
    return (*found, Reason(code="sawing.drier_needs_less"))


def cautions(plan: CutPlan) -> tuple[Reason, ...]:
    """Return what can hurt: the saw, the check of a boxed heart, and that strength is not looked at."""
    found = [Reason(code="caution.saw")]
    if any(each.boxed and each.check_mm > OPEN_CHECK_MM for way in plan.choices for each in way.pieces):
        found.append(Reason(code="caution.turn_the_check"))
    return (*found, Reason(code="caution.strength"))
