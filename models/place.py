"""A place that timbers lie in: a room or a shed with its air, and where its bearers and racks stand."""

from __future__ import annotations

from dataclasses import dataclass

from baulk.models.errors import OutOfRange


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A place with air of its own.

    Parameters
    ----------
    name : str
        As in topics and on timbers.
    kind : str
        "shed", "room", "yard", "bearers" or "rack".
    x_m, y_m, width_m, depth_m : float, optional
        Where it lies on the yard's own plan. [m]
    volume_m3 : float, optional
        Air in the room, for water balances. [m3]
    air_changes_per_h : float, optional
        Ventilation as known; learned from the readings when left out. [1/h]
    note : str
        Free words.
    """

    name: str
    kind: str = "shed"
    x_m: float | None = None
    y_m: float | None = None
    width_m: float | None = None
    depth_m: float | None = None
    volume_m3: float | None = None
    air_changes_per_h: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        for name in ("width_m", "depth_m", "volume_m3", "air_changes_per_h"):
            value = getattr(self, name)
            if value is not None and not 0 < value < 1e6:
                raise OutOfRange(f"{name} of {self.name}", f"must be above 0, not {value:g}")
