"""A rectangle in the axes of a section."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from baulk.models.errors import OutOfRange

SLACK_MM: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Rect:
    """A rectangle in the axes of a section.

    Parameters
    ----------
    x_mm, y_mm : float
        Its lower left corner from the section's centre. [mm]
    width_mm, height_mm : float
        Its size, above 0. [mm]
    """

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float

    def __post_init__(self) -> None:
        if not (0 < self.width_mm < math.inf and 0 < self.height_mm < math.inf):
            raise OutOfRange(
                "a rectangle", f"must be above 0 mm both ways, not {self.width_mm:g} x {self.height_mm:g} mm"
            )
        if not (abs(self.x_mm) < math.inf and abs(self.y_mm) < math.inf):
            raise OutOfRange("a rectangle", "needs a place in mm")

    @property
    def right_mm(self) -> float:
        """Its right edge, [mm]."""
        return self.x_mm + self.width_mm

    @property
    def top_mm(self) -> float:
        """Its upper edge, [mm]."""
        return self.y_mm + self.height_mm

    @property
    def centre_mm(self) -> tuple[float, float]:
        """Its centre, [mm]."""
        return self.x_mm + self.width_mm / 2, self.y_mm + self.height_mm / 2

    def meets(self, other: Rect) -> bool:
        """Whether the two share more than an edge."""
        return (
            self.x_mm < other.right_mm - SLACK_MM
            and other.x_mm < self.right_mm - SLACK_MM
            and self.y_mm < other.top_mm - SLACK_MM
            and other.y_mm < self.top_mm - SLACK_MM
        )
