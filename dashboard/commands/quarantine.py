"""Quarantine from the command line: what could not be stored, by cause, and mending it."""

from __future__ import annotations

from datetime import UTC, datetime
from enum import StrEnum
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    counted,
    say,
    say_item,
    say_json,
    stamp,
)
from baulk.dashboard.commands.options import By, Limit, Note, Out, Preview, Yes
from baulk.ingest import hand_readings, pipeline
from baulk.ingest import shop as shops
from baulk.ingest.exchange import quarantine_file
from baulk.ingest.mqtt.last_messages import shown
from baulk.ingest.store.rejected import Cause, QuarantineRow, Which
from baulk.models.errors import OutOfRange
from baulk.models.formatting import in_brief, in_reader_units, printable
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text
from baulk.models.units import System

app = typer.Typer(pretty_exceptions_enable=False)
CauseOption = Annotated[Cause | None, typer.Option("--cause", help="Only those of one cause.")]
SenderOption = Annotated[
    str | None, typer.Option("--sender", metavar="TOPIC", help="Only those of one topic.")
]


NumberArgument = Annotated[
    int | None, typer.Argument(min=1, help="A single one, from `baulk quarantine list`.", metavar="NUMBER")
]


class Take(StrEnum):
    """Which of two values for one moment is right."""

    STORED = "stored"
    OTHER = "other"


@app.command()
def groups(*, shop: ShopOption = HERE, json: JsonOption = False) -> None:
    """Show what lies in quarantine by cause and sender, the most first.

    Example: baulk quarantine groups
    """
    with shops.open(shop, durable=True) as opened:
        found, let_go = opened.store.quarantine_groups(), opened.store.let_go()
        zone, system = opened.config.zone, opened.config.shop.units
    if json:
        say_json(found)
        return
    say(f"{counted(sum(each.messages for each in found), 'message')} in quarantine")
    for each in found:
        many = f"{counted(each.messages, 'message')}, {_size(each.size)}, the last"
        _tell(
            f"{each.cause.value}  {printable(in_brief(each.sender))}",
            f"{many} {stamp(each.last_utc, zone)}: {_reason(each.reason, system)}",
        )
    if let_go:
        say(f"{let_go[0]} more were deleted, the last on {stamp(let_go[1], zone)}: too many or too old")


@app.command("list")
def list_(
    *,
    limit: Limit = 50,
    cause: CauseOption = None,
    sender: SenderOption = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """List messages that could not be stored, each with its reason.

    Example: baulk quarantine list --cause clash
    """
    with shops.open(shop, durable=True) as opened:
        rows = opened.store.quarantined(limit, Which(cause=cause, sender=sender))
        zone, why = opened.config.zone, [] if json else [_why(opened, each) for each in rows]
    if json:
        say_json(rows)
        return
    say(f"{counted(len(rows), 'message')} in quarantine")
    for each, reason in zip(rows, why, strict=True):
        _tell(
            f"{each.number}  {stamp(each.raw.arrived_utc, zone)}  {printable(in_brief(each.raw.topic))}",
            reason,
            shown(each.raw.payload[:60]),
        )


def _why(opened: shops.Shop, row: QuarantineRow) -> str:
    """Return why a message lies there; of two values of one moment both in the reader's units."""
    config, pair = opened.config, hand_readings.clashing_pair(opened, row)
    if pair is not None:
        return printable(event_text.clash(*pair, config.shop.units, config.temperature, config.zone))
    return _reason(row.reason, config.shop.units)


def _reason(reason: str, system: System) -> str:
    """Return why it lies there, in the reader's units; a message's own numbers are millimetres."""
    return printable(in_reader_units(series_text.first_named(reason, system), system))


def _size(count: int) -> str:
    """Return how much they take; few bytes are no "0 kB"."""
    return f"{count / 1000:.0f} kB" if count >= 1000 else counted(count, "byte")


def _stay(left: int) -> str:
    """Return "1 message stays", "2 messages stay"."""
    return f"{counted(left, 'message')} {'stays' if left == 1 else 'stay'}"


def _tell(head: str, *below: str) -> None:
    """Print what lies there in one line, and set in below it what is as long as it is."""
    say(head)
    for each in below:
        say_item(each, mark=" ")


@app.command()
def retry(  # noqa: PLR0913 - a person names them one by one
    number: NumberArgument = None,
    *,
    cause: CauseOption = None,
    sender: SenderOption = None,
    preview: Preview = False,
    by: By = "",
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Try messages again, once the timber is entered, the sensor attached or the [[source]] put right.

    --yes enters events that can hardly be meant, or stand there already: somebody has looked at them, and
    who it was stands with the event.

    Example: baulk quarantine retry --cause not-understood --preview

    Example: baulk quarantine retry 12 --by Ida --yes
    """
    if yes and not any((number, cause, sender)):
        raise OutOfRange("--yes", "says that a message is right; give its number, --cause or --sender")
    with shops.open(shop, durable=True) as opened:
        which = Which(number=number, cause=cause, sender=sender)
        done = pipeline.replay(opened, which, preview=preview, confirmed_by=by if yes else None)
    if json:
        say_json(done)
        return
    held = counted(done.stored, "reading")
    if done.events:  # readings only where there are any beside them
        held = f"{held} and " * (done.stored > 0) + counted(done.events, "event")
    if preview:
        say(f"{counted(done.settled, 'message')} would be read, with {held}; {done.left} would stay")
    else:
        say(f"{held} came out of quarantine; {_stay(done.left)}")
    if done.reason:
        say(f"the first that stays: {printable(done.reason)}")


@app.command()
def discard(  # noqa: PLR0913 - a person names them one by one
    number: NumberArgument = None,
    *,
    cause: CauseOption = None,
    sender: SenderOption = None,
    by: By = "",
    note: Note = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Discard messages for good: a single one, those of a cause, those of a topic. Export them first.

    --note says why, and has to: it is kept on record.

    Example: baulk quarantine discard --sender garden/pump --note "not ours"
    """
    which = Which(number=number, cause=cause, sender=sender)
    if not any((number, cause, sender)):
        raise OutOfRange("what to discard", "is not said; give its number, --cause or --sender")
    if not note.strip():
        raise OutOfRange("--note", "is empty; say why: one sentence is kept on record")
    with shops.open(shop, durable=True) as opened:
        gone = opened.store.discard(which, why=note, by=by, now_utc=datetime.now(UTC))
    if json:
        say_json({"discarded": gone})
        return
    say(f"{counted(gone, 'message')} discarded: {printable(note)}")


@app.command()
def export(
    *,
    out: Out,
    cause: CauseOption = None,
    sender: SenderOption = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Write messages in quarantine to a file in CSV, each whole.

    Example: baulk quarantine export -o quarantine.csv
    """
    with shops.open(shop, durable=True) as opened:
        count = quarantine_file.write(opened, out, Which(cause=cause, sender=sender))
    if json:
        say_json({"file": out, "messages": count})
        return
    say(f"{out}: {counted(count, 'message')}")


@app.command()
def settle(
    number: Annotated[int, typer.Argument(min=1, help="Its number, from `baulk quarantine list`.")],
    take: Annotated[Take, typer.Option("--take", help="Which of the two values is right.")],
    *,
    by: By = "",
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Settle a reading whose time is taken by another value: keep the stored one, or exchange them.

    After an exchange the former value lies in quarantine, and can be taken back the same way.

    Example: baulk quarantine settle 12 --take other
    """
    with shops.open(shop, durable=True) as opened:
        now = datetime.now(UTC)
        kept = hand_readings.settle_clash(opened, number, take_other=take is Take.OTHER, by=by, now_utc=now)
        config = opened.config
    if json:
        say_json(kept)
        return
    named = series_text.named(str(kept.series), config.shop.units)
    value = event_text.value(kept, config.shop.units, config.temperature)
    say(f"{named} at {stamp(kept.taken_utc, config.zone)}: {value}")
