"""Events as a chain: each knows what it set on its timber and what stood there before.

An event may be written down late, before others that came after it, and any may be taken back: the one that
follows on the same column then takes over what stood before. So the timber's row is always what the events
that count make of it. Corrections (EDITED) hold from the start; they are dated by when they were made.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.engine import Connection, RowMapping

from baulk.ingest.errors import RegisterError
from baulk.ingest.register import event_chain as chain
from baulk.ingest.register import event_rules, renaming
from baulk.ingest.register.event_chain import Row
from baulk.ingest.register.tables import EVENT, TIMBER, event_of, stored
from baulk.ingest.store.moments import from_us, to_us
from baulk.models.errors import BaulkError, OutOfRange
from baulk.models.section import Face
from baulk.models.timber import Event, EventKind, Timber, Value

_TOLD_BY_WAS: Final = frozenset({"from", "old", "from_width_mm", "from_depth_mm"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """Where a sensor is.

    Parameters
    ----------
    sensor : str
        Its name.
    tag : str
        The timber it is on.
    depth_mm : float, optional
        Depth of its pin tips. [mm]
    face : Face, optional
        Face that its pins are in.
    from_end_mm : float, optional
        Distance of its pins from an end. [mm]
    since_utc : datetime
        When it was attached.
    number : int
        The event that says so.
    """

    sensor: str
    tag: str
    since_utc: datetime
    depth_mm: float | None = None
    face: Face | None = None
    from_end_mm: float | None = None
    number: int = 0


def write(  # noqa: PLR0913 - each says another thing
    base: Connection,
    event: Event,
    columns: Mapping[str, Any],
    *,
    timber: Timber,
    revision: int,
    whole: bool = True,
) -> Event:
    """Enter an event, change its timber by it, and return it with its number.

    Parameters
    ----------
    base : Connection
        Inside a transaction.
    event : Event
        To be entered; its tag as the timber bears it.
    columns : mapping
        What it sets on the timber's row.
    timber : Timber
        As it stands.
    revision : int
        Of the shop.
    whole : bool
        Whether the timber must be one after it; not between the fields of one correction.

    Raises
    ------
    RegisterError, OutOfRange
        If the event can't be, or what came after it would no longer hold.
    """
    noted_utc = event.noted_utc or event.at_utc
    chain.refuse_time(base, event, timber, noted_utc)
    event = event_rules.checked(event, timber, zone=chain.zone_of(base))
    _refuse_off(base, event)
    row = _timber_row(base, event.tag)
    sets, was, change = _fit(base, event, columns, row)
    chain.change(base, row, change, revision, whole=whole)
    (key,) = base.execute(
        EVENT.insert().values(
            tag=change.get(renaming.FIELD, event.tag),
            kind=event.kind.value,
            at_us=to_us(event.at_utc),
            noted_us=to_us(noted_utc),
            who=event.by,
            note=event.note,
            detail={name: value for name, value in event.detail.items() if name not in _TOLD_BY_WAS},
            sets=sets,
            was=was,
            sensor=event.detail.get("sensor"),
            undone_by="",
            settled="sensor" not in event.detail,
        )
    ).inserted_primary_key or (0,)
    return event_of(chain.row_of(base, key))


def write_undone(base: Connection, event: Event, timber: Timber) -> Event:
    """Keep an event that was taken back elsewhere: it is on record, changes nothing and can't be taken back.

    Raises
    ------
    OutOfRange
        If its details can't be.
    """
    checked = event_rules.checked(event, timber, zone=chain.zone_of(base))
    was = {"place": checked.detail["from"]} if checked.kind is EventKind.MOVED else {}
    (key,) = base.execute(
        EVENT.insert().values(
            tag=timber.tag,
            kind=checked.kind.value,
            at_us=to_us(checked.at_utc),
            noted_us=to_us(checked.noted_utc or checked.at_utc),
            who=checked.by,
            note=checked.note,
            detail={name: value for name, value in checked.detail.items() if name not in _TOLD_BY_WAS},
            sets={},
            was=was
            | {
                name: checked.detail[f"from_{name}"]
                for name in ("width_mm", "depth_mm")
                if f"from_{name}" in checked.detail
            },
            sensor=checked.detail.get("sensor"),
            undone_us=to_us(checked.undone_utc or checked.at_utc),
            undone_by=checked.undone_by,
            settled=True,
        )
    ).inserted_primary_key or (0,)
    return event_of(chain.row_of(base, key))


def write_renaming(base: Connection, event: Event, tag: str) -> Event:
    """Keep that a timber's tag was changed in another register, or that this was taken back there.

    The timber has the tag of now already; what it had before leads to it from now on.
    """
    old, new = (str(event.detail[name]) for name in ("old", "new"))
    (key,) = base.execute(
        EVENT.insert().values(
            tag=tag,
            kind=event.kind.value,
            at_us=to_us(event.at_utc),
            noted_us=to_us(event.noted_utc or event.at_utc),
            who=event.by,
            note=event.note,
            detail={"field": renaming.FIELD, "new": new},
            sets={} if event.undone_utc else {renaming.FIELD: new},
            was={renaming.FIELD: old},
            undone_us=None if event.undone_utc is None else to_us(event.undone_utc),
            undone_by=event.undone_by,
            settled=True,
        )
    ).inserted_primary_key or (0,)
    return event_of(chain.row_of(base, key))


def stored_one(base: Connection, event: Event, timber: Timber) -> Event | None:
    """Give the stored event that this one is, taken back or not; None for a new one."""
    said = event_rules.checked(event, timber, zone=chain.zone_of(base))
    asked = listing(event.tag, since_utc=event.at_utc, undone=True, kind=event.kind)
    stored = map(event_of, base.execute(asked).mappings())
    return next((one for one in stored if event_rules.is_one(said, one)), None)


def _fit(
    base: Connection, event: Event, columns: Mapping[str, Any], row: Row
) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """Take the event's place in the chain: what it sets, what was there, what changes on the timber now."""
    sets: dict[str, Any] = {}
    was: dict[str, Any] = {}
    now: dict[str, Any] = {}
    for column, new in columns.items():
        later = chain.follower(base, event.tag, column, to_us(event.at_utc))
        old = row[column] if later is None else later["was"][column]
        if old == new:
            continue
        sets[column], was[column] = new, old
        if later is None:
            now[column] = new
        else:
            chain.refuse_between(base, event, column, new, later)
            chain.relink(base, later, column, new)
    if columns and not sets:
        name, same = next(iter(columns.items()))
        what = "place" if name == "place" else name.removesuffix("_mm").replace("_", " ")
        told = f"{same:g} mm" if name.endswith("_mm") else same
        raise RegisterError(f"the {what} of {event.tag} is {told} already; nothing was changed")
    if grown := chain.growth(event.kind.value, sets, was):
        raise OutOfRange(event.tag, f"can't be so: {grown}")
    return sets, was, now


def undo(base: Connection, number: int, *, by: str, now_utc: datetime, revision: int) -> Event:
    """Take an event back and return it as it stands now.

    Raises
    ------
    RegisterError
        If there is none of this number, it was taken back already, or a later one depends on it.
    """
    row = chain.row_of(base, number)
    event = event_of(row)
    if event.undone_utc is not None:
        raise RegisterError(
            f"number {number} was taken back already on "
            f"{chain.by_clock(base, event.undone_utc):%Y-%m-%d}; nothing was changed"
        )
    if event.kind is EventKind.ARRIVED:
        return _withdraw(base, row, by=by, now_utc=now_utc)
    if event.kind is EventKind.SENSOR_ATTACHED:
        _refuse_detached(base, event)
    if event.kind is EventKind.EDITED and "place" in row["was"]:
        chain.correct_arrival(base, event.tag, row["was"]["place"])
    now: dict[str, Any] = {}
    for column, old in row["was"].items():
        later = chain.follower(base, event.tag, column, row["at_us"], number)
        if later is None:
            now[column] = old
        elif grown := chain.growth(later["kind"], later["sets"], {**later["was"], column: old}):
            raise chain.stands(base, event, event_of(later), grown)
        else:
            chain.relink(base, later, column, old)
    base.execute(
        EVENT.update()
        .where(EVENT.c.number == number)
        .values(undone_us=to_us(now_utc), undone_by=by, settled=row["sensor"] is None)
    )
    try:
        chain.change(base, _timber_row(base, event.tag), now, revision, whole=True)
    except BaulkError as err:
        raise chain.stands(base, event, chain.newest_after(base, event.tag, number), str(err)) from err
    if now.get("retired_utc"):
        chain.refuse_after_retiring(base, event, now["retired_utc"])
    return event_of(chain.row_of(base, number))


def _withdraw(base: Connection, row: Row, *, by: str, now_utc: datetime) -> Event:
    """Take a timber out that was entered by mistake, with all its events; its row stays with its arrival."""
    for each in chain.counted(base, row["tag"]):
        if renaming.FIELD in each["sets"]:
            raise chain.stands(base, event_of(row), event_of(each), "it has another tag by that")
    timber = dict(_timber_row(base, row["tag"]))
    base.execute(
        EVENT.update()
        .where(EVENT.c.tag == row["tag"], EVENT.c.undone_us.is_(None))
        .values(undone_us=to_us(now_utc), undone_by=by, settled=EVENT.c.sensor.is_(None))
    )
    base.execute(EVENT.update().where(EVENT.c.number == row["number"]).values(was=timber))
    base.execute(TIMBER.delete().where(TIMBER.c.tag == row["tag"]))
    return event_of(chain.row_of(base, row["number"]))


def arrived(  # noqa: PLR0913 - one a column
    base: Connection, tag: str, place: str, at_utc: datetime, *, by: str, noted_utc: datetime
) -> None:
    """Enter the arrival of a timber that was just added."""
    base.execute(
        EVENT.insert().values(
            tag=tag,
            kind=EventKind.ARRIVED.value,
            at_us=to_us(at_utc),
            noted_us=to_us(noted_utc),
            who=by,
            note="",
            detail={"place": place},
            sets={},
            was={},
            undone_by="",
        )
    )


def listing(
    tag: str | None, *, since_utc: datetime | None, undone: bool, kind: EventKind | None = None
) -> sa.Select[Any]:
    """Ask for events, the oldest first."""
    asked = sa.select(EVENT).order_by(EVENT.c.at_us, EVENT.c.number)
    if kind is not None:
        asked = asked.where(EVENT.c.kind == kind.value)
    if tag is not None:
        asked = asked.where(EVENT.c.tag == tag)
    if since_utc is not None:
        asked = asked.where(EVENT.c.at_us >= to_us(since_utc))
    return asked if undone else asked.where(EVENT.c.undone_us.is_(None))


def attachments(sensor: str | None = None) -> sa.Select[Any]:
    """Ask for what decides where sensors are, the oldest first."""
    asked = (
        sa.select(EVENT)
        .where(EVENT.c.sensor.is_not(None), EVENT.c.undone_us.is_(None))
        .order_by(EVENT.c.at_us, EVENT.c.number)
    )
    return asked if sensor is None else asked.where(EVENT.c.sensor == sensor)


def attachment_of(row: Row) -> Attachment | None:
    """Give where the sensor is from this row on, or nothing if it is off."""
    if row["kind"] != EventKind.SENSOR_ATTACHED.value:
        return None
    detail = row["detail"]
    face = detail.get("face")
    return Attachment(
        sensor=row["sensor"],
        tag=row["tag"],
        depth_mm=detail.get("depth_mm"),
        face=Face(face) if face else None,
        from_end_mm=detail.get("from_end_mm"),
        since_utc=from_us(row["at_us"]),
        number=row["number"],
    )


def _timber_row(base: Connection, tag: str) -> RowMapping:
    """Give the row of the timber with this very tag."""
    return base.execute(sa.select(TIMBER).where(TIMBER.c.tag == tag)).mappings().one()


def columns_of(event: Event) -> dict[str, Any]:
    """Say which columns of the timber an event sets."""
    detail = event.detail
    match event.kind:
        case EventKind.MOVED:
            return {"place": detail["to"]}
        case EventKind.CUT:
            return {"length_mm": detail["length_mm"]}
        case EventKind.PLANED:
            return {"width_mm": detail["width_mm"], "depth_mm": detail["depth_mm"]}
        case EventKind.RETIRED:
            return {"retired_utc": stored(event.at_utc)}
        case EventKind.EDITED:
            return {str(detail["field"]): None if detail["new"] == "" else detail["new"]}
    return {}


def edited(  # noqa: PLR0913 - one a word
    tag: str, column: str, old: Value | None, new: Value | None, *, by: str, now_utc: datetime, note: str
) -> Event:
    """Make the event of one corrected field."""
    detail: dict[str, Value] = {
        "field": column,
        "old": "" if old is None else old,
        "new": "" if new is None else new,
    }
    return Event(
        tag=tag, kind=EventKind.EDITED, at_utc=now_utc, noted_utc=now_utc, detail=detail, by=by, note=note
    )


def where(base: Connection, sensor: str, at_utc: datetime) -> Attachment | None:
    """Say where a sensor is at a moment."""
    asked = (
        attachments(sensor)
        .where(EVENT.c.at_us <= to_us(at_utc))
        .order_by(None)
        .order_by(EVENT.c.at_us.desc(), EVENT.c.number.desc())
        .limit(1)
    )
    row = base.execute(asked).mappings().first()
    return None if row is None else attachment_of(row)


def _refuse_off(base: Connection, event: Event) -> None:
    """Refuse to take a sensor off a timber that it is not on."""
    if event.kind is not EventKind.SENSOR_DETACHED:
        return
    on = where(base, str(event.detail["sensor"]), event.at_utc)
    if on is None or on.tag != event.tag:
        raise RegisterError(
            f"sensor {event.detail['sensor']} is not on {event.tag} at "
            f"{chain.by_clock(base, event.at_utc):%Y-%m-%d %H:%M}; "
            f"it is {'on none' if on is None else f'on {on.tag}'}"
        )


def _refuse_detached(base: Connection, event: Event) -> None:
    """Refuse to take back an attachment that a later detaching ends, unless another one stands before it."""
    rows = base.execute(attachments(str(event.detail["sensor"]))).mappings().all()
    mine = (to_us(event.at_utc), event.number)
    before = [(row["kind"], row["tag"]) for row in rows if (row["at_us"], row["number"]) < mine][-1:]
    after = [row for row in rows if (row["at_us"], row["number"]) > mine]
    ended = [(row["kind"], row["tag"]) for row in after[:1]] == [(EventKind.SENSOR_DETACHED.value, event.tag)]
    if ended and before != [(EventKind.SENSOR_ATTACHED.value, event.tag)]:
        raise chain.stands(base, event, event_of(after[0]), "a sensor is taken off only where it was")
