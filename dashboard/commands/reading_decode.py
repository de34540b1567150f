"""What was sent, decoded once more: `baulk reading decode-again`."""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import (
    HERE,
    JsonOption,
    ShopOption,
    counted,
    moment,
    say,
    say_json,
    stamp,
)
from baulk.dashboard.commands.options import TOPIC, Since, Undo, Yes
from baulk.dashboard.commands.reading_import import agreed
from baulk.ingest import decode_again as decoding
from baulk.ingest import shop as shops
from baulk.ingest.decode_again import Report
from baulk.models.text import series as series_text
from baulk.models.units import System


def decode_again(  # noqa: PLR0913 - one an option
    *,
    topic: Annotated[str | None, TOPIC] = None,
    since: Since = None,
    until: Annotated[
        str | None, typer.Option("--until", help="Only what is older than that.", metavar="WHEN")
    ] = None,
    undo: Undo = False,
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Decode once more what was sent, by the settings as they are now, and put the readings right.

    Messages stay as they came for four weeks ([store] messages_days). After a mistake in a [[source]], in a
    unit or a depth is corrected in baulk.toml, this says what would be added, changed and set aside, and with
    --yes does it. Readings by hand and from files are not touched; messages on topics that nothing in
    baulk.toml speaks of any more stay as they were understood.

    Example: baulk reading decode-again --topic "sensors/+/climate" --since 2026-11-20
    """
    now_utc = datetime.now(UTC)
    with shops.open(shop) as opened:
        if undo:
            report = decoding.undo(opened)
        else:
            first, last = (
                None if at is None else moment(at, now_utc=now_utc, zone=opened.config.zone)
                for at in (since, until)
            )
            report = decoding.look(opened, now_utc, since=first, until=last, topic=topic)
            if not json:
                _show(report, opened.config.zone, opened.config.shop.units)
            if report.anything and agreed(yes=yes, json=json):
                report = decoding.put_right(opened, now_utc, since=first, until=last, topic=topic)
    if json:
        say_json(report)
    elif undo:
        say(f"taken back: {counted(report.set_aside, 'reading')} went, {report.added} are as they were")
    elif report.number is not None:
        say("done; --undo takes it back")


def _show(report: Report, zone: tzinfo | None, system: System) -> None:
    if report.since_utc is None or report.until_utc is None:
        say("no messages are kept of that time")
        return
    times = f"{stamp(report.since_utc, zone)} to {stamp(report.until_utc, zone)}"
    say(f"{counted(report.messages, 'message')}, {times}")
    for words in report.examples:
        before, _, after = words.partition(" -> ")
        say(f"  {series_text.first_named(before, system)} -> {series_text.first_named(after, system)}")
    say(f"readings added: {report.added}, changed: {report.changed}, set aside: {report.set_aside}")
    if report.released:
        say(f"messages that leave quarantine: {report.released}")
    if report.held:
        say(f"not taken, for another one has their time: {counted(report.held, 'reading')}")
