"""What happened to timbers, from a file of `baulk export events`, entered with the timbers themselves.

A file of timbers gives them as they are now. With their events they are entered as they arrived, which
stands in the row of the arrival, and every move, cut and coat follows at its own time; otherwise a timber
would have lain since its arrival where it lies today, and its forecast would be another one.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, tzinfo
from typing import Any, Final

from baulk.ingest import operations
from baulk.ingest.errors import NoSuchHour, RegisterError
from baulk.ingest.exchange.csv_file import Row, Source, folded, open_sheet
from baulk.ingest.register import renaming
from baulk.ingest.register.tables import FIELDS, columns, timber_of
from baulk.ingest.shop import Shop
from baulk.ingest.wire.zone import written
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.timber import DETAILS, Event, EventKind, Timber

_NEEDED: Final = frozenset({"tag", "kind", "at", "detail"})
_REFUSALS: Final = (OutOfRange, NotFound, RegisterError)
_TOLD_BY_REGISTER: Final = frozenset({"from", "old", "from_width_mm", "from_depth_mm"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """What became of the events of a timber.

    Parameters
    ----------
    entered, known : int
        How many are new, and how many were there.
    refused : tuple of str
        Sentences.
    """

    entered: int = 0
    known: int = 0
    refused: tuple[str, ...] = ()

    def plus(self, other: Entered) -> Entered:
        """Return both together."""
        return Entered(
            entered=self.entered + other.entered,
            known=self.known + other.known,
            refused=self.refused + other.refused,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Events:
    """A file of events, read.

    Parameters
    ----------
    file : str
        Its name.
    of : mapping of str to tuple of Event
        By tag in small letters, oldest first, the arrival among them.
    first : mapping of str to mapping
        By tag in small letters, what was another when it arrived: columns of the register.
    refused : tuple of str
        Rows that are not understood, each with its line.
    corrections : mapping of str to tuple of Event
        By tag in small letters, what was corrected, oldest first.
    left : int
        Arrivals that were taken back: no timber is left of them.
    """

    file: str
    of: Mapping[str, tuple[Event, ...]]
    first: Mapping[str, Mapping[str, Any]]
    refused: tuple[str, ...] = ()
    corrections: Mapping[str, tuple[Event, ...]] = field(default_factory=dict)
    left: int = 0

    def as_arrived(self, timber: Timber) -> tuple[Timber, Event | None]:
        """Return a timber as it came in, and its arrival where the file has it."""
        for event in self.of.get(timber.tag.lower(), ()):
            if event.kind is EventKind.ARRIVED:
                first = self.first[timber.tag.lower()]
                return timber_of({**columns(timber), **first, "retired_utc": None}), event
        return replace(timber, retired_utc=None), None

    def enter(self, shop: Shop, timber: Timber, *, now_utc: datetime, corrected: bool) -> Entered:
        """Enter what the register does not have of a timber; one that can't be spoils no other.

        Parameters
        ----------
        shop : Shop
            The open shop; the timber is in its register.
        timber : Timber
            As the file of timbers has it; only the retiring that stands there counts.
        now_utc : datetime
            When an event is noted that does not say so.
        corrected : bool
            Whether its corrections come in too, as they do with a new timber.
        """
        there = {_key(each) for each in shop.register.events(timber.tag, undone=True)}
        found = Entered()
        for event in self.of.get(timber.tag.lower(), ()):
            if event.kind is EventKind.ARRIVED or _undone_retiring(event, timber):
                continue
            if _key(event) in there:
                found = found.plus(Entered(known=1))
                continue
            given = replace(event, tag=timber.tag, noted_utc=event.noted_utc or now_utc)
            try:
                if _is_of_tag(event):
                    shop.register.keep_renaming(given)
                    found = found.plus(Entered(entered=1))
                    continue
                if event.undone_utc is not None:
                    shop.register.keep_undone(given)
                    found = found.plus(Entered(entered=1))
                    continue
                operations.add_event(shop, given, move=True, new_place=True, sure=True)
            except _REFUSALS as err:
                found = found.plus(Entered(refused=(f"{timber.tag}, {event.kind.value}: {err}",)))
            else:
                found = found.plus(Entered(entered=1))
        return found.plus(self._correct(shop, timber)) if corrected else found

    def _correct(self, shop: Shop, timber: Timber) -> Entered:
        """Write down the corrections of a timber that the register does not have."""
        there = {_key(each) for each in shop.register.events(timber.tag, undone=True)}
        those = self._corrections(timber)
        new = [each for each in those if _key(each) not in there]
        try:
            if new:
                shop.register.keep_corrections(timber.tag, new)
        except _REFUSALS as err:
            return Entered(refused=(f"{timber.tag}, {EventKind.EDITED.value}: {err}",))
        return Entered(entered=len(new), known=len(those) - len(new))

    def _corrections(self, timber: Timber) -> list[Event]:
        """Give its corrections; one that took it back in goes with the retirings that it reversed."""
        those = [*self.corrections.get(timber.tag.lower(), ())]
        if any(each.counts and each.detail.get("field") == "retired_utc" for each in those):
            mine = self.of.get(timber.tag.lower(), ())
            those += [each for each in mine if _undone_retiring(each, timber)]
        return those

    def missing(self, shop: Shop, timber: Timber, *, new: bool) -> int:
        """Count the events of a timber that `enter` would try."""
        there = set() if new else {_key(each) for each in shop.register.events(timber.tag, undone=True)}
        missing = sum(
            _key(each) not in there
            for each in self.of.get(timber.tag.lower(), ())
            if each.kind is not EventKind.ARRIVED and not _undone_retiring(each, timber)
        )
        return missing + (len(self._corrections(timber)) if new else 0)


def of_file(source: Source, now_utc: datetime, *, zone: tzinfo | None, name: str | None = None) -> Events:
    """Read a file of events.

    Parameters
    ----------
    source : Path or bytes
        A CSV as `baulk export events` writes it.
    now_utc : datetime
        Now, with a time zone.
    zone : tzinfo or None
        Of times without an offset.
    name : str, optional
        What it is called in sentences.

    Raises
    ------
    ExchangeError
        If it is no such file.
    """
    sheet = open_sheet(source, _is_events, name=name, looked_for=", ".join(sorted(_NEEDED)))
    at = {folded(heading): n for n, heading in enumerate(sheet.headings)}
    found: dict[str, list[Event]] = {}
    first: dict[str, Mapping[str, Any]] = {}
    corrections: dict[str, list[Event]] = {}
    refused, left = [], 0
    for row in sheet.rows():
        try:
            event, detail = _event(row, at, now_utc, zone)
        except (OutOfRange, NotFound, NoSuchHour) as err:
            refused.append(f"{sheet.name}, line {row.line}: {err}")
            continue
        if event.undone_utc is not None and event.kind is EventKind.ARRIVED:
            left += 1
        elif event.kind is EventKind.EDITED and not _is_of_tag(event):
            corrections.setdefault(event.tag.lower(), []).append(event)
        else:
            found.setdefault(event.tag.lower(), []).append(event)
        if event.kind is EventKind.ARRIVED:
            first[event.tag.lower()] = {name: value for name, value in detail.items() if name in FIELDS}
    ordered = {tag: tuple(sorted(each, key=lambda one: one.at_utc)) for tag, each in found.items()}
    return Events(
        file=sheet.name, of=ordered, first=first, refused=tuple(refused), left=left,
        corrections={tag: tuple(each) for tag, each in corrections.items()},
    )  # fmt: skip


def _is_events(names: frozenset[str]) -> bool:
    return names >= _NEEDED


def _event(
    row: Row, at: Mapping[str, int], now_utc: datetime, zone: tzinfo | None
) -> tuple[Event, dict[str, Any]]:
    if row.reason:
        raise OutOfRange("the row", row.reason)

    def cell(name: str) -> str:
        return row.cells[at[name]] if name in at else ""

    def moment(name: str) -> datetime | None:
        text = cell(name)
        try:
            return written(text, zone, now_utc) if text else None
        except (ValueError, OverflowError) as err:
            raise OutOfRange(name, f"looks like 2026-11-25 14:30, not {text!r}") from err

    kinds = {each.value: each for each in EventKind}
    if cell("kind") not in kinds:
        raise NotFound("kind of event", cell("kind"), kinds)
    kind, when = kinds[cell("kind")], moment("at")
    if when is None or not cell("tag"):
        raise OutOfRange("the row", "has no tag or no time")
    detail, known = _detail(cell("detail")), {name.removesuffix("?") for name in DETAILS[kind]}
    event = Event(
        tag=cell("tag"), kind=kind, at_utc=when, by=cell("by"), note=cell("note"), noted_utc=moment("noted"),
        undone_utc=moment("undone"), undone_by=cell("undone by"),
        detail={name: detail[name] for name in detail if name in known},
    )  # fmt: skip
    return event, detail


def _detail(text: str) -> dict[str, Any]:
    try:
        found = json.loads(text or "{}")
    except ValueError as err:
        raise OutOfRange("the detail", f"is not JSON: {text[:60]!r}") from err
    if not isinstance(found, dict):
        raise OutOfRange("the detail", f"has names and values, not {text[:60]!r}")
    return found


def _key(event: Event) -> tuple[object, ...]:
    told = {name: value for name, value in event.detail.items() if name not in _TOLD_BY_REGISTER}
    return event.kind, event.at_utc, json.dumps(told, sort_keys=True)


def _is_of_tag(event: Event) -> bool:
    """Whether it says that the tag was changed: the one correction that does not stand in the timber."""
    return event.kind is EventKind.EDITED and event.detail["field"] == renaming.FIELD


def _undone_retiring(event: Event, timber: Timber) -> bool:
    """Whether it says that a timber left which came back later."""
    return event.kind is EventKind.RETIRED and event.counts and event.at_utc != timber.retired_utc
