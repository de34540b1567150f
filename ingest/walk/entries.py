"""What a walk brings home: each entry has an id of its own, so that sending it twice stores it once.

A phone without signal sends days later, a phone whose answer was lost sends again. Before anything is stored
the walk's note settles the time and the place of each entry, so that what was cut short goes on the same way.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, Final

from baulk.ingest import correction_notes, corrections, hand_readings
from baulk.ingest.errors import ExchangeError
from baulk.ingest.shop import Shop
from baulk.ingest.walk import plausible, yard
from baulk.models import moisture_text
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import AT_LEAST, BY_HAND, Reading, Series
from baulk.models.reason import Reason
from baulk.models.section import Face

NOTE: Final = "walk/"
MOST_ENTRIES: Final = 500  # of one batch
KEPT: Final = timedelta(days=400)  # a phone may lie in a drawer for a winter
_ID: Final = re.compile(r"[A-Za-z0-9-]{8,64}")
_BEGUN: Final = "begun"  # noted, and perhaps stored
_WHY: Final = "taken back on the walk"
_LATEST: Final = timedelta(days=3650)  # a phone can't have carried an entry for longer


class State(StrEnum):
    """What became of an entry."""

    STORED = "stored"
    KNOWN = "known"  # it had come before
    ASKS = "asks"  # unlikely: the person is asked
    REFUSED = "refused"  # impossible
    UNDONE = "undone"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of a walk as a phone or a person gives it.

    Parameters
    ----------
    id : str
        Its own, for good.
    tag : str
        Which timber.
    quantity : Quantity
        Moisture or weight.
    value : float
        Percent of oven-dry mass, or kilograms. [%, kg]
    at_least : bool
        Whether the meter's scale ended there.
    depth_mm, face : float and Face, optional
        Where the pins stood. [mm]
    ago_s : float
        How long before it was sent it was read, by the phone's own clock. [s]
    sure : bool
        Whether the person has said that an unlikely value is right.
    undo : bool
        Whether the entry of this id is to be taken back.
    """

    id: str
    tag: str
    quantity: Quantity
    value: float
    at_least: bool = False
    depth_mm: float | None = None
    face: Face | None = None
    ago_s: float = 0.0
    sure: bool = False
    undo: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of an entry.

    Parameters
    ----------
    id : str
        Which.
    state : State
        Stored, known, asked about, refused or taken back.
    reason : Reason or None
        What speaks against an unlikely value.
    why : str
        Why it is refused, a sentence.
    reading : Reading or None
        As it is stored.
    """

    id: str
    state: State
    reason: Reason | None = None
    why: str = ""
    reading: Reading | None = None


def take(
    shop: Shop, walk: str, entries: Sequence[Entry], *, now_utc: datetime, by: str = ""
) -> tuple[Outcome, ...]:
    """Store the entries of a walk, each once however often it is sent.

    Parameters
    ----------
    shop : Shop
        The open shop.
    walk : str
        The walk's own name, made by the phone.
    entries : sequence of Entry
        In the order in which they were made.
    now_utc : datetime
        Now, with a time zone: times are counted back from it, so that a phone's clock may be wrong.
    by : str
        Who walked.

    Returns
    -------
    tuple of Outcome
        One for each.

    Raises
    ------
    OutOfRange
        If the walk or an id is no name, or there are too many entries.
    """
    if not _ID.fullmatch(walk) or not all(_ID.fullmatch(each.id) for each in entries):
        raise OutOfRange("a walk", "and its entries are named by 8 to 64 letters, digits and dashes")
    if len(entries) > MOST_ENTRIES:
        raise OutOfRange("a batch", f"holds {MOST_ENTRIES} entries at most, not {len(entries)}")
    book = _Book(shop, walk, now_utc, by)
    found = {each.id: book.look(each) for each in entries}
    if any(one is None for one in found.values()):
        book.write()  # the times are settled before anything is stored
    stored = {key: book.store(key) for key, one in found.items() if one is None}
    book.write()
    return tuple(found[each.id] or stored[each.id] for each in entries)


class _Book:
    """What is noted of a walk: of each entry its state, series, value and settled time."""

    def __init__(self, shop: Shop, walk: str, now_utc: datetime, by: str) -> None:
        self._shop, self._key, self._now_utc, self._by = shop, NOTE + walk, now_utc, by
        self._about: dict[str, plausible.About] = {}
        found = _read(shop.store.noted(self._key))
        if found is None:
            self._let_go_of_old()
        self._note: dict[str, Any] = found or {"begun_utc": now_utc.isoformat(), "entries": {}}

    def look(self, entry: Entry) -> Outcome | None:
        """Say what becomes of an entry; None where it is noted and to be stored."""
        state, held = self._held(entry.id)
        try:
            if entry.undo:
                return self._undone(entry.id, state, held)
            if state in {State.UNDONE, State.STORED}:
                done = State.UNDONE if state == State.UNDONE else State.KNOWN
                return Outcome(id=entry.id, state=done, reading=held)
            reading = held or _as_read(self._shop, entry, self._now_utc)
            why = plausible.doubt(reading, self._held_against(reading.series.name))
        except BaulkError as err:
            return Outcome(id=entry.id, state=State.REFUSED, why=str(err))
        if why is not None and not entry.sure:
            return Outcome(id=entry.id, state=State.ASKS, reason=why, reading=reading)
        self._keep(entry.id, reading, _BEGUN)
        return None

    def store(self, key: str) -> Outcome:
        """Store an entry that is noted; one that is stored already, before it was cut short, stays one."""
        _, reading = self._held(key)
        assert reading is not None  # noqa: S101 - `look` noted it
        try:
            hand_readings.add(
                self._shop,
                reading.series,
                reading.value,
                now_utc=self._now_utc,
                taken_utc=reading.taken_utc,
                at_least=AT_LEAST in reading.flags,
                sure=True,  # it was asked before
            )
        except BaulkError as err:
            return Outcome(id=key, state=State.REFUSED, why=str(err))
        self._keep(key, reading, State.STORED)
        return Outcome(id=key, state=State.STORED, reading=reading)

    def write(self) -> None:
        """Keep the note."""
        if self._note["entries"]:
            self._shop.store.note(self._key, json.dumps(self._note).encode())

    def _held_against(self, tag: str) -> plausible.About:
        if tag not in self._about:
            self._about[tag] = yard.about(self._shop, tag)
        return self._about[tag]

    def _undone(self, key: str, state: str, held: Reading | None) -> Outcome:
        """Take back what was stored; what never came is remembered as taken back, should it still come."""
        if held is not None and state != State.UNDONE:
            _take_back(self._shop, held, by=self._by, now_utc=self._now_utc)
        self._keep(key, held, State.UNDONE, by=self._by, at_utc=self._now_utc)
        return Outcome(id=key, state=State.UNDONE, reading=held)

    def _held(self, key: str) -> tuple[str, Reading | None]:
        row = self._note["entries"].get(key, {})
        if "series" not in row:
            return row.get("state", ""), None
        return row["state"], Reading(
            series=Series.parse(row["series"]),
            value=float(row["value"]),
            taken_utc=datetime.fromisoformat(row["taken_utc"]),
            arrived_utc=self._now_utc,
            source=BY_HAND,
            flags=tuple(row["flags"]),
        )

    def _keep(self, key: str, reading: Reading | None, state: str, **more: object) -> None:
        row: dict[str, Any] = {"state": str(state), **{name: str(value) for name, value in more.items()}}
        if reading is not None:
            row |= {
                "series": str(reading.series),
                "value": reading.value,
                "taken_utc": reading.taken_utc.isoformat(),
                "flags": [*reading.flags],
            }
        self._note["entries"][key] = row

    def _let_go_of_old(self) -> None:
        store, since_utc = self._shop.store, self._now_utc - KEPT
        old = [key for key, body in store.notes(NOTE).items() if not _younger(body, since_utc)]
        if old:
            store.forget(*old)


def _take_back(shop: Shop, reading: Reading, *, by: str, now_utc: datetime) -> None:
    """Take back what a walk stored, as it stands now; what somebody took back before stays so."""
    corrected = correction_notes.listed(shop.store, reading.series.owner, reading.series.name)
    for one in corrected:
        if one.counts and (one.was.series, one.was.taken_utc) == (reading.series, reading.taken_utc):
            if one.now is None:
                return
            reading = one.now
    series, at = reading.series, reading.taken_utc
    for held in shop.store.readings(series.owner, series.name, at, at):
        if held.series == series and held.value == reading.value:
            corrections.take_back(shop, held, by=by, note=_WHY, now_utc=now_utc)


def _as_read(shop: Shop, entry: Entry, now_utc: datetime) -> Reading:
    """Return an entry as a reading, its time counted back from now."""
    timber = shop.register.get(entry.tag)
    if entry.quantity is Quantity.MOISTURE:
        if entry.depth_mm is None:
            raise OutOfRange("the reading", f"of {timber.tag} needs the depth of the pin tips")
        timber.section.refuse_depth(entry.depth_mm, entry.face)
    elif entry.quantity is not Quantity.WEIGHT:
        raise OutOfRange("a walk", f"takes moisture and weights, not {entry.quantity.value}")
    series = Series(
        owner=Owner.TIMBER,
        name=timber.tag,
        quantity=entry.quantity,
        depth_mm=entry.depth_mm if entry.quantity is Quantity.MOISTURE else None,
        face=entry.face if entry.quantity is Quantity.MOISTURE else None,
    )
    ago = timedelta(seconds=min(max(entry.ago_s, 0.0), _LATEST.total_seconds()))
    return Reading(
        series=series,
        value=entry.value,
        taken_utc=now_utc - ago,
        arrived_utc=now_utc,
        source=BY_HAND,
        flags=(AT_LEAST,) if entry.at_least else (),
    )


def _read(body: bytes | None) -> dict[str, Any] | None:
    try:
        row: dict[str, Any] = json.loads(body or b"null")
        return row if row and isinstance(row["entries"], dict) and row["begun_utc"] else None
    except (KeyError, TypeError, ValueError):
        return None


def _younger(body: bytes, since_utc: datetime) -> bool:
    row = _read(body)
    return row is not None and datetime.fromisoformat(row["begun_utc"]) >= since_utc


def from_json(
    body: object, *, top_pct: float | None = None
) -> tuple[str, tuple[Entry, ...], tuple[Outcome, ...]]:
    """Read a batch as a phone sends it; an entry that is not understood holds up no other.

    Parameters
    ----------
    body : object
        ``{"walk": name, "sent_ms": phone's now, "entries": [{"id", "tag", "kind": "pins" or "weight",
        "shown": "28.5" or ">30" or "OL", "kg", "depth_mm", "face", "at_ms", "sure", "undo"}]}``.
    top_pct : float, optional
        Where the meter's scale ends: what OL means. [%]

    Returns
    -------
    walk : str
        Its name.
    entries : tuple of Entry
        Those that are understood.
    refused : tuple of Outcome
        The others.

    Raises
    ------
    ExchangeError
        If it is no such batch.
    """
    if not isinstance(body, dict) or not isinstance(rows := body.get("entries"), list):
        raise ExchangeError("the batch is not as a walk sends it; load the page anew")
    found: list[Entry] = []
    refused: list[Outcome] = []
    for row in rows[: MOST_ENTRIES + 1]:
        try:
            found.append(_entry(row, float(body["sent_ms"]), top_pct))
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError, BaulkError) as err:
            given = str(row.get("id", "")) if isinstance(row, dict) else ""
            why = str(err) if isinstance(err, BaulkError) else "it is not as a walk sends it"
            refused.append(Outcome(id=given[:64], state=State.REFUSED, why=why))
    return str(body.get("walk", "")), tuple(found), tuple(refused)


def _entry(row: Mapping[str, Any], sent_ms: float, top_pct: float | None) -> Entry:
    kind = {"pins": Quantity.MOISTURE, "weight": Quantity.WEIGHT}[row["kind"]]
    shown = moisture_text.Shown(mc_pct=float(row["kg"])) if kind is Quantity.WEIGHT else None
    shown = shown or moisture_text.read(str(row["shown"]), top_pct=top_pct)
    if not _ID.fullmatch(str(row["id"])):
        raise OutOfRange("an entry", "is named by 8 to 64 letters, digits and dashes")
    ago_s = (sent_ms - float(row["at_ms"])) / 1000
    if not abs(ago_s) < _LATEST.total_seconds():
        ago_s = 0.0
    return Entry(
        id=str(row["id"]),
        tag=str(row["tag"]),
        quantity=kind,
        value=shown.mc_pct,
        at_least=shown.at_least,
        depth_mm=None if row.get("depth_mm") is None else float(row["depth_mm"]),
        face=Face(row["face"]) if row.get("face") else None,
        ago_s=ago_s,
        sure=row.get("sure") is True,
        undo=row.get("undo") is True,
    )
