"""Timbers that a phone enters: each once however often it is sent, with first readings, photograph, undo.

The desk's form enters through `enter` too. A tag that a phone only proposed gives way to the next free one
when another phone was first; one that a person typed is refused then.
"""

from __future__ import annotations

import json
import re
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final

from baulk.ingest import entered_before, hand_readings, known_places, operations, photos
from baulk.ingest.errors import RegisterError, Unlikely
from baulk.ingest.shop import Shop
from baulk.ingest.walk.entries import State
from baulk.models import plausible
from baulk.models.errors import BaulkError, NotFound, OutOfRange
from baulk.models.plausible import Finding, Level
from baulk.models.quantity import Owner, Quantity
from baulk.models.reading import AT_LEAST, BY_HAND, Reading, Series
from baulk.models.reason import Reason
from baulk.models.section import Face
from baulk.models.timber import EventKind, Timber

NOTE: Final = "arrival/"
KEPT: Final = timedelta(days=400)  # a phone may lie in a drawer for a winter
TURN_S: Final = 1.5  # of storing what waited for a tag; the listener stores the rest
ID: Final = re.compile(r"[A-Za-z0-9-]{8,64}")
_BEGUN: Final = "begun"  # tag and time are settled, and perhaps it is entered
_OURS: Final = frozenset({EventKind.ARRIVED, EventKind.PHOTOGRAPHED})


@dataclass(frozen=True, slots=True, kw_only=True)
class First:
    """A first reading of a timber.

    Parameters
    ----------
    quantity : Quantity
        Weight or moisture.
    value : float
        Kilograms, or percent of oven-dry mass. [kg, %]
    at_least : bool
        Whether the meter's scale ended there.
    depth_mm, face : float and Face, optional
        Where the pins stood. [mm]
    """

    quantity: Quantity
    value: float
    at_least: bool = False
    depth_mm: float | None = None
    face: Face | None = None

    def of(self, timber: Timber) -> Reading:
        """Return it as a reading of a timber at its arrival."""
        series = Series(
            owner=Owner.TIMBER,
            name=timber.tag,
            quantity=self.quantity,
            depth_mm=self.depth_mm,
            face=self.face,
        )
        at = timber.arrived_utc
        flags = (AT_LEAST,) if self.at_least else ()
        return Reading(
            series=series, value=self.value, taken_utc=at, arrived_utc=at, source=BY_HAND, flags=flags
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Arrival:
    """One timber as a phone sends it.

    Parameters
    ----------
    id : str
        Its own, for good.
    timber : Timber
        With the tag that is fixed to it, or that was proposed; its time of arrival by the server's clock.
    first : tuple of First
        Its first readings.
    proposed : bool
        Whether the tag may give way to the next free one.
    sure : bool
        Whether the person has said that what is unlikely is right.
    """

    id: str
    timber: Timber
    first: tuple[First, ...] = ()
    proposed: bool = False
    sure: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of an arrival.

    Parameters
    ----------
    id : str
        Which.
    state : State
        Stored, known, asked about, refused or taken back.
    tag : str
        The tag that it got.
    reasons : tuple of Reason
        What is unlikely.
    why : str
        Why it is refused, a sentence.
    """

    id: str
    state: State
    tag: str = ""
    reasons: tuple[Reason, ...] = ()
    why: str = ""


def findings(shop: Shop, timber: Timber, first: Sequence[First]) -> list[Finding]:
    """Return what speaks against a timber, its place and its first readings."""
    wood = shop.woods.species.get(timber.species)
    kg = next((each.value for each in first if each.quantity is Quantity.WEIGHT), None)
    found = [*plausible.of_timber(timber), *entered_before.findings(shop, timber, weight_kg=kg)]
    for each in first:
        found += plausible.of_reading(each.of(timber), timber=timber, wood=wood)
    known = known_places.names(shop, again=True)
    if known and timber.place not in known:
        values = {"place": timber.place, "known": tuple(sorted(known))}
        found.append(Finding(level=Level.UNLIKELY, reason=Reason(code="place.new", values=values)))
    return found


def enter(shop: Shop, timber: Timber, first: Sequence[First], *, now_utc: datetime, by: str = "") -> None:
    """Enter a timber and its first readings, after `findings` were looked at; what is there already stays.

    Raises
    ------
    BaulkError
        If wood, use or tag are refused; then nothing is entered.
    """
    end = time.monotonic() + TURN_S
    operations.add_timber(
        shop, timber, by=by, now_utc=now_utc, stop=lambda: time.monotonic() > end, sure=True, new_place=True
    )
    _store(shop, timber, first, now_utc)


def _store(shop: Shop, timber: Timber, first: Sequence[First], now_utc: datetime) -> None:
    for each in first:
        one = each.of(timber)
        hand_readings.add(
            shop,
            one.series,
            one.value,
            now_utc=now_utc,
            taken_utc=one.taken_utc,
            at_least=each.at_least,
            sure=True,
        )


def take_back(shop: Shop, tag: str, *, by: str, now_utc: datetime) -> str:
    """Take a timber back that was entered by mistake, with the readings that came with it; return its tag.

    Raises
    ------
    Unlikely
        If more was noted of it since; that is seen on its own page first.
    """
    timber = shop.register.get(tag)
    events = shop.register.events(timber.tag)
    arrival = next(each for each in events if each.kind is EventKind.ARRIVED)
    readings = shop.store.readings(Owner.TIMBER, timber.tag)
    ours = [one for one in readings if one.source == BY_HAND and one.taken_utc == timber.arrived_utc]
    if len(ours) < len(readings) or any(each.kind not in _OURS for each in events):
        raise Unlikely(f"more was noted of {timber.tag} since it came; undo it in its history")
    if ours:  # else they would wait for the next timber of this tag
        shop.store.reattribute(ours, [])
    operations.undo(shop, arrival.number, by=by, now_utc=now_utc, sure=True)
    return timber.tag


def take(shop: Shop, one: Arrival, *, now_utc: datetime, by: str = "") -> Outcome:
    """Enter an arrival, once however often it is sent.

    Parameters
    ----------
    shop : Shop
        The open shop.
    one : Arrival
        As the phone sends it.
    now_utc : datetime
        Now, with a time zone.
    by : str
        Who enters it.

    Returns
    -------
    Outcome
        With the tag that it got.

    Raises
    ------
    OutOfRange
        If its id is no name.
    """
    note = _note(shop, one.id)
    state = note.get("state")
    if state == State.UNDONE:
        return Outcome(id=one.id, state=State.UNDONE, tag=note["tag"])
    if state == State.STORED:
        return Outcome(id=one.id, state=State.KNOWN, tag=note["tag"])
    try:
        return _entered(shop, one, note, now_utc, by)
    except BaulkError as err:
        return Outcome(id=one.id, state=State.REFUSED, tag=one.timber.tag, why=str(err))


def _entered(shop: Shop, one: Arrival, note: Mapping[str, Any], now_utc: datetime, by: str) -> Outcome:
    timber = one.timber
    if note:  # begun, and cut short: by the same tag and time it is known again
        settled = datetime.fromisoformat(note["arrived_utc"])
        timber = replace(timber, tag=note["tag"], arrived_utc=settled)
        if _stands(shop, timber):
            _store(shop, timber, one.first, now_utc)
            return _noted(shop, one.id, timber, State.STORED)
    timber = _free(shop, one, timber)
    operations.check_timber(shop, timber)
    found = findings(shop, timber, one.first)
    reasons = tuple(each.reason for each in found)
    if any(each.level is Level.IMPOSSIBLE for each in found):
        return Outcome(id=one.id, state=State.REFUSED, tag=timber.tag, reasons=reasons)
    if found and not one.sure:
        return Outcome(id=one.id, state=State.ASKS, tag=timber.tag, reasons=reasons)
    for _ in range(5):  # a command may take a tag between our look and our entry
        timber = _free(shop, one, timber)
        _noted(shop, one.id, timber, _BEGUN)
        try:
            enter(shop, timber, one.first, now_utc=now_utc, by=by)
        except RegisterError:
            if not (one.proposed and _taken(shop, timber.tag)):
                shop.store.forget(NOTE + one.id)
                raise
        else:
            return _noted(shop, one.id, timber, State.STORED)
    raise RegisterError(f"the tag {timber.tag} is taken again and again; name one yourself")


def _free(shop: Shop, one: Arrival, timber: Timber) -> Timber:
    """Return the timber under its tag, or under the next free one where the tag was only proposed."""
    if one.proposed and _taken(shop, timber.tag):
        return replace(timber, tag=shop.register.next_tag())
    return timber


def _taken(shop: Shop, tag: str) -> bool:
    return tag.lower() in {each.tag.lower() for each in shop.register.list(retired=True)}


def _stands(shop: Shop, timber: Timber) -> bool:
    try:
        there = shop.register.get(timber.tag)
    except NotFound:
        return False
    return there.tag == timber.tag and there.arrived_utc == timber.arrived_utc


def undo(shop: Shop, key: str, *, now_utc: datetime, by: str = "") -> Outcome:
    """Take back an arrival; what never came is remembered as taken back, should it still come."""
    note = _note(shop, key)
    tag = str(note.get("tag", ""))
    if note.get("state") in {State.STORED, _BEGUN}:
        try:
            if shop.register.has(tag):
                take_back(shop, tag, by=by, now_utc=now_utc)
        except BaulkError as err:
            return Outcome(id=key, state=State.REFUSED, tag=tag, why=str(err))
    row = {**note, "state": str(State.UNDONE), "tag": tag, "by": by, "at_utc": now_utc.isoformat()}
    row.setdefault("arrived_utc", now_utc.isoformat())
    shop.store.note(NOTE + key, json.dumps(row).encode())
    return Outcome(id=key, state=State.UNDONE, tag=tag)


def photograph(shop: Shop, key: str, picture: bytes, *, now_utc: datetime, by: str = "") -> bool:
    """Keep the photograph of an arrival, once however often it is sent; return whether it is kept.

    False where the arrival has not come yet, or was taken back.

    Raises
    ------
    RegisterError
        If the picture can't be read or kept.
    """
    note = _note(shop, key)
    if note.get("state") != State.STORED:
        return False
    if not note.get("photo"):
        photos.keep(shop, note["tag"], picture, now_utc=now_utc, by=by)
        shop.store.note(NOTE + key, json.dumps({**note, "photo": True}).encode())
    return True


def _noted(shop: Shop, key: str, timber: Timber, state: str) -> Outcome:
    row = {"state": str(state), "tag": timber.tag, "arrived_utc": timber.arrived_utc.isoformat()}
    shop.store.note(NOTE + key, json.dumps(row).encode())
    if state == _BEGUN:
        _let_go_of_old(shop, timber.arrived_utc - KEPT)
        return Outcome(id=key, state=State.ASKS, tag=timber.tag)
    return Outcome(id=key, state=State(state), tag=timber.tag)


def _note(shop: Shop, key: str) -> dict[str, Any]:
    if not ID.fullmatch(key):
        raise OutOfRange("an arrival", "is named by 8 to 64 letters, digits and dashes")
    return _read(shop.store.noted(NOTE + key))


def _read(body: bytes | None) -> dict[str, Any]:
    try:
        row = json.loads(body or b"null")
        datetime.fromisoformat(row["arrived_utc"])
        return row if isinstance(row["tag"], str) else {}
    except (KeyError, TypeError, ValueError):
        return {}


def _let_go_of_old(shop: Shop, since_utc: datetime) -> None:
    told = {key: _read(body) for key, body in shop.store.notes(NOTE).items()}
    old = [
        key for key, row in told.items() if not row or datetime.fromisoformat(row["arrived_utc"]) < since_utc
    ]
    if old:
        shop.store.forget(*old)
