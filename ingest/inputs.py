"""Everything that an evaluation needs and nothing else: no store, no settings, no table of the process."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from baulk.ingest import climate
from baulk.ingest.climate import Season
from baulk.models.air import AirSeries
from baulk.models.event import Event
from baulk.models.reading import Reading
from baulk.models.species import Species
from baulk.models.timber import Timber
from baulk.models.units import System
from baulk.models.use_class import UseClass

MEMBERS: Final = 64
HORIZON_DAYS: Final = 730
DAY_S: Final = 86_400.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stay:
    """A stretch of a timber's life in one place.

    Parameters
    ----------
    place : str
        Where.
    since_s : float
        From when; the next stay or the present ends it, POSIX seconds. [s]
    own : AirSeries or None
        The place's own record up to the present.
    year : Season
        What stands in where the record is silent, and what is to be expected.
    """

    place: str
    since_s: float
    own: AirSeries | None
    year: Season


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What the person has set.

    Parameters
    ----------
    units : {"inch", "metric"}
        Of the sentences.
    probability : float
        How sure a verdict has to be.
    build_days : float
        From squaring to service. [d]
    members : int
        Size of the ensemble.
    horizon_days : int
        How far to look. [d]
    """

    units: System = "metric"
    probability: float = 0.9
    build_days: float = 365.0
    members: int = MEMBERS
    horizon_days: int = HORIZON_DAYS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inputs:
    """Everything that one evaluation needs.

    Parameters
    ----------
    timber : Timber
        The timber.
    wood : Species
        Its species, resolved.
    use : UseClass
        Its use, resolved.
    readings : tuple of Reading
        Of the timber, known by now.
    events : tuple of Event
        Of the timber up to now, those that count, oldest first.
    stays : tuple of Stay
        Where it lay, oldest first, at least one; the last is where it lies.
    wish : Wish
        Settings.
    previous : str or None
        Step of the verdict before.
    now_utc : datetime
        Now, with a time zone.
    """

    timber: Timber
    wood: Species
    use: UseClass
    readings: tuple[Reading, ...]
    events: tuple[Event, ...] = ()
    stays: tuple[Stay, ...]
    wish: Wish
    previous: str | None = None
    now_utc: datetime

    @property
    def now_s(self) -> float:
        """Now, POSIX seconds."""
        return self.now_utc.timestamp()

    @property
    def since_s(self) -> float:
        """Its arrival, or now for one that is still to come, POSIX seconds."""
        return min(self.timber.arrived_utc.timestamp(), self.now_s)

    @property
    def here(self) -> Stay:
        """Where it lies."""
        return self.stays[-1]

    def stretches(self) -> tuple[tuple[Stay, float], ...]:
        """Give every stay with the moment it ended, POSIX seconds."""
        ends = (*(stay.since_s for stay in self.stays[1:]), self.now_s)
        return tuple(zip(self.stays, ends, strict=True))

    def air_past(self) -> AirSeries:
        """Air that the timber has lain in since it came: of each place for its time there."""
        parts = [
            climate.past(stay.own, stay.year, since_s=stay.since_s, now_s=end)
            for stay, end in self.stretches()
        ]
        at_s = np.concatenate([part.posix_s for part in parts])
        keep = np.append(at_s[:-1] < np.minimum.accumulate(at_s[::-1])[::-1][1:], True)
        return AirSeries(
            posix_s=at_s[keep],
            temp_c=np.concatenate([part.temp_c for part in parts])[keep],
            rh_pct=np.concatenate([part.rh_pct for part in parts])[keep],
        )
