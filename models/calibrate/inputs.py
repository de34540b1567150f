"""What a timber is fitted to, apart from its readings: its history and the meters that read it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from baulk.models import end_grain, sorption
from baulk.models.air import AirSeries
from baulk.models.constants import DAY_S
from baulk.models.diffusion import DiffusionLaw
from baulk.models.drying.layout import air_gaps
from baulk.models.errors import OutOfRange
from baulk.models.face_cover import Covers, FaceCover, Schedule
from baulk.models.meter.profile import Corrections
from baulk.models.openings import as_sawn
from baulk.models.reason import Reason, Value
from baulk.models.section import Face, Finished, Kerf, Section
from baulk.models.species import BUILT_IN, Species, SpeciesTable
from baulk.models.timber import COATS, WRAP, Event, EventKind, Timber

__all__ = [
    "DAY_S",
    "GAP_S",
    "MOST_GAPS",
    "SAME_MM",
    "FitInputs",
    "History",
    "Stretch",
    "history",
    "mean_emc_pct",
]


GAP_S: Final = 3 * DAY_S  # shorter ones change no timber
MOST_GAPS: Final = 8  # the longest ones; each costs the drying model a fresh start
JUST_S: Final = 60.0  # before now: a kerf that is planned
SAME_MM: Final = 0.6  # a thirty-second of an inch either way: two sizes are the same
_OPPOSITE: Final = {Face.A: Face.C, Face.B: Face.D, Face.C: Face.A, Face.D: Face.B}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A time in which the section stays and the air is either measured or not.

    Parameters
    ----------
    begin_s, end_s : float
        From and to. [s]
    section : Section
        The section then. [mm]
    silent : bool
        Whether nobody measured the air.
    """

    begin_s: float
    end_s: float
    section: Section
    silent: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """What happened to a timber between its arrival and now.

    Parameters
    ----------
    stretches : tuple of Stretch
        Without a gap, the oldest first, at least one.
    faces : sequence of (float, mapping)
        Covers as `baulk.models.drying.solver.dry` takes them.
    sealed : bool
        Whether the ends were coated before they had dried.
    events : tuple of Event
        Those that count, up to now, the oldest first.
    said : tuple of Reason
        What the fit had to assume.
    """

    stretches: tuple[Stretch, ...]
    faces: Schedule
    sealed: bool
    events: tuple[Event, ...]
    said: tuple[Reason, ...]

    @property
    def section(self) -> Section:
        """The section now, in mm."""
        return self.stretches[-1].section

    @property
    def covers(self) -> Covers | None:
        """What lies on the faces now; None where all are bare."""
        last = self.faces[-1][1] if self.faces else {}
        return last if any(each is not FaceCover.EXPOSED for each in last.values()) else None

    def section_at(self, posix_s: float) -> Section:
        """Section at a moment, in mm; at the moment of planing the one before it."""
        return next((each.section for each in self.stretches if posix_s <= each.end_s), self.section)

    def kind(self, kind: EventKind) -> tuple[Event, ...]:
        """Events of one kind."""
        return tuple(each for each in self.events if each.kind is kind)


def history(  # noqa: PLR0913 - a timber, its events, its air and their window
    timber: Timber,
    events: Sequence[Event],
    air: AirSeries,
    *,
    start_s: float,
    now_s: float,
    gaps: Sequence[tuple[float, float]] = (),
) -> History:
    """Lay out what happened to a timber.

    Parameters
    ----------
    timber : Timber
        As it stands now in the register.
    events : sequence of Event
        Any of its events, in any order.
    air : AirSeries
        Its air; stretches of more than three days without a reading are gaps.
    start_s, now_s : float
        Arrival and now. [s]
    gaps : sequence of (float, float)
        Further stretches in which nobody measured the air, though `air` holds values for them. [s]

    Returns
    -------
    History
        Its section, faces and ends over time.
    """
    mine = sorted(
        (each for each in events if each.counts and each.at_utc.timestamp() <= now_s + 600),
        key=lambda each: (each.at_utc, each.number),
    )
    sections, said = _sections(timber, mine, start_s, now_s)
    silent = _merged([*air_gaps(air, longer_than_s=GAP_S), *gaps], start_s, now_s)
    return History(
        stretches=_stretches(sections, silent, start_s, now_s),
        faces=_faces(mine, start_s),
        sealed=end_grain.as_dried(timber, mine).ends_sealed,
        events=tuple(mine),
        said=(*said, *_unmeasured(silent)),
    )


def _same(section: Section, width_mm: float, depth_mm: float) -> bool:
    return abs(section.width_mm - width_mm) < SAME_MM and abs(section.depth_mm - depth_mm) < SAME_MM


def _sections(
    timber: Timber, events: Sequence[Event], start_s: float, now_s: float
) -> tuple[list[tuple[float, Section]], list[Reason]]:
    """Section from each moment on; planing takes alike off opposite faces, so that the pith stays.

    A kerf counts from the day on which it was sawn; a check that opens the heart from the start, for it dries
    nothing and opened when nobody looked.
    """
    changed = [each for each in events if each.kind in {EventKind.PLANED, EventKind.KERFED}]
    changed = [each for each in changed if each.at_utc.timestamp() < now_s]
    planed = [each for each in changed if each.kind is EventKind.PLANED and start_s < each.at_utc.timestamp()]
    found = [(start_s, _before_the_saw(timber.section))]
    said: list[Reason] = []
    first = planed[0].detail if planed else {}
    if "from_width_mm" in first or "from_depth_mm" in first:  # what stayed is not noted
        width, depth = (float(first.get(f"from_{name}", first[name])) for name in ("width_mm", "depth_mm"))
        found = [(start_s, replace(found[0][1], width_mm=width, depth_mm=depth))]
    for each in changed:
        at_s = max(each.at_utc.timestamp(), start_s)
        if each.kind is EventKind.KERFED:
            found.append((at_s, _kerfed(found[-1][1], each)))
            continue
        if each not in planed:
            continue
        size = Finished(width_mm=float(each.detail["width_mm"]), depth_mm=float(each.detail["depth_mm"]))
        before = found[-1][1]
        if _same(before, size.width_mm, size.depth_mm):
            said.append(_planed("calibration.size_before_unknown", each, size))
            continue
        try:
            found.append((at_s, size.inside(before)))
        except OutOfRange:
            said.append(_planed("calibration.planing_not_counted", each, size, before))
            continue
        said.append(_planed("calibration.planed", each, size, before))
    if _is_planned(timber.section.kerf, found[-1][1]):
        found.append((max(start_s, now_s - JUST_S), replace(found[-1][1], kerf=timber.section.kerf)))
    return found, said


def _before_the_saw(section: Section) -> Section:
    """Return the section without a sawn kerf."""
    return replace(section, kerf=None) if section.kerf is not None and section.kerf.sawn else section


def _is_planned(kerf: Kerf | None, section: Section) -> bool:
    """Whether a timber's kerf is one of which no event up to now tells: it dries nothing yet."""
    if kerf is None or not kerf.sawn or not kerf.depth_mm < section.size_mm(kerf.face):
        return False
    told = section.kerf
    return (
        told is None
        or (told.face, told.width_mm) != (kerf.face, kerf.width_mm)
        or abs(told.depth_mm - kerf.depth_mm) > SAME_MM
    )


def _kerfed(section: Section, event: Event) -> Section:
    kerf = as_sawn(event.detail)
    return replace(section, kerf=kerf) if kerf.depth_mm < section.size_mm(kerf.face) else section


def _planed(code: str, event: Event, size: Finished, before: Section | None = None) -> Reason:
    told: dict[str, Value] = {
        "planed_utc": event.at_utc,
        "width_mm": size.width_mm,
        "depth_mm": size.depth_mm,
    }
    if before is not None:
        told |= {"from_width_mm": before.width_mm, "from_depth_mm": before.depth_mm}
    return Reason(code=code, values=told)


def _faces(events: Sequence[Event], start_s: float) -> list[tuple[float, dict[Face, FaceCover]]]:
    """Covers of the faces; a coat outdoes a bearer, film both; a turned timber lies on its new underside."""
    coated: dict[str, set[Face]] = {}  # by what it is
    lying: set[Face] = set()
    found: dict[float, dict[Face, FaceCover]] = {}
    for each in events:
        if each.kind is EventKind.COATED:
            faces = {Face(letter) for letter in str(each.detail["faces"]).lower() if letter in "abcd"}
            coat = str(each.detail.get("coat", ""))
            if not coat:  # of a coat that nobody named: all that there is
                coated = {}
            coated[coat or COATS[0]] = faces
        elif each.kind is EventKind.STICKERED:
            lying = {Face(letter) for letter in str(each.detail["faces"]).lower() if letter in "abcd"}
        elif each.kind is EventKind.TURNED and len(lying) == 1:
            lying = {_OPPOSITE[Face(str(each.detail["up"]).lower())]}
        else:
            continue
        covers = dict.fromkeys(Face, FaceCover.EXPOSED)
        covers |= dict.fromkeys(lying, FaceCover.ON_BEARERS)
        for coat, faces in coated.items():
            if coat != WRAP:
                covers |= dict.fromkeys(faces, FaceCover.COATED)
        covers |= dict.fromkeys(coated.get(WRAP, ()), FaceCover.WRAPPED)
        found[max(each.at_utc.timestamp(), start_s)] = covers
    return sorted(found.items())


def _merged(gaps: Sequence[tuple[float, float]], start_s: float, now_s: float) -> list[tuple[float, float]]:
    """Return the longest gaps inside the window, joined where they overlap, in order of time."""
    joined: list[tuple[float, float]] = []
    for first, last in sorted((max(a, start_s), min(b, now_s)) for a, b in gaps):
        if last - first < GAP_S:
            continue
        if joined and first <= joined[-1][1] + DAY_S:
            joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
        else:
            joined.append((first, last))
    return sorted(sorted(joined, key=lambda gap: gap[0] - gap[1])[:MOST_GAPS])


def _unmeasured(silent: Sequence[tuple[float, float]]) -> list[Reason]:
    if not silent:
        return []
    days = sum(last - first for first, last in silent) / DAY_S
    return [Reason(code="calibration.air_not_measured", values={"gaps": len(silent), "days": days})]


def _stretches(
    sections: Sequence[tuple[float, Section]],
    silent: Sequence[tuple[float, float]],
    start_s: float,
    now_s: float,
) -> tuple[Stretch, ...]:
    marks = {start_s, *(at_s for at_s, _ in sections), *(end for gap in silent for end in gap)}
    begins = sorted(each for each in marks if start_s <= each < now_s) or [start_s]
    found = []
    for begin, end in zip(begins, [*begins[1:], now_s], strict=True):
        middle = (begin + end) / 2
        found.append(
            Stretch(
                begin_s=begin,
                end_s=end,
                section=[section for at_s, section in sections if at_s <= begin][-1],
                silent=any(first <= middle < last for first, last in silent),
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class FitInputs:
    """Everything that a fit of one timber looks at but its readings.

    Parameters
    ----------
    timber, species : Timber and Species
        The timber as it stands, and its wood.
    law : DiffusionLaw
        The species' law, which the members depart from.
    past : History
        What happened to it: sections, faces, ends, gaps in the air.
    air : AirSeries
        Its air; stands in for a wood temperature that nobody measured.
    emc_pct : float
        Mean EMC of that air since its arrival. [%]
    corrections : sequence of MeterSetting
        The shop's meters.
    start_s, now_s : float
        Arrival and now. [s]
    known_species : SpeciesTable
        Woods among which one is looked for that would explain an impossible weight.
    threads : int or None
        The most that the drying model may use, at least 1; None for every core.
    """

    timber: Timber
    species: Species
    law: DiffusionLaw
    past: History
    air: AirSeries
    emc_pct: float
    corrections: Corrections
    start_s: float
    now_s: float
    known_species: SpeciesTable = BUILT_IN
    threads: int | None = None


def mean_emc_pct(air: AirSeries, first_s: float, last_s: float) -> float:
    """Return the mean EMC of the air between two moments, or of the nearest reading, [%]."""
    low = max(int(np.searchsorted(air.posix_s, first_s, side="right")) - 1, 0)
    high = max(int(np.searchsorted(air.posix_s, last_s, side="right")), low + 1)
    return float(np.mean(sorption.emc_of_air_pct(air)[low:high]))
