"""Corrections that were made in another shop's register: each takes its place in the chain, with who and why.

The timber comes in as the corrections have left it, so they are written down, not made again: one sets what
the file says over what the file says stood there before. A timber that had left and was taken back in is such
a pair too.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection

from baulk.ingest.register import event_chain as chain
from baulk.ingest.register.tables import EVENT, FIELDS, TIMBER, stored, timber_of
from baulk.ingest.store.moments import to_us
from baulk.models.errors import OutOfRange
from baulk.models.timber import Event, EventKind


def keep(base: Connection, tag: str, those: Iterable[Event], revision: int) -> None:
    """Write down corrections, and retirings that were reversed, of a timber that has just come in.

    Parameters
    ----------
    base : Connection
        Inside a transaction.
    tag : str
        As the timber bears it.
    those : iterable of Event
        Corrections and retirings, those too that were taken back.
    revision : int
        Of the shop.

    Raises
    ------
    OutOfRange
        If one names no field of a timber, or what none can have.
    """
    for event in sorted(those, key=lambda one: one.at_utc):
        column, old, new = _step(event)
        values = {
            "tag": tag,
            "kind": event.kind.value,
            "at_us": to_us(event.at_utc),
            "noted_us": to_us(event.noted_utc or event.at_utc),
            "who": event.by,
            "note": event.note,
            "detail": {name: value for name, value in event.detail.items() if name != "old"},
            "was": {column: old},
            "undone_by": event.undone_by,
            "settled": True,
        }
        if event.undone_utc is not None:
            base.execute(EVENT.insert().values(**values, sets={}, undone_us=to_us(event.undone_utc)))
            continue
        later = chain.follower(base, tag, column, to_us(event.at_utc))
        base.execute(EVENT.insert().values(**values, sets={column: new}))
        row = base.execute(sa.select(TIMBER).where(TIMBER.c.tag == tag)).mappings().one()
        if later is not None:
            chain.relink(base, later, column, new)
        elif row[column] != new:
            chain.change(base, row, {column: new}, revision, whole=False)
    timber_of(base.execute(sa.select(TIMBER).where(TIMBER.c.tag == tag)).mappings().one())


def _step(event: Event) -> tuple[str, Any, Any]:
    """Return which column an event set, what stood there and what it set."""
    if event.kind is EventKind.RETIRED:
        return "retired_utc", None, stored(event.at_utc)
    column = str(event.detail.get("field", ""))
    if column not in FIELDS:
        raise OutOfRange("a correction", f"is of a field of a timber, not of {column!r}")
    old, new = (_held(column, event.detail.get(name, "")) for name in ("old", "new"))
    return column, old, new


def _held(column: str, value: Any) -> Any:  # noqa: ANN401 - whatever a column holds
    """Return what a column holds for a value of a file."""
    if value == "" and TIMBER.c[column].nullable:
        return None
    kind = TIMBER.c[column].type.python_type
    fits = isinstance(value, int | float) and not isinstance(value, bool) if kind is float else False
    if not (fits or isinstance(value, kind)):
        raise OutOfRange(f"the {column} of a correction", f"can't be {value!r}")
    return value
