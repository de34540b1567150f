"""A timber as measured for the saw, and the ways to cut it: plain values."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from baulk.models.errors import OutOfRange
from baulk.models.plan.sawing.layout import Rect
from baulk.models.plan.sawing.order import Order
from baulk.models.plan.sawing.sweep import Sweep
from baulk.models.section import Finished, Section
from baulk.models.units import System


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
        Wane, shakes and knots, in the section's axes. [mm]
    bow_mm, crook_mm : float
        Mid-ordinate of its own curve over its length, along the depth and along the width. [mm]
    """

    name: str
    section: Section
    length_mm: float
    defects: tuple[Rect, ...] = ()
    bow_mm: float = 0.0
    crook_mm: float = 0.0

    def __post_init__(self) -> None:
        if not 0 < self.length_mm < float("inf"):
            raise OutOfRange(f"the length of {self.name}", f"must be above 0 mm, not {self.length_mm:g}")
        for curve in (self.bow_mm, self.crook_mm):
            if not abs(curve) <= self.length_mm / 2:
                raise OutOfRange(
                    f"the bow of {self.name}", f"can't be {curve:g} mm; it is at most half the length"
                )


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

    @property
    def holds(self) -> bool:
        """Whether the finished size is still in it once it has moved."""
        return self.spare_mm >= -0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """One way to cut the timber.

    Parameters
    ----------
    name : str
        In words.
    heart : str
        "boxed", "free" or "any".
    pieces : tuple of Laid
        At least one.
    """

    name: str
    heart: str
    pieces: tuple[Laid, ...]

    @property
    def largest_mm(self) -> float:
        """Largest movement of its pieces, [mm]."""
        return max(each.largest_mm for each in self.pieces)

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
    refused : tuple of str
        Choices there is no room for.
    sweep : Sweep
        The part's curve against the timber's.
    assumptions, would_change, cautions : tuple of str
        Sentences.
    """

    stock: Stock
    order: Order
    species: str
    use_class: str
    mean_pct: float
    service_pct: float
    tolerated_mm: float
    choices: tuple[Choice, ...]
    refused: tuple[str, ...]
    sweep: Sweep
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
        from baulk.models.plan.sawing import cut_sentences  # noqa: PLC0415 - the words need this type

        return cut_sentences.words(self, system)
