"""The plan of the yard: which places there are, what lies on them, and how both are moved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from typing import Any, Final

from baulk.dashboard.queries import yard_groups
from baulk.dashboard.queries.yard_rows import YardRow
from baulk.dashboard.server.shop_access import ask
from baulk.ingest import operations
from baulk.models.timber import Event, EventKind, Place

SIZE_M: Final = (4.0, 3.0)  # of a place whose size nobody has drawn
FARTHEST_M: Final = 10_000.0


def places() -> list[Place]:
    """Return every place: those entered and those that a timber lies in."""
    return ask(lambda s: s.register.places())


def drawn(found: Sequence[Place], rows: Sequence[YardRow]) -> list[dict[str, Any]]:
    """Return the places as the drawing takes them.

    Parameters
    ----------
    found : sequence of Place
        All places.
    rows : sequence of YardRow
        All timbers.

    Returns
    -------
    list of dict
        Name, position and size (None where it is not on the plan yet), and the timbers on it. [m]
    """
    lying: dict[str, list[dict[str, str]]] = {}
    for row in rows:
        group = yard_groups.GROUPS[yard_groups.of(row)]
        told = {"tag": row.timber.tag, "shape": group.shape, "said": group.word}
        lying.setdefault(row.timber.place, []).append(told)
    return [
        {
            "name": each.name,
            "x": each.x_m,
            "y": each.y_m,
            "w": each.width_m or SIZE_M[0],
            "h": each.depth_m or SIZE_M[1],
            "timbers": lying.get(each.name, []),
        }
        for each in found
    ]


def put(given: Mapping[str, Any]) -> tuple[Place, Place]:
    """Put a place where it was drawn; return it as it was and as it is.

    Parameters
    ----------
    given : mapping
        ``name``, ``x``, ``y``, ``w``, ``h``. [m]

    Returns
    -------
    tuple of Place
        Before and after.
    """
    before = next((each for each in places() if each.name == given["name"]), Place(name=str(given["name"])))
    x, y, wide, deep = (
        min(FARTHEST_M, max(-FARTHEST_M, float(given[name]))) for name in ("x", "y", "w", "h")
    )
    after = replace(before, x_m=x, y_m=y, width_m=wide, depth_m=deep)
    ask(lambda s: s.register.save_place(after))
    return before, after


def put_back(before: Place) -> None:
    """Draw a place as it was."""
    ask(lambda s: s.register.save_place(before))


def add(name: str) -> None:
    """Enter a place."""
    place = Place(name=name.strip())
    ask(lambda s: operations.add_place(s, place))


def lay(tag: str, to: str, *, by: str, now: datetime) -> int:
    """Note that a timber was moved to a place; return the number of the event."""
    event = Event(
        tag=tag, kind=EventKind.MOVED, at_utc=now, noted_utc=now, detail={"from": "", "to": to}, by=by
    )
    return ask(lambda s: operations.add_event(s, event)[0].number)


def undo(number: int, *, by: str, now: datetime) -> None:
    """Take an event back."""
    ask(lambda s: operations.undo(s, number, by=by, now_utc=now))
