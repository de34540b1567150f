"""Everything that an evaluation needs and nothing else: no store, no settings, no table of the process."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime, tzinfo
from typing import Final
from weakref import WeakKeyDictionary

import numpy as np

from baulk.ingest.evaluation import climate, fingerprint
from baulk.ingest.evaluation.climate import Season
from baulk.ingest.wire.zone import zone_of
from baulk.models import digest
from baulk.models.air import AirSeries
from baulk.models.allowance.bend import Seen
from baulk.models.columns import Columns
from baulk.models.constants import DAY_S
from baulk.models.known_readings import KnownReadings
from baulk.models.meter.profile import MeterSetting
from baulk.models.reason import Reason
from baulk.models.species import Species
from baulk.models.surface.margin import UnderTold
from baulk.models.timber import Event, Timber
from baulk.models.units import System
from baulk.models.use_class import UseClass
from baulk.models.woods import Woods
from baulk.models.yard.prior import YardPrior

MEMBERS: Final = 64
HORIZON_DAYS: Final = 730
_SETTLED: Final[WeakKeyDictionary[AirSeries, tuple[float, str]]] = WeakKeyDictionary()


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
    zone : str or None
        Name of the shop's time zone, by whose clock sentences tell moments; None is the machine's.
    probability : float
        How sure a verdict has to be.
    build_days : float
        From squaring to service. [d]
    members : int
        Size of the ensemble.
    horizon_days : int
        How far to look. [d]
    meters : tuple of MeterSetting
        How the shop's meters are to be read.
    """

    units: System = "metric"
    zone: str | None = None
    probability: float = 0.9
    build_days: float = 365.0
    members: int = MEMBERS
    horizon_days: int = HORIZON_DAYS
    meters: tuple[MeterSetting, ...] = ()

    @property
    def clock(self) -> tzinfo | None:
        """The zone itself, as `datetime.astimezone` takes it."""
        return None if self.zone is None else zone_of(self.zone)


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
    woods : Woods
        What else the shop knows: other uses that the timber could be for, woods that its weight would fit.
    known : KnownReadings
        Of the timber, known by now.
    events : tuple of Event
        Of the timber up to now, those that count, oldest first.
    stays : tuple of Stay
        Where it lay, oldest first, at least one; the last is where it lies.
    elsewhere : tuple of (str, Season)
        Other places of the shop whose air was measured, for a squared piece to be moved to; not in the
        fingerprint, so that the air of one place does not make the timbers of all others stale.
    wish : Wish
        Settings.
    previous : str or None
        Step of the verdict before.
    under : UnderTold or None
        How far its checking margin told too little, by what was seen of its checks.
    swap : Reason or None
        What was found across the yard about its tag.
    yard : YardPrior or None
        What the other timbers of the yard have taught; None where nothing, or where it is switched off.
    now_utc : datetime
        Now, with a time zone.
    curves : tuple of Seen
        Bow and crook that were measured on timbers of the shop of the same wood.
    fit : bytes or None
        The fit before, as `baulk.ingest.evaluation.fit_store` wrote it, to go on from; None asks for a whole
        one.
    """

    timber: Timber
    wood: Species
    use: UseClass
    woods: Woods
    known: KnownReadings
    events: tuple[Event, ...] = ()
    stays: tuple[Stay, ...]
    elsewhere: tuple[tuple[str, Season], ...] = ()
    wish: Wish
    previous: str | None = None
    under: UnderTold | None = None
    swap: Reason | None = None
    yard: YardPrior | None = None
    now_utc: datetime
    curves: tuple[Seen, ...] = ()
    fit: bytes | None = None

    @property
    def readings(self) -> Columns:
        """Its readings as a fit looks at them."""
        return self.known.columns

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

    @property
    def spread(self) -> float:
        """Factor on the width of the forecast that earlier ones have taught."""
        return 1.0 if self.yard is None else self.yard.spread

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

    def air_gaps(self) -> tuple[tuple[float, float], ...]:
        """Give the stretches of more than three days in which nobody measured its air, POSIX seconds."""
        found: list[tuple[float, float]] = []
        for stay, end in self.stretches():
            at_s = np.zeros(0) if stay.own is None else stay.own.posix_s
            at_s = at_s[(at_s > stay.since_s) & (at_s < end)]
            marks = np.concatenate([[stay.since_s], at_s, [end]])
            found += [(marks[i], marks[i + 1]) for i in np.flatnonzero(np.diff(marks) > climate.GAP_S)]
        return tuple((float(first), float(last)) for first, last in found)

    def fingerprint(self) -> str:
        """Short text of everything that the answer is made from.

        What changes it: a reading, an event, an edit of the timber, a setting, the climate, the row of the
        species or of the use, the code of the models, and each midnight UTC that air of its place has passed.
        What does not: the present moment, the air since midnight, the air of other places, and the verdict
        and the fit before, which are answers themselves. So a timber whose sensors and air are silent keeps
        its fingerprint, and who wants its dates counted from today asks after a while all the same
        (`baulk.ingest.evaluation.batch` does after a week).
        """
        midnight_s = self.now_s // DAY_S * DAY_S
        seen = ("now_utc", "previous", "fit", "known", "events", "stays", "elsewhere")
        return fingerprint.of(
            {each.name: getattr(self, each.name) for each in fields(self) if each.name not in seen},
            self.known.digests(),
            fingerprint.events(self.events),
            tuple((stay.place, stay.year, _settled(stay.own, midnight_s)) for stay in self.stays),
        )


def up_to(air: AirSeries | None, end_s: float) -> AirSeries | None:
    """Cut a record off.

    Parameters
    ----------
    air : AirSeries or None
        The record.
    end_s : float
        Last moment that stays, POSIX seconds. [s]

    Returns
    -------
    AirSeries or None
        None where nothing is left.
    """
    if air is None:
        return None
    count = int(np.searchsorted(air.posix_s, end_s, side="right"))
    if count == 0:
        return None
    if count == air.posix_s.size:
        return air
    return AirSeries(posix_s=air.posix_s[:count], temp_c=air.temp_c[:count], rh_pct=air.rh_pct[:count])


def _settled(air: AirSeries | None, end_s: float) -> str | None:
    """Return the digest of a record up to a moment; timbers of one place share it, and ask one by one."""
    if air is None:
        return None
    kept = _SETTLED.get(air)
    if kept is None or kept[0] != end_s:
        kept = _SETTLED[air] = end_s, digest.of(up_to(air, end_s))
    return kept[1]
