"""Expected dates from the command line: `baulk calendar`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, counted, say, say_json
from baulk.dashboard.commands.options import Out, TagsArgument
from baulk.dashboard.printing import record_data, style
from baulk.dashboard.server import calendar_file, outside
from baulk.ingest import shop as shops
from baulk.ingest.shop import Shop


def write_calendar(  # noqa: PLR0913 - one an option
    tags: TagsArgument = None,
    *,
    address: Annotated[
        bool, typer.Option("--address", help="An address for calendar programs, made anew.")
    ] = False,
    stop: Annotated[bool, typer.Option("--stop", help="End it now.")] = False,
    out: Out = Path("timbers.ics"),
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Write the days on which timbers are expected to be ready, as a calendar file (RFC 5545).

    Taking it into a calendar again moves the entries that have moved. --address gives an address of the pages
    instead, from which calendar programs fetch it by themselves: there is none until it is asked for, whoever
    has it sees tags, places and dates, and --stop ends it.

    Example: baulk calendar -o timbers.ics
    """
    with shops.open(shop) as opened:
        if address or stop:
            _address(opened, json=json, stop=stop)
            return
        words.keep_to(opened.config.zone)
        wanted = tags or opened.register.tags()
        now_utc = datetime.now(UTC)
        found = [record_data.record(opened, tag, now_utc) for tag in wanted]
        ics = calendar_file.calendar(found, shop=opened.config.shop.name, slug=opened.config.slug)
    style.write(out, ics)
    entries = ics.count(b"BEGIN:VEVENT")
    if json:
        say_json({"file": out, "entries": entries})
    else:
        say(f"{counted(entries, 'expected date')} of {counted(len(found), 'timber')} in {out}")


def _address(shop: Shop, *, json: bool, stop: bool) -> None:
    made = None
    if stop:
        outside.end_address(shop)
    else:
        made = outside.new_address(shop, datetime.now(UTC))
    if json:
        say_json({"address": made})
    elif made is None:
        say("the calendar has no address any more")
    else:
        say(f"calendar programs fetch the dates from {made}")
        say("whoever has this address can read them; --stop ends it, and --address makes another")
