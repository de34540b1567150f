"""Taking things out: `baulk export timbers`, `readings`, `events`, `mappings` ...."""

# ruff: noqa: PLR0913 - one an option
from __future__ import annotations

import sys
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Annotated

import typer

from baulk.dashboard.commands.answers import HERE, JsonOption, ShopOption, counted, moment, say, say_json
from baulk.dashboard.commands.options import MaybeOut, Places, Since, TagsArgument
from baulk.ingest import shop as shops
from baulk.ingest.errors import DocumentError, ExchangeError
from baulk.ingest.evaluation.document import json_schema
from baulk.ingest.exchange import export, table_file
from baulk.ingest.mqtt import message_schema
from baulk.models.errors import OutOfRange

app = typer.Typer(pretty_exceptions_enable=False)
_NONE = None


@app.command()
def timbers(
    tags: TagsArgument = None,
    *,
    places: Places = None,
    since: Since = None,
    file: MaybeOut = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take out the timbers, those that left too; `baulk timber import` takes the CSV in again.

    -o takes FILE.csv or FILE.parquet; without it CSV is printed. --place, which may be
    said again, takes what lies there.

    Example: baulk export timbers -o timbers.csv
    """
    _take_out("timbers", file, tags, places, since, shop, json=json)


@app.command()
def readings(
    tags: TagsArgument = None,
    *,
    places: Places = None,
    since: Since = None,
    file: MaybeOut = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take out the readings, one a row; `baulk reading import` takes the CSV in again.

    -o takes FILE.csv or FILE.parquet; without it CSV is printed. --place, which may be
    said again, takes the air there.

    Example: baulk export readings FER-03 --place shed --since 2026-01-01 -o readings.parquet
    """
    _take_out("readings", file, tags, places, since, shop, json=json)


@app.command()
def events(
    tags: TagsArgument = None,
    *,
    since: Since = None,
    file: MaybeOut = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take out what happened to the timbers, what was taken back too.

    `baulk timber import --events` takes the CSV in again.

    -o takes FILE.csv or FILE.parquet; without it CSV is printed.

    Example: baulk export events --since 2026-01-01 -o events.csv
    """
    _take_out("events", file, tags, _NONE, since, shop, json=json)


@app.command()
def verdicts(
    tags: TagsArgument = None,
    *,
    since: Since = None,
    file: MaybeOut = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take out the last verdict of each timber: step, dates, moisture with its interval, reasons.

    -o takes FILE.csv or FILE.parquet; without it CSV is printed.

    Example: baulk export verdicts -o verdicts.csv
    """
    _take_out("verdicts", file, tags, _NONE, since, shop, json=json)


@app.command()
def mappings(
    *,
    since: Since = None,
    file: MaybeOut = None,
    shop: ShopOption = HERE,
    json: JsonOption = False,
) -> None:
    """Take out what people said of sensors' messages, what was taken back too.

    `baulk sensor map --file` takes the CSV in again.

    -o takes FILE.csv or FILE.parquet; without it CSV is printed.

    Example: baulk export mappings -o mappings.csv
    """
    _take_out("mappings", file, None, _NONE, since, shop, json=json)


@app.command()
def evaluations(
    tags: TagsArgument = None,
    *,
    since: Since = None,
    past: Annotated[
        bool, typer.Option("--past", help="Also the first of each week, which is kept for good.")
    ] = False,
    file: MaybeOut = None,
    shop: ShopOption = HERE,
) -> None:
    """Take out whole evaluations, one JSON document a line: field, forecast, fit, movement, verdict.

    Without -o they are printed. `baulk export schema` describes them.

    Example: baulk export evaluations FER-03 --past -o all.jsonl
    """
    with shops.open(shop) as opened:
        asked = _asked(tags, None, since, opened.config.zone)
        found = list(export.evaluations(opened, asked, past=past))
    unread = {tag: each for tag, each in found if isinstance(each, DocumentError)}
    lines = [each.model_dump_json() + "\n" for _, each in found if not isinstance(each, DocumentError)]
    if file is None:
        sys.stdout.writelines(lines)
    else:
        table_file.write_lines(lines, file)
        say(f"{counted(len(lines), 'evaluation')} in {file}")
    if unread:
        why = "; ".join(f"{tag}: {err}" for tag, err in unread.items())
        raise ExchangeError(f"left out, for it can't be read: {why}")


@app.command()
def schema(
    *,
    messages: Annotated[
        bool, typer.Option("--messages", help="Of what goes by MQTT: verdicts, air plans, events, weather.")
    ] = False,
) -> None:
    """Print the JSON schema of a stored evaluation; it is in the package too, as evaluation.schema.json.

    Example: baulk export schema --messages
    """
    say_json(message_schema.json_schema() if messages else json_schema())


def _take_out(  # noqa: PLR0917 - one an option
    what: str,
    file: Path | None,
    tags: list[str] | None,
    places: list[str] | None,
    since: str | None,
    shop: Path,
    *,
    json: bool,
) -> None:
    if file is None and json:
        raise OutOfRange("--json", "tells how many rows went into a file; name one with -o")
    with shops.open(shop) as opened:
        asked = _asked(tags, places, since, opened.config.zone)
        table = export.TABLES[what](opened, asked)
        if file is None:
            table_file.write_csv(table, sys.stdout)
            return
        rows = table_file.write(table, file)
    if json:
        say_json({"file": file, "rows": rows, "columns": list(table.columns)})
    else:
        say(f"{counted(rows, what.removesuffix('s'))} in {file}")


def _asked(
    tags: list[str] | None, places: list[str] | None, since: str | None, zone: tzinfo | None
) -> export.Asked:
    return export.Asked(
        tags=tuple(tags or ()),
        places=tuple(places or ()),
        since_utc=moment(since, now_utc=datetime.now(UTC), zone=zone) if since else None,
    )
