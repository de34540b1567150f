"""What happened to a timber, oldest first, and taking an event back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import UTC, datetime, tzinfo
from typing import Annotated, Final

import typer

from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    say_json,
    stamp,
    table,
    unless_unlikely,
)
from baulk.dashboard.commands.event_entry import answer
from baulk.dashboard.commands.options import (
    By,
    TagArgument,
    Yes,
)
from baulk.ingest import operations
from baulk.ingest import shop as shops
from baulk.models.errors import OutOfRange
from baulk.models.text import events as event_text
from baulk.models.timber import Event
from baulk.models.units import System


def history(
    tag: TagArgument,
    *,
    undone: Annotated[bool, typer.Option("--undone", help="Also what was taken back.")] = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Show what happened to a timber, oldest first, with the numbers that `undo` takes.

    Example: baulk timber history FER-03 --undone
    """
    with shops.open(shop, durable=True) as opened:
        system, zone = opened.config.shop.units, opened.config.zone
        events = opened.register.events(tag, undone=undone)
    if json:
        say_json(events)
    else:
        tell_history(events, system, zone)


def tell_history(events: list[Event], system: System, zone: tzinfo | None) -> None:
    """Print events as a table."""
    table(
        "history",
        ("no.", "when", "what", "by"),
        [
            (
                str(each.number),
                stamp(each.at_utc, zone),
                event_text.event(each, system, zone=zone) + _taken_back(each, zone),
                each.by,
            )
            for each in events
        ],
    )


def undo(
    number: Annotated[str, typer.Argument(help="As `history` shows it.", metavar="NUMBER")],
    *,
    by: By = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take an event back: what it changed is as it was; that it was taken back stays on record.

    The arrival of a timber that was entered by mistake takes it out of the register; its readings wait in
    quarantine until its tag is entered again.

    Example: baulk timber undo 17
    """
    if not number.isdecimal():
        raise OutOfRange(
            "what to undo", f"is a number as `baulk timber history TAG` shows it, not {number!r}"
        )
    with shops.open(shop, durable=True) as opened:
        now_utc = datetime.now(UTC)
        taken_back, settled = unless_unlikely(
            lambda sure: operations.undo(opened, int(number), by=by, now_utc=now_utc, sure=sure),
            yes=yes,
            unless="Nothing was taken back",
        )
        system = opened.config.shop.units
    answer(taken_back, settled, system, zone=opened.config.zone, json=json)


def _taken_back(event: Event, zone: tzinfo | None) -> str:
    if event.undone_utc is None:
        return ""
    by = f" by {event.undone_by}" if event.undone_by else ""
    return f" [taken back {stamp(event.undone_utc, zone)}{by}]"


COMMANDS: Final[Mapping[str, Callable[..., None]]] = {"history": history, "undo": undo}
