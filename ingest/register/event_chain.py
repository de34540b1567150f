"""The chain of events of one timber: what follows on what, and what may not be so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta, tzinfo
from typing import Any, Final

import sqlalchemy as sa
from sqlalchemy.engine import Connection, RowMapping

from baulk.ingest.errors import RegisterError
from baulk.ingest.register import renaming
from baulk.ingest.register.tables import EVENT, TIMBER, event_of, timber_of
from baulk.ingest.store.moments import from_us, to_us
from baulk.models.errors import OutOfRange
from baulk.models.timber import UNTOLD, Event, EventKind, Timber

EARLY: Final = timedelta(days=1)  # an event may be dated by its day, and so before the hour of arrival
ZONE: Final = "shop_zone"  # option of the connection: by whose clock sentences tell moments
AHEAD: Final = timedelta(minutes=10)  # as for device clocks
_SIZES: Final = ("length_mm", "width_mm", "depth_mm")  # what wood is only taken off
Row = Mapping[Any, Any]


def by_clock(base: Connection, moment: datetime) -> datetime:
    """Return a moment by the clock of the shop whose register this is, for a sentence."""
    return moment.astimezone(zone_of(base))


def zone_of(base: Connection) -> tzinfo | None:
    """Return the zone of the shop whose register this is; None is this machine's."""
    zone: tzinfo | None = base.get_execution_options().get(ZONE)
    return zone


def row_of(base: Connection, number: int) -> RowMapping:
    """Give the row of an event."""
    found = base.execute(sa.select(EVENT).where(EVENT.c.number == number)).mappings().first()
    if found is None:
        raise RegisterError(
            f"there is no event number {number}; `baulk timber history TAG` shows the numbers"
        )
    return found


def counted(base: Connection, tag: str) -> Sequence[RowMapping]:
    """Give the events of a timber that count, the oldest first."""
    asked = sa.select(EVENT).where(EVENT.c.tag == tag, EVENT.c.undone_us.is_(None))
    return base.execute(asked.order_by(EVENT.c.at_us, EVENT.c.number)).mappings().all()


def follower(
    base: Connection, tag: str, column: str, at_us: int, number: int | None = None
) -> RowMapping | None:
    """Give the first event after this one that sets a column; a new one comes last of its moment."""
    for row in counted(base, tag):
        same = number is not None and row["at_us"] == at_us and row["number"] > number
        if (row["at_us"] > at_us or same) and column in row["sets"]:
            return row
    return None


def newest_after(base: Connection, tag: str, number: int) -> Event | None:
    """Give the event noted last of those noted after this one that set something."""
    later = [row for row in counted(base, tag) if row["number"] > number and row["sets"]]
    return event_of(max(later, key=lambda row: row["number"])) if later else None


def relink(base: Connection, row: Row, column: str, old: Any) -> None:  # noqa: ANN401 - whatever a column holds
    """Note that something else stood there before an event."""
    was = {**row["was"], column: old}
    base.execute(EVENT.update().where(EVENT.c.number == row["number"]).values(was=was))


def change(base: Connection, row: Row, values: Mapping[str, Any], revision: int, *, whole: bool) -> None:
    """Change the timber's row; what could not be a timber is refused if it is to be whole."""
    if whole:
        timber_of({**row, **values})
    tag = str(values.get(renaming.FIELD, row["tag"]))
    if tag != row["tag"]:
        renaming.rename(base, row["tag"], tag)
    base.execute(TIMBER.update().where(TIMBER.c.tag == tag).values(**{**values, "revision": revision}))
    if "arrived_utc" in values:
        _arrive(base, tag, to_us(datetime.fromisoformat(values["arrived_utc"])))


def _arrive(base: Connection, tag: str, at_us: int) -> None:
    later = [row["at_us"] for row in counted(base, tag) if row["kind"] != EventKind.ARRIVED.value]
    if later and at_us > to_us(from_us(later[0]) + EARLY):
        raise RegisterError(
            f"{tag} can't have arrived on {by_clock(base, from_us(at_us)):%Y-%m-%d}, for its history "
            f"begins on {by_clock(base, from_us(later[0])):%Y-%m-%d}; correct that first"
        )
    base.execute(
        EVENT.update()
        .where(EVENT.c.tag == tag, EVENT.c.kind == EventKind.ARRIVED.value, EVENT.c.undone_us.is_(None))
        .values(at_us=at_us)
    )


def correct_arrival(base: Connection, tag: str, place: str) -> None:
    """Note that a timber arrived in another place than was said; one that was moved since lies elsewhere."""
    moves = [row for row in counted(base, tag) if row["kind"] == EventKind.MOVED.value]
    if moves:
        raise RegisterError(
            f"{tag} was moved since it arrived; undo its last move (number {moves[-1]['number']}), then "
            "record the right one"
        )
    base.execute(
        EVENT.update()
        .where(EVENT.c.tag == tag, EVENT.c.kind == EventKind.ARRIVED.value)
        .values(detail={"place": place})
    )


def refuse_time(base: Connection, event: Event, timber: Timber, noted_utc: datetime) -> None:
    """Refuse an event to come, one before the timber came, and one after it went."""
    at = by_clock(base, event.at_utc)
    if event.at_utc > noted_utc + AHEAD:
        raise OutOfRange("the time of an event", f"{at:%Y-%m-%d %H:%M} lies in the future")
    if event.at_utc < timber.arrived_utc - EARLY:
        raise OutOfRange(
            "the time of an event",
            f"{at:%Y-%m-%d} lies before {timber.tag} arrived on "
            f"{by_clock(base, timber.arrived_utc):%Y-%m-%d}",
        )
    gone = timber.retired_utc
    if gone is not None and (
        event.kind is EventKind.RETIRED or (event.at_utc > gone and event.kind not in UNTOLD)
    ):
        raise RegisterError(
            f"{timber.tag} was retired on {by_clock(base, gone):%Y-%m-%d}; return it first "
            f"(its page, or `baulk timber return {timber.tag}`)"
        )


def refuse_between(  # a column holds whatever it holds
    base: Connection,
    event: Event,
    column: str,
    new: Any,  # noqa: ANN401
    row: Row,
) -> None:
    """Refuse a change that a later correction would take away, or that a later cut contradicts."""
    if event.kind is EventKind.EDITED:
        return
    if row["kind"] == EventKind.EDITED.value:
        raise RegisterError(
            f"the {column.removesuffix('_mm').replace('_', ' ')} of {event.tag} was corrected later (number "
            f"{row['number']}); take that back first, enter this, then correct it again"
        )
    if grown := growth(row["kind"], row["sets"], {**row["was"], column: new}):
        raise RegisterError(
            f"this can't come before number {row['number']} ({row['kind']}, "
            f"{by_clock(base, from_us(row['at_us'])):%Y-%m-%d}): {grown}"
        )


def growth(kind: str, sets: Mapping[str, Any], was: Mapping[str, Any]) -> str | None:
    """Say why a cut or a planing could not be so, or nothing: they only take wood off."""
    if kind not in {EventKind.CUT.value, EventKind.PLANED.value}:
        return None
    grown = [name for name in _SIZES if name in sets and sets[name] > was[name] + 1e-6]
    if not grown and any(sets[name] < was[name] for name in sets):
        return None
    name = (grown or list(sets))[0]
    return (
        f"{'a cut' if kind == EventKind.CUT.value else 'planing'} takes wood off, and a "
        f"{name.removesuffix('_mm')} of {sets[name]:.0f} mm is not below the {was[name]:.0f} mm there was"
    )


def refuse_after_retiring(base: Connection, event: Event, retired: str) -> None:
    """Refuse to make a timber gone at a time after which things happened to it."""
    gone_us = to_us(datetime.fromisoformat(retired))
    late = [
        row
        for row in counted(base, event.tag)
        if row["at_us"] > gone_us and row["number"] != event.number and EventKind(row["kind"]) not in UNTOLD
    ]
    if late:
        raise stands(base, event, event_of(late[-1]), "the timber would have been gone by then")


def stands(base: Connection, event: Event, later: Event | None, why: str) -> RegisterError:
    """Say that an event can't be taken back while a later one counts."""
    number = f"number {event.number} ({event.kind.value}) can't be taken back"
    if later is None:
        return RegisterError(f"{number}: {why}")
    day = f"{by_clock(base, later.at_utc):%Y-%m-%d}"
    return RegisterError(
        f"{number} while number {later.number} ({later.kind.value}, {day}) counts: {why}; "
        f"take back number {later.number} first"
    )
