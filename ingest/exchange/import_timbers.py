"""Bringing timbers in from a file: what is new, what is there already, what would change, what is refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import Any, Final

from baulk.ingest import known_places, operations, plausibility
from baulk.ingest.errors import RegisterError
from baulk.ingest.exchange.csv_file import Row, Sheet, Source, open_sheet
from baulk.ingest.exchange.import_events import Entered, Events
from baulk.ingest.exchange.reading_rows import Refused
from baulk.ingest.exchange.rejected_rows import RejectedFile
from baulk.ingest.exchange.timber_rows import Said, TimberForm, is_timbers
from baulk.ingest.operations import check_timber
from baulk.ingest.register.tables import FIELDS, columns, timber_of
from baulk.ingest.shop import Shop
from baulk.models import alike, plausible
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.formatting import count
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series
from baulk.models.timber import Event, EventKind, Timber
from baulk.models.units import default_length_unit

_REFUSALS: Final = (OutOfRange, NotFound, RegisterError)
_USUAL: Final[Mapping[str, Any]] = {  # of a new timber, as of `baulk timber add`
    "pith_x_mm": 0.0,
    "pith_y_mm": 0.0,
    "finished_x_mm": 0.0,
    "finished_y_mm": 0.0,
    "place": "shed",
    "ends_sealed": False,
    "green_mc_pct": None,
    "heartwood_mm": None,
    "retired_utc": None,
}
_NEEDED: Final = {
    "species": "a species", "width_mm": "a green size", "depth_mm": "a green size", "length_mm": "a length",
    "finished_width_mm": "a finished size", "finished_depth_mm": "a finished size",
    "use_class": "a use class", "arrived_utc": "arrived, the day it was set on its bearers",
}  # fmt: skip


class Status(StrEnum):
    """What becomes of a row."""

    NEW = "new"
    SAME = "same"
    CHANGE = "change"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One field that would be another.

    Parameters
    ----------
    field : str
        As in `baulk export timbers`.
    old, new : object
        What stands there, and what the file says.
    """

    field: str
    old: Any
    new: Any


@dataclass(frozen=True, slots=True, kw_only=True)
class Planned:
    """One row, and what would become of it.

    Parameters
    ----------
    line : int
        Its line in the file.
    tag : str
        As the register writes it, or the file.
    status : Status
        What would become of it.
    timber : Timber or None
        As it would be.
    changes : tuple of Change
        Field by field.
    reason : str
        Why it is refused.
    doubt : str
        Why it can hardly be meant; it is entered all the same.
    cells : tuple of str
        The row.
    done : bool
        Whether it was entered or changed.
    """

    line: int
    tag: str
    status: Status
    timber: Timber | None = None
    changes: tuple[Change, ...] = ()
    reason: str = ""
    doubt: str = ""
    cells: tuple[str, ...] = ()
    done: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class TimberReport:
    """What would become of the timbers of a file, or has.

    Parameters
    ----------
    file : str
        Its name.
    rows : tuple of Planned
        Row by row.
    notes : tuple of str
        What a person should know of how it was read.
    waited : int
        Readings that waited in quarantine for these tags, and are stored now.
    missing_events : int
        Events of a file beside it that the register does not have.
    events : Entered or None
        What became of them.
    """

    file: str
    rows: tuple[Planned, ...]
    notes: tuple[str, ...]
    waited: int = 0
    missing_events: int = 0
    events: Entered | None = None

    def of(self, status: Status) -> list[Planned]:
        """Give the rows with a status."""
        return [row for row in self.rows if row.status is status]

    @property
    def refused(self) -> list[Refused]:
        """The refused rows."""
        return [Refused(line=row.line, reason=row.reason, cells=row.cells) for row in self.of(Status.REFUSED)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Timbers:
    """A file of timbers that is understood as far as its headings.

    Parameters
    ----------
    sheet : Sheet
        The file.
    events : Events or None
        What happened to them, from another file.
    """

    sheet: Sheet
    events: Events | None = None

    def look(self, shop: Shop, now_utc: datetime) -> TimberReport:
        """Say what would become of each row; nothing is entered."""
        bare = default_length_unit(shop.config.shop.units)
        form = TimberForm(self.sheet, bare=bare, now_utc=now_utc, woods=shop.woods, zone=shop.config.zone)
        there = {each.tag.lower(): each for each in shop.register.list(retired=True)}
        for old, now in shop.store.names().former.items():  # a file from before the tag was changed
            there.setdefault(old.lower(), there[now.lower()])
        seen: dict[str, int] = {}
        rows = tuple(_planned(shop, row, form, there, seen) for row in self.sheet.rows())
        notes = list(self.sheet.notes)
        if form.unknown:
            notes.append(f"left alone, for nobody knows these columns: {', '.join(form.unknown)}")
        missing = 0
        if self.events is not None:
            notes += self.events.refused
            if self.events.left:
                notes.append(
                    f"{self.events.file}: left, for they were entered by mistake and taken back: "
                    f"{count(self.events.left, 'timber')}"
                )
            missing = sum(
                self.events.missing(shop, row.timber, new=row.status is Status.NEW)
                for row in rows
                if row.timber is not None
            )
        return TimberReport(file=self.sheet.name, rows=rows, notes=tuple(notes), missing_events=missing)

    def bring(
        self, shop: Shop, now_utc: datetime, report: TimberReport, *, update: bool = False, by: str = ""
    ) -> TimberReport:
        """Enter what is new and, if asked to, change what is another; one that fails spoils no other."""
        rows, waited, events = [], 0, None if self.events is None else Entered()
        for row in report.rows:
            if events is not None and row.timber is not None and row.status is not Status.NEW:
                corrected = update and row.status is Status.CHANGE
                events = events.plus(self._enter_events(shop, row.timber, now_utc, corrected=corrected))
            wanted = row.status is Status.NEW or (update and row.status is Status.CHANGE)
            if not wanted or row.timber is None:
                rows.append(row)
                continue
            try:
                if row.status is Status.NEW and self.events is not None:
                    more, new = self._enter_with_events(shop, row.timber, by=by, now_utc=now_utc)
                    waited, events = waited + more, new.plus(events or Entered())
                elif row.status is Status.NEW:
                    waited += _enter(shop, row.timber, by=by, now_utc=now_utc)
                else:
                    _change(shop, row, by=by, now_utc=now_utc, note=f"from {report.file}")
            except _REFUSALS as err:
                rows.append(replace(row, status=Status.REFUSED, reason=str(err)))
            else:
                rows.append(replace(row, done=True))
        return replace(report, rows=tuple(rows), waited=waited, events=events)

    def _enter_events(self, shop: Shop, timber: Timber, now_utc: datetime, *, corrected: bool) -> Entered:
        if self.events is None:
            return Entered()
        return self.events.enter(shop, timber, now_utc=now_utc, corrected=corrected)

    def _enter_with_events(
        self, shop: Shop, timber: Timber, *, by: str, now_utc: datetime
    ) -> tuple[int, Entered]:
        """Enter a timber as it arrived, then what happened to it, then what the file says it is now."""
        assert self.events is not None  # noqa: S101 - asked before
        start, arrived = self.events.as_arrived(timber)
        who, noted = (by, now_utc) if arrived is None else (arrived.by, arrived.noted_utc or now_utc)
        waited = operations.add_timber(shop, start, by=who, now_utc=noted, sure=True, new_place=True)
        entered = self._enter_events(shop, timber, now_utc, corrected=True)
        there = columns(shop.register.get(timber.tag))
        wanted = columns(timber)
        fields = {FIELDS[each][0] for each in FIELDS if there[each] != wanted[each]} - {"retired_utc"}
        changes = {name: getattr(timber, name) for name in sorted(fields)}
        if changes:
            operations.edit_timber(
                shop, timber.tag, now_utc=now_utc, by=by, note="as in the file", sure=True, new_place=True,
                **changes,
            )  # fmt: skip
        if there["retired_utc"] is None:
            _retire(shop, timber, by=by, now_utc=now_utc)
        return waited, entered

    def write_refused(self, report: TimberReport, path: Path | None) -> None:
        """Write the refused rows to a file, each with its reason."""
        with RejectedFile(path, self.sheet) as out:
            out.add(report.refused)


def of_file(source: Source, *, name: str | None = None, events: Events | None = None) -> Timbers:
    """Open a file of timbers, with their events where another file has them."""
    sheet = open_sheet(
        source, is_timbers, name=name, looked_for="tag, species, green, finished, length, use and arrived"
    )
    return Timbers(sheet=sheet, events=events)


def _doubt(shop: Shop, timber: Timber, others: Sequence[Timber]) -> str:
    said = plausibility.words(shop, (*plausible.of_timber(timber), *alike.findings(timber, others)))
    places = known_places.names(shop)
    if places and timber.place not in places:
        said = f"{said} {NotFound('place', timber.place, places)}; it is taken as a new one".strip()
    return said


def _planned(
    shop: Shop, row: Row, form: TimberForm, there: Mapping[str, Timber], seen: dict[str, int]
) -> Planned:
    tag = form.tag(row)
    try:
        if row.reason:
            raise OutOfRange("the row", row.reason)
        said = form.said(row)
        if not tag:
            raise OutOfRange("the row", "has no tag")
        if (line := seen.setdefault(tag.lower(), row.line)) != row.line:
            raise OutOfRange(f"the tag {tag}", f"stands on line {line} already")
        old = there.get(tag.lower())
        if old is None:
            timber = _new(shop, said)
            doubt = _doubt(shop, timber, [*{each.tag: each for each in there.values()}.values()])
            return Planned(
                line=row.line, tag=tag, status=Status.NEW, timber=timber, doubt=doubt, cells=row.cells
            )
        return _against(shop, old, said, row)
    except _REFUSALS as err:
        return Planned(line=row.line, tag=tag, status=Status.REFUSED, reason=str(err), cells=row.cells)


def _new(shop: Shop, said: Said) -> Timber:
    if missing := dict.fromkeys(words for column, words in _NEEDED.items() if column not in said):
        raise OutOfRange(f"the timber {said['tag']}", f"is new and needs {', '.join(missing)}")
    return _made(shop, {**_USUAL, **said})


def _made(shop: Shop, said: Said) -> Timber:
    row = {name: value.isoformat() if isinstance(value, datetime) else value for name, value in said.items()}
    timber = timber_of(row)
    if timber.retired_utc is not None and timber.retired_utc < timber.arrived_utc:
        raise OutOfRange(f"the timber {timber.tag}", "was retired before it arrived")
    Series(owner=Owner.TIMBER, name=timber.tag, quantity=Quantity.WEIGHT)
    Series(owner=Owner.AIR, name=timber.place, quantity=Quantity.TEMP)
    check_timber(shop, timber)
    return timber


def _against(shop: Shop, old: Timber, said: Said, row: Row) -> Planned:
    before = columns(old)
    timber = _made(shop, {**before, **said, "tag": old.tag})
    after = columns(timber)
    changes = tuple(
        Change(field=name, old=before[name], new=after[name])
        for name in FIELDS
        if before[name] != after[name]
    )
    if old.retired_utc is not None and timber.retired_utc != old.retired_utc:
        raise OutOfRange(
            f"the timber {old.tag}", "is retired at another time; `baulk timber return` takes that back first"
        )
    status = Status.CHANGE if changes else Status.SAME
    return Planned(line=row.line, tag=old.tag, status=status, timber=timber, changes=changes, cells=row.cells)


def _enter(shop: Shop, timber: Timber, *, by: str, now_utc: datetime) -> int:
    waited = operations.add_timber(
        shop, replace(timber, retired_utc=None), by=by, now_utc=now_utc, sure=True, new_place=True
    )
    _retire(shop, timber, by=by, now_utc=now_utc)
    return waited


def _change(shop: Shop, row: Planned, *, by: str, now_utc: datetime, note: str) -> None:
    assert row.timber is not None  # noqa: S101 - looked at before
    fields = {FIELDS[each.field][0] for each in row.changes} - {"retired_utc"}
    changes = {name: getattr(row.timber, name) for name in sorted(fields)}
    if changes:
        operations.edit_timber(
            shop, row.tag, now_utc=now_utc, by=by, note=note, sure=True, new_place=True, **changes
        )
    gone = shop.register.get(row.tag).retired_utc is not None  # by an event of the file, perhaps
    if any(each.field == "retired_utc" for each in row.changes) and not gone:
        _retire(shop, row.timber, by=by, now_utc=now_utc)


def _retire(shop: Shop, timber: Timber, *, by: str, now_utc: datetime) -> None:
    """Note that a timber left, as an event that can be taken back."""
    if timber.retired_utc is not None:
        operations.add_event(
            shop,
            Event(
                tag=timber.tag,
                kind=EventKind.RETIRED,
                at_utc=timber.retired_utc,
                noted_utc=now_utc,
                by=by,
            ),
        )
