"""Data types of the purchase plan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from baulk.models.allowance.bend import Seen
from baulk.models.allowance.parts import KERF_MM, PLANING_MM, TRIM_MM, Wet
from baulk.models.errors import OutOfRange
from baulk.models.field import MoistureField
from baulk.models.plan.buying.shortfall import MillLine, Shortfall
from baulk.models.plan.sawing.cutting import Stock
from baulk.models.reason import Reason
from baulk.models.section import Finished
from baulk.models.species import Species

KEEP_MM: Final = 1000.0  # our own judgement, no source
LEFT_WORTH: Final = 0.5  # our own judgement, no source
SUREST: Final = 0.95  # a stored forecast tells no quantile beyond it


@dataclass(frozen=True, slots=True, kw_only=True)
class InYard:
    """A timber in the yard, as far as buying looks at it.

    Parameters
    ----------
    stock : Stock
        Its tag, section, length, defects and sweep. [mm]
    wood : Species
        Its wood.
    mean_pct : float
        Mean moisture content now. [%]
    field : MoistureField or None
        Its moisture over the section, where it was evaluated. [%]
    sd_pct : float
        How well the mean is known. [%]
    use_class : str
        The use it was entered for.
    finished_mm : (float, float)
        The finished section it was entered for. [mm]
    square_utc : datetime or None
        When its stored verdict says `square`.
    square_probability : float
        How sure that date is. [-]
    ahead_posix_s, ahead_mean_pct : tuple of float
        Moments ahead and the mean moisture content that it is below with the confidence asked for. [s, %]
    measured : bool
        Whether its moisture comes from an evaluation, not from the species.
    """

    stock: Stock
    wood: Species
    mean_pct: float
    use_class: str
    finished_mm: tuple[float, float]
    square_utc: datetime | None = None
    square_probability: float = 0.0
    ahead_posix_s: tuple[float, ...] = ()
    ahead_mean_pct: tuple[float, ...] = ()
    measured: bool = False
    field: MoistureField | None = None
    sd_pct: float = 0.0

    @property
    def wet(self) -> Wet:
        """How wet it is."""
        return Wet(mean_pct=self.mean_pct, field=self.field, sd_pct=self.sd_pct)

    @property
    def species(self) -> str:
        """Name of its wood."""
        return self.wood.name


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """How the shop buys and cuts.

    Parameters
    ----------
    confidence : float
        For sizes and for dates, 0.5 to 0.95. [-]
    species : str, optional
        Wood to buy for a part that names none.
    price_per_m3 : float, optional
        What a cubic metre of the yard's timber is worth, in the shop's money; without it waste is counted in
        cubic metres. [1/m3]
    wait_per_week : float, optional
        What a week of waiting for one part costs; without it a timber that is not ready in time is not
        taken. In the shop's money, or in m3 of waste without a price. [1/week]
    kerf_mm, planing_mm, trim_mm : float
        Saw cut, planing of each face, cut off each end. [mm]
    step_mm, length_step_mm : float
        The mill's steps. [mm]
    seen : tuple of Seen
        Curves that were measured on timbers of the shop.
    any_use : bool
        Whether a timber entered for one use may as well be cut for another.
    keep_mm : float
        Length left of a timber from which on it is kept for other parts; a shorter one is firewood. [mm]
    left_worth : float
        What a length that is kept is still worth, as a share of its volume's price, 0 to 1. [-]
    """

    confidence: float = 0.9
    species: str | None = None
    price_per_m3: float | None = None
    wait_per_week: float | None = None
    kerf_mm: float = KERF_MM
    planing_mm: float = PLANING_MM
    trim_mm: float = TRIM_MM
    step_mm: float = 5.0
    length_step_mm: float = 100.0
    seen: tuple[Seen, ...] = ()
    any_use: bool = False
    keep_mm: float = KEEP_MM
    left_worth: float = LEFT_WORTH

    def __post_init__(self) -> None:
        if not 0.5 <= self.confidence <= SUREST:
            raise OutOfRange("the confidence", f"lies between 0.5 and {SUREST:g}, not {self.confidence:g}")
        if not (self.keep_mm > 0 and 0 <= self.left_worth <= 1):
            raise OutOfRange(
                "what is left of a timber",
                f"is kept from a length above 0 on and worth a share from 0 to 1, not {self.keep_mm:g} mm "
                f"and {self.left_worth:g}",
            )
        for name in ("price_per_m3", "wait_per_week"):
            value = getattr(self, name)
            if value is not None and not 0 <= value < 1e9:
                raise OutOfRange(f"the {name.replace('_', ' ')}", f"is a number from 0, not {value:g}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Assignment:
    """Pieces of one part out of one timber.

    Parameters
    ----------
    part, tag : str
        Which part, which timber.
    count : int
        How many, one behind the other.
    sawn_width_mm, sawn_depth_mm : float
        What is sawn now. [mm]
    place : Finished
        Where that fits in the section. [mm]
    length_mm : float
        Length of one. [mm]
    ready_utc : datetime or None
        When it may be squared.
    how : Reason
        Where that date comes from.
    late_weeks : float
        After the day wanted; 0 when in time. [week]
    waste_m3 : float
        Of the section over its length, finished wood taken off; its share of what several use. [m3]
    beside : tuple of str
        Parts that lie side by side with it; none where it has the section to itself.
    other_wood : (str, str) or None
        The timber's wood and the wanted one, where it is one of the part's alternates.
    vessel : str
        What the part is built into; may be empty.
    """

    part: str
    tag: str
    count: int
    sawn_width_mm: float
    sawn_depth_mm: float
    place: Finished
    length_mm: float
    ready_utc: datetime | None
    how: Reason
    late_weeks: float
    waste_m3: float
    beside: tuple[str, ...] = ()
    other_wood: tuple[str, str] | None = None
    vessel: str = ""

    def reason(self) -> Reason:
        """Return what comes out of which timber, and when."""
        return Reason(
            code="buying.assigned",
            values={
                "part": self.part,
                "count": self.count,
                "tag": self.tag,
                "width_mm": self.sawn_width_mm,
                "depth_mm": self.sawn_depth_mm,
                "length_mm": self.length_mm,
                "ready_utc": self.ready_utc,
                "how": self.how.to_json(),
                "late_weeks": self.late_weeks,
                "beside": list(self.beside),
                "other_wood": None if self.other_wood is None else list(self.other_wood),
                "vessel": self.vessel,
            },
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class BuyPlan:
    """Which timber for which part, what is short, and what to order.

    Parameters
    ----------
    made_utc : datetime
        When it was worked out.
    wish : Wish
        How the shop buys.
    wanted : int
        Pieces wanted in all.
    assignments : tuple of Assignment
        What comes out of the yard.
    shortfalls : tuple of Shortfall
        What does not.
    mill : tuple of MillLine
        What to order.
    left_mm : mapping of str to float
        Length left of each timber that is cut. [mm]
    unused : tuple of str
        Timbers that stay whole.
    gap : float
        How far the assignment may be from the best; 0 when proved. [-]
    fewer : int
        How many pieces fewer might be short at most; 0 when that is proved.
    next_best : tuple of Reason
        The next best assignments, and what they differ in.
    assumptions, would_change, cautions : tuple of Reason
        What it takes for granted, what other wishes would give, and what can hurt.
    """

    made_utc: datetime
    wish: Wish
    wanted: int
    assignments: tuple[Assignment, ...]
    shortfalls: tuple[Shortfall, ...]
    mill: tuple[MillLine, ...]
    left_mm: Mapping[str, float]
    unused: tuple[str, ...]
    gap: float
    fewer: int = 0
    next_best: tuple[Reason, ...] = ()
    assumptions: tuple[Reason, ...] = ()
    would_change: tuple[Reason, ...] = ()
    cautions: tuple[Reason, ...] = ()

    @property
    def short(self) -> int:
        """Pieces that are short."""
        return sum(each.count for each in self.shortfalls)

    def lines(self) -> tuple[Reason, ...]:
        """Return the plan's answer: how much the yard gives, what comes out of what, and `rest`."""
        return (self.yard_gives(), *(each.reason() for each in self.assignments), *self.rest())

    def yard_gives(self) -> Reason:
        """Return how many of the pieces come out of the yard."""
        values = {"given": self.wanted - self.short, "wanted": self.wanted, "short": self.short}
        return Reason(code="buying.yard_gives", values=values)

    def rest(self) -> tuple[Reason, ...]:
        """Return what follows the assignments: what is left over, what is short, what to order."""
        left = [Reason(code="buying.left_over", values={"left_mm": dict(self.left_mm)})]
        found = [*(left if self.left_mm else ()), *(each.reason() for each in self.shortfalls)]
        if self.mill:
            found.append(
                Reason(code="buying.mill", values={"volume_m3": sum(each.volume_m3 for each in self.mill)})
            )
        return (*found, *(each.reason() for each in self.mill))
