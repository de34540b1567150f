"""What the yard does not give, and the lines of the list for the mill: plain values."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from baulk.models.plan.buying.lead_time import Arrival
from baulk.models.plan.buying.parts import Part
from baulk.models.plan.sawing.order import SizePlan
from baulk.models.reason import Reason, Value


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortfall:
    """Pieces that the yard does not give.

    Parameters
    ----------
    part : Part
        Which.
    count : int
        How many.
    reasons : mapping of str to Reason
        By tag, why that timber does not serve.
    size : SizePlan or None
        The green timber to buy; None without a wood or where no log gives it.
    arrival : Arrival or None
        By when, or how dry.
    why_none : Reason or None
        Why there is no size, if there is none.
    crook : bool
        Whether it must be a natural crook, for sawn out of a straight timber its grain would be short.
    """

    part: Part
    count: int
    reasons: Mapping[str, Reason]
    size: SizePlan | None = None
    arrival: Arrival | None = None
    why_none: Reason | None = None
    crook: bool = False

    def reason(self) -> Reason:
        """Return what is short, why the yard does not give it, and what to buy by when."""
        values: dict[str, Value] = {
            "part": self.part.name,
            "vessel": self.part.vessel,
            "count": self.count,
            "yard": dict(Counter(each.code for each in self.reasons.values()).most_common()),
        }
        size, found = self.size, self.arrival
        if size is None:
            none = self.why_none or Reason(code="buying.no_wood_named")
            return Reason(code="buying.short_no_size", values={**values, "why": none.to_json()})
        values |= {
            "width_mm": size.green.width_mm,
            "depth_mm": size.green.depth_mm,
            "length_mm": size.green_length_mm,
            "species": size.species,
            "sweep_mm": self.part.sweep_mm,
            "crook": self.crook,
            "arrives": None,
        }
        if found is not None:
            values["arrives"] = {
                "seasoned_pct": found.seasoned_pct,
                "probability": found.probability,
                "latest_utc": found.latest_utc,
                "ready_utc": found.ready_utc,
            }
        return Reason(code="buying.short", values=values)


@dataclass(frozen=True, slots=True, kw_only=True)
class MillLine:
    """One line of the list for the mill.

    Parameters
    ----------
    species : str
        Wood.
    count : int
        How many.
    width_mm, depth_mm, length_mm : float
        As sawn. [mm]
    heart : str
        "boxed" or "free".
    moisture : Reason
        Green, or the mean moisture content at most.
    by_utc : datetime or None
        Last day of arrival.
    board_feet, volume_m3 : float
        Of the whole line. [board foot, m3]
    each_kg, each_heavy_kg : float
        Weight of one, and of one from a heavy tree, green. [kg]
    parts : tuple of str
        For which parts.
    sweep_mm : float
        Natural sweep to look for over the length of the part; 0 for a straight one. [mm]
    """

    species: str
    count: int
    width_mm: float
    depth_mm: float
    length_mm: float
    heart: str
    moisture: Reason
    by_utc: datetime | None
    board_feet: float
    volume_m3: float
    each_kg: float
    each_heavy_kg: float
    parts: tuple[str, ...]
    sweep_mm: float = 0.0

    def reason(self) -> Reason:
        """Return the line: number, size, wood, heart, moisture, day, volume and weight."""
        return Reason(
            code="buying.mill_line",
            values={
                "count": self.count,
                "width_mm": self.width_mm,
                "depth_mm": self.depth_mm,
                "length_mm": self.length_mm,
                "species": self.species,
                "heart": self.heart,
                "sweep_mm": self.sweep_mm,
                "moisture": self.moisture.to_json(),
                "by_utc": self.by_utc,
                "volume_m3": self.volume_m3,
                "each_kg": self.each_kg,
                "each_heavy_kg": self.each_heavy_kg,
            },
        )
