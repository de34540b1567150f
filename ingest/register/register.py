"""The register: timbers, what happened to each, places and parts; SQLAlchemy, tables raised by Alembic."""

from __future__ import annotations

import re
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, tzinfo
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, RowMapping
from sqlalchemy.exc import DBAPIError

from baulk.ingest import migrations
from baulk.ingest.errors import RegisterError
from baulk.ingest.register import corrected, event_chain, events, places, renaming
from baulk.ingest.register.engine import Backing
from baulk.ingest.register.events import Attachment
from baulk.ingest.register.tables import COUNTER, EVENT, FIELDS, TIMBER, columns, event_of, timber_of
from baulk.ingest.store import before_upgrade
from baulk.ingest.store.gate import ASK
from baulk.ingest.store.moments import to_us
from baulk.ingest.store.names import Names
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.plan.buying.parts import Part
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import Series
from baulk.models.timber import Event, EventKind, Place, Timber, Value


@dataclass(frozen=True, slots=True)
class Attachments:
    """Where every sensor was at any time, as the register had it when asked."""

    steps: Mapping[str, tuple[tuple[int, Attachment | None], ...]]

    def find(self, sensor: str, at_utc: datetime) -> Attachment | None:
        """Say where a sensor was at a moment."""
        found, at_us = None, to_us(at_utc)
        for since_us, attachment in self.steps.get(sensor, ()):
            if since_us > at_us:
                break
            found = attachment
        return found


class Register:
    """Timbers by tag, their events, places and parts.

    Parameters
    ----------
    backing : Backing
        The database. Missing tables are raised on opening.
    zone : tzinfo, optional
        By whose clock refusals tell moments; this machine's if left out.
    """

    def __init__(self, backing: Backing, *, zone: tzinfo | None = None) -> None:
        self._engine = backing.engine.execution_options(
            **{event_chain.ZONE: zone, renaming.APART: backing.readings_apart}
        )
        self._in_words = backing.in_words
        self._path, self._gate, self._lock = backing.path, backing.gate, backing.lock
        self._known: tuple[int, frozenset[str]] = (0, frozenset())
        self._known_until_s, self._named = 0.0, b""
        self._sensors: tuple[tuple[Any, ...], Attachments] | None = None
        self._remembered: dict[str, tuple[float, Any]] = {}
        with self._faults():
            migrations.upgrade(
                self._engine.execution_options(begin="BEGIN IMMEDIATE"),
                before=lambda: backing.path and before_upgrade.keep(backing.path, wait_s=backing.wait_s),
            )

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            yield
        except DBAPIError as err:
            raise self._in_words(err.orig or err) from err
        except sqlite3.Error as err:
            raise self._in_words(err) from err

    @contextmanager
    def _write(self) -> Iterator[tuple[Connection, int]]:
        """Begin a transaction, alone among writers: raising the counter locks it."""
        self._remembered.clear()
        self._known_until_s = 0.0
        with self._faults(), self._engine.execution_options(begin="BEGIN IMMEDIATE").begin() as base:
            if self._lock:
                base.exec_driver_sql(self._lock)
            self._gate.check(base.exec_driver_sql(ASK))
            base.execute(sa.update(COUNTER).values(n=COUNTER.c.n + 1))
            yield base, int(base.execute(sa.select(COUNTER.c.n)).scalar_one())

    @contextmanager
    def _read(self) -> Iterator[Connection]:
        with self._faults(), self._engine.connect() as base:
            yield base

    def _rows(self, statement: sa.Select[Any]) -> list[RowMapping]:
        with self._read() as base:
            return list(base.execute(statement).mappings())

    def close(self) -> None:
        """Let go of the file."""
        self._engine.dispose()

    # --- timbers

    def tags(self) -> tuple[str, ...]:
        """Give every tag, in the order of entry, those of retired timbers too."""
        return tuple(row["tag"] for row in self._rows(sa.select(TIMBER.c.tag).order_by(TIMBER.c.entered)))

    def known(self, *, again: bool = False, names: Names | None = None) -> frozenset[str]:
        """Give the tags that were seen last, without opening the file; ``again`` looks anew.

        One that is not in here may be new; one that was taken back is gone within a minute. With another file
        in its place all are looked up again, and where ``names`` are others than at the last look.
        """
        inode, now_s = self._inode(), time.monotonic()
        if names is not None and names.mark != self._named:
            self._named, again = names.mark, True
            self._remembered.clear()
        if again or inode != self._known[0] or not self._known[1] or now_s > self._known_until_s:
            self._known, self._known_until_s = (inode, frozenset(self.tags())), now_s + 60
        return self._known[1]

    def recalled(self, tag: str) -> tuple[bool, Any]:
        """Give what a caller kept of a timber a minute ago at most, and whether there is anything."""
        held = self._remembered.get(tag)
        if held is None or held[0] < time.monotonic():
            return False, None
        return True, held[1]

    def recall(self, tag: str, fact: Any) -> None:  # noqa: ANN401 - whatever was worked out of it
        """Keep what was worked out of a timber until something is entered here, a minute at most."""
        self._remembered[tag] = (time.monotonic() + 60, fact)

    def _inode(self) -> int:
        try:
            return 0 if self._path is None else self._path.stat().st_ino
        except OSError:
            return 0

    def get(self, tag: str) -> Timber:
        """Give one timber; small and capital letters are the same."""
        with self._read() as base:
            return timber_of(_find(base, tag))

    def as_of(self, tag: str, at_utc: datetime) -> Timber:
        """Give a timber as it was: where it lay, before it was cut or planed; corrections hold throughout."""
        return self.until(tag, at_utc)[0]

    def until(self, tag: str, at_utc: datetime) -> tuple[Timber, list[Event]]:
        """Give a timber as `as_of` does, and what happened until then, oldest first, in one look."""
        at_us = to_us(at_utc)
        with self._read() as base:
            row = dict(_find(base, tag))
            asked = events.listing(row["tag"], since_utc=None, undone=False)
            every = base.execute(asked).mappings().all()
        for event in reversed(every):
            if event["at_us"] > at_us and event["kind"] != EventKind.EDITED.value:
                row.update(event["was"])
        return timber_of(row), [event_of(each) for each in every if each["at_us"] <= at_us]

    def has(self, tag: str) -> bool:
        """Whether a timber has this very tag, or had it."""
        if self._rows(sa.select(TIMBER.c.tag).where(TIMBER.c.tag == tag)):
            return True
        with self._read() as base:
            return tag in renaming.known(base).former

    def add(self, timber: Timber, *, by: str = "", now_utc: datetime | None = None) -> Timber:
        """Enter a timber under a tag of its own, and its arrival as its first event."""
        _check(timber)
        with self._write() as (base, revision):
            renaming.refuse_taken(base, timber.tag, _next(base))
            last = base.execute(sa.select(sa.func.max(TIMBER.c.entered))).scalar() or 0
            base.execute(TIMBER.insert().values(**columns(timber), revision=revision, entered=last + 1))
            events.arrived(
                base,
                timber.tag,
                timber.place,
                timber.arrived_utc,
                by=by,
                noted_utc=now_utc or timber.arrived_utc,
            )
        return timber

    def edit(  # noqa: PLR0913 - a person names them one by one
        self,
        tag: str,
        /,
        *,
        now_utc: datetime,
        by: str = "",
        note: str = "",
        check: Callable[[Timber], None] = lambda _: None,
        place_was_wrong: bool = False,
        **changes: Any,  # noqa: ANN401 - the timber's own fields
    ) -> tuple[Event, ...]:
        """Correct a timber: one event for each field that changes, all in one transaction.

        Parameters
        ----------
        tag : str
            Which timber.
        now_utc : datetime
            When it is corrected.
        by, note : str
            Who, and free words.
        check : callable
            Refuses what the timber would be.
        place_was_wrong : bool
            Whether another ``place`` corrects that of the arrival, from the start.
        **changes
            Fields of `Timber` with their new values; another ``place`` is entered as a move unless it was
            wrong.

        Returns
        -------
        tuple of Event
            As entered; nothing if all was so already.

        Raises
        ------
        RegisterError, OutOfRange
            If a field is none of a timber's, is to stay, or can't have that value.
        """
        with self._write() as (base, revision):
            row = _find(base, tag)
            old = timber_of(row)
            try:
                new = replace(old, **changes)
            except TypeError as err:
                raise OutOfRange("a timber", f"has no field {min(changes)!r}") from err
            new = replace(new, tag=new.tag.strip())
            _check(new)
            check(new)
            if new.tag != old.tag:
                renaming.refuse_taken(base, new.tag, _next(base), mine=old.tag)
            before, after = columns(old), columns(new)
            made = []
            for column in FIELDS:
                if before[column] == after[column]:
                    continue
                if column == "place" and place_was_wrong:
                    event_chain.correct_arrival(base, old.tag, new.place)
                if column == "place" and not place_was_wrong:
                    event = _moved(old.tag, old.place, new.place, now_utc, now_utc, by, note)
                else:
                    event = events.edited(
                        old.tag, column, before[column], after[column], by=by, now_utc=now_utc, note=note
                    )
                change = {column: after[column]}
                made.append(events.write(base, event, change, timber=old, revision=revision, whole=False))
            if new.tag != old.tag:  # last, for it takes the others along
                event = events.edited(
                    old.tag, renaming.FIELD, old.tag, new.tag, by=by, now_utc=now_utc, note=note
                )
                change = {renaming.FIELD: new.tag}
                made.append(events.write(base, event, change, timber=old, revision=revision, whole=False))
                renaming.note_down(base)
        return tuple(replace(each, tag=new.tag) for each in made)

    def next_tag(self) -> str:
        """Propose a tag: the last one entered, counted up until it is free."""
        with self._read() as base:
            return _next(base)

    # --- events

    def events(
        self,
        tag: str | None = None,
        *,
        since_utc: datetime | None = None,
        undone: bool = False,
        kind: EventKind | None = None,
    ) -> list[Event]:
        """Give what happened, of every kind or one, oldest first; with ``undone`` also what was undone."""
        with self._read() as base:
            if tag is not None and not (undone and _was(base, tag)):
                tag = _find(base, tag)["tag"]
            asked = events.listing(tag, since_utc=since_utc, undone=undone, kind=kind)
            return [event_of(row) for row in base.execute(asked).mappings()]

    def add_event(self, event: Event, *, once: bool = False) -> Event:
        """Enter an event and change its timber by it; a late one takes its place among the others.

        Where a timber was moved from is known to the register; what ``from`` says is not looked at. With
        ``once`` the same of the same moment is not entered again, also if it was taken back.
        """
        if event.kind is EventKind.ARRIVED:
            raise RegisterError(f"{event.tag} arrives when it is entered; `baulk timber add` does both")
        with self._write() as (base, revision):
            timber = timber_of(_find(base, event.tag))
            event = replace(event, tag=timber.tag)
            if once and (there := events.stored_one(base, event, timber)) is not None:
                return there
            return events.write(base, event, events.columns_of(event), timber=timber, revision=revision)

    def keep_undone(self, event: Event) -> Event:
        """Keep an event of another register that was taken back there, as it was; it changes nothing."""
        with self._write() as (base, _):
            return events.write_undone(base, event, timber_of(_find(base, event.tag)))

    def keep_renaming(self, event: Event) -> Event:
        """Keep that a timber's tag was changed in another register; the former one leads to it now."""
        with self._write() as (base, _):
            timber = timber_of(_find(base, event.tag))
            if event.undone_utc is None:
                for name in ("old", "new"):
                    renaming.refuse_taken(base, str(event.detail[name]), _next(base), mine=timber.tag)
            kept = events.write_renaming(base, event, timber.tag)
            renaming.note_down(base)
            return kept

    def keep_corrections(self, tag: str, those: Iterable[Event]) -> None:
        """Write down the corrections that another register has of a timber, with who, when and why."""
        with self._write() as (base, revision):
            corrected.keep(base, _find(base, tag)["tag"], those, revision)

    def move(  # noqa: PLR0913 - one a word
        self,
        tag: str,
        to: str,
        *,
        now_utc: datetime,
        at_utc: datetime | None = None,
        by: str = "",
        note: str = "",
    ) -> Event:
        """Enter that a timber was moved to another place, now or then."""
        return self.add_event(_moved(tag, "", to, at_utc or now_utc, now_utc, by, note))

    def undo(self, number: int, *, by: str, now_utc: datetime) -> Event:
        """Take an event back; what it changed is as if it had never been.

        An arrival takes the timber with it, and all its events.
        """
        with self._write() as (base, revision):
            undone = events.undo(base, number, by=by, now_utc=now_utc, revision=revision)
            if undone.detail.get("field") == renaming.FIELD:
                renaming.note_down(base)
            return undone

    # --- sensors

    def attached(self, sensor: str, at_utc: datetime) -> Attachment | None:
        """Say where a sensor is at a moment: the timber, depth, face and distance from an end."""
        with self._read() as base:
            return events.where(base, sensor, at_utc)

    def attachments(self) -> Attachments:
        """Give where every sensor was at any time; worked out anew only after a change."""
        stamp = sa.select(sa.func.max(EVENT.c.number), sa.func.count(EVENT.c.undone_us))
        with self._read() as base:
            newest, undone = base.execute(stamp.where(EVENT.c.sensor.is_not(None))).one()
            state = (self._inode(), newest, undone, renaming.known(base).mark)
            if self._sensors is None or self._sensors[0] != state:
                steps: dict[str, tuple[tuple[int, Attachment | None], ...]] = {}
                for row in base.execute(events.attachments()).mappings():
                    step = (row["at_us"], events.attachment_of(row))
                    steps[row["sensor"]] = (*steps.get(row["sensor"], ()), step)
                self._sensors = (state, Attachments(steps))
            return self._sensors[1]

    def unsettled(self) -> dict[int, str]:
        """Give the events that the readings of their sensor have not followed yet, and the sensor."""
        asked = sa.select(EVENT.c.number, EVENT.c.sensor).where(EVENT.c.settled.is_(sa.false()))
        return {row["number"]: row["sensor"] for row in self._rows(asked)}

    def settle(self, *numbers: int) -> None:
        """Note that the readings have followed these events."""
        with self._write() as (base, _):
            base.execute(EVENT.update().where(EVENT.c.number.in_(numbers)).values(settled=True))

    # --- places and parts

    def places(self) -> list[Place]:
        """Give the places entered and those that a timber lies in, by name."""
        with self._read() as base:
            return places.places(base)

    def save_place(self, place: Place) -> None:
        """Enter a place, or replace the one of this name."""
        Series(owner=Owner.AIR, name=place.name, quantity=Quantity.TEMP)
        with self._write() as (base, _):
            places.save_place(base, place)

    def parts(self) -> list[Part]:
        """Give the parts wanted, in the order of entry."""
        with self._read() as base:
            return places.parts(base)

    def save_part(self, part: Part) -> None:
        """Enter a part, or replace the one of this name."""
        with self._write() as (base, _):
            places.save_part(base, part)

    def remove_part(self, name: str) -> None:
        """Take a part off the list."""
        with self._write() as (base, _):
            places.remove_part(base, name)

    def list(self, *, retired: bool = False) -> list[Timber]:
        """Give every timber, in the order of entry; with ``retired`` also those that are gone."""
        asked = sa.select(TIMBER).order_by(TIMBER.c.entered)
        return [
            timber_of(row)
            for row in self._rows(asked if retired else asked.where(TIMBER.c.retired_utc.is_(None)))
        ]


def _find(base: Connection, tag: str) -> RowMapping:
    row = base.execute(sa.select(TIMBER).where(TIMBER.c.tag == tag.strip())).mappings().first()
    if row is None:  # which looks at every timber
        asked = sa.select(TIMBER).where(sa.func.lower(TIMBER.c.tag) == tag.strip().lower())
        row = base.execute(asked).mappings().first()
    if row is None and (now := renaming.known(base).like(tag)) is not None:
        row = base.execute(sa.select(TIMBER).where(TIMBER.c.tag == now)).mappings().first()
    if row is None:
        raise NotFound("timber", tag, base.execute(sa.select(TIMBER.c.tag)).scalars())
    return row


def _was(base: Connection, tag: str) -> bool:
    """Whether a timber of this very tag was entered and taken back."""
    gone = sa.select(EVENT.c.number).where(EVENT.c.tag == tag, EVENT.c.undone_us.is_not(None))
    return base.execute(gone.limit(1)).first() is not None


def _moved(  # noqa: PLR0913, PLR0917 - one a word
    tag: str, old: str, to: str, at_utc: datetime, now_utc: datetime, by: str, note: str
) -> Event:
    detail: dict[str, Value] = {"from": old, "to": to}
    return Event(
        tag=tag, kind=EventKind.MOVED, at_utc=at_utc, noted_utc=now_utc, detail=detail, by=by, note=note
    )


def _next(base: Connection) -> str:
    tags = [row.tag for row in base.execute(sa.select(TIMBER.c.tag).order_by(TIMBER.c.entered))]
    used = {tag.lower() for tag in (*tags, *renaming.known(base).former)}
    stem, digits = _split(tags[-1]) if tags else ("T-", "00")
    number = int(digits)
    while True:
        number += 1
        tag = f"{stem}{number:0{len(digits)}d}"
        if tag.lower() not in used:
            return tag


def _split(tag: str) -> tuple[str, str]:
    found = re.fullmatch(r"(.*?)(\d{1,9})", tag)
    return (found[1], found[2]) if found else (f"{tag}-", "00")


def _check(timber: Timber) -> None:
    """Refuse names that could not stand in a topic; whether a species is known the shop's door asks."""
    Series(owner=Owner.TIMBER, name=timber.tag, quantity=Quantity.WEIGHT)
    Series(owner=Owner.AIR, name=timber.place, quantity=Quantity.TEMP)
    for what, text in (("species", timber.species), ("use class", timber.use_class)):
        if not text.strip():
            raise RegisterError(f"timber {timber.tag} needs a {what}")
