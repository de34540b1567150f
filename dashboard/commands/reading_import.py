"""Readings from a file: `baulk reading import`."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, counted, say, say_json, table
from baulk.dashboard.commands.options import FileArgument, Rejected, Yes
from baulk.ingest import shop as shops
from baulk.ingest.config import Config
from baulk.ingest.exchange import import_readings
from baulk.ingest.exchange.import_readings import Bringing, ReadingReport, SeriesCount, Told
from baulk.ingest.wire.logger_columns import Logger, as_said
from baulk.models.errors import NotFound, OutOfRange
from baulk.models.reading import Series
from baulk.models.text import events as event_text
from baulk.models.text import series as series_text

_SHOWN = 20  # sentences on screen; --rejected has them all


def import_(  # noqa: PLR0913 - one an option
    file: FileArgument,
    *,
    logger: Annotated[
        str | None, typer.Option("--logger", metavar="NAME", help="As [[logger]] of baulk.toml describes it.")
    ] = None,
    time: Annotated[
        str | None,
        typer.Option("--time", metavar="COLUMN", help="A data logger's file: heading of the time."),
    ] = None,
    columns: Annotated[
        list[str] | None,
        typer.Option(
            "--column",
            metavar="MEANING",
            help="What a column is and its unit: 'Temp (C)=air/shed/temp:degC'; again for each.",
        ),
    ] = None,
    time_format: Annotated[
        str, typer.Option("--time-format", help="iso, unix_s, unix_ms, or a pattern: '%d/%m/%Y %H:%M'.")
    ] = "iso",
    zone: Annotated[
        str | None, typer.Option("--zone", help="Of times without an offset: Europe/Lisbon, UTC, +01:00.")
    ] = None,
    rejected: Rejected = None,
    yes: Yes = False,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Bring in readings from a CSV file: a data logger's, or one reading a row.

    First it says what would happen: what is new, from when to when, what is refused and why. A row needs
    taken, value, unit and either series or tag, quantity, depth and face, as `baulk export readings` writes
    them; a data logger's file needs --time and a --column for each, or --logger. Nothing is guessed. The same
    reading twice is stored once, so that a file may be brought in again.

    Example: baulk reading import shed.csv --time Date --zone Europe/Lisbon
    --column "Temp (C)=air/shed/temp:degC" --yes
    """
    now_utc = datetime.now(UTC)
    given = _given(time, columns, time_format, zone)
    with shops.open(shop, durable=True) as opened:
        found = _named(opened.config, logger, given) if logger else given
        bringing = (
            import_readings.of_logger(file, found, opened)
            if found
            else import_readings.of_long(file, opened, zone=zone, time_format=time_format)
        )
        with progress("looking at the file", bringing.sheet.size) as told:
            report = bringing.look(opened, now_utc, rejected=rejected, told=told)
        if not json:
            _show(report, rejected, opened.config)
        if report.new + sum(each.clash for each in report.series) and agreed(yes=yes, json=json):
            report = _bring(bringing, opened, now_utc, report)
    if json:
        say_json(report)
    elif report.stored is not None:
        say(f"{counted(report.stored, 'reading')} stored")
    if not report.series and not report.corrected:
        end_if_all_refused(report.refused, json=json)


def _given(time: str | None, columns: list[str] | None, time_format: str, zone: str | None) -> Logger | None:
    if (time is None) != (not columns):
        raise OutOfRange("a data logger's file", "needs both --time and at least one --column")
    if time is None:
        return None
    return as_said(time, columns or (), time_format=time_format, zone=zone)


def _named(config: Config, name: str, given: Logger | None) -> Logger:
    if given is not None:
        raise OutOfRange("--logger", "says time and columns itself; leave --time and --column away")
    for each in config.logger:
        if each.name == name:
            return each
    raise NotFound("logger", name, [each.name for each in config.logger])


def _bring(bringing: Bringing, opened: shops.Shop, now_utc: datetime, report: ReadingReport) -> ReadingReport:
    with progress("storing", bringing.sheet.size) as told:
        return bringing.bring(opened, now_utc, report, told=told)


def _value(counted: SeriesCount, value: float, config: Config) -> str:
    quantity = Series.parse(counted.series).quantity
    return event_text.quantity(quantity, value, counted.unit, config.shop.units, config.temperature)


def _show(report: ReadingReport, rejected: Path | None, config: Config) -> None:
    for note in report.notes:
        say(f"{report.file}: {note}")
    table(
        f"{report.file}: {counted(report.rows, 'row')}",
        ("series", "new", "known", "clash", "from", "to", "values"),
        [
            (
                series_text.named(each.series, config.shop.units),
                str(each.new),
                str(each.known),
                str(each.clash),
                f"{each.first_utc.astimezone(config.zone):%Y-%m-%d}",
                f"{each.last_utc.astimezone(config.zone):%Y-%m-%d}",
                " to ".join(dict.fromkeys(_value(each, value, config) for value in (each.low, each.high))),
            )
            for each in report.series
        ],
    )
    if report.blank:
        say(f"{report.blank} empty cells are no readings")
    for words in report.clashes[:_SHOWN]:
        say(words)
    if report.clashes:
        say("the value that is stored stays; the other one goes to quarantine")
    for one in report.refused_rows[:_SHOWN]:
        where = f", {one.column}" if one.column else ""
        say(f"line {one.line}{where}: {one.reason}")
    for words in report.unlikely_rows[:_SHOWN]:
        say(words)
    if report.unlikely:
        say(f"unlikely: {report.unlikely}; they come in as they stand; `baulk reading undo` takes back")
    refused_line(report.refused, rejected)
    if not report.new and report.series:
        say("nothing in it is new")


def refused_line(refused: int, rejected: Path | None) -> None:
    """Say how many were refused, and where they are or could be."""
    if refused:
        where = f"they are in {rejected}" if rejected else "--rejected FILE writes them out to be corrected"
        say(f"refused: {refused}; {where}")


def end_if_all_refused(refused: int, *, json: bool) -> None:
    """End a command whose file held nothing but refused rows, so that a script knows it; else go on."""
    if not refused:
        return
    if not json:
        say("nothing was brought in: every row was refused")
    raise typer.Exit(1)


def agreed(*, yes: bool, json: bool) -> bool:
    """Whether to go on: --yes, or a yes at the prompt of a terminal."""
    if yes:
        return True
    if json:
        return False
    if not sys.stdin.isatty():
        say("nothing was changed; --yes does it")
        return False
    if typer.confirm("Do it?", default=False):
        return True
    say("nothing was changed")
    return False


@contextmanager
def progress(what: str, size: int) -> Iterator[Told]:
    """Show how far it is on standard error, to a person who waits."""
    console = Console(stderr=True)
    if not console.is_terminal or size < 1_000_000:
        yield lambda _: None
        return
    columns = (TextColumn(what), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(what, total=size)
        yield lambda at: bar.update(task, completed=at)
