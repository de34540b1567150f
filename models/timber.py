"""One tagged timber as the register knows it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from baulk.models.errors import OutOfRange
from baulk.models.section import Finished, Section


@dataclass(frozen=True, slots=True, kw_only=True)
class Timber:
    """A piece of wood with a tag.

    Parameters
    ----------
    tag : str
        The code fixed to it on arrival.
    species : str
        Name in the species table.
    section : Section
        Green section with pith. [mm]
    length_mm : float
        Length along the grain, above 0. [mm]
    finished : Finished
        The squared piece wanted from it. [mm]
    use_class : str
        Name in the use class table: where the piece will live.
    place : str
        Whose air it lies in.
    arrived_utc : datetime
        When it was set on its bearers, with a time zone.
    ends_sealed : bool
        Whether both ends were coated on arrival.
    green_mc_pct : float, optional
        Moisture content from an oven-dry section cut on arrival; without one the species' table value
        is the prior. [% of oven-dry mass]
    retired_utc : datetime, optional
        When it left the shop or went into its place, with a time zone; it is no longer worked out.
    """

    tag: str
    species: str
    section: Section
    length_mm: float
    finished: Finished
    use_class: str
    place: str
    arrived_utc: datetime
    ends_sealed: bool = False
    green_mc_pct: float | None = None
    retired_utc: datetime | None = None

    def __post_init__(self) -> None:
        if not 0 < self.length_mm < float("inf"):
            raise OutOfRange("the length", f"must be above 0 mm, not {self.length_mm:g}")
        if self.arrived_utc.tzinfo is None:
            raise OutOfRange("the arrival time", "needs a time zone")
        if self.retired_utc is not None and self.retired_utc.tzinfo is None:
            raise OutOfRange("the time of retiring", "needs a time zone")
        if self.green_mc_pct is not None and not 0 < self.green_mc_pct < 400:
            raise OutOfRange(
                "the green moisture content", f"lies between 0 and 400 %, not {self.green_mc_pct:g}"
            )
        self.finished.inside(self.section)
