"""Entering an event from the command line, and what is said back of it."""

# ruff: noqa: PLR0913 - a person names the options one by one
from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Annotated, Final

import typer

from baulk.dashboard.commands.answers import (
    moment,
    plain,
    say,
    say_json,
    unless_unlikely,
)
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.ingest.sensors import Settled
from baulk.ingest.shop import Shop
from baulk.models import text
from baulk.models.reason import Reason
from baulk.models.sapwood import LIFT_ALONE_KG
from baulk.models.text import events as event_text
from baulk.models.timber import CHANGES_SIZE, Event, EventKind, Value
from baulk.models.units import System

MoveOption = Annotated[bool, typer.Option("--move", help="A sensor is taken off the timber that it is on.")]


_WAIT: Final = {
    EventKind.ARRIVED: "readings that wait in quarantine until its tag is entered again",
    EventKind.SENSOR_ATTACHED: "readings that wait in quarantine until somebody says where the sensor was",
    EventKind.SENSOR_DETACHED: "readings that wait in quarantine until somebody says where the sensor was",
}


def enter(
    tag: str,
    kind: EventKind,
    detail: Callable[[System], dict[str, Value]] | dict[str, Value],
    *,
    at: str,
    by: str,
    note: str,
    shop: Path,
    json: bool,
    yes: bool = False,
    move: bool = False,
    new_place: bool = False,
) -> None:
    """Enter an event of which a person named the details, and tell what was noted."""
    now_utc = datetime.now(UTC)
    with shops.open(shop, durable=True) as opened:
        system = opened.config.shop.units
        found = detail(system) if callable(detail) else detail
        entered = Event(
            tag=tag,
            kind=kind,
            at_utc=moment(at, now_utc=now_utc, zone=opened.config.zone),
            noted_utc=now_utc,
            detail=found,
            by=by,
            note=note,
        )
        event, settled = unless_unlikely(
            lambda sure: operations.add_event(opened, entered, move=move, new_place=new_place, sure=sure),
            yes=yes,
        )
        out = room(opened, event.tag) if event.kind in CHANGES_SIZE else None
    answer(event, settled, system, zone=opened.config.zone, json=json, out=out)


def room(opened: Shop, tag: str) -> Reason:
    """Return whether the finished size still comes out of a timber."""
    from baulk.ingest.evaluation import still_fits  # noqa: PLC0415 - it computes, and --help does not

    return still_fits.reason(opened, tag)


def tell_room(out: Reason, system: System) -> None:
    """Tell when little is left for the finished size, or when it no longer comes out."""
    if out.code != "verdict.comes_out":
        say(text.sentence(out, system))


def answer(
    event: Event,
    settled: Settled,
    system: System,
    *,
    zone: tzinfo | None,
    json: bool,
    out: Reason | None = None,
) -> None:
    """Tell what was noted, what became of a sensor's readings, and whether the finished size still fits."""
    if json and out is not None:
        say_json({**plain(event), "comes_out": plain(out)})
        return
    if json:
        say_json({"event": event, "settled": settled} if "sensor" in event.detail else event)
        return
    back = "taken back: " if event.undone_utc is not None else ""
    say(f"{event.tag}: {back}{event_text.event(event, system, zone=zone)} (number {event.number})")
    for count, what in (
        (settled.came, "readings that waited in quarantine and are now stored"),
        (settled.moved, "stored readings that went to where the sensor was"),
        (settled.set_aside, _WAIT.get(event.kind, "readings that wait in quarantine")),
    ):
        if count:
            say(f"{what}: {count}")
    weights = [
        float(event.detail[name]) for name in ("weight_before_kg", "weight_after_kg") if name in event.detail
    ]
    if weights and max(weights) > LIFT_ALONE_KG:
        say("Not a lift for one: use a hoist or enough people; your local rules for lifting come first.")
    if out is not None:
        tell_room(out, system)
