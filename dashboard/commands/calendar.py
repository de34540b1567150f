"""Expected dates from the command line: `baulk calendar`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from baulk.dashboard import words
from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, say, say_json
from baulk.dashboard.commands.options import Out, TagsArgument
from baulk.dashboard.printing import calendar_file, record_data, style
from baulk.ingest import shop as shops


def write_calendar(
    tags: TagsArgument = None,
    *,
    out: Out = Path("timbers.ics"),
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Write the days on which timbers are expected to be ready, as a calendar file (RFC 5545).

    Taking it into a calendar again moves the entries that have moved.

    Example: baulk calendar -o timbers.ics
    """
    with shops.open(shop) as opened:
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
        say(f"{entries} expected dates of {len(found)} timbers in {out}")
