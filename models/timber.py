"""One tagged timber as the register knows it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from baulk.models.errors import OutOfRange
from baulk.models.section import Finished, Section

MOST_RADIUS_MM: Final = 5000.0  # of a heartwood, so that a slip of the unit is seen


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
    heartwood_mm : float, optional
        Radius of the heartwood about the pith, 0 for a timber all of sapwood; without one what is usual in
        the wood is the prior. [mm]
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
    heartwood_mm: float | None = None
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
        if self.heartwood_mm is not None and not 0 <= self.heartwood_mm <= MOST_RADIUS_MM:
            raise OutOfRange(
                "the radius of the heartwood", f"lies between 0 and 5 m, not {self.heartwood_mm:g} mm"
            )
        self.finished.inside(self.section)


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


Value = str | float | bool


class EventKind(StrEnum):
    """Kinds of events; `DETAILS` says what each carries."""

    ARRIVED = "arrived"
    MOVED = "moved"
    TURNED = "turned"
    END_SEALED = "end-sealed"
    COATED = "coated"
    STICKERED = "stickered"
    CUT = "cut"
    PLANED = "planed"
    KERFED = "kerfed"
    MEASURED = "measured"
    CHECKED = "checked"
    DEFECT = "defect"
    OVEN_DRIED = "oven-dried"
    TARED = "tared"
    SENSOR_ATTACHED = "sensor-attached"
    SENSOR_DETACHED = "sensor-detached"
    PHOTOGRAPHED = "photographed"
    SOURCED = "sourced"
    FITTED = "fitted"
    PRIMED = "primed"
    BEDDED = "bedded"
    LAUNCHED = "launched"
    EDITED = "edited"
    RETIRED = "retired"


# corners of a section by the two faces that meet there, and the details that tell of the wane at each
CORNERS: Final[tuple[str, ...]] = ("ab", "bc", "cd", "da")
WANE: Final[Mapping[str, tuple[str, str]]] = MappingProxyType(
    {corner: (f"wane_{corner}_mm", f"wane_{corner}_down_mm") for corner in CORNERS}
)

# what stands in `Event.detail`; a name with a question mark may be left out
DETAILS: Final[Mapping[EventKind, tuple[str, ...]]] = MappingProxyType(
    {
        EventKind.ARRIVED: ("place",),
        EventKind.MOVED: ("from", "to"),
        EventKind.TURNED: ("up",),  # the face that is up now
        EventKind.END_SEALED: (),
        # letters, for instance "ac"; "" takes the coat off; what it is of `COATS`, without one all
        EventKind.COATED: ("faces", "coat?"),
        EventKind.STICKERED: ("faces",),  # faces that lie on bearers or stickers; "" for none
        EventKind.CUT: ("length_mm", "weight_before_kg?", "weight_after_kg?"),  # what is left of it
        EventKind.PLANED: (
            "width_mm",
            "depth_mm",
            "weight_before_kg?",
            "weight_after_kg?",
            "from_width_mm?",
            "from_depth_mm?",
        ),
        # a relief kerf along its whole length, toward the heart; how wide the saw cut it
        EventKind.KERFED: ("face", "depth_mm", "width_mm?"),
        # size today, along a face (width: a or c, depth: b or d) or without one between the middles of faces,
        # so far from an end; curves and the rise of the fourth corner over that length; the worst hollow of a
        # face and corner; the deepest checks, the widest wane along a face, or at each corner so far across
        # the width and down the depth (as far as across where that is left out)
        EventKind.MEASURED: (
            "width_mm?",
            "depth_mm?",
            "face?",
            "from_end_mm?",
            "bow_mm?",
            "crook_mm?",
            "twist_mm?",
            "length_mm?",
            "cup_mm?",
            "out_of_square_mm?",
            "check_mm?",
            "wane_mm?",
            *(f"{name}?" for names in WANE.values() for name in names),
        ),
        # one opening as it is on that day: which of `OPENINGS`, its name where a face has several, since when
        EventKind.CHECKED: (
            "face?",
            "opening?",
            "name?",
            "length_mm?",
            "width_mm?",
            "depth_mm?",
            "from_end_mm?",
            "since?",
            "from_d_mm?",  # where it opens, from face d along face a or c, from face a along face b or d
            "from_a_mm?",
        ),
        # one of `DEFECTS` in the section: its edges nearest to faces d and a, how wide and how deep it is
        EventKind.DEFECT: ("what", "from_d_mm", "from_a_mm", "width_mm", "depth_mm", "name?", "from_end_mm?"),
        EventKind.OVEN_DRIED: ("mc_pct", "from_end_mm?"),  # whole section, oven-dry method
        EventKind.TARED: ("tare_kg",),  # taken off every later weight until the next one
        EventKind.SENSOR_ATTACHED: ("sensor", "depth_mm?", "face?", "from_end_mm?"),
        EventKind.SENSOR_DETACHED: ("sensor",),
        EventKind.PHOTOGRAPHED: ("file",),
        # where it comes from and what it is meant for; what is named later replaces what was named before
        EventKind.SOURCED: ("supplier?", "log?", "lot?", "felled?", "grade?", "cost?", "part?", "vessel?"),
        EventKind.FITTED: (),
        EventKind.PRIMED: (),
        EventKind.BEDDED: (),  # in bedding compound, in its final place
        EventKind.LAUNCHED: (),  # the vessel, or the frame stood up out of doors
        EventKind.EDITED: ("field", "old", "new"),
        EventKind.RETIRED: ("reason?",),
    }
)

# kinds that say nothing of how a timber dries
UNTOLD: Final = frozenset({
    EventKind.EDITED, EventKind.PHOTOGRAPHED, EventKind.SOURCED, EventKind.DEFECT,
    EventKind.FITTED, EventKind.PRIMED, EventKind.BEDDED, EventKind.LAUNCHED,
})  # fmt: skip
# stages of a finished piece: what comes before each as a rule (common practice, no source); a piece is
# primed before it is fitted or after it, but no more once it lies in its bedding compound
BEFORE: Final[Mapping[EventKind, tuple[EventKind, ...]]] = MappingProxyType(
    {
        EventKind.FITTED: (),
        EventKind.PRIMED: (),
        EventKind.BEDDED: (EventKind.FITTED,),
        EventKind.LAUNCHED: (EventKind.FITTED,),
    }
)
# and what none of them comes after
AFTER: Final[Mapping[EventKind, tuple[EventKind, ...]]] = MappingProxyType(
    {
        EventKind.FITTED: (EventKind.BEDDED, EventKind.LAUNCHED),
        EventKind.PRIMED: (EventKind.BEDDED, EventKind.LAUNCHED),
        EventKind.BEDDED: (EventKind.LAUNCHED,),
        EventKind.LAUNCHED: (),
    }
)
# kinds that a message may tell: what is seen, measured or done with a timber where it lies or is built in;
# no other
BY_MESSAGE: Final = frozenset({
    EventKind.MEASURED, EventKind.CHECKED, EventKind.DEFECT, EventKind.KERFED, EventKind.COATED,
    EventKind.END_SEALED, EventKind.FITTED, EventKind.PRIMED, EventKind.BEDDED, EventKind.LAUNCHED,
})  # fmt: skip
# kinds after which another section may come out of the timber
CHANGES_SIZE: Final = frozenset({EventKind.PLANED, EventKind.CUT, EventKind.MEASURED, EventKind.CHECKED})

WRAP: Final = "wrap"
COATS: Final = ("coat", "wax", WRAP)  # paint or sealer, wax, film; a coat that nobody named is the first
# a check runs across rings from a face, a shake along a ring, a split goes through from face to face
OPENINGS: Final = ("check", "shake", "split")
# what no piece may hold, seen in the section
DEFECTS: Final = ("knot", "shake", "rot")


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One dated change of one timber.

    Parameters
    ----------
    tag : str
        Which timber.
    kind : EventKind
        What happened.
    at_utc : datetime
        When it happened, with a time zone.
    detail : mapping
        As `DETAILS` says; lengths in mm, masses in kg, moisture in % of oven-dry mass.
    by : str
        Who did or noted it; may be empty.
    note : str
        Free words.
    number : int
        Names the row in the register; 0 before it is stored.
    noted_utc : datetime, optional
        When it was written down.
    undone_utc : datetime, optional
        When it was taken back; an undone event no longer counts.
    undone_by : str
        Who took it back.

    Raises
    ------
    OutOfRange
        If a detail is missing or not known, or a time has no zone.
    """

    tag: str
    kind: EventKind
    at_utc: datetime
    detail: Mapping[str, Value] = field(default_factory=dict)
    by: str = ""
    note: str = ""
    number: int = 0
    noted_utc: datetime | None = None
    undone_utc: datetime | None = None
    undone_by: str = ""

    def __post_init__(self) -> None:
        if self.at_utc.tzinfo is None:
            raise OutOfRange("the time of an event", "needs a time zone")
        needed = {name for name in DETAILS[self.kind] if not name.endswith("?")}
        known = {name.rstrip("?") for name in DETAILS[self.kind]}
        if missing := sorted(needed - self.detail.keys()):
            raise OutOfRange(f"an event of kind {self.kind.value}", f"needs {', '.join(missing)}")
        if extra := sorted(self.detail.keys() - known):
            raise OutOfRange(
                f"an event of kind {self.kind.value}",
                f"does not know {', '.join(extra)}; known: {', '.join(sorted(known)) or 'nothing'}",
            )

    @property
    def counts(self) -> bool:
        """Whether it has not been taken back."""
        return self.undone_utc is None

    def halves_off_mm(self) -> tuple[float, float]:
        """Return what a planing took off either face, in mm: across the width, down the depth.

        A side that stayed is not noted. Equal on opposite faces: common practice, no source.
        """
        across, down = (
            (float(self.detail[f"from_{side}_mm"]) - float(self.detail[f"{side}_mm"])) / 2
            if f"from_{side}_mm" in self.detail
            else 0.0
            for side in ("width", "depth")
        )
        return across, down


def entered_as(timber: Timber, events: Iterable[Event]) -> str:
    """Return the tag that a timber was entered with, which no correction of it changes.

    Parameters
    ----------
    timber : Timber
        As it stands.
    events : iterable of Event
        Its events, in any order.

    Returns
    -------
    str
        Its tag where that was never corrected.
    """
    changed = [
        each
        for each in events
        if each.kind is EventKind.EDITED and each.counts and each.detail["field"] == "tag"
    ]
    first = min(changed, key=lambda each: (each.at_utc, each.number), default=None)
    return timber.tag if first is None else str(first.detail["old"])


def sealed_utc(timber: Timber, events: Iterable[Event]) -> datetime | None:
    """Return since when both ends of a timber are sealed.

    Parameters
    ----------
    timber : Timber
        As it stands in the register, which knows of its arrival.
    events : iterable of Event
        Its events, in any order; ends that were sealed later are one of them.

    Returns
    -------
    datetime or None
        Its arrival, or when they were sealed first, with a time zone; None where they are bare.
    """
    if timber.ends_sealed:
        return timber.arrived_utc
    sealed = [each.at_utc for each in events if each.kind is EventKind.END_SEALED and each.counts]
    return min(sealed, default=None)
