"""Wane as it lies on a log: a bevel across a corner of the section, not a square notch."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.section import Face, Section

SLACK_MM: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Bevel:
    """A corner that is off along a straight line from one face to the other.

    Parameters
    ----------
    x_mm, y_mm : float
        The corner as it would be, in the section's axes. [mm]
    right, up : bool
        Whether it is a right and an upper corner.
    across_mm, down_mm : float
        How far it reaches along the width and along the depth, above 0. [mm]
    """

    x_mm: float
    y_mm: float
    right: bool
    up: bool
    across_mm: float
    down_mm: float

    def __post_init__(self) -> None:
        if not (0 < self.across_mm < math.inf and 0 < self.down_mm < math.inf):
            raise OutOfRange(
                "wane", f"must reach more than 0 mm both ways, not {self.across_mm:g} x {self.down_mm:g} mm"
            )

    @property
    def ends_mm(self) -> tuple[tuple[float, float], tuple[float, float]]:
        """Where its line leaves the two faces, [mm]."""
        return (
            (self.x_mm + (-self.across_mm if self.right else self.across_mm), self.y_mm),
            (self.x_mm, self.y_mm + (-self.down_mm if self.up else self.down_mm)),
        )

    @property
    def corner(self) -> str:
        """Letters of the two faces that meet there."""
        return {(True, True): "ab", (True, False): "bc", (False, False): "cd", (False, True): "da"}[
            self.right, self.up
        ]

    def cuts(self, left_mm: float, low_mm: float, right_mm: float, top_mm: float) -> bool:
        """Whether a rectangle reaches beyond the line: its nearest corner decides. [mm]."""
        in_x = self.x_mm - right_mm if self.right else left_mm - self.x_mm
        in_y = self.y_mm - top_mm if self.up else low_mm - self.y_mm
        return in_x / self.across_mm + in_y / self.down_mm < 1 - SLACK_MM

    def edge_x_mm(self, edge_y_mm: float) -> float:
        """Return the x of the piece's side next to the corner when its other side lies at that y. [mm]."""
        in_y = self.y_mm - edge_y_mm if self.up else edge_y_mm - self.y_mm
        in_x = max(self.across_mm * (1 - in_y / self.down_mm), 0.0)
        return self.x_mm - in_x if self.right else self.x_mm + in_x

    def edge_y_mm(self, edge_x_mm: float) -> float:
        """Return the y of the piece's side next to the corner when its other side lies at that x. [mm]."""
        in_x = self.x_mm - edge_x_mm if self.right else edge_x_mm - self.x_mm
        in_y = max(self.down_mm * (1 - in_x / self.across_mm), 0.0)
        return self.y_mm - in_y if self.up else self.y_mm + in_y

    def planed(self, mm: float) -> Bevel | None:
        """Return what is left of it for a piece whose faces are planed by so much afterwards; None: nothing.

        A piece may carry wane on its corner that the plane takes off. [mm]
        """
        left = 1 - mm / self.across_mm - mm / self.down_mm
        if left <= SLACK_MM:
            return None
        return Bevel(
            x_mm=self.x_mm,
            y_mm=self.y_mm,
            right=self.right,
            up=self.up,
            across_mm=self.across_mm * left,
            down_mm=self.down_mm * left,
        )


def wane(section: Section, corner: str, along_mm: tuple[float, float]) -> Bevel:
    """Wane at a corner.

    Parameters
    ----------
    section : Section
        The section. [mm]
    corner : str
        The two faces that meet there, such as "ab".
    along_mm : (float, float)
        How far it reaches across the width and down the depth. [mm]

    Returns
    -------
    Bevel
        In the section's axes. [mm]

    Raises
    ------
    OutOfRange
        If the two letters are no corner, or it would take the whole of a face.

    References
    ----------
    Geometry; no source needed.
    """
    faces = set(corner.strip().lower())
    if len(faces) != 2 or not (faces & {"a", "c"} and faces & {"b", "d"}):
        raise OutOfRange("a corner", f"is ab, bc, cd or da, not {corner!r}")
    across, down = along_mm
    if across > section.width_mm or down > section.depth_mm:
        raise OutOfRange(
            f"wane at corner {corner}",
            f"of {across:.0f} x {down:.0f} mm reaches beyond the section's {section.width_mm:.0f} x "
            f"{section.depth_mm:.0f} mm",
        )
    right, up = Face.B.value in faces, Face.A.value in faces
    return Bevel(
        x_mm=section.width_mm / 2 if right else -section.width_mm / 2,
        y_mm=section.depth_mm / 2 if up else -section.depth_mm / 2,
        right=right,
        up=up,
        across_mm=across,
        down_mm=down,
    )
